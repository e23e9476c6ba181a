"""Checks of an answer outside the solver: feasibility, a bound that holds whatever the solver said, Farkas proofs.

No check leans on the size of figures that play no part in the answer: a row is missed relative to its end and
its coefficients, a sum is trusted relative to the terms that it was summed of.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from optimizer.data.pool import Mask, Vector
from optimizer.immutable import immutable
from optimizer.units import (
    BOUND_MET,
    BOUND_REACHED,
    LAST_DIGIT,
    LEAST_TERM,
    POINT_MET,
    PROOF_MARGIN,
    ROUND_OFF,
    ZERO_PRICE,
)


@immutable
class Certificate:
    """What was found when an answer was checked.

    Attributes:
        primal: Largest miss of a row's end, relative to it and to the terms that the row sums, or of a column's end.
        dual: Largest price of the wrong sign that no bound makes up for, relative to the terms it was summed of.
        gap: |objective - lower bound|, relative to the terms that the objective sums.
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

    Any y gives a bound that no point betters: the sum of y_i x (low end if y_i > 0, else high end) and of
    d_j x (lower if d_j > 0, else upper), d = cost - A'y; a y_i against an end that is not there counts as 0.
    x is best if it reaches the bound. Sums run in extended precision.

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
    primal = check_point(matrix, row_low, row_high, lower, upper, x)
    wrong = ((y > 0) & np.isneginf(row_low)) | ((y < 0) & np.isposinf(row_high))
    prices = np.where(wrong, 0.0, y).astype(np.longdouble)
    d = cost - prices @ a
    summed = np.abs(cost) + np.abs(prices) @ np.abs(a)
    values = np.concatenate([prices, d])
    ends = np.where(values > 0, np.concatenate([row_low, lower]), np.concatenate([row_high, upper]))
    open_ = ~np.isfinite(ends) & (values != 0)
    endless = open_[len(y) :]
    dual = float(np.abs(d[endless] / summed[endless]).max(initial=0.0))
    ends = np.where(open_ | (values == 0), 0.0, ends)
    paid = cost * x.astype(np.longdouble)
    gap = abs(float(paid.sum() - (values * ends).sum()))
    size, rounding = (
        float(np.abs(paid).sum()),
        LAST_DIGIT * float(np.concatenate([np.abs(prices), summed]) @ np.abs(ends)),
    )
    relative = max(0.0, gap - rounding) / size if size > 0 else 0.0 if gap <= rounding else 1.0
    holds = primal <= POINT_MET and dual <= ZERO_PRICE and relative <= BOUND_REACHED
    return Certificate(primal, dual, relative, holds)


def which_hold(
    matrix: Vector, low: Vector, high: Vector, costs: Vector, x: Vector, y: Vector, last: Vector | None = None
) -> Mask:
    """Return which of many answers over the same rows are optimal, shape (k,); in double precision.

    The check of `check_optimal`, for k answers at once; what fails it may still hold in extended precision.

    Args:
        matrix: A, shape (m, n).
        low: Lower ends of columns, then rows, shape (n + m,), or (k, n + m) where they differ.
        high: The same.
        costs: Shape (k, n).
        x: Shape (k, n).
        y: Shape (k, m).
        last: Coefficients of the last row in each answer's program, shape (k, n), where they differ.
    """
    k, n = x.shape
    last = np.broadcast_to(matrix[-1:], (k, n)) if last is None else last
    rest = matrix[:-1]
    magnitudes = np.abs(rest)
    values = np.hstack([x, x @ rest.T, (x * last).sum(axis=1, keepdims=True)])
    sizes = np.ones((k, values.shape[1]))
    sizes[:, n:-1] = terms(magnitudes, np.abs(x))
    sizes[:, -1] = np.maximum(np.abs(x * last).sum(axis=1), LEAST_TERM * np.abs(last).max(axis=1, initial=0.0))
    sizes[sizes == 0] = 1.0
    missed = np.zeros(k)
    for end, miss in ((low, low - values), (high, values - high)):
        scale = np.maximum(np.where(np.isfinite(end), np.abs(end), 0.0), sizes)
        missed = np.maximum(missed, (miss / scale).max(axis=1))
    y = np.where(((y > 0) & np.isneginf(low[..., n:])) | ((y < 0) & np.isposinf(high[..., n:])), 0.0, y)
    y_rest, y_last = y[:, :-1], y[:, -1:]
    prices = np.hstack([costs - y_rest @ rest - y_last * last, y])
    summed = np.hstack([np.abs(costs) + np.abs(y_rest) @ magnitudes + np.abs(y_last * last), np.abs(y)])
    ends = np.where(prices > 0, low, high)
    endless = ~np.isfinite(ends)
    ends[endless | (prices == 0)] = 0.0
    signs = (~endless | (np.abs(prices) <= ZERO_PRICE * summed)).all(axis=1)
    paid = costs * x
    gap = np.abs(paid.sum(axis=1) - (prices * ends).sum(axis=1))
    allowed = BOUND_MET * np.abs(paid).sum(axis=1) + ROUND_OFF * (summed * np.abs(ends)).sum(axis=1)
    return np.asarray((missed <= POINT_MET) & signs & (gap <= allowed))


def row_sizes(matrix: Vector) -> Vector:
    """Return the largest coefficient of each row, shape (m,): what missing a row is relative to besides its end."""
    return np.asarray(np.abs(matrix).max(axis=1, initial=0.0))


def terms(magnitudes: Vector, x: Vector) -> Vector:
    """Return what each row sums at a point or at many, shape (m,) or (k, m): what it may miss its end relative to.

    It is never less than what `LEAST_TERM` of a column brings.

    Args:
        magnitudes: Sizes of the coefficients, shape (m, n).
        x: Sizes of the columns' values, shape (n,) or (k, n).
    """
    return np.asarray(np.maximum(x @ magnitudes.T, LEAST_TERM * magnitudes.max(axis=1, initial=0.0)))


def lower_bounds(
    matrix: Vector,
    row_low: Vector,
    row_high: Vector,
    cost: Vector,
    lower: Vector,
    upper: Vector,
    y: Vector,
    *,
    wide: bool = False,
) -> Vector:
    """Return what no point of each of many boxes costs less than, shape (k,), whatever the prices are.

    The sum of y_i x (low end if y_i > 0, else high end) and of the least of d_j x_j, d = cost - A'y, less what the
    sums may have lost to rounding; a y_i against an end that is not there counts as 0.

    Args:
        matrix: A, shape (m, n).
        row_low: Shape (m,).
        row_high: Shape (m,).
        cost: Shape (n,).
        lower: Ends of columns in each box, shape (k, n).
        upper: The same.
        y: Row prices of each box, shape (k, m).
        wide: Whether sums run in extended precision, where the machine has it, so that less may be lost.
    """
    kind: type[np.floating] = np.longdouble if wide else np.float64
    y = np.where(((y > 0) & np.isneginf(row_low)) | ((y < 0) & np.isposinf(row_high)), 0.0, y).astype(kind)
    a = matrix.astype(kind)
    d, summed = cost - y @ a, np.abs(cost) + np.abs(y) @ np.abs(a)
    rows = y * np.where(y > 0, row_low, np.where(y < 0, row_high, 0.0))
    ends = np.where(d > 0, lower, upper)
    terms_of_each = np.abs(rows).sum(axis=1) + (summed * np.abs(ends)).sum(axis=1)
    lost = (sum(matrix.shape) + 2) * np.finfo(kind).eps * terms_of_each
    return np.asarray(rows.sum(axis=1) + (d * ends).sum(axis=1) - lost).astype(float)


def check_feasible(matrix: Vector, row_low: Vector, row_high: Vector, lower: Vector, upper: Vector, x: Vector) -> float:
    """Return the largest miss of a row, relative to its end and largest coefficient, or of a column, to 1 + |end|."""
    return _missed(matrix.astype(np.longdouble), row_low, row_high, lower, upper, x, row_sizes(matrix))


def check_point(matrix: Vector, row_low: Vector, row_high: Vector, lower: Vector, upper: Vector, x: Vector) -> float:
    """Return the same, relative to what a row sums at the point, of which columns that cannot move are part of its end.

    A yes/no that is decided lifts some limits by a lot more than the others are: they are held to their own size.
    """
    still = lower == upper
    free = ~still
    held = matrix[:, still].astype(np.longdouble) @ x[still]
    lost = ROUND_OFF * (np.abs(matrix[:, still]) @ np.abs(x[still]))
    low, high = (np.asarray(end - held, dtype=float) for end in (row_low, row_high))
    low, high = (np.where(np.abs(end) <= lost, 0.0, end) for end in (low, high))
    part = matrix[:, free]
    sizes = terms(np.abs(part), np.abs(x[free]))
    missed = _missed(part.astype(np.longdouble), low, high, lower[free], upper[free], x[free], sizes)
    return max(missed, float(np.abs(x[still] - lower[still]).max(initial=0.0)))


def check_infeasible(
    matrix: Vector, row_low: Vector, row_high: Vector, lower: Vector, upper: Vector, ray: Vector
) -> bool:
    """Return whether y = ray proves that no x exists, as in `empty_boxes`."""
    return bool(empty_boxes(matrix, row_low, row_high, lower[None], upper[None], ray[None])[0])


def empty_boxes(
    matrix: Vector, row_low: Vector, row_high: Vector, lower: Vector, upper: Vector, rays: Vector
) -> npt.NDArray[np.bool_]:
    """Return for which of many boxes y = ray proves that no x exists (Farkas), shape (k,).

    For every x within its bounds y @ A x stays below what y asks of the rows: the largest of
    y'A x over the box is less than the least of y'r over the rows' ranges, by more than a part of the
    largest term and than what it would take to miss each row by the last digits of a sum. Both signs are tried.

    Args:
        matrix: A, shape (m, n).
        row_low: Shape (m,).
        row_high: Shape (m,).
        lower: Ends of columns in each box, shape (k, n).
        upper: The same.
        rays: Multipliers of rows for each box, shape (k, m).
    """
    sizes = row_sizes(matrix)
    largest = np.abs(rays * sizes).max(axis=1, initial=0.0, keepdims=True)
    rays = np.where(np.abs(rays) * sizes < ROUND_OFF * largest, 0.0, rays).astype(np.longdouble)
    moved, found = rays @ matrix.astype(np.longdouble), np.zeros(len(rays), dtype=bool)
    for y, z in ((rays, moved), (-rays, -moved)):
        ends = np.where(y > 0, row_low, np.where(y < 0, row_high, 0.0))
        there = np.isfinite(ends)
        asked = y * np.where(there, ends, 0.0)
        given = z * np.where(z > 0, upper, np.where(z < 0, lower, 0.0))
        size = np.maximum(np.abs(asked).max(axis=1, initial=0.0), np.abs(given).max(axis=1, initial=0.0))
        hair = ROUND_OFF * (np.abs(y) * np.maximum(np.where(there, np.abs(ends), 0.0), sizes)).sum(axis=1)
        found |= there.all(axis=1) & (given.sum(axis=1) - asked.sum(axis=1) < -(PROOF_MARGIN * size + hair))
    return found


def _missed(
    a: npt.NDArray[np.floating],
    row_low: Vector,
    row_high: Vector,
    lower: Vector,
    upper: Vector,
    x: Vector,
    row_scale: Vector,
) -> float:
    values = np.concatenate([a @ x.astype(np.longdouble), x.astype(np.longdouble)])
    low, high = np.concatenate([row_low, lower]), np.concatenate([row_high, upper])
    sizes = np.concatenate([row_scale, np.ones(len(x))])
    worst = 0.0
    for end, miss in ((low, low - values), (high, values - high)):
        there = np.isfinite(end)
        scale = np.maximum(np.abs(end[there]), sizes[there])
        scale[scale == 0] = 1.0
        worst = max(worst, float((miss[there] / scale).max(initial=0.0)))
    return worst
