"""Every limit that binds has its price, at the choices made, for every kind of rule; and where the price ends.

Each is compared with the best at another value of that limit: rows laid anew, the yes/no choices and the pH of the
answer kept, solved by scipy. All figures are invented.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from math import inf, isfinite, isnan, sqrt
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest
from scipy.optimize import linprog

from optimizer import read_brief
from optimizer.brief.brief import load_brief
from optimizer.errors import DataError
from optimizer.files import shipped
from optimizer.model.model import build
from optimizer.report.blend import blend_document
from optimizer.report.formats.terminal import lines
from optimizer.report.formula_json import Blend
from optimizer.report.record import record
from optimizer.rules import KINDS, LimitRule, Rule
from optimizer.solve.linear import solve_fully
from optimizer.solve.result import RuleOutcome
from optimizer.solve.solved import Solved
from tests.support import acids, briefs
from tests.support.briefs import Wish, aqua, brief_of, draw, draw_large, material, substance
from tests.support.draws import Extent, drawn
from tests.support.oracle import Case, Table

STEP = 1e-4
JUMP = 0.02
"""A change of the objective by this within a step is no slope: the limit cannot be moved a little."""


class Held:
    """A solved brief at its choices and its pH, to be asked for other limits."""

    def __init__(self, solved: Solved) -> None:
        assert solved.chosen is not None
        assert solved.chosen.x is not None
        self.brief, self.found = solved.result.brief, solved.chosen
        self.sign, name = self.brief.scenario.objective.goals[0]
        self.measure = self.brief.measure(name)
        self.choices = np.round(solved.chosen.x[len(self.brief.pool) :])
        self.result = solved.result

    def bound(self) -> list[RuleOutcome]:
        """Return every limit of a stated or implied rule that binds and has a price."""
        mine = {r.id for r in self.brief.modelled}
        limits = [limit for o in self.result.rules for limit in o.bound if o.id in mine and o.id != "total"]
        return [limit for limit in limits if not isnan(limit.price)]

    def at(self, told: RuleOutcome, limit: float) -> float:
        """Return the best objective with one limit at another value; infinite if that cannot be met."""
        return self._best(moved(r, told.limit, limit) if r.id == told.id else r for r in self.brief.modelled)

    def _best(self, rules: Iterable[Rule]) -> float:
        pool = self.brief.pool
        model = build(rules, pool, self.found.case.settings[0])
        low, high = model.lower.copy(), self.found.case.upper.copy()
        low[model.doses :] = high[model.doses :] = self.choices
        same = model.row_low == model.row_high
        above, below = np.isfinite(model.row_high) & ~same, np.isfinite(model.row_low) & ~same
        value = 0.0
        for _ in range(60):
            cost, constant = model.objective(self.measure, pool, self.sign, value)
            found = linprog(
                cost,
                A_ub=np.vstack([model.matrix[above], -model.matrix[below]]),
                b_ub=np.concatenate([model.row_high[above], -model.row_low[below]]),
                A_eq=model.matrix[same],
                b_eq=model.row_low[same],
                bounds=np.array([low, high]).T,
                options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10},
            )
            if found.status == 2:
                return inf * self.sign
            assert found.status == 0
            if not self.measure.ratio:
                return float(self.sign * (found.fun + constant))
            top, bottom = (
                pool.vector(of) @ found.x[: model.doses] + more
                for of, more in zip(
                    (self.measure.amount, self.measure.per), self.measure.constants(pool.held_back), strict=True
                )
            )
            if abs(top / bottom - value) < 1e-12 * (1 + abs(value)):
                break
            value = float(top / bottom)
        return value

    def slopes(self, told: RuleOutcome) -> tuple[float, float]:
        """Return the slopes of the best objective just below and just above a limit."""
        ends = (abs(e - told.limit_at) for e in (told.holds_from, told.holds_to))
        step = min([STEP, *(e / 5 for e in ends if e > 1e-9)])
        here = self.at(told, told.limit_at)
        assert here == pytest.approx(self.result.objective, rel=1e-7, abs=1e-9)
        found = []
        for side in (-1, 1):
            near, far = (side * (self.at(told, told.limit_at + side * d) - here) / d for d in (step, 2 * step))
            jumps = not isfinite(near) or abs(near) > JUMP / step
            found.append(inf if jumps else 2 * near - far if isfinite(far) else near)
        return found[0], found[1]


def moved(rule: Rule, limit: str, value: float) -> Rule:
    """Return a rule with one of its limits at another value."""
    if isinstance(rule, LimitRule) and limit == "exactly":
        return rule.with_limits(value, value)
    if rule.kind == "use-level":
        assert isinstance(rule, LimitRule)
        return rule.with_limits(-inf, value)
    return rule.model_copy(update={limit: value})


def change(told: RuleOutcome, by: float) -> float:
    """Return what a move of a limit within its range does, by its price; where that bends, along its hyperbola.

    Price at t is price / (1 - q t)^2, so its integral is price t / (1 - q t).
    """
    end, price = (told.holds_to, told.price_to) if by > 0 else (told.holds_from, told.price_from)
    if told.price == price or not isfinite(end) or not isfinite(price) or told.price * price <= 0:
        return told.price * by
    q = (1 - sqrt(told.price / price)) / (end - told.limit_at)
    return told.price * by / (1 - q * by)


def same_slope(price: float, slope: float) -> bool:
    if abs(price) == inf or abs(slope) == inf:
        return abs(price) == abs(slope)
    return abs(price - slope) <= 3e-3 * abs(slope) + 2e-5


def check(held: Held, seen: Counter[str], kind: str = "") -> None:
    """Compare told prices, of one kind or all, and both ends of their ranges, with the best at other limits."""
    for told in held.bound():
        if kind not in ("", told.kind):
            continue
        below, above = held.slopes(told)
        where = (told.id, told.limit, told.limit_at)
        assert same_slope(told.price_if_lowered, below), (*where, told.price_if_lowered, below)
        assert same_slope(told.price_if_raised, above), (*where, told.price_if_raised, above)
        if max(abs(told.price_if_lowered), abs(told.price_if_raised)) > 1e-9:
            seen[f"{told.kind}.{told.limit}"] += 1
        seen["priced"] += 1
        for end in (told.holds_from, told.holds_to):
            reach = end - told.limit_at
            if not isfinite(end) or abs(reach) < 1e-6:
                continue
            inside = reach - np.sign(reach) * min(1e-3, abs(reach) / 100)
            here = held.result.objective
            got = held.at(told, told.limit_at + inside) - here
            assert got == pytest.approx(change(told, inside), rel=1e-5, abs=1e-7 * (1 + abs(here))), (*where, end)
            beyond = reach + np.sign(reach) * max(abs(reach), 0.1) / 20
            got = held.at(told, told.limit_at + beyond) - here
            still = abs(got - change(told, beyond)) <= 1e-9 * (1 + abs(here))
            seen["end holds"] += 1
            # beyond an end other materials or limits decide; by chance, or for a limit of cost itself, at one price
            seen["same price beyond"] += still and abs(told.price) > 1e-9 and told.kind != "cost"


def held_of(case: Case) -> Held | None:
    """Return a drawn case solved, if it can be."""
    try:
        solved = solve_fully(brief_of(case))
    except DataError:
        return None
    return Held(solved) if solved.chosen is not None else None


# what was wrong ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def hand_wash() -> Held:
    return Held(solve_fully(load_brief(shipped("scenarios") / "hand-wash.toml")))


def test_what_a_material_needs_has_its_price(hand_wash: Held) -> None:
    """Benzoate needs 0.3 % of its partner; 0.4 % cost 0.009775 EUR more, and that was told as kept with room."""
    told = next(o for o in hand_wash.bound() if o.id == "benzoate-partner")
    assert hand_wash.at(told, 0.4) - hand_wash.result.objective == pytest.approx(0.009775, abs=1e-9)
    assert (told.binding, told.limit, told.limit_at) == ("low", "at_least", 0.3)
    assert told.price == pytest.approx(0.09775)
    bind, room = (
        next(s for s in blend_document(hand_wash.result).sections if getattr(s, "title", "").startswith(title))
        for title in ("Rules that bind", "Rules kept with room")
    )
    assert told.reading in {row[0] for row in bind.rows}  # type: ignore[union-attr]
    assert told.reading not in {row[0] for row in room.rows}  # type: ignore[union-attr]


def test_the_range_of_a_limit_ends_where_another_members_dose_meets_it() -> None:
    """Each surfactant, if used, 1 % active: at 1.23 the next one's dose is there too; more was told once."""
    hand_wash = Held(solve_fully(read_brief("hand-wash", **{"objective.planned": False})))
    told = next(o for o in hand_wash.bound() if o.id == "worth-weighing")
    assert told.holds_to == pytest.approx(1.22865, abs=1e-5)
    here = hand_wash.result.objective
    inside, beyond = (hand_wash.at(told, told.holds_to + d) - here for d in (-0.001, 0.01))
    assert inside == pytest.approx(told.price * (told.holds_to - 0.001 - 1), rel=1e-6)
    assert beyond > told.price * (told.holds_to + 0.01 - 1) + 1e-6


# every kind ---------------------------------------------------------------------------------------------


def surfactant(name: str, share: float, charge: str, family: str, salt: float = 0.0) -> Table:
    parts = [substance(name.upper(), share, charge=charge, family=family, surfactant=True)]
    parts += [substance("Sodium Chloride", salt, "salt")] if salt else []
    return material(name, [*parts, substance("Aqua", 100 - share - salt, "water")])


def pencil(prices: dict[str, float], *rules: Table, salt: float = 0.0, **scenario: Any) -> Case:
    """Return a case of an ether sulfate, a betaine, a glucoside and a humectant at prices per kg."""
    stock = [
        surfactant("sulf", 70, "anionic", "alkyl ether sulfate"),
        surfactant("beta", 30, "amphoteric", "betaine", salt),
        surfactant("gluc", 50, "nonionic", "alkyl glucoside"),
        material("hume", [substance("H", 100)], "humectant"),
    ]
    shelf = [{"material": name, "price_per_kg": price} for name, price in prices.items()]
    return {"materials": [aqua(), *stock], "shelf": shelf, "scenario": {"name": "p", "rule": list(rules), **scenario}}


EIGHT: Table = {"id": "act", "kind": "active", "at_least": 8}
DEAR = {"sulf": 7.0, "beta": 1.5, "gluc": 9.0, "hume": 2.0}
CHEAP = {"sulf": 2.0, "beta": 3.0, "gluc": 6.0, "hume": 2.0}
SALTS: Table = {"id": "t", "kind": "thickening", "sulfate_share": 10, "active": 5}
ROOM = {"percent": 1.0}
HUME: Table = {"id": "hume", "kind": "dose", "of": ["hume"], "at_least": 3}

MADE: dict[str, list[Case]] = {
    "thickening": [
        pencil(DEAR, EIGHT, {"id": "t", "kind": "thickening"}, held_back=ROOM),
        pencil(DEAR, EIGHT, SALTS, salt=15, held_back=ROOM),
        pencil(DEAR, EIGHT, {**SALTS, "salt": 0.5}, salt=15, held_back=ROOM),
    ],
    "count": [pencil(CHEAP, EIGHT, {"id": "two", "kind": "count", "at_least": 2, "counts_from": 0.5})],
    "one-of": [pencil(CHEAP, EIGHT, {"id": "one", "kind": "one-of", "of": ["beta", "gluc"], "counts_from": 0.5})],
    "needs": [pencil(CHEAP, EIGHT, {"id": "n", "kind": "needs", "of": ["sulf", "gluc"], "other": ["beta"]})],
    "excludes": [
        pencil(CHEAP, EIGHT, HUME, {"id": "e", "kind": "excludes", "of": ["hume"], "other": ["sulf"], "above": 2}),
        pencil(
            CHEAP, EIGHT, HUME,
            {"id": "e", "kind": "excludes", "of": ["hume"], "other": ["sulf"], "above": 2, "measured": "as active"},
        ),
        pencil(CHEAP, EIGHT, HUME, {"id": "e", "kind": "excludes", "of": ["hume"], "other": ["sulf"]}),
    ],
    "if-used": [
        pencil(
            CHEAP, EIGHT, {"id": "three", "kind": "count", "exactly": 3, "counts_from": 0.1},
            {"id": "each", "kind": "if-used", "of": {"surfactants": True}, "at_least": 1, "at_most": 8},
        ),
        pencil(CHEAP, EIGHT, {"id": "all", "kind": "if-used", "of": ["sulf"], "exactly": 6}),
    ],
    "cost": [
        pencil(CHEAP, EIGHT, {"id": "c", "kind": "cost", "at_least": 0.9}),
        pencil(CHEAP, EIGHT, {"id": "c", "kind": "cost", "exactly": 0.9}),
        pencil(CHEAP, EIGHT, {"id": "c", "kind": "cost", "at_most": 0.9}, objective={"maximise": "nonionic"}),
    ],
    "undissociated-acid": [acids.case(0.05, low=4.3, high=5.4)],
}  # fmt: skip
"""Small cases in which the limits of a kind bind."""

EXPECTED: dict[str, set[str]] = {
    "thickening": {"sulfate_share", "active", "salt", "salt_room"},
    "count": {"counts_from"},
    "one-of": {"counts_from"},
    "needs": {"at_least"},
    "excludes": {"above"},
    "undissociated-acid": {"at_least"},
    "use-level": {"at_most"},
    "stock": {"at_most"},
    "solubiliser": {"at_least"},
}
"""Limits of a kind that must be seen with a price; the rest has at_least, at_most and exactly."""
OWN = {"at_least", "at_most", "exactly"}
WITHOUT = {
    "clear": "its limits are the materials' own",
    "ph": "a choice between programs, which are told side by side",
    "total": "the total is arithmetic and nobody moves it",
    "free-monomer": "curved: its price is the last program's, see test_successive",
}
SEEDS = 400


def cases_of(kind: str) -> Iterator[Case]:
    """Yield the small cases of a kind, then drawn ones."""
    yield from MADE.get(kind, [])
    # a cost limit binds at the least cost, a clear product's materials must be drawn with a pearl
    wish = Wish(kinds=(*briefs.PLAIN,), must=() if kind == "stock" else (kind,), goals=False, past=0, rules=(1, 2))
    for seed in range(SEEDS):
        yield draw(Random(seed), wish)


@pytest.mark.thorough
@pytest.mark.parametrize("kind", sorted({*KINDS, *briefs.IMPLIED_KINDS}))
def test_every_limit_of_every_kind_has_its_price(kind: str) -> None:
    if kind in WITHOUT:
        assert kind not in EXPECTED
        return
    wanted = {f"{kind}.{limit}" for limit in EXPECTED.get(kind, OWN)}
    seen: Counter[str] = Counter()
    for case in cases_of(kind):
        held = held_of(case)
        if held is not None:
            check(held, seen, "" if Extent.everything else kind)
        if wanted <= seen.keys():
            return
    raise AssertionError(f"never seen to bind at a price: {sorted(wanted - seen.keys())}")


def test_a_kind_that_is_registered_nowhere_would_fail() -> None:
    assert {*EXPECTED, *MADE, *WITHOUT} <= {*KINDS, *briefs.IMPLIED_KINDS}
    assert set(MADE) - {"if-used", "cost"} <= set(EXPECTED)


def test_the_pencils_prices_of_the_salt_route() -> None:
    """8 % active from sulf (10 per kg of active) and beta (5, with half as much salt, 1.5 left for it)."""
    held = held_of(MADE["thickening"][1])
    assert held is not None
    told = {o.limit: o for o in held.bound() if o.id == "t"}
    # one % of salt carries 2 % of active matter of beta, 5 cheaper per kg: 0.1 per kg of product
    assert told["salt"].price == pytest.approx(-0.1)
    assert told["salt_room"].price == pytest.approx(0.1)
    assert (told["salt"].holds_from, told["salt_room"].holds_to) == pytest.approx((0.5, 2.0))


def test_salt_that_is_kept_whole_stands_still_below() -> None:
    held = held_of(MADE["thickening"][2])
    assert held is not None
    told = {o.limit: o for o in held.bound() if o.id == "t"}
    assert (told["salt"].price_if_lowered, told["salt"].price_if_raised) == pytest.approx((0.0, -0.1))
    assert (told["salt_room"].price_if_lowered, told["salt_room"].price_if_raised) == pytest.approx((0.1, 0.0))


def test_two_limits_of_one_rule_are_both_told() -> None:
    held = held_of(MADE["if-used"][0])
    assert held is not None
    told = {o.limit: o for o in held.bound() if o.id == "each"}
    assert set(told) == {"at_least", "at_most"}
    told_as = next(r for r in record(Blend(result=held.result)).rules if r.id == "each")
    assert [told_as.limit, *(more.limit for more in told_as.also)] == ["at_least", "at_most"]
    document = blend_document(held_of(MADE["thickening"][0]).result)  # type: ignore[union-attr]
    shown = "\n".join(lines(document, 200))
    assert "lower: sulfate share 50 %" in shown
    assert "lower: active 9 %" in shown


# ranges ------------------------------------------------------------------------------------------------


SHIPPED = sorted({p.stem for p in shipped("scenarios").glob("*.toml")} - {"common", "impossible-wash"})
EVERYDAY = ("clear-shampoo", "hand-wash", "pearly-wash")


@pytest.mark.parametrize("name", [n if n in EVERYDAY else pytest.param(n, marks=pytest.mark.slow) for n in SHIPPED])
def test_prices_and_ranges_of_a_shipped_brief(name: str) -> None:
    held = Held(solve_fully(load_brief(shipped("scenarios") / f"{name}.toml")))
    seen: Counter[str] = Counter()
    check(held, seen)
    assert seen["priced"] >= 5
    assert seen["end holds"] >= 6
    assert seen["same price beyond"] == 0


EQUAL = Wish(goals=False, past=0, rules=(2, 6))
DRAWN = {
    "any": Wish(goals=False, past=0),
    "yes-no": Wish(goals=False, past=0, kinds=(*briefs.YES_NO, "active", "dose", "rating"), must=("thickening",)),
    "equal": EQUAL,
}


@pytest.mark.slow
@pytest.mark.parametrize("sort", DRAWN)
def test_prices_and_ranges_of_drawn_briefs(sort: str) -> None:
    seen: Counter[str] = Counter()
    for seed in range(15):
        for one in (draw, draw_large):
            case = one(Random(seed), DRAWN[sort])
            if sort == "equal":
                pinned(case)
            held = held_of(case)
            if held is not None:
                check(held, seen)
    assert seen["priced"] >= 25
    assert seen["end holds"] >= 25
    assert seen["same price beyond"] <= seen["end holds"] / 20


def pinned(case: Case) -> None:
    """Close the room between a lower and an upper limit of a rule, and write an exact one as two equal limits."""
    for rule in case["scenario"]["rule"]:
        if "exactly" in rule:
            rule["at_least"] = rule["at_most"] = rule.pop("exactly")
        elif "at_least" in rule and "at_most" in rule and rule["kind"] != "count":
            rule["at_most"] = rule["at_least"]


def test_prices_of_a_wash_that_is_to_be_mild_hold_over_their_ranges_and_no_further(tmp_path: Path) -> None:
    """A price of 0.7964 mildness per EUR was told without a range; the average over 0.005 EUR less was 47."""
    for file in shipped("scenarios").iterdir():
        if file.is_file():
            text = file.read_text(encoding="utf-8").replace('minimise = "cost"', 'maximise = "mildness"')
            (tmp_path / file.name).write_text(text, encoding="utf-8")
    held, seen = (
        Held(solve_fully(load_brief(tmp_path / "hand-wash.toml", changes=[("cost.at_most", "1.2")]))),
        Counter(),
    )
    assert held.measure.ratio
    check(held, seen)
    assert seen["end holds"] >= 15
    assert seen["same price beyond"] <= 1


def test_prices_of_drawn_briefs_whose_objective_is_a_mean_hold_over_their_ranges() -> None:
    priced = apart = 0
    seen: Counter[str] = Counter()
    for seed in range(drawn(50, of=120)):
        case = draw(Random(seed), Wish(past=0))
        held = held_of(case) if case["scenario"].get("objective") else None
        if held is None or not held.measure.ratio:
            continue
        if held.found.basis.unique:
            check(held, seen)
            continue
        for told in held.bound():
            # Where several formulas are equally good for a mean, the price is that at the formula told.
            below, above = held.slopes(told)
            apart += not (same_slope(told.price_if_lowered, below) and same_slope(told.price_if_raised, above))
            priced += 1
    assert seen["priced"] + priced >= drawn(8, of=25)
    assert seen["end holds"] >= drawn(6, of=10)
    assert apart <= (seen["priced"] + priced) / 20
    assert seen["same price beyond"] <= seen["end holds"] / 20
