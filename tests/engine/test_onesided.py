"""Prices to each side of a kink, prices along a range, and the order in which ties are broken."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace
from functools import cache
from itertools import permutations
from math import inf, isfinite, isnan
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from optimizer.brief.brief import Brief, load_brief
from optimizer.engine.sensitivity import Basis
from optimizer.errors import SolverError
from optimizer.files import shipped
from optimizer.rules import LimitRule, Rule
from optimizer.solve.best import solve
from optimizer.solve.result import Result, RuleOutcome
from tests.support import briefs, draws, oracle
from tests.support.briefs import Wish, aqua, brief_of, draw, draw_large, material, substance
from tests.support.draws import SEED, drawn
from tests.support.oracle import Case, Table

CI = settings(draws.CI, max_examples=drawn(15, of=50))
LINEAR = Wish(kinds=tuple(k for k in briefs.PLAIN if k != "use-level"), ph=False, goals=False, pairs=False,
              rules=(2, 6), past=0.0)  # fmt: skip


@cache
def met(seed: int, sort: str) -> tuple[Brief, Result]:
    """Return the first brief at or after a seed that can be met, with its answer."""
    while True:
        brief = brief_of((draw_large if sort == "large" else draw)(Random(seed), LINEAR))
        result = solve(brief)
        if result.formula is not None:
            return brief, result
        seed += 1


def moved(brief: Brief, rule: Rule, side: str, limit: float) -> float:
    """Return the least cost with one limit at another value; infinite if that cannot be met."""
    assert isinstance(rule, LimitRule)
    low, high = rule.limits
    ends = {"low": (limit, high), "high": (low, limit), "equal": (limit, limit)}[side]
    if ends[0] > ends[1]:
        return inf
    rules = tuple(rule.with_limits(*ends) if r.id == rule.id else r for r in brief.modelled)
    found = solve(replace(brief, modelled=rules))
    assert found.ending in ("optimal", "infeasible")
    return found.objective if found.ending == "optimal" else inf


def differences(brief: Brief, outcome: RuleOutcome, step: float = 1e-4, at: float | None = None) -> tuple[float, float]:
    """Return the slopes of the least cost just below and just above a limit."""
    rule = next(r for r in brief.modelled if r.id == outcome.id)
    limit = (outcome.high if outcome.binding == "high" else outcome.low) if at is None else at
    here = moved(brief, rule, outcome.binding, limit)
    below, above = (moved(brief, rule, outcome.binding, limit + d) for d in (-step, step))
    return (here - below) / step, (above - here) / step


def told(result: Result) -> dict[str, RuleOutcome]:
    """Return the outcomes that sit on a limit with a price."""
    rules = {r.id for r in result.brief.modelled if isinstance(r, LimitRule)}
    return {o.id: o for o in result.rules if o.binding and o.id in rules and not isnan(o.price)}


def close(price: float, slope: float) -> bool:
    if not isfinite(price) or not isfinite(slope):
        return price == slope or (abs(price) == inf and abs(slope) == inf)
    return abs(price - slope) <= 2e-3 * abs(slope) + 2e-5


# random briefs --------------------------------------------------------------------------------------


@CI
@given(SEED, st.sampled_from(["small", "large"]))
def test_prices_to_each_side_are_the_slopes_to_each_side(seed: int, sort: str) -> None:
    brief, result = met(seed, sort)
    for outcome in told(result).values():
        limit = outcome.high if outcome.binding == "high" else outcome.low
        ends = (outcome.holds_from, outcome.holds_to)
        if any(1e-9 < abs(e - limit) < 1e-3 for e in ends):
            continue  # a kink closer than the step
        below, above = differences(brief, outcome)
        assert close(outcome.price_if_lowered, below), (outcome.id, outcome.price_if_lowered, below)
        assert close(outcome.price_if_raised, above), (outcome.id, outcome.price_if_raised, above)
        rule = next(r for r in brief.modelled if r.id == outcome.id)
        if isinstance(rule, LimitRule) and not rule.ratio:  # the least cost is convex in a right-hand side
            assert outcome.price_if_lowered <= outcome.price_if_raised + 1e-9


@CI
@example(1500, "small")
@given(SEED, st.sampled_from(["small", "large"]))
def test_without_a_kink_both_sides_are_the_price(seed: int, sort: str) -> None:
    _, result = met(seed, sort)
    if result.degenerate:
        return
    for outcome in told(result).values():
        assert outcome.price_if_lowered == pytest.approx(outcome.price, rel=1e-9, abs=1e-12)
        assert outcome.price_if_raised == pytest.approx(outcome.price, rel=1e-9, abs=1e-12)
        # Of equally good formulas the tie-break may choose one that sits on a limit which costs nothing.
        assert outcome.holds_from < outcome.holds_to or outcome.price == pytest.approx(0, abs=1e-12)


# constructed kinks ----------------------------------------------------------------------------------


def surfactant(name: str, share: float, mildness: float = 50, charge: str = "anionic", salt: float = 0) -> Table:
    parts = [substance(name.upper(), share, charge=charge, surfactant=True)]
    if salt:
        parts.append(substance("Sodium Chloride", salt, "salt"))
    ratings = {"mildness": {"low": 0, "typical": mildness, "high": 100, "basis": "invented"}}
    return material(name, [*parts, substance("Aqua", 100 - share - salt, "water")], ratings=ratings)


def pencil(stock: dict[str, tuple[Table, float]], *rules: Table, **scenario: Any) -> Case:
    shelf = [{"material": n, "price_per_kg": p} for n, (_, p) in stock.items()]
    table = {"name": "kink", "rule": list(rules), **scenario}
    return {"materials": [aqua(), *(m for m, _ in stock.values())], "shelf": shelf, "scenario": table}


AA, CC = surfactant("aa", 50, 20), surfactant("cc", 25, 80, "nonionic")
BOTH = {"aa": (AA, 2.0), "cc": (CC, 3.0)}
TEN: Table = {"id": "act", "kind": "active", "at_least": 10}


def dose(name: str, *of: str, **limits: float) -> Table:
    return {"id": name, "kind": "dose", "of": list(of), **limits}


MILD: Table = {"id": "mild", "kind": "rating", "rating": "mildness", "at_least": 50}
KINKS: dict[str, Case] = {
    "two lower limits ask the same dose": pencil(BOTH, TEN, dose("aa-low", "aa", at_least=20)),
    "an upper limit meets a lower one": pencil(BOTH, TEN, dose("aa-high", "aa", at_most=20)),
    "three meet": pencil(BOTH, TEN, dose("aa-low", "aa", at_least=20), dose("aa-high", "aa", at_most=20)),
    "a mean meets a dose": pencil(
        BOTH,
        TEN,
        {"id": "mild", "kind": "rating", "rating": "mildness", "at_least": 50},
        dose("aa-high", "aa", at_most=10),
    ),
    "a mean meets the milder material's own dose": pencil(
        BOTH,
        TEN,
        {"id": "mild", "kind": "rating", "rating": "mildness", "at_least": 50},
        dose("cc-low", "cc", at_least=20),
    ),
    "water meets active": pencil(BOTH, TEN, {"id": "water", "kind": "water", "counts": "added", "at_least": 80}),
    "a share of nothing else": pencil(
        BOTH, TEN, {"id": "share", "kind": "share", "of": {"charges": ["nonionic"]}, "at_least": 0}
    ),
    "an exact dose twice": pencil(BOTH, TEN, dose("one", "aa", exactly=12), dose("two", "aa", "cc", exactly=28)),
    "a ratio meets a share": pencil(
        BOTH,
        TEN,
        {"id": "ratio", "kind": "ratio", "at_most": 1},
        {"id": "share", "kind": "share", "of": {"charges": ["nonionic"]}, "at_least": 50},
    ),
    "salt meets a dose": pencil(
        {"aa": (surfactant("aa", 50, 20, salt=5), 2.0), "cc": (CC, 3.0)},
        TEN,
        {"id": "salt", "kind": "salt", "at_most": 0.5},
        dose("aa-high", "aa", at_most=10),
    ),
}


@pytest.mark.parametrize("name", KINKS)
def test_each_side_of_a_constructed_kink(name: str) -> None:
    brief = brief_of(KINKS[name])
    result = solve(brief)
    found = told(result)
    assert len(found) >= 3, "the total and at least two more"
    for outcome in found.values():
        below, above = differences(brief, outcome)
        assert close(outcome.price_if_lowered, below), (outcome.id, outcome.price_if_lowered, below)
        assert close(outcome.price_if_raised, above), (outcome.id, outcome.price_if_raised, above)


def test_the_pencils_prices_of_two_lower_limits() -> None:
    # 20 % of aa serve both: raising either costs (0.04 per % active, 0.02 per % dose), lowering one saves nothing
    found = told(solve(brief_of(KINKS["two lower limits ask the same dose"])))
    assert (found["act"].price_if_lowered, found["act"].price_if_raised) == pytest.approx((0, 0.04), abs=1e-9)
    assert (found["aa-low"].price_if_lowered, found["aa-low"].price_if_raised) == pytest.approx((0, 0.02), abs=1e-9)


def test_the_pencils_prices_of_an_upper_limit_that_meets_a_lower_one() -> None:
    # less of aa must be made up by cc: 0.12 per % active; more of aa is not asked for
    found = told(solve(brief_of(KINKS["an upper limit meets a lower one"])))
    assert (found["act"].price_if_lowered, found["act"].price_if_raised) == pytest.approx((0.04, 0.12), abs=1e-9)
    assert (found["aa-high"].price_if_lowered, found["aa-high"].price_if_raised) == pytest.approx((-0.04, 0), abs=1e-9)


def test_a_move_that_is_impossible_has_an_infinite_price() -> None:
    # aa alone: with exactly 20 % no more active can be had, and no less without missing the limit from above
    case = pencil({"aa": (AA, 2.0)}, TEN, dose("aa-high", "aa", at_most=20))
    found = told(solve(brief_of(case)))
    assert found["act"].price_if_raised == inf
    assert found["act"].price_if_lowered == pytest.approx(0.04)
    assert abs(found["aa-high"].price_if_lowered) == inf
    assert found["aa-high"].price_if_raised == pytest.approx(0, abs=1e-9)


@pytest.mark.slow
def test_the_clear_shampoos_prices_to_each_side() -> None:
    """The shipped brief whose optimum has a kink, by re-solving at the choices made (surfactants and preservative)."""
    brief = load_brief(shipped("scenarios") / "clear-shampoo.toml")
    result = solve(brief)
    assert result.degenerate
    kinked = 0
    for name in ("active", "amphoteric-share", "anionic-for-foam", "mildness", "humectant", "chelator", "perfume"):
        outcome = told(result)[name]
        below, above = differences(brief, outcome, 1e-4)
        # other choices may be cheaper to one side, so a re-solve of the whole brief may only be better
        assert below >= outcome.price_if_lowered - 2e-3 * (1 + abs(below))
        assert above <= outcome.price_if_raised + 2e-3 * (1 + abs(above))
        same = close(outcome.price_if_lowered, below) and close(outcome.price_if_raised, above)
        assert same, (name, outcome.price_if_lowered, below, outcome.price_if_raised, above)
        kinked += abs(outcome.price_if_raised - outcome.price_if_lowered) > 1e-6
    assert kinked >= 1


# limits inside coefficients -------------------------------------------------------------------------


@CI
@given(SEED, st.sampled_from(["small", "large"]))
def test_a_means_price_at_both_ends_of_its_range(seed: int, sort: str) -> None:
    brief, result = met(seed, sort)
    rules = {r.id: r for r in brief.modelled}
    for outcome in told(result).values():
        rule = rules[outcome.id]
        if not isinstance(rule, LimitRule) or not rule.ratio:
            continue
        limit = outcome.high if outcome.binding == "high" else outcome.low
        for end, price in ((outcome.holds_from, outcome.price_from), (outcome.holds_to, outcome.price_to)):
            reach = end - limit
            if not isfinite(end) or not isfinite(price) or abs(reach) < 1e-2 or abs(price) > 50:
                continue
            # slopes over two steps inside the end, continued to the end itself
            h = abs(reach) * 1e-3
            inward = -1 if reach > 0 else 1
            costs = [moved(brief, rule, outcome.binding, end + inward * k * h) for k in (1, 2, 3)]
            near, far = (costs[0] - costs[1]) / (-inward * h), (costs[1] - costs[2]) / (-inward * h)
            at_end = near + 1.5 * (near - far)
            assert at_end == pytest.approx(price, rel=5e-3, abs=1e-4), (outcome.id, end)


def test_the_pencils_price_along_a_mean() -> None:
    """Active 10 at mean mildness m from aa (20, 4 per kg active) and cc (80, 12): 0.4 + 0.8 (m - 20) / 60."""
    case = pencil(BOTH, TEN, MILD)
    mild = told(solve(brief_of(case)))["mild"]
    assert mild.price == pytest.approx(0.8 / 60)
    assert (mild.holds_from, mild.holds_to) == (pytest.approx(20), pytest.approx(80))
    assert (mild.price_from, mild.price_to) == (pytest.approx(0.8 / 60), pytest.approx(0.8 / 60))


def test_the_pencils_price_along_a_mean_whose_total_moves() -> None:
    """20 % of aa (10 % active) and cc: mean m needs cc / 4 = 10 (m - 20) / (80 - m), priced 12 per kg of active.

    d(cost)/dm = 0.12 x 600 / (80 - m)^2: 0.08 at 50, 0.02 at 20, and 100 % of product ends it at cc = 80 %.
    """
    fixed = dose("aa-fixed", "aa", exactly=20)
    case = pencil(BOTH, fixed, MILD)
    mild = told(solve(brief_of(case)))["mild"]
    assert mild.price == pytest.approx(0.08)
    assert mild.holds_from == pytest.approx(20)
    assert mild.price_from == pytest.approx(0.02)
    # cc = 80 %: 20 % active, m = (200 + 1600) / 30 = 60
    assert mild.holds_to == pytest.approx(60)
    assert mild.price_to == pytest.approx(0.12 * 600 / 20**2)


# ties -----------------------------------------------------------------------------------------------

EQUAL = {
    # name: active share, mildness, salt; every one costs 4 per kg of active matter
    "ee": (50, 40, 2), "bb": (40, 70, 1), "dd": (25, 70, 3), "aa": (50, 55, 0), "cc": (20, 90, 1),
}  # fmt: skip


def equal_shelf(then: tuple[str, ...], *rules: Table, order: tuple[str, ...] = tuple(EQUAL)) -> Case:
    stock = {}
    for name in order:
        share, mildness, salt = EQUAL[name]
        stock[name] = (surfactant(name, share, mildness, salt=salt), 4 * share / 100)
    return pencil(stock, TEN, *rules, objective={"minimise": "cost", "then": list(then)})


def by_brute_force(case: Case, goals: list[tuple[str, int]]) -> dict[str, float]:
    """Return the doses that each goal in turn prefers, by scipy, the order of ids last (as much as possible)."""
    items = oracle.candidates(case)
    region = oracle._region(
        oracle.hard_rules(case, items), items, 0.0, tuple(range(len(items))), set(), set(), oracle.SALT
    )
    assert region is not None
    most, equal = list(region.most), list(region.equal)
    aims = []
    for name, sign in goals:
        table: Table = {"kind": name} if name != "mildness" else {"kind": "rating", "rating": "mildness"}
        measure = oracle.measure_of(table, items, 0.0)
        assert measure is not None
        aims.append(sign * measure.top)  # the active matter is the same at every formula of least cost
    aims += [-np.eye(len(items))[p] for p in range(len(items))]
    x = None
    for aim in aims:
        found = linprog(
            aim, A_ub=np.array([r for r, _ in most]) if most else None, b_ub=[e for _, e in most] or None,
            A_eq=np.array([r for r, _ in equal]), b_eq=[e for _, e in equal], bounds=(0, 100),
        )  # fmt: skip
        assert found.status == 0
        x = found.x
        most.append((aim, found.fun + 1e-7 * (1 + abs(found.fun))))
    assert x is not None
    return {i.id: float(d) for i, d in zip(items, x, strict=True) if d > 1e-3}


CAP = dose("cap", "bb", "cc", at_most=12)
MOST_EE = dose("most", "ee", at_least=2)
ORDERS: list[tuple[tuple[str, ...], list[tuple[str, int]]]] = [
    ((), [("cost", 1)]),
    (("maximise mildness",), [("cost", 1), ("mildness", -1)]),
    (("minimise salt",), [("cost", 1), ("salt", 1)]),
    (("maximise salt",), [("cost", 1), ("salt", -1)]),
    (("maximise mildness", "minimise salt"), [("cost", 1), ("mildness", -1), ("salt", 1)]),
    (("minimise mildness", "maximise salt"), [("cost", 1), ("mildness", 1), ("salt", -1)]),
    (("maximise water",), [("cost", 1), ("water", -1)]),
    (("minimise load", "maximise water"), [("cost", 1), ("load", 1), ("water", -1)]),
]


def doses(result: Result) -> dict[str, float]:
    assert result.formula is not None
    return {x.item.id: x.percent for x in result.formula.lines}


@pytest.mark.parametrize("rules", [(), (CAP,), (CAP, MOST_EE)], ids=["free", "capped", "capped and asked"])
@pytest.mark.parametrize(("then", "goals"), ORDERS, ids=[" then ".join(t) or "ids" for t, _ in ORDERS])
def test_ties_are_broken_as_declared(
    then: tuple[str, ...], goals: list[tuple[str, int]], rules: tuple[Table, ...]
) -> None:
    case = equal_shelf(then, *rules)
    found = solve(brief_of(case))
    assert found.cost == pytest.approx(0.4)
    assert doses(found) == pytest.approx(by_brute_force(case, goals), abs=1e-3)


@pytest.mark.parametrize(("then", "goals"), ORDERS, ids=[" then ".join(t) or "ids" for t, _ in ORDERS])
def test_shuffling_an_equal_shelf_changes_nothing(then: tuple[str, ...], goals: list[tuple[str, int]]) -> None:
    first = doses(solve(brief_of(equal_shelf(then, CAP))))
    for order in list(permutations(EQUAL))[::10]:
        assert doses(solve(brief_of(equal_shelf(then, CAP, order=order)))) == first
    assert goals[0] == ("cost", 1)


def test_the_order_of_ids_decides_last() -> None:
    assert doses(solve(brief_of(equal_shelf(())))) == pytest.approx({"aa": 20, "aqua": 80})
    # ten materials that are alike but for their names
    stock = {f"m{n}": (surfactant(f"m{n}", 50), 2.0) for n in (7, 3, 9, 1, 5)}
    assert doses(solve(brief_of(pencil(stock, TEN)))) == pytest.approx({"aqua": 80, "m1": 20})
    capped = pencil(stock, TEN, *(dose(f"cap{n}", f"m{n}", at_most=8) for n in (1, 3, 5, 7, 9)))
    assert doses(solve(brief_of(capped))) == pytest.approx({"aqua": 80, "m1": 8, "m3": 8, "m5": 4})


def test_choices_that_cost_the_same_follow_the_goals_too() -> None:
    few = {"id": "few", "kind": "count", "at_most": 1}
    assert set(doses(solve(brief_of(equal_shelf((), few))))) == {"aa", "aqua"}
    assert set(doses(solve(brief_of(equal_shelf(("maximise mildness",), few))))) == {"cc", "aqua"}
    assert set(doses(solve(brief_of(equal_shelf(("minimise mildness",), few))))) == {"ee", "aqua"}
    assert set(doses(solve(brief_of(equal_shelf(("maximise salt",), few))))) == {"dd", "aqua"}


def test_between_settings_of_equal_cost_the_middle_is_taken() -> None:
    case = equal_shelf(("maximise mildness",))
    for entry in case["materials"]:
        entry["ph_stable"] = [5.0, 7.0]
    case["scenario"]["ph"] = {"low": 3, "high": 10, "tolerance": 0.2}
    result = solve(brief_of(case))
    assert result.ph is not None
    assert (result.ph.low, result.ph.target, result.ph.high) == pytest.approx((5, 6, 7))


@CI
@given(SEED, st.integers(0, 5))
def test_shuffling_a_drawn_brief_of_equal_prices_changes_nothing(seed: int, order: int) -> None:
    r = Random(seed)
    case = draw(r, Wish(kinds=briefs.PLAIN, goals=False, past=0.0, rules=(1, 3)))
    by_id = {m["id"]: m for m in case["materials"]}
    for line in case["shelf"]:
        actives = sum(s["share"][1] for s in by_id[line["material"]]["substances"] if s.get("surfactant"))
        line["price_per_kg"] = round(0.04 * actives, 6) if actives else 0.5
    other = deepcopy(case)
    for rows in (other["materials"], other["shelf"], other["scenario"]["rule"]):
        Random(order).shuffle(rows)
    first, second = solve(brief_of(case)), solve(brief_of(other))
    assert first.ending == second.ending
    if first.formula is not None:
        assert doses(first) == pytest.approx(doses(second), abs=1e-9)


def test_a_basis_that_cannot_be_inverted_is_told_in_words() -> None:
    """Two rows that are one as far as the machine can tell, as of materials of 1e-5 % active; made-up figures."""
    tiny = np.array([[1e-7, 1.0], [1e-7, 1.0]])
    with pytest.raises(SolverError, match="prices of limits cannot be told: some figures are too small"):
        Basis(tiny, np.zeros(2), np.zeros(4), np.ones(4), np.zeros(2), np.array([0, 1]))
