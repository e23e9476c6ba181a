"""The check of many answers at once, outside basis and solver: feasibility, bound, and what is unique.

As `certificate.check_optimal` and to the same tolerances, in double precision, for all programs in few matrix products.
"""

from __future__ import annotations

import numpy as np

from optimizer.data.pool import Mask, Vector
from optimizer.sweep.programs import ProgramBase, Programs
from optimizer.units import BOUND_MET, LEAST_TERM, POINT_MET, ROUND_OFF, SLIP


class Checker:
    """What the check needs of the rows' ends, laid out once."""

    def __init__(self, base: ProgramBase) -> None:
        """Split the ends into those that are there and stay, and those that each program brings."""
        self.base = base
        steady = np.ones(base.low.size, dtype=bool)
        steady[base.ended] = False
        self._low, self._has_low = _known(base.low, steady)
        self._high, self._has_high = _known(base.high, steady)
        self._magnitudes = np.abs(base.matrix)
        self._least = LEAST_TERM * self._magnitudes.max(axis=1, initial=0.0)[:, None]
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
        holds = self.kept(programs, x)
        own_low, has_low = _known(programs.low)
        own_high, has_high = _known(programs.high)
        # A price against an end that is not there counts as 0, and the bound is what it is without it.
        up, down = np.maximum(y, 0.0), np.minimum(y, 0.0)
        own_up, own_down = up[base.ended] * has_low, down[base.ended] * has_high
        pull = np.minimum(d, 0.0)
        pull[base.closing] *= ~programs.closed
        ends = ((self._low, up), (self._high, down), (base.upper, pull))
        own_ends = own_low * own_up + own_high * own_down
        bound = sum(end @ price for end, price in ends) + own_ends.sum(axis=0)
        summed = sum(np.abs(end) @ np.abs(price) for end, price in ends) + np.abs(own_ends).sum(axis=0)
        value, paid = programs.values(x), programs.values_of_terms(x)
        holds &= np.abs(value - bound) <= BOUND_MET * paid + ROUND_OFF * summed
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

    def kept(self, programs: Programs, x: Vector) -> Mask:
        """Return which points keep every row and column of their program, shape (p,)."""
        return self._missed(programs, x) <= POINT_MET

    def _missed(self, programs: Programs, x: Vector) -> Vector:
        """Return the largest miss of a row, relative to its end and the terms that it sums, or of a column's end."""
        base = self.base
        rows, sizes = programs.activity(x), self._terms(programs, np.abs(x))
        missed = _miss(self._low[:, None] - rows, self._low[:, None], sizes) * self._has_low
        missed = np.maximum(missed, _miss(rows - self._high[:, None], self._high[:, None], sizes) * self._has_high)
        missed = missed.max(axis=0, initial=0.0)
        own, own_sizes = rows[base.ended], sizes[base.ended]
        for sign, ends in ((1, programs.low), (-1, programs.high)):
            end, there = _known(ends)
            miss = _miss(sign * (end - own), end, own_sizes) * there
            missed = np.maximum(missed, miss.max(axis=0, initial=0.0))
        over = (x - base.upper[:, None]) / np.maximum(base.upper, 1.0)[:, None]
        missed = np.maximum(missed, over.max(axis=0, initial=0.0))
        missed = np.maximum(missed, (x[base.closing] * programs.closed).max(axis=0, initial=0.0))
        return np.asarray(np.maximum(missed, -x.min(axis=0, initial=0.0)))

    def _terms(self, programs: Programs, sizes: Vector) -> Vector:
        """Return what each row sums at points of these sizes, shape (n, p) to (m, p)."""
        base, sums = self.base, self._magnitudes @ sizes
        least = np.broadcast_to(self._least, sums.shape)
        if base.moved.size:
            own = np.abs(base.matrix[base.moved, :, None] - programs.moves[:, None] * base.slopes[..., None])
            sums[base.moved], least = np.einsum("jnp,np->jp", own, sizes), least.copy()
            least[base.moved] = LEAST_TERM * own.max(axis=1, initial=0.0)
        return np.asarray(np.maximum(sums, least))


def _miss(gap: Vector, end: Vector, sizes: Vector) -> Vector:
    """Return a gap relative to an end and to sizes; a row of nothing to nothing by itself."""
    scale = np.maximum(np.abs(end), sizes)
    return np.asarray(gap / np.where(scale > 0, scale, 1.0))


def _known(ends: Vector, steady: Mask | bool = True) -> tuple[Vector, Mask]:
    """Return ends, 0 where there is none or it is not steady, and where there is one, as a column to one row each."""
    there = steady & np.isfinite(ends)
    return np.where(there, ends, 0.0), there if there.ndim > 1 else there[:, None]
