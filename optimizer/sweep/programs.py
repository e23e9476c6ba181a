"""Many linear programs that differ in limits, prices and availability, held as what differs."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from optimizer.data.pool import Mask, Vector
from optimizer.immutable import immutable

Index = npt.NDArray[np.int64]


@immutable
class ProgramBase:
    """What all programs share: minimise cost @ x, low <= A x <= high, 0 <= x <= upper.

    Attributes:
        matrix: A at the reference limits, shape (m, n).
        cost: Reference cost, shape (n,).
        low: Reference lower ends of the rows, shape (m,).
        high: Reference upper ends, shape (m,).
        upper: Most of each column, finite, shape (n,).
        priced: Columns whose cost differs, shape (c,).
        ended: Rows whose ends differ, shape (e,).
        closing: Columns that are closed (held at 0) in some programs, shape (k,).
        moved: Rows whose coefficients differ, shape (j,): row r reads A_r - t p_r.
        slopes: The p of these rows, shape (j, n).
    """

    matrix: Vector
    cost: Vector
    low: Vector
    high: Vector
    upper: Vector
    priced: Index
    ended: Index
    closing: Index
    moved: Index
    slopes: Vector


@immutable
class Programs:
    """The programs themselves, one column each.

    Attributes:
        cost: Cost less the reference at `priced`, shape (c, p).
        low: Lower ends at `ended`, shape (e, p).
        high: Upper ends at `ended`, shape (e, p).
        closed: Which of `closing` are closed, shape (k, p).
        moves: t of each moved row, shape (j, p).
    """

    base: ProgramBase
    cost: Vector
    low: Vector
    high: Vector
    closed: Mask
    moves: Vector

    def __len__(self) -> int:
        return int(self.cost.shape[1])

    def take(self, chosen: Index) -> Programs:
        """Return some of the programs."""
        return Programs(
            self.base,
            self.cost[:, chosen],
            self.low[:, chosen],
            self.high[:, chosen],
            self.closed[:, chosen],
            self.moves[:, chosen],
        )

    def one(self, q: int) -> tuple[Vector, Vector]:
        """Return the whole cost of a program, and 0 for its closed columns, 1 for others, shape (n,) each."""
        cost, there = self.base.cost.copy(), np.ones(self.base.cost.size)
        cost[self.base.priced] += self.cost[:, q]
        there[self.base.closing] = ~self.closed[:, q]
        return cost, there

    def values(self, x: Vector) -> Vector:
        """Return cost @ x of every program, shape (n, p) to (p,)."""
        return np.asarray(self.base.cost @ x + np.einsum("cp,cp->p", self.cost, x[self.base.priced]))

    def values_of_terms(self, x: Vector) -> Vector:
        """Return the sizes of the terms that these sum, shape (n, p) to (p,)."""
        return np.asarray(np.abs(self.costs() * x).sum(axis=0))

    def costs(self) -> Vector:
        """Return the whole costs, shape (n, p)."""
        whole = np.repeat(self.base.cost[:, None], len(self), axis=1)
        whole[self.base.priced] += self.cost
        return whole

    def ends(self) -> tuple[Vector, Vector]:
        """Return the lower and upper ends of all rows, shape (m, p) each."""
        low = np.repeat(self.base.low[:, None], len(self), axis=1)
        high = np.repeat(self.base.high[:, None], len(self), axis=1)
        low[self.base.ended], high[self.base.ended] = self.low, self.high
        return low, high

    def activity(self, x: Vector) -> Vector:
        """Return A(t) x for columns x, shape (n, p) to (m, p)."""
        rows = self.base.matrix @ x
        if self.base.moved.size:
            rows[self.base.moved] -= self.moves * (self.base.slopes @ x)
        return np.asarray(rows)

    def priced_out(self, y: Vector) -> Vector:
        """Return A(t)' y for columns y, shape (m, p) to (n, p)."""
        sums = self.base.matrix.T @ y
        if self.base.moved.size:
            sums -= self.base.slopes.T @ (self.moves * y[self.base.moved])
        return np.asarray(sums)
