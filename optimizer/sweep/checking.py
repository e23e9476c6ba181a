"""The check of many answers at once, outside basis and solver: feasibility, signs, gap, and what is unique.

As `certificate.check_optimal`, in double precision, for all programs in few matrix products.
"""

from __future__ import annotations

import numpy as np

from optimizer.data.pool import Mask, Vector
from optimizer.sweep.programs import ProgramBase, Programs
from optimizer.units import BOUND_MET, ROW_MET, SLIP


class Checker:
    """What the check needs of the rows' ends, laid out once."""

    def __init__(self, base: ProgramBase) -> None:
        """Split the ends into those that are there and stay, and those that each program brings."""
        self.base = base
        steady = np.ones(base.low.size, dtype=bool)
        steady[base.ended] = False
        self._low, self._low_weight = _weighted(base.low, steady)
        self._high, self._high_weight = _weighted(base.high, steady)
        self._no_low = np.flatnonzero(steady & ~np.isfinite(base.low))
        self._no_high = np.flatnonzero(steady & ~np.isfinite(base.high))
        self._fixed = np.flatnonzero(steady & (base.low == base.high))
        self._never = np.flatnonzero(base.upper == 0)
        kept = np.ones(base.cost.size, dtype=bool)
        kept[base.priced] = False
        self._largest = float(np.abs(base.cost[kept]).max(initial=0.0))

    def check(self, programs: Programs, x: Vector, y: Vector, basic: Mask) -> tuple[Mask, Mask]:
        """Return which answers hold, and which of them are the only best ones.

        Args:
            programs: The p programs.
            x: Column values, shape (n, p).
            y: Row prices, shape (m, p).
            basic: Basic columns, then rows, shape (n + m, p).
        """
        base, n = self.base, self.base.cost.size
        own_cost = base.cost[base.priced][:, None] + programs.cost
        scale = 1 + np.maximum(self._largest, np.abs(own_cost).max(axis=0, initial=0.0))
        d = -programs.priced_out(y)
        d += base.cost[:, None]
        d[base.priced] += programs.cost
        holds = self.missed(programs, x) <= ROW_MET
        up, down = np.maximum(y, 0.0), np.minimum(y, 0.0)
        own_up, own_down = up[base.ended], down[base.ended]
        low_known, high_known = np.isfinite(programs.low), np.isfinite(programs.high)
        wrong = np.maximum(up[self._no_low].max(axis=0, initial=0.0), -down[self._no_high].min(axis=0, initial=0.0))
        wrong = np.maximum(wrong, np.where(low_known, 0.0, own_up).max(axis=0, initial=0.0))
        wrong = np.maximum(wrong, np.where(high_known, 0.0, -own_down).max(axis=0, initial=0.0))
        holds &= wrong <= SLIP
        pull = np.minimum(d, 0.0)
        bound = self._low @ up + self._high @ down + base.upper @ pull
        bound += (np.where(low_known, programs.low, 0.0) * own_up).sum(axis=0)
        bound += (np.where(high_known, programs.high, 0.0) * own_down).sum(axis=0)
        bound -= (base.upper[base.closing][:, None] * pull[base.closing] * programs.closed).sum(axis=0)
        value = programs.values(x)
        holds &= np.abs(value - bound) <= BOUND_MET * (1 + np.abs(value))
        still = SLIP * scale
        idle = np.abs(d) <= still
        idle &= ~basic[:n]
        idle[base.closing] &= ~programs.closed
        idle[self._never] = False
        idle_rows = np.abs(y) <= still
        idle_rows &= ~basic[n:]
        idle_rows[self._fixed] = False
        idle_rows[base.ended] &= programs.low < programs.high
        return holds, ~(idle.any(axis=0) | idle_rows.any(axis=0))

    def missed(self, programs: Programs, x: Vector) -> Vector:
        """Return the largest miss of a row or column bound, relative to 1 + |bound|, shape (p,)."""
        base = self.base
        rows = programs.activity(x)
        missed = ((self._low[:, None] - rows) * self._low_weight).max(axis=0, initial=0.0)
        missed = np.maximum(missed, ((rows - self._high[:, None]) * self._high_weight).max(axis=0, initial=0.0))
        own = rows[base.ended]
        for gap, end in ((programs.low - own, programs.low), (own - programs.high, programs.high)):
            known = np.isfinite(end)
            miss = np.where(known, gap / (1 + np.abs(np.where(known, end, 0.0))), 0.0)
            missed = np.maximum(missed, miss.max(axis=0, initial=0.0))
        missed = np.maximum(missed, (x - base.upper[:, None]).max(axis=0, initial=0.0))
        missed = np.maximum(missed, (x[base.closing] * programs.closed).max(axis=0, initial=0.0))
        return np.asarray(np.maximum(missed, -x.min(axis=0, initial=0.0)))


def _weighted(ends: Vector, steady: Mask) -> tuple[Vector, Vector]:
    """Return ends and their weights 1 / (1 + |end|), both 0 where there is none or each program has its own."""
    there = steady & np.isfinite(ends)
    known = np.where(there, ends, 0.0)
    return known, (there / (1 + np.abs(known)))[:, None]
