"""What the bench is to add to effect, planned: acid and thickener out of the part kept free, and what they cost."""

from __future__ import annotations

from collections.abc import Iterator
from math import fsum, isnan

from optimizer.assessment.thickening import rule_of
from optimizer.brief.brief import Brief
from optimizer.chemistry.interval import Interval
from optimizer.data.formula import Formula, Line
from optimizer.data.planned import Plan, PlannedDose, plan_of_formula
from optimizer.data.pool import Ingredient
from optimizer.data.purchase import short_of
from optimizer.immutable import Figure, immutable, replace, told, told_as, untold
from optimizer.rules.row import Setting
from optimizer.rules.thickening import Thickening
from optimizer.units import USED, listed, number


@immutable
class PlannedCost:
    """Material cost of a product with what the bench is to add to the blend, per kg.

    Low and high are those of the planned doses, at the prices of the blend. The rest of the part kept free is water.
    Acid without a price costs nothing here, a thickener as much as the dearest that may thicken; `unpriced` names both.
    """

    blend: float
    """The blend alone."""
    per_kg: Interval
    """With the planned doses: all low, as planned, all high."""
    doses: tuple[PlannedDose, ...]
    formula: Formula = untold()
    """The blend with the planned doses in it, and that much less kept free."""
    assumed: Figure = told_as("assumed_price")
    """At which price per kg a thickener without one counts; null where none has one, then it counts as free."""

    @told
    def unpriced(self) -> tuple[str, ...]:
        """Planned materials without a price."""
        return tuple(item.id for item in self._without_price())

    @property
    def words(self) -> str:
        """The doses in words."""
        return listed([f"{number(d.percent.typical, 2)} % {d.item.material.name}" for d in self.doses])

    @property
    def free(self) -> tuple[str, ...]:
        """Names of those that the planned cost counts as nothing."""
        guessed = self.guessed
        return tuple(name for item in self._without_price() if (name := item.material.name) not in guessed)

    @property
    def guessed(self) -> tuple[str, ...]:
        """Names of those that count at the dearest price of what may thicken."""
        if isnan(self.assumed):
            return ()
        return tuple(item.material.name for item in self._without_price() if item.material.thickener is not None)

    def _without_price(self) -> Iterator[Ingredient]:
        return (d.item for d in self.doses if isnan(d.item.price))


def planned_cost(brief: Brief, formula: Formula, setting: Setting) -> PlannedCost | None:
    """Return the cost of a formula with what it is planned to get at the bench; None if nothing is kept free for it.

    Doses of the brief (`[held_back] planned`) count as they are written. Otherwise the first acid is planned with what
    common practice allows for it, and the way to thicken that is open (under every rule on it) and costs least, with
    the middle of its usual use
    (low to high; from nothing where another way may do without it). Where cost is the objective, the optimum
    minimises it, unless the brief says `planned = false`. Viscosity and the dose of acid are found at the bench, never
    computed.

    Args:
        brief: Its prices and plans.
        formula: The blend.
        setting: Target pH and its window, which decides what thickener suits.
    """
    plan = plan_of_formula(brief.pool, formula)
    way = _way(brief, plan, formula, setting)
    doses = (*plan.acid, *way)
    if not doses:
        return None
    return PlannedCost(formula.cost, plan.per_kg(formula.cost, way), doses, _filled(formula, doses), plan.dearest)


def sought_cost(brief: Brief, formula: Formula, setting: Setting) -> float:
    """Return the cost per kg of a formula as its brief counts it: planned where that is sought, else the blend."""
    planned = planned_cost(brief, formula, setting) if brief.seeks_planned else None
    return planned.per_kg.typical if planned else formula.cost


def short_for_plan(brief: Brief, formula: Formula, setting: Setting) -> Iterator[str]:
    """Yield, in sentences, what is planned for the bench and not on the shelf for the brief's batch.

    A stock is no limit on it: a planned dose is a guess until the bench has found it.
    """
    batch_kg = brief.scenario.batch_kg
    planned = planned_cost(brief, formula, setting) if batch_kg and brief.shelf else None
    if planned is None or not batch_kg or brief.shelf is None:
        return
    needed = {d.item.id: d.percent.typical * batch_kg / 100 for d in planned.doses}
    for name, kg, there in short_of(brief.shelf.lines, {d.item.id: d.item for d in planned.doses}, needed):
        yield f"{number(kg, 3)} kg {name} is planned for {number(batch_kg)} kg; {number(there, 3)} kg is on the shelf."


def _filled(formula: Formula, doses: tuple[PlannedDose, ...]) -> Formula:
    """Return a formula with planned doses in it, and that much less kept free."""
    lines = {line.item.id: line for line in formula.lines}
    for dose in doses:
        own = lines.get(dose.item.id)
        lines[dose.item.id] = Line(dose.item, dose.percent.typical + (own.percent if own else 0.0))
    rest = formula.held_back - fsum(dose.percent.typical for dose in doses)
    used = tuple(lines[name] for name in sorted(lines) if lines[name].percent > USED)
    return Formula(used, rest, formula.later, formula.thickeners)


def _way(brief: Brief, plan: Plan, formula: Formula, setting: Setting) -> tuple[PlannedDose, ...]:
    """Return what is planned of the cheapest open way to thicken, from nothing where the formula may do without it."""
    rules = [r for r in brief.modelled if isinstance(r, Thickening)]
    if not rules and plan.salt not in plan.thickeners:
        plan = replace(plan, salt=None)
    first, *others = [r.open_plans(plan, formula, setting) for r in rules or [rule_of(brief)]]
    ways = [doses for doses in first if (rules or doses) and all(doses in other for other in others)]
    cheapest = min(ways, key=plan.cost, default=())
    if len(ways) > 1 or any(_thickens(line.item) for line in formula.lines):
        return tuple(d if d.rests_on == "brief" else replace(d, percent=replace(d.percent, low=0.0)) for d in cheapest)
    return cheapest


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
        told.append(f"left out, no price: {listed([*planned.free, *planned.guessed])}.")
        priced = tuple(line for line in priced if line.item.id not in planned.unpriced)
    left = 100 - fsum(line.percent for line in priced)
    return Formula(priced, left if left > USED else 0.0, formula.later, formula.thickeners), tuple(told)


def _thickens(item: Ingredient) -> bool:
    thickener = item.material.thickener
    return thickener is not None and thickener.type != "salt"
