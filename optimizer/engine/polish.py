"""An answer's last digits, by iterative refinement of its basis or of the whole program."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from optimizer.data.pool import Vector
from optimizer.engine.highs import Session, SolverAnswer
from optimizer.immutable import replace

ZOOM = 2.0**20
"""How many times as large a program is seen from its last answer."""


def zoomed(session: Session, cost: Vector, lower: Vector, upper: Vector, answer: SolverAnswer) -> SolverAnswer:
    """Return an answer solved for anew as the same program seen from there, a million times as large.

    A solver's tolerances are absolute: a column that may lie below 0 by a billionth of a percent takes with it any row
    in which that counts. Seen from near by, they count a millionth (Gleixner, Steffy and Wolter, INFORMS Journal on
    Computing 28 (2016) 449). The answer itself if there is none.
    """
    every = np.arange(session.m, dtype=np.int32)
    low, high, x = session.row_low.copy(), session.row_high.copy(), np.clip(answer.x, lower, upper)
    seen = (session.matrix.astype(np.longdouble) @ x).astype(float)
    session.rows(every, (low - seen) * ZOOM, (high - seen) * ZOOM)
    found = session.run(cost, (lower - x) * ZOOM, (upper - x) * ZOOM, relaxed=True)
    session.rows(every, low, high)
    return replace(found, x=x + found.x / ZOOM) if found.ending == "optimal" else answer


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
