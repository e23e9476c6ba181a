"""Formulas, results and scenarios side by side, with the change of cost split by what caused it."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations, pairwise, permutations
from math import fsum, isnan, nan

from optimizer.assessment.alarms import foremost, uncharted
from optimizer.assessment.planned import planned_cost
from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution
from optimizer.data.formula import Doses, Formula
from optimizer.data.pool import Ingredient, Pool
from optimizer.immutable import Figure, immutable, replace, result, seen, told, untold
from optimizer.rules import MEASURES, named_measure
from optimizer.rules.row import Setting
from optimizer.solve.best import solve
from optimizer.solve.result import RuleOutcome
from optimizer.solve.shadow_prices import measure_rules


@immutable
class Side:
    """One column of a comparison."""

    name: str
    """Its heading."""
    brief: Brief = untold()
    """The brief it is measured by."""
    cost_per_kg: Figure = seen("cost")
    ph_low: Figure = seen("window.0")
    ph_high: Figure = seen("window.1")
    formula: Doses
    """Its doses; None if its brief is impossible."""
    setting: Setting = untold()
    """The pH setting it is measured at."""
    ending: str
    """Ending of the solve, or 'given' for a formula that was read."""
    notes: tuple[str, ...] = ()
    """What was assumed."""

    @property
    def cost(self) -> float:
        """Material cost per kg of the blend alone."""
        return cost_at(self.formula, self.brief.pool) if self.formula else nan

    @property
    def window(self) -> tuple[float, float]:
        """PH window that the used materials share within the brief's range; NaN without a pH."""
        acidity = self.brief.acidity
        if acidity is None or self.formula is None:
            return nan, nan
        shared = acidity.shared(self.formula)
        return shared.low, shared.high

    def outcomes(self) -> dict[str, RuleOutcome]:
        """Every rule of its own brief at the formula, by id."""
        if self.formula is None:
            return {}
        return {o.id: o for o in measure_rules(self.brief, self.formula, self.setting)}

    @told
    def planned_cost_per_kg(self) -> Figure:
        """The same with acid and thickener as planned, not computed; null if nothing is kept free for them."""
        planned = planned_cost(self.brief, self.formula, self.setting) if self.formula else None
        return planned.per_kg.typical if planned else nan

    @told
    def measures(self) -> dict[str, Figure]:
        """The standing measures, by name."""
        if self.formula is None:
            return {}
        return {name: named_measure(name).value(self.formula, self.setting) for name in MEASURES}

    @told
    def rules(self) -> tuple[RuleOutcome, ...]:
        """Every rule of its own brief."""
        return tuple(self.outcomes().values())

    @told
    def cautions(self) -> tuple[Caution, ...]:
        """Its alarms, and on what it rests."""
        return foremost(self.brief, self.formula, self.setting) if self.formula else uncharted(self.brief)


@immutable
class Split:
    """Why the cost differs from the first column.

    Per kg of product; NaN where a part cannot be told.
    """

    total: Figure
    """The whole difference."""
    price: Figure
    """What the other prices of shared materials change."""
    lot: Figure
    """What other lots (or other facts) of shared materials change."""
    material: Figure
    """What other candidates change."""
    limit: Figure
    """What other rules change; for formulas that were read, what other doses change."""


@result
class Comparison:
    """The output of `tenside compare --json`; one split per column after the first."""

    FORMAT = 1
    sides: tuple[Side, ...]
    splits: tuple[Split, ...]


def compare(sides: tuple[Side, ...]) -> Comparison:
    """Lay any number of columns side by side and split each cost difference from the first."""
    return Comparison(sides=sides, splits=tuple(split(sides[0], side) for side in sides[1:]))


def split(first: Side, other: Side) -> Split:
    """Split a difference of cost into parts by cause that sum to it exactly.

    Each cause counts with the mean of what it changes over every order in which the causes can come (Shapley, A value
    for n-person games, 1953, from memory), so that the split from the other side is the same with its signs turned.
    Of two scenarios every mixture is solved anew: prices, lots, candidates and rules each from either side; orders that
    pass a mixture without a formula are left out. Of formulas that were read, only prices and doses can be told apart.
    """
    total = other.cost - first.cost
    if first.formula is None or other.formula is None:
        return Split(nan, nan, nan, nan, nan)
    ends = {frozenset[str](): first.cost}
    if "given" in (first.ending, other.ending):
        ends[frozenset({"price"})] = cost_at(first.formula, other.brief.pool)
        ends[frozenset({"limit"})] = cost_at(other.formula, first.brief.pool)
        ends[frozenset({"price", "limit"})] = other.cost
        parts = shared(("price", "limit"), ends.__getitem__)
    else:
        causes = _causes(first.brief, other.brief)
        ends[frozenset(causes)] = other.cost
        parts = shared(causes, lambda taken: ends[taken] if taken in ends else _cost(first.brief, other.brief, taken))
    return Split(total, *(parts.get(cause, 0.0) for cause in ("price", "lot", "material", "limit")))


def shared(causes: tuple[str, ...], cost: Callable[[frozenset[str]], float]) -> dict[str, float]:
    """Return what each cause changes, as the mean over the orders in which the causes can come; NaN if there is none.

    Args:
        causes: Names of the causes.
        cost: The cost with some of the causes taken from the other side; NaN if it has none.
    """
    costs = {frozenset(some): cost(frozenset(some)) for k in range(len(causes) + 1) for some in combinations(causes, k)}
    walks = []
    for order in permutations(causes):
        steps = [costs[frozenset(order[:k])] for k in range(len(order) + 1)]
        if not any(map(isnan, steps)):
            walks.append({cause: after - before for cause, (before, after) in zip(order, pairwise(steps), strict=True)})
    return {cause: fsum(w[cause] for w in walks) / len(walks) if walks else nan for cause in causes}


def _causes(first: Brief, other: Brief) -> tuple[str, ...]:
    """Return the causes that may change the cost."""
    items = {i.id: i for i in other.pool.items}
    both = [(i, items[i.id]) for i in first.pool.items if i.id in items]
    differs = {
        "price": any(a.price != b.price for a, b in both),
        "lot": any(a.material != b.material for a, b in both),
        "material": first.pool.ids != other.pool.ids,
        "limit": True,
    }
    return tuple(cause for cause, so in differs.items() if so)


def _cost(first: Brief, other: Brief, taken: frozenset[str]) -> float:
    """Return the least cost of a mixture of two briefs: some causes from the other, the rest from the first.

    A material that only one side knows has that side's price and lot; rules of law come with the candidates.
    """
    one, two = ({i.id: i for i in brief.pool.items} for brief in (first, other))
    rules, candidates = (other if cause in taken else first for cause in ("limit", "material"))
    items = []
    for name in candidates.pool.ids:
        price, lot = (
            (two if cause in taken else one).get(name) or one.get(name) or two[name] for cause in ("price", "lot")
        )
        items.append(Ingredient(lot.material, price.price, lot.line))
    pool = rules.pool.with_items(items)
    law = {r.id: r for r in candidates.modelled if r.source == "law"} | {r.id: r for r in rules.modelled}
    formula = solve(replace(rules, pool=pool, modelled=tuple(law[k] for k in sorted(law))), weighable=True).weighable
    return cost_at(formula, pool) if formula else nan


def cost_at(formula: Formula, pool: Pool) -> float:
    """Return the cost of a formula per kg at a pool's prices, its own price where the pool has none."""
    prices = {item.id: item.price for item in pool.items}
    return sum(line.percent * prices.get(line.item.id, line.item.price) for line in formula.lines) / 100
