"""What the bench is to add to effect, planned: acid and thickener out of the part kept free, and what they cost."""

from __future__ import annotations

from collections.abc import Iterable
from math import fsum, isnan
from typing import Literal

from optimizer.assessment.electrolyte import ACID_ALLOWANCE
from optimizer.assessment.thickening import plan_of
from optimizer.brief.brief import Brief
from optimizer.chemistry.interval import Interval
from optimizer.data.formula import Formula, Line
from optimizer.data.pool import Ingredient
from optimizer.immutable import Figure, immutable, seen, told, untold
from optimizer.rules.row import Setting
from optimizer.units import USED, listed, number

WATER = "aqua"


@immutable
class PlannedDose:
    """A dose that the bench is to find, as it is planned."""

    item: Ingredient = untold()
    material: str = seen("item.id")
    name: str = seen("item.material.name")
    percent: Interval
    """Low, planned and high [% w/w as supplied]."""
    rests_on: Literal["brief", "usual use", "common practice"]
    """Who says so: `[held_back] planned` of the brief, the usual doses of the library, or common practice for acid."""
    price: Figure = seen("item.price")
    """Per kg; null if nobody sells it."""


@immutable
class PlannedCost:
    """Material cost of a product with what the bench is to add to the blend, per kg.

    Low and high are those of the planned doses, at the prices of the blend. The rest of the part kept free is water.
    A dose without a price costs nothing here; `unpriced` names it.
    """

    blend: float
    """The blend alone."""
    per_kg: Interval
    """With the planned doses: all low, as planned, all high."""
    doses: tuple[PlannedDose, ...]
    formula: Formula = untold()
    """The blend with the planned doses in it, and that much less kept free."""

    @told
    def unpriced(self) -> tuple[str, ...]:
        """Planned materials without a price."""
        return tuple(d.item.id for d in self.doses if isnan(d.item.price))


def planned_cost(brief: Brief, formula: Formula, setting: Setting) -> PlannedCost | None:
    """Return the cost of a formula with what it is planned to get at the bench; None if nothing is kept free for it.

    Doses of the brief (`[held_back] planned`) count as they are written. Otherwise the first acid is planned with what
    common practice allows for it, and the first thickener that suits formula and pH with the middle of its usual use
    (low to high; from nothing where salt, or a thickener of the formula, may do without it). Viscosity and the dose of
    acid are found at the bench, never computed.

    Args:
        brief: Its prices and plans.
        formula: The blend.
        setting: Target pH and its window, which decides what thickener suits.
    """
    doses = _doses(brief, formula, setting)
    if not doses:
        return None
    at = pool_price(brief, WATER)
    held = formula.held_back
    low, typical, high = (
        formula.cost + fsum(_cost(d.item, getattr(d.percent, end), at) for d in doses) + held * at / 100
        for end in ("low", "typical", "high")
    )
    added = tuple(Line(d.item, d.percent.typical) for d in doses if d.percent.typical > USED)
    lines = tuple(sorted((*formula.lines, *added), key=lambda line: line.item.id))
    rest = held - fsum(line.percent for line in added)
    return PlannedCost(
        formula.cost, Interval(low, typical, high), doses, Formula(lines, rest, formula.later, formula.thickeners)
    )


def as_planned(brief: Brief, formula: Formula, setting: Setting) -> tuple[Formula, tuple[str, ...]]:
    """Return a formula with the doses that are planned for the bench, and what was assumed, in sentences."""
    planned = planned_cost(brief, formula, setting)
    if planned is None:
        return formula, ()
    told = []
    for dose in planned.doses:
        p = dose.percent
        span = f"planned, of {number(p.low, 2)} to {number(p.high, 2)} % by {dose.rests_on}"
        said = "as the brief plans it" if dose.rests_on == "brief" else span
        told.append(f"{number(p.typical, 2)} % {dose.item.material.name} {said}; the bench finds the dose.")
    low, high = planned.per_kg.low, planned.per_kg.high
    if high - low >= 0.005:
        money = brief.scenario.currency
        told.append(f"over these doses the materials of one kg cost {low:.2f} to {high:.2f} {money}.")
    priced = planned.formula.lines
    if planned.unpriced:
        told.append(f"left out, no price: {listed(list(planned.unpriced))}.")
        priced = tuple(line for line in priced if line.item.id not in planned.unpriced)
    left = 100 - fsum(line.percent for line in priced)
    return Formula(priced, left if left > USED else 0.0, formula.later, formula.thickeners), tuple(told)


def pool_price(brief: Brief, name: str) -> float:
    """Return the price of a candidate per kg, 0 if it is none or has no price."""
    place = brief.pool.index.get(name)
    price = brief.pool.items[place].price if place is not None else 0.0
    return 0.0 if isnan(price) else price


def _cost(item: Ingredient, percent: float, water: float) -> float:
    return 0.0 if isnan(item.price) else percent * (item.price - water) / 100


def _doses(brief: Brief, formula: Formula, setting: Setting) -> tuple[PlannedDose, ...]:
    """Return the planned doses, the acid first, none above what is left of the part kept free."""
    stated = brief.scenario.held_back.planned
    found: list[PlannedDose] = []
    left = formula.held_back

    def plan(item: Ingredient, percent: Interval, rests_on: Literal["usual use", "common practice"]) -> None:
        nonlocal left
        own = stated.get(item.id)
        low, typical, high = (own,) * 3 if own is not None else (percent.low, percent.typical, percent.high)
        kept = Interval(*(min(left, x) for x in (low, typical, high)))
        left -= kept.typical
        if kept.high > USED:
            found.append(PlannedDose(item, kept, "brief" if own is not None else rests_on))

    later = [item for item in formula.later if item.id not in {line.item.id for line in formula.lines}]
    for acid in _chosen((i for i in later if i not in formula.thickeners), stated):
        plan(acid, ACID_ALLOWANCE, "common practice")
    ways = plan_of(formula, setting, brief) if formula.thickeners else None
    suited = {c.material.id for c in ways.candidates if c.planned and c.suits} if ways else set()
    own_way = ways is not None and (ways.salt.open or any(_thickens(line.item) for line in formula.lines))
    for item in _chosen((i for i in formula.thickeners if i in later), stated, suited):
        assert item.material.thickener is not None
        low, high = item.material.thickener.use
        plan(item, Interval(0.0 if own_way else low, (low + high) / 2, high), "usual use")
    return tuple(found)


def _chosen(
    items: Iterable[Ingredient], stated: dict[str, float], suited: set[str] | None = None
) -> tuple[Ingredient, ...]:
    """Return those that the brief plans; else the first, of those that suit if that is known."""
    items = tuple(items)
    if own := tuple(i for i in items if i.id in stated):
        return own
    return tuple(i for i in items if suited is None or i.id in suited)[:1]


def _thickens(item: Ingredient) -> bool:
    thickener = item.material.thickener
    return thickener is not None and thickener.type != "salt"
