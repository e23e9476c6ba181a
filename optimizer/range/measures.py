"""What every rule measures of many formulas at once, from raw data and not from the rows."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np

from optimizer.brief import Brief
from optimizer.pool import Mask, Vector
from optimizer.range.frame import Frame
from optimizer.range.grid import Grid
from optimizer.range.spans import Span
from optimizer.rules import LimitRule
from optimizer.units import TOLERANCE


@dataclass(frozen=True)
class Measure:
    """A rule's numerator and denominator, each a sum over the doses and a constant."""

    rule: LimitRule
    amounts: Vector
    above: float
    per: Vector | None
    below: float

    def values(self, doses: Vector) -> Vector:
        """Return the measure of formulas, shape (s, n) to (s,); as `LimitRule.value`."""
        top = doses @ self.amounts + self.above
        if self.per is None:
            return np.asarray(top / self.below)
        bottom = doses @ self.per + self.below
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(bottom > TOLERANCE, top / bottom, np.where(top > TOLERANCE, inf, np.nan))


def measures_of(brief: Brief) -> dict[str, Measure]:
    """Return the measure of every rule of the model that is a number."""
    found = {}
    for rule in brief.rules:
        if isinstance(rule, LimitRule):
            above, below = rule.constants(brief.pool.held_back)
            per = brief.pool.vector(rule.per) if rule.ratio else None
            found[rule.id] = Measure(rule, rule.amounts(brief.pool), above, per, below)
    return found


def broken(measures: dict[str, Measure], spans: tuple[Span, ...], frame: Frame, grid: Grid) -> Mask:
    """Return which formulas break a rule, shape (s,): the last check of `solve`, for all scenarios at once."""
    found = np.zeros(len(frame), dtype=bool)
    moved = {s.rule.id: s for s in spans}
    for name, measure in measures.items():
        if name in moved:
            low, high = moved[name].limits(grid)
        elif measure.rule.limits == (-inf, inf):
            continue
        else:
            low, high = (np.full(len(frame), end) for end in measure.rule.limits)
        value = measure.values(frame.doses)
        slack = 10 * TOLERANCE * np.maximum(1.0, np.maximum(_size(low), _size(high)))
        with np.errstate(invalid="ignore"):
            found |= (low - value > slack) | (value - high > slack)
    return np.asarray(found & frame.solved)


def _size(ends: Vector) -> Vector:
    return np.where(np.isfinite(ends), np.abs(ends), 0.0)
