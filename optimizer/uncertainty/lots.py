"""What lots do to a formula: active matter of each material anywhere between low and high.

The active matter, carried salt and water of one lot move together (`pool.with_lot`), so each material has a
single unknown. A measure is affine in each of them, so a sum or a ratio of sums is lowest and highest at
lots that are each at an end.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from math import floor, inf, nan

import numpy as np

from optimizer.data.facts import Material
from optimizer.data.formula import Formula, Line
from optimizer.data.library import Library
from optimizer.data.pool import Ingredient, Pool, Vector, with_lot
from optimizer.immutable import immutable
from optimizer.rules import LimitRule, Rule
from optimizer.rules.row import Setting
from optimizer.rules.thickening import Thickening
from optimizer.solve.fractional import optimum
from optimizer.solve.result import Result
from optimizer.units import KEPT, ROUND_OFF

AT_RISK = 1e-3
"""Share of a limit from which a lot is told to break it; below it nobody could weigh the difference."""


def lot_range(material: Material) -> tuple[float, float]:
    """Return lowest and highest active matter of a material's lots [% as supplied]; equal if lots do not differ."""
    actives = [s for s in material.substances if s.role == "active"]
    low, high = sum(s.low for s in actives), min(100.0, sum(s.high for s in actives))
    return (low, high) if 0 < low < high else (material.active_matter, material.active_matter)


def at_lot(item: Ingredient, material: Material, active: float) -> Ingredient:
    """Return an ingredient at a lot's active matter [% as supplied].

    Args:
        item: The ingredient, for price and shelf line.
        material: The library's facts, before any lot.
        active: The lot's active matter.
    """
    if abs(active - item.material.active_matter) < ROUND_OFF:
        return item
    return Ingredient(with_lot(material, active), item.price, item.line)


def at_lots(pool: Pool, library: Library, lots: Mapping[str, float]) -> Pool:
    """Return a pool whose named materials are at measured lots [% active matter as supplied by id]."""
    items = tuple(at_lot(i, library.by_id[i.id], lots[i.id]) if i.id in lots else i for i in pool.items)
    return pool.with_items(items)


def linear(rule: Rule) -> bool:
    """Return whether a rule is a sum or a ratio of sums over the doses."""
    return isinstance(rule, LimitRule) and rule.summed


@immutable
class Lots:
    """A pool as planned, and the ends of its lots.

    Attributes:
        pool: The candidates as planned.
        ends: Lowest and highest active matter of each candidate's lots [% as supplied], shape (n, 2);
            the planned figure lies between them.
        low: The pool with every material at its weakest lot.
        high: The pool with every material at its strongest.
    """

    pool: Pool
    ends: Vector
    low: Pool
    high: Pool

    @cached_property
    def planned(self) -> Vector:
        """Active matter as planned [% as supplied], shape (n,)."""
        return self.pool.vector(lambda i: i.material.active_matter)

    @cached_property
    def open(self) -> Vector:
        """1 where lots differ, shape (n,)."""
        return (self.ends[:, 1] > self.ends[:, 0]).astype(float)

    def extremes(self, rule: LimitRule, doses: Vector, budget: float = inf) -> tuple[float, float]:
        """Return the lowest and highest a linear measure or ratio can be when up to `budget` lots are off.

        For a fixed ratio (see `fractional`) the materials with the largest effect are off.

        Args:
            rule: The rule.
            doses: Doses as supplied [%], shape (n,).
            budget: How many materials may be off at once; the last one in part if it is no whole number.
        """
        return self._extreme(rule, doses, budget, -1.0), self._extreme(rule, doses, budget, 1.0)

    def _extreme(self, rule: LimitRule, doses: Vector, budget: float, sign: float) -> float:
        above, below = rule.constants(self.pool.held_back)
        tops = [doses * rule.amounts(p) for p in (self.low, self.pool, self.high)]
        if not rule.ratio:
            moves = [sign * (t - tops[1]) for t in (tops[0], tops[2])]
            return (float(tops[1].sum()) + above + sign * largest(np.maximum(*moves), budget)) / below
        bottoms = [doses * p.vector(rule.per) for p in (self.low, self.pool, self.high)]
        top, bottom = float(tops[1].sum()) + above, float(bottoms[1].sum()) + below
        if not bottom > rule.vanishing(self.pool):
            return nan

        def run(ratio: float) -> float:
            net = [t - ratio * b for t, b in zip(tops, bottoms, strict=True)]
            moves = [sign * (m - net[1]) for m in (net[0], net[2])]
            part = _taken(np.maximum(*moves), budget)
            end = np.where(moves[0] > moves[1], 0, 2)
            shift = [part * (np.where(end == 0, x[0], x[2]) - x[1]) for x in (tops, bottoms)]
            return (top + float(shift[0].sum())) / (bottom + float(shift[1].sum()))

        found = optimum(run, lambda ratio: ratio, top / bottom)
        assert found is not None
        return found[1]

    def formula(self, doses: Vector, active: Vector, library: Library) -> Formula:
        """Return doses as a formula of lots with a given active matter [% as supplied], shape (n,)."""
        lines = tuple(
            Line(at_lot(item, library.by_id[item.id], float(a)), float(x))
            for item, x, a in zip(self.pool.items, doses, active, strict=True)
            if x > 0
        )
        return Formula(lines, self.pool.held_back, self.pool.later, self.pool.thickeners)

    def corners(self, rule: Rule, doses: Vector, setting: Setting) -> tuple[float, float, float]:
        """Return lowest and highest value and the largest violation of a rule that is no sum or ratio.

        Its parts are monotone in every lot, so the lots tried are all weak, all strong, and what
        answers to salt weak or strong against the rest.
        """
        strong = np.zeros(len(self.pool), dtype=bool)
        group = rule.sulfates if isinstance(rule, Thickening) else None
        split = strong if group is None else self.pool.members(group)
        found, worst = [], 0.0
        for high in (strong, ~strong, split, ~split):
            items = [h if up else low for up, low, h in zip(high, self.low.items, self.high.items, strict=True)]
            lines = tuple(Line(i, float(x)) for i, x in zip(items, doses, strict=True) if x > 0)
            value, violation = rule.judged(
                Formula(lines, self.pool.held_back, self.pool.later, self.pool.thickeners), setting
            )
            found.append(value)
            worst = max(worst, violation)
        return min(found), max(found), worst

    def broken(self, rule: Rule, doses: Vector, setting: Setting) -> bool:
        """Return whether doses that keep a rule as planned break it when one lot is off; a curved rule, several."""
        if not linear(rule) or not isinstance(rule, LimitRule):
            return self.corners(rule, doses, setting)[2] > KEPT
        (low, high), (least, most) = rule.limits, self.extremes(rule, doses, 1.0)
        return least < low - AT_RISK * abs(low) or most > high + AT_RISK * abs(high)

    def drawn(self, rule: LimitRule, doses: Vector, active: Vector) -> Vector:
        """Return a linear measure or ratio for many draws of lots.

        Args:
            rule: The rule.
            doses: Doses as supplied [%], shape (n,).
            active: Active matter of each lot [% as supplied], shape (draws, n).

        Returns:
            The measure of each draw, shape (draws,).
        """
        width = self.ends[:, 1] - self.ends[:, 0]
        part = np.divide(active - self.ends[:, 0], width, out=np.zeros_like(active), where=width > 0)
        above, below = rule.constants(self.pool.held_back)

        def total(low: Vector, high: Vector) -> Vector:
            weak, strong = doses * low, doses * high
            return np.asarray(weak.sum() + part @ (strong - weak))

        top = total(rule.amounts(self.low), rule.amounts(self.high)) + above
        if not rule.ratio:
            return top / below
        bottom = total(self.low.vector(rule.per), self.high.vector(rule.per)) + below
        return np.asarray(np.divide(top, bottom, out=np.full(len(top), nan), where=bottom > KEPT))


def lots_of(pool: Pool, library: Library) -> Lots:
    """Return the lots of a pool: the library's low to high of each material, widened to what is planned.

    Args:
        pool: The candidates as planned.
        library: The facts before any lot.
    """
    ends = np.zeros((len(pool), 2))
    for position, item in enumerate(pool.items):
        planned = item.material.active_matter
        low, high = lot_range(library.by_id[item.id])
        ends[position] = min(low, planned), max(high, planned)
    weak, strong = (
        tuple(
            # An end is a sharp lot even where it is what is planned: a planned material keeps its high shares.
            Ingredient(with_lot(library.by_id[i.id], float(e[k])), i.price, i.line) if e[0] < e[1] else i
            for i, e in zip(pool.items, ends, strict=True)
        )
        for k in (0, 1)
    )
    ends_pools = [pool.with_items(items) for items in (weak, strong)]
    return Lots(pool, ends, *ends_pools)


def broken_by_one(result: Result) -> tuple[str, ...]:
    """Return the rules that sit on a limit and that one lot, as far off as the library knows lots, would break.

    Args:
        result: The best formula of a brief; without one nothing is at risk.
    """
    formula, brief = result.formula, result.brief
    if formula is None:
        return ()
    pool = brief.pool.with_items(line.item for line in formula.lines)
    lots, doses = lots_of(pool, brief.library), np.array([line.percent for line in formula.lines])
    bound = {o.id for o in result.rules if o.bound and o.shown != "understood"}
    return tuple(
        rule.id
        for rule in brief.enforced
        if rule.id in bound and rule.by_lots and lots.broken(rule, doses, result.setting)
    )


def _taken(moves: Vector, budget: float) -> Vector:
    """Return which part of each move is taken: the largest ones, the last in part."""
    part = np.zeros(len(moves))
    order = np.argsort(-moves, kind="stable")
    whole = min(len(moves), floor(min(budget, len(moves))))
    part[order[:whole]] = 1.0
    if whole < len(moves):
        part[order[whole]] = budget - whole
    return np.where(moves > 0, part, 0.0)


def largest(moves: Vector, budget: float) -> float:
    """Return the sum of the largest moves, shape (n,), that a budget allows; the last one in part."""
    return float((_taken(moves, budget) * moves).sum())
