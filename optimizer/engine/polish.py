"""An answer's last digits, by iterative refinement of its basis."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from optimizer.data.pool import Vector
from optimizer.engine.highs import Session, SolverAnswer
from optimizer.immutable import replace


def polished(session: Session, cost: Vector, lower: Vector, upper: Vector, answer: SolverAnswer) -> SolverAnswer:
    """Return an answer's vertex and row prices solved for anew from its basis, residuals in extended precision.

    Where rows are nearly parallel a solver's last digits are far from the vertex; two steps of iterative
    refinement (Wilkinson 1963) bring them back. The answer itself if its basis cannot be inverted.
    """
    columns, rows = answer.basic[answer.basic < session.n], np.ones(session.m, dtype=bool)
    rows[answer.basic[answer.basic >= session.n] - session.n] = False
    active = np.flatnonzero(rows)
    inner = session.matrix[np.ix_(active, columns)]
    x = np.where(np.abs(answer.x - lower) <= np.abs(upper - answer.x), lower, upper)
    activity = session.matrix[active] @ answer.x
    low, high = session.row_low[active], session.row_high[active]
    ends = np.where(np.abs(activity - low) <= np.abs(high - activity), low, high)
    x[columns] = 0.0
    right = ends - (session.matrix[active].astype(np.longdouble) @ x)
    try:
        x[columns] = _refined(inner, right)
        prices = _refined(inner.T, cost[columns].astype(np.longdouble))
    except np.linalg.LinAlgError:
        return answer
    y = np.zeros(session.m)
    y[active] = prices
    return replace(answer, x=x, y=y)


def _refined(matrix: Vector, right: npt.NDArray[np.longdouble]) -> Vector:
    """Solve a square system, shape (k, k) and (k,)."""
    wide = matrix.astype(np.longdouble)
    inverse = np.linalg.inv(matrix)
    found = (inverse @ right.astype(float)).astype(np.longdouble)
    for _ in range(2):
        found = found + inverse @ (right - wide @ found).astype(float)
    return np.asarray(found.astype(float))
