"""Boxes of choices that together hold them all, split where one box did not do, and what bounds the cost in each.

A scenario is proven over all choices when every box of some cut through the tree of boxes holds nothing better than
its best known point: each box by any row prices that do, whichever scenario they were learnt from. Any prices give a
bound (weak duality), so a bound that is too low is all that old prices can do.
"""

from __future__ import annotations

from math import inf

import numpy as np

from optimizer.data.pool import Mask, Vector
from optimizer.sweep.programs import Index, ProgramBase, Programs
from optimizer.sweep.reuse import KnownBasis
from optimizer.sweep.vertex import Vertex
from optimizer.units import PROOF_REUSED, ROUND_OFF, SLIP


class Cover:
    """A tree of boxes of the q choices, as arrays that grow.

    Attributes:
        low: Lower ends of every box, shape (k, q).
        high: Upper ends.
        first: First of the two halves of a box that was split, -1 for others, shape (k,); the second one follows.
    """

    def __init__(self, q: int) -> None:
        """Begin with one box that holds all choices."""
        self.low, self.high = np.zeros((1, q)), np.ones((1, q))
        self.first = np.full(1, -1, dtype=np.int64)

    def __len__(self) -> int:
        return len(self.first)

    def split(self, box: int, choice: int) -> int:
        """Split a box into no and yes of a choice; return the first half, after which the second one stands."""
        first = len(self)
        low, high = np.repeat(self.low[[box]], 2, axis=0), np.repeat(self.high[[box]], 2, axis=0)
        high[0, choice], low[1, choice] = 0.0, 1.0
        self.low, self.high = np.vstack([self.low, low]), np.vstack([self.high, high])
        self.first = np.append(self.first, [-1, -1])
        self.first[box] = first
        return first

    def splits(self) -> list[tuple[int, int]]:
        """Return box and choice of every split, in their order."""
        inner = np.flatnonzero(self.first >= 0)
        order = inner[np.argsort(self.first[inner])]
        choices = (self.high[self.first[order]] != self.high[order]).argmax(axis=1)
        return list(zip(order.tolist(), choices.tolist(), strict=True))

    def wanted(self, closed: Mask) -> Mask:
        """Return which boxes are still to be closed, (k, p) of those that are by themselves, (k, p): none if all are.

        A box is not if it is within one that is closed, or if both its halves are.
        """
        inner = np.flatnonzero(self.first >= 0)
        done = closed.copy()
        for box in inner[::-1]:
            first = self.first[box]
            done[box] |= done[first] & done[first + 1]
        for box in inner:
            first = self.first[box]
            done[first : first + 2] |= done[box]
        return ~done

    def least(self, bounds: Vector) -> Vector:
        """Return what nothing costs less than over all choices, by bounds of every box, shape (k, p) to (p,)."""
        least = bounds.copy()
        for box in np.flatnonzero(self.first >= 0)[::-1].tolist():
            first = int(self.first[box])
            np.maximum(least[box], np.minimum(least[first], least[first + 1]), out=least[box])
        return np.asarray(least[0])

    def covered(self, closed: Mask) -> Mask:
        """Return where boxes that are closed, (k, p), hold all choices together, shape (p,)."""
        return np.asarray(np.isinf(self.least(np.where(closed, np.inf, 0.0))))

    def open_below(self, closed: Mask) -> list[int]:
        """Return how many of the boxes that each was split into at last are still open, of those closed, (k,)."""
        first, done = self.first.tolist(), closed.tolist()
        counts = [0] * len(first)
        for box in range(len(first) - 1, -1, -1):
            half = first[box]
            counts[box] = 0 if done[box] else 1 if half < 0 else counts[half] + counts[half + 1]
        return counts

    def cut(self, closed: Mask) -> Mask:
        """Return the boxes next to the root that are closed by themselves: they hold all choices, (k, p)."""
        open_ = np.zeros_like(closed)
        open_[0] = True
        for box in np.flatnonzero(self.first >= 0):
            first = self.first[box]
            open_[first] = open_[first + 1] = open_[box] & ~closed[box]
        return open_ & closed


class Prices:
    """Row prices, of one program or as a basis gives them in each, or a proof that nothing fits, and what they bound.

    Attributes:
        record: What trying them has brought: boxes closed for programs.
        closes: How often they closed each box.
    """

    def __init__(self, base: ProgramBase, doses: int, source: Vertex | Vector, *, proof: bool = False) -> None:
        """Keep the rows that have a price.

        Args:
            base: What the programs share; its columns from `doses` on are choices.
            doses: Columns before the choices.
            source: A basis of all columns, or a price per row, shape (m,).
            proof: Whether they are the multipliers of a proof that nothing fits.
        """
        self.base, self.doses, self.proof = base, doses, proof
        self.vertex = source if isinstance(source, Vertex) else None
        self.record = KnownBasis()
        self.closes: dict[int, int] = {}
        if isinstance(source, Vertex):
            self.rows = source.active
        else:
            y = np.where(np.abs(source) < ROUND_OFF * np.abs(source).max(initial=0.0), 0.0, source)
            self.rows = np.flatnonzero(y)
            self._y = y[self.rows][:, None]
        places = np.full(base.low.size, -1)
        places[self.rows] = np.arange(self.rows.size)
        self._ended = np.flatnonzero(places[base.ended] >= 0)
        self._own = places[base.ended[self._ended]]
        self._moved = np.flatnonzero(places[base.moved] >= 0)
        self._moved_own = places[base.moved[self._moved]]
        low, high = base.low[self.rows], base.high[self.rows]
        low[self._own] = high[self._own] = 0.0
        self._no_low, self._no_high = np.flatnonzero(np.isneginf(low)), np.flatnonzero(np.isposinf(high))
        self._low, self._high = np.where(np.isfinite(low), low, 0.0), np.where(np.isfinite(high), high, 0.0)
        self._columns = np.ascontiguousarray(base.matrix[self.rows].T)

    @property
    def all_rows(self) -> Vector:
        """Prices that are those of every program, such as the multipliers of a proof, of every row, shape (m,)."""
        y = np.zeros(self.base.low.size)
        y[self.rows] = self._y[:, 0]
        return y

    @property
    def key(self) -> bytes:
        """What plain prices are known by, whatever their size."""
        return bytes(
            b"y" + self.rows.tobytes() + np.round(self._y / (np.abs(self._y).max(initial=0.0) or 1.0), 9).tobytes()
        )

    def promising(self, *, every: bool = False) -> Index:
        """Return the boxes that they closed more than once, or once where nothing was tried yet, or `every` one."""
        least = 1 if every or not self.record.tried else 2
        return np.array(sorted(box for box, count in self.closes.items() if count >= least), dtype=np.int64)

    def note(self, boxes: Index, counts: Index) -> None:
        """Note how often they closed boxes."""
        for box, count in zip(boxes[counts > 0].tolist(), counts[counts > 0].tolist(), strict=True):
            self.closes[box] = self.closes.get(box, 0) + count

    def bounds(self, programs: Programs, low: Vector, high: Vector) -> Vector:
        """Return what nothing costs less than in each box of each program, shape (k, p); infinite where it is empty.

        The sum of y_i x (low end if y_i > 0, else high end) and of the least of d_j x_j, d = cost - A'y, in double
        precision, less what the sums may have lost. A price against an end that is not there counts as 0.

        Args:
            programs: The p programs.
            low: Lower ends of the choices in every box, shape (k, q).
            high: Upper ends.
        """
        y = self._prices(programs)
        ends, largest = self._ends(programs, y)
        d = self._reduced(programs, y)
        pull = np.minimum(d, 0.0)
        upper = self.base.upper[: self.doses]
        reach = upper @ pull[: self.doses]
        if self.base.closing.size:
            reach -= (self.base.upper[self.base.closing][:, None] * pull[self.base.closing] * programs.closed).sum(
                axis=0
            )
        push = d[self.doses :] - pull[self.doses :]
        found = ends + reach - ROUND_OFF * (largest - reach) + high @ pull[self.doses :] + low @ push
        if self.proof:
            found = np.where(found > PROOF_REUSED * (1 + largest), inf, -inf)
        return np.where(np.isnan(found), -inf, found)

    def faces(self, programs: Programs, low: Vector, high: Vector) -> tuple[Mask, Mask]:
        """Return what the best points of a box share if these prices bound it: rows held at an end, columns not held.

        Args:
            programs: The p programs.
            low: Lower ends of the choices of the box, shape (q,).
            high: Upper ends.

        Returns:
            Rows, shape (m, p), and columns, shape (n, p) (complementary slackness).
        """
        y = self._prices(programs)
        still = SLIP * (1 + float(np.abs(self.base.cost).max(initial=0.0)))
        free = np.abs(self._reduced(programs, y)) <= still
        free[self.doses :] &= (low < high)[:, None]
        free[self.base.closing] &= ~programs.closed
        rows = np.repeat((self.base.low == self.base.high)[:, None], len(programs), axis=1)
        rows[self.base.ended] = programs.low == programs.high
        rows[self.rows] |= np.abs(y) > still
        return rows, free

    def _raw(self, programs: Programs) -> Vector:
        """Return the prices of the rows as basis or proof has them, shape (k, p)."""
        return np.repeat(self._y, len(programs), axis=1) if self.vertex is None else self.vertex.prices(programs)

    def _prices(self, programs: Programs) -> Vector:
        """Return the prices of the rows, against ends that are there, shape (k, p)."""
        y = self._raw(programs)
        low, high = programs.low[self._ended], programs.high[self._ended]
        own = y[self._own]
        missing = (own > 0) & ~np.isfinite(low) | (own < 0) & ~np.isfinite(high)
        if self.proof:  # a proof is one with all its rows only
            wrong = (y[self._no_low] > 0).any(axis=0) | (y[self._no_high] < 0).any(axis=0)
            y[:, missing.any(axis=0) | wrong] = np.nan
            return y
        y[self._no_low], y[self._no_high] = np.minimum(y[self._no_low], 0.0), np.maximum(y[self._no_high], 0.0)
        y[self._own] = np.where(missing, 0.0, own)
        return y

    def _ends(self, programs: Programs, y: Vector) -> tuple[Vector, Vector]:
        """Return what the prices ask of the ends, and the sizes that it sums, shape (p,) each."""
        up, down = np.maximum(y, 0.0), np.minimum(y, 0.0)
        asked = self._low @ up + self._high @ down
        sizes = np.abs(self._low) @ up - np.abs(self._high) @ down
        low, high = programs.low[self._ended], programs.high[self._ended]
        low, high = np.where(np.isfinite(low), low, 0.0), np.where(np.isfinite(high), high, 0.0)
        up, down = up[self._own], down[self._own]
        return (
            asked + (low * up).sum(axis=0) + (high * down).sum(axis=0),
            sizes + (np.abs(low) * up).sum(axis=0) - (np.abs(high) * down).sum(axis=0),
        )

    def _reduced(self, programs: Programs, y: Vector) -> Vector:
        """Return cost - A'y, of a proof -A'y, shape (n, p)."""
        d = -(self._columns @ y)
        if self._moved.size:
            d += self.base.slopes[self._moved].T @ (programs.moves[self._moved] * y[self._moved_own])
        if not self.proof:
            d += self.base.cost[:, None]
            d[self.base.priced] += programs.cost
        return d
