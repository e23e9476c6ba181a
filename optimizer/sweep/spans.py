"""Rules whose limits differ between scenarios."""

from __future__ import annotations

from math import inf

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.pool import Vector
from optimizer.immutable import immutable
from optimizer.rules import LimitRule
from optimizer.sweep.grid import Grid
from optimizer.sweep.single import limit_of


@immutable
class MovedLimits:
    """A rule whose limits differ, and the keys that move them.

    Attributes:
        rule: As the brief states it.
        low: Key of the lower limit, '' if it stays.
        high: Key of the upper limit.
        exactly: Key of both.
        reference: Limits at which the matrix is built.
    """

    rule: LimitRule
    low: str
    high: str
    exactly: str
    reference: tuple[float, float]

    def limits(self, grid: Grid) -> tuple[Vector, Vector]:
        """Return the limits in every scenario, shape (s,) each."""
        low, high = self.rule.limits
        if self.exactly:
            both = np.asarray(grid.column(self.exactly), dtype=float)
            return both, both
        lows, highs = np.full(len(grid), low), np.full(len(grid), high)
        if self.rule.exactly is not None:
            # A limit of one side replaces an exact one, as in a variant file; an empty cell leaves it.
            given = [~np.isnan(np.asarray(grid.column(k), dtype=float)) for k in (self.low, self.high) if k]
            replaced = np.any(given, axis=0)
            lows[replaced], highs[replaced] = -inf, inf
        for key, ends in ((self.low, lows), (self.high, highs)):
            if key:
                own = np.asarray(grid.column(key), dtype=float)
                ends[~np.isnan(own)] = own[~np.isnan(own)]
        return lows, highs


def spans_of(brief: Brief, keys: tuple[str, ...]) -> tuple[MovedLimits, ...]:
    """Return the rules whose limits the keys move."""
    by_rule: dict[str, dict[str, str]] = {}
    for key in keys:
        if limit_of(brief, key) is not None:
            owner, _, last = key.rpartition(".")
            by_rule.setdefault(owner, {})[last] = key
    spans = []
    for owner, own in by_rule.items():
        rule = next(r for r in brief.modelled if r.id == owner)
        assert isinstance(rule, LimitRule)
        exactly = own.get("exactly", "")
        stated_low, stated_high = (-inf, inf) if rule.exactly is not None else rule.limits
        known = next((e for e in rule.limits if abs(e) < inf), 1.0)
        low = stated_low if stated_low > -inf else known if "at_least" in own else -inf
        high = stated_high if stated_high < inf else known if "at_most" in own else inf
        # Two rows, whatever the scenarios make of them: an exact limit would be a single one.
        apart = (low, high + 1.0) if low == high else (low, high)
        reference = (known, known) if exactly else apart
        spans.append(MovedLimits(rule, own.get("at_least", ""), own.get("at_most", ""), exactly, reference))
    return tuple(spans)
