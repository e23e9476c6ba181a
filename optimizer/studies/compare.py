"""Formulas, results and scenarios side by side, with the change of cost split by what caused it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import nan

from optimizer.brief import Brief
from optimizer.formula import Formula
from optimizer.pool import Ingredient, Pool
from optimizer.pricing import measure_rules
from optimizer.result import Outcome
from optimizer.row import Setting
from optimizer.rules import MEASURES, named_measure
from optimizer.successive import solve


@dataclass(frozen=True)
class Side:
    """One column of the comparison.

    Attributes:
        name: Its heading.
        brief: The brief it is measured by.
        formula: Its doses; None if its brief is impossible.
        setting: The pH setting it is measured at.
        ending: Ending of the solve, or 'given' for a formula that was read.
        notes: What was assumed.
    """

    name: str
    brief: Brief
    formula: Formula | None
    setting: Setting
    ending: str
    notes: tuple[str, ...] = ()

    @property
    def cost(self) -> float:
        """Material cost per kg."""
        return cost_at(self.formula, self.brief.pool) if self.formula else nan

    @property
    def window(self) -> tuple[float, float]:
        """PH window that the used materials share within the brief's range; NaN without a pH."""
        acidity = self.brief.acidity
        if acidity is None or self.formula is None:
            return nan, nan
        shared = acidity.shared(self.formula)
        return shared.low, shared.high

    def outcomes(self) -> dict[str, Outcome]:
        """Every rule of its own brief at the formula, by id."""
        if self.formula is None:
            return {}
        return {o.id: o for o in measure_rules(self.brief, self.formula, self.setting)}

    def measures(self) -> dict[str, float]:
        """The standing measures, by name."""
        if self.formula is None:
            return {}
        return {name: named_measure(name).value(self.formula, self.setting) for name in MEASURES}


@dataclass(frozen=True)
class Split:
    """Why the cost differs from the first column, per kg of product; NaN where a part cannot be told.

    Attributes:
        total: The whole difference.
        price: The first column's brief (or formula) at this column's prices.
        material: What other candidates change on top.
        limit: What other rules change on top; for formulas that were read, what other doses change.
    """

    total: float
    price: float
    material: float
    limit: float


@dataclass(frozen=True)
class Comparison:
    """Columns in the order given; one split per column after the first."""

    sides: tuple[Side, ...]
    splits: tuple[Split, ...]


def compare(sides: tuple[Side, ...]) -> Comparison:
    """Lay any number of columns side by side and split each cost difference from the first."""
    return Comparison(sides, tuple(split(sides[0], side) for side in sides[1:]))


def split(first: Side, other: Side) -> Split:
    """Split a difference of cost into price, material and limit effects that sum to it exactly.

    Two scenarios are walked over in steps, each solved anew: the first brief at the other's prices,
    then with the other's candidates, then the other brief itself. Where one side is a formula that
    was read, only its doses at the other's prices can be told apart from its doses.
    """
    total = other.cost - first.cost
    if first.formula is None or other.formula is None:
        return Split(nan, nan, nan, nan)
    if "given" in (first.ending, other.ending):
        price = cost_at(first.formula, other.brief.pool) - first.cost
        return Split(total, price, 0.0, total - price)
    repriced = _with_items(first.brief, {i.id: i for i in other.brief.pool.items}, first.brief.pool.ids)
    everything = _with_items(first.brief, {i.id: i for i in other.brief.pool.items}, other.brief.pool.ids)
    law = {r.id: r for r in other.brief.rules if r.source == "law"} | {r.id: r for r in first.brief.rules}
    everything = replace(everything, rules=tuple(law[k] for k in sorted(law)))
    at_prices, with_candidates = _best_cost(repriced), _best_cost(everything)
    return Split(total, at_prices - first.cost, with_candidates - at_prices, other.cost - with_candidates)


def _best_cost(brief: Brief) -> float:
    formula = solve(brief, weighable=True).weighable
    return cost_at(formula, brief.pool) if formula else nan


def _with_items(brief: Brief, items: dict[str, Ingredient], ids: tuple[str, ...]) -> Brief:
    own = {i.id: i for i in brief.pool.items}
    chosen = tuple(items.get(name, own.get(name)) for name in sorted(ids))
    kept = tuple(i for i in chosen if i is not None)
    pool = Pool(kept, brief.pool.held_back, brief.pool.later, brief.pool.thickeners)
    return replace(brief, pool=pool)


def cost_at(formula: Formula, pool: Pool) -> float:
    """Return the cost of a formula per kg at a pool's prices, its own price where the pool has none."""
    prices = {item.id: item.price for item in pool.items}
    return sum(line.percent * prices.get(line.item.id, line.item.price) for line in formula.lines) / 100
