"""The small numerics of the pH log: least squares with amounts of zero or more, and roots of falling functions."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from optimizer.chemistry.ph import HIGHEST, LOWEST

Vector = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


def nonnegative(hessian: Vector, pull: Vector) -> Vector:
    """Return the minimum of x'Hx/2 - pull'x over x_0 free and x_1, x_2, ... >= 0.

    Active set in the manner of Lawson and Hanson, Solving Least Squares Problems (1974), chapter 23, on the normal
    equations; H is positive definite, so the minimum is one point and the loop ends.

    Args:
        hessian: H, shape (n, n), symmetric positive definite.
        pull: Shape (n,).
    """
    # The unit of a site does not matter to the sign tests once every diagonal entry is one.
    scale = 1 / np.sqrt(hessian.diagonal())
    h, g = hessian * np.multiply.outer(scale, scale), pull * scale
    size, least = len(g), 1e-12 * (1 + float(np.abs(pull * scale).max()))
    free: Mask = np.ones(size, np.bool_)
    under: Mask
    wanted: Vector
    # Whole blocks in and out mostly end after two or three rounds; the conditions of the minimum are checked.
    for _ in range(6):
        x = np.zeros(size)
        x[free] = np.linalg.solve(h[free][:, free], g[free])
        under = x < 0
        under[0] = False
        gaining = (g - h @ x > least) & ~free
        if not under.any() and not gaining.any():
            return np.asarray(x * scale)
        free = (free & ~under) | gaining
    x = np.zeros(size)
    free[:], free[0] = False, True
    x[0] = g[0] / h[0, 0]
    for _ in range(10 * size):
        gain = np.where(free, -np.inf, g - h @ x)
        best = int(gain.argmax())
        if gain[best] <= least:
            break
        free[best] = True
        while True:
            inside = np.flatnonzero(free)
            wanted = np.zeros(size)
            wanted[inside] = np.linalg.solve(h[inside][:, inside], g[inside])
            under = free & (wanted < 0)
            under[0] = False
            if not under.any():
                x = wanted
                break
            at = np.flatnonzero(under)
            x = x + float((x[at] / (x[at] - wanted[at])).min()) * (wanted - x)
            gone = at[x[at] <= 1e-14 * float(np.abs(x).max())]
            free[gone if len(gone) else at[[int(x[at].argmin())]]] = False
            x[~free] = 0.0
    return np.asarray(x * scale)


def inverse(symmetric: Vector) -> Vector:
    """Return the inverse of a positive definite matrix, scaled so that the units of its rows do not matter."""
    scale = 1 / np.sqrt(symmetric.diagonal())
    both = np.multiply.outer(scale, scale)
    return np.asarray(np.linalg.inv(symmetric * both) * both, np.float64)


def falls_to_zero(function: Callable[[float], float]) -> float:
    """Return where a falling function of pH is zero: halving, then the secant kept inside its bracket (Illinois)."""
    low, high = LOWEST, HIGHEST
    while high - low > 0.3:
        middle = (low + high) / 2
        low, high = (middle, high) if function(middle) > 0 else (low, middle)
    above, below, side = function(low), function(high), 0
    for _ in range(60):
        if high - low < 1e-7 or above <= 0 or below >= 0:
            break
        middle = (low * below - high * above) / (below - above)
        value = function(middle)
        if abs(value) < 1e-9 * (above - below):
            return middle
        if value > 0:
            low, above, below, side = middle, value, below / 2 if side == 1 else below, 1
        else:
            high, below, above, side = middle, value, above / 2 if side == -1 else above, -1
    return (low + high) / 2
