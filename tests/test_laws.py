"""Laws that hold for every brief, tried on random ones: order, names, tightening, new candidates, prices, files.

The numbers in the headings are those of the project's list of laws; 8 to 10 are tried elsewhere.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from copy import deepcopy
from dataclasses import replace
from math import inf, isfinite, isnan
from random import Random
from typing import Any

import briefs
import oracle
import pytest
import tomli
from briefs import Wish, brief_of
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from oracle import Case, Table

from optimizer.brief import Brief
from optimizer.result import Outcome, Result
from optimizer.rules import KINDS, LimitRule, Rule, UseLevel
from optimizer.rules.selection import OneOf
from optimizer.scenario import Scenario, read_scenario, scenario_from
from optimizer.solve import solve
from optimizer.units import number

CI = settings(
    derandomize=True,
    database=None,
    deadline=None,
    max_examples=40,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large],
)
"""Same examples on every run and machine."""
FEW = settings(CI, max_examples=12)
PRICED = Wish(kinds=briefs.PLAIN, ph=False, goals=False, pairs=False, rules=(2, 6), past=0.0)
"""One linear program that can be met."""
SEED = st.integers(0, 2**32)


def worth(result: Result) -> float:
    """Return the objective so that less is better; infinite if the brief cannot be met."""
    assert result.ending in ("optimal", "infeasible")
    sign = result.brief.scenario.objective.goals[0][0]
    return sign * result.objective if result.ending == "optimal" else inf


def same(a: float, b: float, *, tolerance: float = 1e-7) -> bool:
    return a == b or abs(a - b) <= tolerance * (1 + abs(a))


def doses_of(result: Result) -> dict[str, float]:
    return {line.item.id: line.percent for line in result.formula.lines} if result.formula else {}


def shuffled(case: Case, r: Random) -> Case:
    """Return the same case written in another order."""
    made = deepcopy(case)
    for rows in (made["materials"], made["shelf"], made["scenario"]["rule"]):
        r.shuffle(rows)
    for entry in made["materials"]:
        r.shuffle(entry["substances"])
    for table in made["scenario"]["rule"]:
        for key in ("of", "to", "other", "over", "oily", "sulfates"):
            if isinstance(table.get(key), list):
                r.shuffle(table[key])
    return made


# 1 order and names ---------------------------------------------------------------------------------


@CI
@given(st.one_of(briefs.small(), briefs.large()), SEED)
def test_1_order_changes_nothing(case: Case, seed: int) -> None:
    first, second = solve(brief_of(case)), solve(brief_of(shuffled(case, Random(seed))))
    assert first.ending == second.ending
    assert same(worth(first), worth(second), tolerance=1e-12)
    one, other = doses_of(first), doses_of(second)
    assert one.keys() == other.keys()
    assert all(same(one[name], other[name], tolerance=1e-9) for name in one)
    assert {o.id: o.binding for o in first.rules} == {o.id: o.binding for o in second.rules}


def renamed(case: Case, r: Random) -> Case:
    """Return the case with other ids for materials and rules; water keeps its own, which the tool knows."""
    made = deepcopy(case)
    olds = [m["id"] for m in made["materials"] if m["id"] != "aqua"] + [t["id"] for t in made["scenario"]["rule"]]
    fresh = [f"{r.choice('mnopqrstuvw')}{r.randrange(10**6)}-{n}" for n in range(len(olds))]
    names = dict(zip(olds, fresh, strict=True))

    def walk(value: Any, key: str = "") -> Any:
        if isinstance(value, dict):
            inner = {(names.get(k, k) if key == "fixed" else k): walk(v, k) for k, v in value.items()}
            return inner if "inci" not in value or "role" not in value else value
        if isinstance(value, list):
            return [walk(v, key) for v in value]
        ids = ("id", "material", "materials", "but_not", "of", "to", "other", "over", "oily", "sulfates")
        also = ("without", "also", "acids", "thickeners", "minimise", "maximise", "name")
        return names.get(value, value) if isinstance(value, str) and key in (*ids, *also) else value

    return {k: walk(v, k) for k, v in made.items()}


@CI
@given(st.one_of(briefs.small(), briefs.large()), SEED)
def test_1_new_ids_change_no_cost(case: Case, seed: int) -> None:
    other = renamed(case, Random(seed))
    assert {m["id"] for m in other["materials"]} & {m["id"] for m in case["materials"]} == {"aqua"}
    assert same(worth(solve(brief_of(case))), worth(solve(brief_of(other))))


# 2 tightening, 3 candidates ------------------------------------------------------------------------


def tightened(rule: Table, r: Random) -> Table | None:
    """Return the rule with one limit moved inwards; None if it has none to move."""
    made = deepcopy(rule)
    by = r.choice([0.01, 0.3, 2.0])
    kind = rule["kind"]
    if kind == "use-level":
        made["ceiling"]["percent"] = max(rule["ceiling"]["percent"] - by, 1e-3)
    elif kind == "needs":
        made["at_least"] = min(rule["at_least"] + by, 100.0)
    elif kind == "excludes":
        made["above"] = max(rule.get("above", 0.0) - by, 0.0)
    elif kind == "thickening":
        made["active"], made["salt"] = min(rule["active"] + by, 100.0), max(rule.get("salt", 2.0) - by / 10, 0.0)
    elif "at_least" in rule:
        made["at_least"] = min(rule["at_least"] + by, rule.get("at_most", 100.0))
    elif "at_most" in rule:
        made["at_most"] = rule["at_most"] - by
        if made["at_most"] < 0 and kind != "property":
            return None
    else:
        return None
    return made


@CI
@given(st.one_of(briefs.small(), briefs.large(Wish(rules=(3, 7), past=0.0))), SEED)
def test_2_tightening_never_helps(case: Case, seed: int) -> None:
    loose = worth(solve(brief_of(case)))
    r = Random(seed)
    moved = 0
    for position, rule in enumerate(case["scenario"]["rule"]):
        table = tightened(rule, r)
        if table is None:
            continue
        tight = deepcopy(case)
        tight["scenario"]["rule"][position] = table
        moved += 1
        assert worth(solve(brief_of(tight))) >= loose - 1e-7 * (1 + abs(loose)), rule["id"]
    assume(moved)


@CI
@given(st.one_of(briefs.small(), briefs.large(Wish(rules=(3, 7)))))
def test_3_a_new_candidate_never_hurts(case: Case) -> None:
    fixed = case["scenario"].get("fixed", {})
    every = worth(solve(brief_of(case)))
    for line in case["shelf"]:
        if line["material"] == "aqua" or line["material"] in fixed:
            continue
        fewer = deepcopy(case)
        fewer["shelf"].remove(line)
        assert every <= worth(solve(brief_of(fewer))) + 1e-7 * (1 + abs(every)), line["material"]


# 4 prices ------------------------------------------------------------------------------------------


@CI
@given(st.one_of(briefs.small(Wish(past=0.0)), briefs.large(Wish(past=0.0))), st.sampled_from([0.25, 0.5, 2.0, 8.0]))
def test_4_scaling_all_prices_scales_the_cost_not_the_doses(case: Case, factor: float) -> None:
    other = deepcopy(case)
    for line in other["shelf"]:
        line["price_per_kg"] *= factor
    for rule in other["scenario"]["rule"]:
        if rule["kind"] == "cost":
            rule.update({k: rule[k] * factor for k in ("at_least", "at_most", "exactly") if k in rule})
    first, second = solve(brief_of(case)), solve(brief_of(other))
    assert first.ending == second.ending
    if first.formula is None:
        return
    assert same(first.cost * factor, second.cost)
    one, two = doses_of(first), doses_of(second)
    assert all(abs(one.get(name, 0.0) - two.get(name, 0.0)) <= 1e-6 for name in {*one, *two})


# 5 prices of limits --------------------------------------------------------------------------------


def at_limit(brief: Brief, rule: Rule, side: str, limit: float) -> Brief:
    """Return the brief with one limit of a rule moved to a value."""
    moved: Rule
    if isinstance(rule, UseLevel):
        moved = rule.model_copy(update={"ceiling": rule.ceiling.model_copy(update={"percent": limit})})
    else:
        assert isinstance(rule, LimitRule)
        low, high = rule.limits
        ends = {"low": (limit, high), "high": (low, limit), "equal": (limit, limit)}[side]
        moved = rule.with_limits(*ends)
    return replace(brief, rules=tuple(moved if r.id == rule.id else r for r in brief.rules))


def cost_at(brief: Brief, rule: Rule, side: str, limit: float) -> float:
    """Return the least cost with one limit moved; infinite if that cannot be met."""
    low, high = rule.limits
    if (side == "low" and limit > high) or (side == "high" and limit < low):
        return inf
    return worth(solve(at_limit(brief, rule, side, limit)))


def priced(result: Result) -> list[tuple[Rule, Outcome, float]]:
    """Return the rules with a price, their outcome and the limit that it is the price of."""
    rules = {r.id: r for r in result.brief.rules}
    found = [o for o in result.rules if o.binding and isfinite(o.price) and isinstance(rules.get(o.id), LimitRule)]
    return [(rules[o.id], o, o.high if o.binding == "high" else o.low) for o in found]


def slopes(brief: Brief, rule: Rule, side: str, limit: float, step: float) -> tuple[float, float]:
    """Return the one-sided differences of the least cost about a limit."""
    middle = cost_at(brief, rule, side, limit)
    left = (middle - cost_at(brief, rule, side, limit - step)) / step
    right = (cost_at(brief, rule, side, limit + step) - middle) / step
    return left, right


@CI
@given(st.one_of(briefs.small(PRICED), briefs.large(PRICED)))
def test_5_a_price_lies_between_the_one_sided_differences(case: Case) -> None:
    brief = brief_of(case)
    result = solve(brief)
    for rule, outcome, limit in priced(result):
        step = 1e-3 * max(1.0, abs(limit))
        left, right = slopes(brief, rule, outcome.binding, limit, step)
        slack = 1e-5 + 5e-3 * abs(outcome.price)
        low, high = min(left, right), max(left, right)
        assert low - slack <= outcome.price <= high + slack, (outcome.id, left, right)
        room = min(limit - outcome.holds_from, outcome.holds_to - limit)
        if room > step:
            assert outcome.price == pytest.approx(left, rel=5e-3, abs=1e-5), outcome.id
            assert outcome.price == pytest.approx(right, rel=5e-3, abs=1e-5), outcome.id


@CI
@given(st.one_of(briefs.small(PRICED), briefs.large(PRICED)))
def test_5_a_price_holds_just_inside_its_range(case: Case) -> None:
    brief = brief_of(case)
    result = solve(brief)
    assume(not result.degenerate)
    for rule, outcome, limit in priced(result):
        inside = isinstance(rule, LimitRule) and rule.ratio
        for end, price in ((outcome.holds_from, outcome.price_from), (outcome.holds_to, outcome.price_to)):
            reach = end - limit
            if not isfinite(end) or abs(reach) < 1e-4 or not isfinite(price):
                continue
            share = 0.98
            point, step = limit + share * reach, abs(reach) * 0.01
            left, right = slopes(brief, rule, outcome.binding, point, step)
            if not inside:
                assert price == outcome.price
                assert left == pytest.approx(price, rel=1e-3, abs=1e-6), (outcome.id, end)
                assert right == pytest.approx(price, rel=1e-3, abs=1e-6), (outcome.id, end)
                continue
            # a limit inside coefficients: cost moves along a hyperbola, so its price is 1/sqrt linear in the limit
            if outcome.price * price <= 0:
                assert abs(left) <= 1e-6
                continue
            roots = [abs(p) ** -0.5 for p in (outcome.price, price)]
            here = abs(roots[0] + share * (roots[1] - roots[0])) ** -2 * (1 if price > 0 else -1)
            assert (left + right) / 2 == pytest.approx(here, rel=2e-2, abs=1e-6), (outcome.id, end)


@CI
@given(st.one_of(briefs.small(PRICED), briefs.large(PRICED)))
def test_5_a_price_changes_beyond_its_range(case: Case) -> None:
    brief = brief_of(case)
    result = solve(brief)
    assume(not result.degenerate)
    for rule, outcome, limit in priced(result):
        if isinstance(rule, LimitRule) and rule.ratio:
            continue
        for end in (outcome.holds_from, outcome.holds_to):
            reach = end - limit
            if not isfinite(end) or abs(reach) < 1e-4:
                continue
            step = abs(reach) * 0.01
            left, right = slopes(brief, rule, outcome.binding, limit + 1.02 * reach, step)
            beyond = right if reach > 0 else left
            assert not abs(beyond - outcome.price) <= 1e-9, (outcome.id, end)


# 6 binding, 7 keeping rules ------------------------------------------------------------------------


@CI
@given(st.one_of(briefs.small(), briefs.large()))
def test_6_a_price_that_is_not_zero_means_binding(case: Case) -> None:
    for outcome in solve(brief_of(case)).rules:
        if isnan(outcome.price) or abs(outcome.price) < 1e-9:
            continue
        assert outcome.binding in ("low", "high", "equal")
        limit = outcome.high if outcome.binding == "high" else outcome.low
        assert outcome.value == pytest.approx(limit, rel=1e-6, abs=1e-6), outcome.id


@CI
@given(st.one_of(briefs.small(PRICED), briefs.large(PRICED)))
def test_6_what_does_not_bind_costs_nothing(case: Case) -> None:
    brief = brief_of(case)
    result = solve(brief)
    if result.formula is None:
        return
    loose = {o.id for o in result.rules if not o.binding}
    kept = replace(brief, rules=tuple(r for r in brief.rules if r.id not in loose))
    assert same(worth(solve(kept)), worth(result))


@CI
@given(st.one_of(briefs.small(), briefs.large(Wish(rules=(3, 8)))))
def test_7_every_formula_keeps_every_rule(case: Case) -> None:
    brief = brief_of(case)
    result = solve(brief)
    if result.formula is None:
        return
    doses = doses_of(result)
    assert sum(doses.values()) + oracle.held_back(case) == pytest.approx(100, abs=1e-6)
    assert min(doses.values()) > 0
    target = result.ph.target if result.ph else None
    outcomes = {o.id: o for o in result.rules}
    assert set(outcomes) >= {r.id for r in brief.all_rules}
    for rule in brief.all_rules:
        assert outcomes[rule.id].violation <= 10 * rule.slack(), rule.id
        low, high = rule.limits
        if rule.kind != "ph" and not isnan(outcomes[rule.id].value):
            assert low - 10 * rule.slack() <= outcomes[rule.id].value <= high + 10 * rule.slack(), rule.id
    for table in oracle.hard_rules(case, oracle.candidates(case)):
        value = oracle.value_at(case, table, doses, target)
        low, high = (-inf, 0.0) if table["kind"] in ("needs", "excludes", "clear") else oracle.limits_of(table)
        if table["kind"] == "thickening":
            low, high = 1.0, inf
        if not isnan(value):
            assert low - 1e-5 * max(1, abs(low)) <= value <= high + 1e-5 * max(1, abs(high)), table["id"]


@FEW
@given(st.one_of(briefs.small(), briefs.large()))
def test_the_same_input_gives_the_same_answer(case: Case) -> None:
    brief = brief_of(case)
    first, again, fresh = solve(brief), solve(brief), solve(brief_of(deepcopy(case)))
    for other in (again, fresh):
        assert doses_of(first) == doses_of(other)
        assert repr(first) == repr(other)


# 11 files ------------------------------------------------------------------------------------------


def toml(value: Any) -> str:
    """Return a value as TOML, tables inline."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\t", "\\t")
        return f'"{escaped}"'
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{toml(k)} = {toml(v)}" for k, v in value.items()) + " }"
    return "[" + ", ".join(toml(v) for v in value) + "]"


def as_toml(table: Table) -> str:
    """Return a scenario table as a file a person could have written."""
    lines = [f"{k} = {toml(v)}" for k, v in table.items() if not isinstance(v, dict) and k != "rule"]
    for key, inner in table.items():
        if isinstance(inner, dict):
            lines += ["", f"[{key}]", *(f"{toml(k)} = {toml(v)}" for k, v in inner.items())]
    for rule in table.get("rule", ()):
        lines += ["", "[[rule]]", *(f"{k} = {toml(v)}" for k, v in rule.items())]
    return "\n".join(lines) + "\n"


def plain(scenario: Scenario) -> Table:
    """Return a scenario as plain values, without what is left at its default."""
    table = scenario.model_dump(mode="json", exclude={"rule"}, exclude_defaults=True)
    rules = [{"kind": r.kind, **r.model_dump(mode="json", exclude_defaults=True)} for r in scenario.rule]
    return {**table, "rule": rules} if rules else table


@CI
@given(case=st.one_of(briefs.small(), briefs.large()), notes=st.text(max_size=20).filter(str.isprintable))
def test_11_scenario_to_toml_to_scenario_is_the_identity(
    tmp_path_factory: pytest.TempPathFactory, case: Case, notes: str
) -> None:
    table = {**case["scenario"], "notes": notes, "product": 'a "clear" wash \\ test'}
    assert tomli.loads(as_toml(table)) == table
    scenario = scenario_from(deepcopy(table), "drawn")
    path = tmp_path_factory.mktemp("law11") / "scenario.toml"
    for text in (as_toml(table), as_toml(plain(scenario))):
        path.write_text(text, encoding="utf-8")
        read, files = read_scenario(path)
        assert read == scenario
        assert [type(r) for r in read.rule] == [type(r) for r in scenario.rule]
        assert files == [path]
    assert scenario != scenario_from({**deepcopy(table), "notes": notes + "!"}, "drawn")


# 12 sentences --------------------------------------------------------------------------------------

OWN_WORDS: dict[str, Callable[[Any], list[tuple[float, str]]]] = {
    "one-of": lambda rule: [(1, "")],
    "needs": lambda rule: [(rule.at_least, "%")],
    "excludes": lambda rule: [(rule.above, "%")],
    "clear": lambda rule: [(0, "clouding materials")],
    "thickening": lambda rule: [(1, "open way"), (rule.sulfate_share, "%"), (rule.active, "%")],
    "ph": lambda rule: [(rule.low, "pH"), (rule.high, "pH"), (rule.tolerance, "pH")],
}
"""Kinds whose sentence is not 'measure, limit, unit', and the figures that it owes the reader."""


def said(text: str, value: float, unit: str) -> bool:
    """Return whether a sentence holds a number as a word of its own, and the unit."""
    whole = re.search(rf"(?<![\d.]){re.escape(number(value))}(?![\d]|\.\d)", text)
    return whole is not None and unit in text


@CI
@given(st.one_of(briefs.small(), briefs.large()))
def test_12_a_reading_holds_every_limit_and_its_unit(case: Case) -> None:
    brief = brief_of(case)
    for rule in brief.all_rules:
        text = rule.reading()
        assert text.strip() == text
        assert not re.search(r"\b(nan|inf|None)\b", text)
        if rule.kind in OWN_WORDS:
            owed = OWN_WORDS[rule.kind](rule)
            if rule.kind == "thickening" and not rule.salt_route:
                owed = owed[:1]
        else:
            owed = [(limit, rule.unit) for limit in rule.limits if isfinite(limit)]
        for value, unit in owed:
            assert said(text, value, unit), (text, value, unit)


def test_12_every_kind_owes_a_figure() -> None:
    rest = {k for k, rule in KINDS.items() if k not in OWN_WORDS and not issubclass(rule, LimitRule)}
    assert not rest
    assert issubclass(OneOf, LimitRule)
    assert said("active matter at least 12.5 %", 12.5, "%")
    assert not said("active matter at least 112.5 %", 12.5, "%")
    assert not said("active matter at least 12.55 %", 12.5, "%")
    assert not said("active matter at least 12.5", 12.5, "%")


