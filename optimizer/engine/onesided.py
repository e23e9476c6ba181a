"""Prices where more limits meet than needed: what raising a limit costs, and what lowering it saves.

At a degenerate optimum the cost has a kink in the limit. Its one-sided derivatives are linear
programs over directions d at the optimum x: min c d with d along the bounds that are active, each
active row kept, and the moved row's end going by s = p x + g (linear programming duality; the
largest and the smallest of y g over all optimal y).
"""

from __future__ import annotations

from math import inf

import numpy as np
import numpy.typing as npt

from optimizer.data.pool import Vector
from optimizer.engine.highs import Session
from optimizer.engine.sensitivity import Basis
from optimizer.units import AT_END


class Directions:
    """The cone of directions at an optimum, ready for many limits."""

    def __init__(self, basis: Basis, x: Vector) -> None:
        """Take the rows and bounds that are active at an optimal point x, shape (n,)."""
        n = basis.n
        z = np.concatenate([x, basis.full[:, :n] @ x])
        near = AT_END * np.maximum(np.abs(z), basis.sizes)
        at_low = z - basis.ends_low <= near
        at_high = basis.ends_high - z <= near
        self._low = np.where(at_low, 0.0, -inf)
        self._high = np.where(at_high, 0.0, inf)
        self._basis, self._x = basis, x
        self._session: Session | None = None

    def prices(self, rows: npt.NDArray[np.int64], ends: Vector, per_limit: Vector | None = None) -> tuple[float, float]:
        """Return d(objective)/d(limit) when the limit is lowered and when it is raised.

        Args:
            rows: Rows whose end the limit is, shape (k,); those that are not active move nothing.
            ends: Move of each row's end per unit of the limit, shape (k,).
            per_limit: Coefficients that multiply the limit in the row, shape (n,), or None.

        Returns:
            Price below and price above; infinite where the move makes the program impossible.
        """
        moves = ends if per_limit is None else np.array([float(per_limit @ self._x) + ends[0]])
        return -self._step(rows, -moves), self._step(rows, moves)

    def entering(self, column: int) -> float:
        """Return the objective per unit of a column that enters at 0, infinite if it cannot."""
        low, high = self._low.copy(), self._high.copy()
        low[column] = high[column] = 1.0
        answer = self._hot().run(self._basis.cost[: self._basis.n], low[: self._basis.n], high[: self._basis.n])
        return float(self._basis.cost[: self._basis.n] @ answer.x) if answer.ending == "optimal" else inf

    def _hot(self) -> Session:
        """Return the session, loaded on first use."""
        n = self._basis.n
        if self._session is None:
            self._session = Session(self._basis.full[:, :n], self._low[n:], self._high[n:])
        return self._session

    def _step(self, rows: npt.NDArray[np.int64], moves: Vector) -> float:
        n = self._basis.n
        low, high = self._low[n:][rows], self._high[n:][rows]
        index = rows.astype(np.int32)
        session = self._hot()
        session.rows(index, np.where(low == 0, moves, low), np.where(high == 0, moves, high))
        answer = session.run(self._basis.cost[:n], self._low[:n], self._high[:n])
        session.rows(index, low, high)
        return float(self._basis.cost[:n] @ answer.x) if answer.ending == "optimal" else inf
