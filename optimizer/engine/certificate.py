"""Checks of an answer outside the solver: feasibility, signs, complementarity, gap, and Farkas proofs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimizer.pool import Vector

PRIMAL = 1e-7
"""Most that a row or bound may be missed, relative to 1 + |bound|."""
GAP = 1e-7
"""Most that primal and dual objective may differ, relative to 1 + |objective|."""


@dataclass(frozen=True)
class Certificate:
    """What was found when an answer was checked.

    Attributes:
        primal: Largest miss of a row or column bound, relative.
        dual: Largest reduced cost or row dual of the wrong sign, relative.
        gap: |primal objective - dual objective|, relative.
        holds: Whether all three are within tolerance.
    """

    primal: float
    dual: float
    gap: float
    holds: bool


def check_optimal(
    matrix: Vector,
    row_low: Vector,
    row_high: Vector,
    cost: Vector,
    lower: Vector,
    upper: Vector,
    x: Vector,
    y: Vector,
) -> Certificate:
    """Check optimality of (x, y) for min cost @ x, row_low <= A x <= row_high, lower <= x <= upper.

    A dual value may be positive only against a lower end and negative only against an upper
    end; with a zero gap this is complementary slackness. Sums run in extended precision.

    Args:
        matrix: A, shape (m, n).
        row_low: Shape (m,).
        row_high: Shape (m,).
        cost: Shape (n,).
        lower: Shape (n,).
        upper: Shape (n,).
        x: Shape (n,).
        y: Shape (m,).
    """
    a = matrix.astype(np.longdouble)
    primal = _missed(a, row_low, row_high, lower, upper, x)
    d = cost - y.astype(np.longdouble) @ a
    values = np.concatenate([y.astype(np.longdouble), d])
    low, high = np.concatenate([row_low, lower]), np.concatenate([row_high, upper])
    positive, negative = values > 0, values < 0
    scale = 1 + float(np.abs(cost).max(initial=0.0))
    free = (positive & np.isneginf(low)) | (negative & np.isposinf(high))
    dual = float(np.abs(values[free]).max(initial=0.0)) / scale
    ends = np.where(positive, low, np.where(negative, high, 0.0))
    bound = float((values * np.where(free, 0.0, ends)).sum())
    objective = float((cost * x.astype(np.longdouble)).sum())
    gap = abs(objective - bound) / (1 + abs(objective))
    return Certificate(primal, dual, gap, primal <= PRIMAL and dual <= PRIMAL and gap <= GAP)


def check_feasible(matrix: Vector, row_low: Vector, row_high: Vector, lower: Vector, upper: Vector, x: Vector) -> float:
    """Return the largest miss of a row or column bound, relative to 1 + |bound|."""
    return _missed(matrix.astype(np.longdouble), row_low, row_high, lower, upper, x)


def check_infeasible(
    matrix: Vector, row_low: Vector, row_high: Vector, lower: Vector, upper: Vector, ray: Vector
) -> bool:
    """Return whether y = ray proves that no x exists (Farkas).

    For every x within its bounds y @ A x stays below what y asks of the rows: the largest of
    y'A x over the box is less than the least of y'r over the rows' ranges. Both signs are tried.
    """
    a = matrix.astype(np.longdouble)
    for y in (ray.astype(np.longdouble), -ray.astype(np.longdouble)):
        y = np.where(np.abs(y) < 1e-12 * np.abs(y).max(initial=0.0), 0.0, y)
        ends = np.where(y > 0, row_low, np.where(y < 0, row_high, 0.0))
        if not np.isfinite(ends.astype(float)).all():
            continue
        asked = float((y * ends).sum())
        z = y @ a
        most = float((z * np.where(z > 0, upper, np.where(z < 0, lower, 0.0))).sum())
        scale = 1 + float(np.abs(y * ends).max(initial=0.0))
        if most - asked < -1e-7 * scale:
            return True
    return False


def _missed(
    a: npt.NDArray[np.floating], row_low: Vector, row_high: Vector, lower: Vector, upper: Vector, x: Vector
) -> float:
    activity = a @ x.astype(np.longdouble)
    values = np.concatenate([activity, x.astype(np.longdouble)])
    low, high = np.concatenate([row_low, lower]), np.concatenate([row_high, upper])
    under = np.where(np.isneginf(low), 0.0, (low - values) / (1 + np.abs(np.where(np.isneginf(low), 0.0, low))))
    over = np.where(np.isposinf(high), 0.0, (values - high) / (1 + np.abs(np.where(np.isposinf(high), 0.0, high))))
    return float(max(under.max(initial=0.0), over.max(initial=0.0), 0.0))
