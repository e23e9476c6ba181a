"""Many row prices tried on one program at once, where `cover` tries one on many programs."""

from __future__ import annotations

import numpy as np

from optimizer.data.pool import Vector
from optimizer.sweep.cover import Prices
from optimizer.sweep.programs import Index, ProgramBase, Programs
from optimizer.units import ROUND_OFF


class Stacked(Prices):
    """Row prices of any number of bases, or proofs that nothing fits, laid over all rows.

    Attributes:
        known: The k of them.
    """

    def __init__(self, base: ProgramBase, doses: int, *, proof: bool) -> None:
        """Begin with none.

        Args:
            base: What the programs share.
            doses: Columns before the choices.
            proof: Whether they are proofs.
        """
        super().__init__(base, doses, np.ones(base.low.size), proof=proof)
        self.known: list[Prices] = []
        self._parts: list[Vector] = []

    def add(self, more: list[Prices]) -> None:
        """Take in more of them."""
        if not more:
            return
        self.known += more
        parts = [np.array(part) for part in zip(*map(self._laid, more), strict=True)]
        self._parts = [np.concatenate(both) for both in zip(self._parts, parts, strict=True)] if self._parts else parts

    def highest(self, program: Programs, low: Vector, high: Vector) -> tuple[Vector, Index]:
        """Return the highest bound of every box that any of them gives, shape (b,), and which one gives it.

        Args:
            program: One program.
            low: Lower ends of the choices in every box, shape (b, q).
            high: Upper ends.
        """
        bounds = self.bounds(program.take(np.zeros(len(self.known), dtype=np.int64)), low, high)
        best = bounds.argmax(axis=1)
        return bounds[np.arange(best.size), best], best

    def _laid(self, prices: Prices) -> tuple[Vector, ...]:
        """Return what tells the prices of all rows in any program."""
        return (prices.all_rows,) if prices.vertex is None else prices.vertex.over_all_rows()

    def _raw(self, programs: Programs) -> Vector:
        """Return the prices of all rows, shape (m, k), in one program that is given k times; as `Vertex.prices`."""
        if self.proof:
            return self._parts[0].T.copy()
        plain, by_price, w, g, origin = self._parts
        y: Vector = plain + by_price @ programs.cost[:, 0]
        t = programs.moves[:, 0] - origin
        if t.any():
            systems = np.eye(t.shape[1]) - g.transpose(0, 2, 1) * t[:, None, :]
            solvable = np.abs(np.linalg.det(systems)) > ROUND_OFF
            systems[~solvable] = np.eye(t.shape[1])
            steps = np.linalg.solve(systems, y[:, self.base.moved, None])[:, :, 0]
            y += np.einsum("kj,kjm->km", t * steps, w)
            y[~solvable] = np.nan
        return y.T
