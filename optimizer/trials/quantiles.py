"""Shares and quantiles of the t, F and normal distributions, by the incomplete beta function.

Method: continued fraction of the regularised incomplete beta function by Lentz's modified algorithm (Thompson and
Barnett, J. Comput. Phys. 64 (1986) 490); quantiles by halving. Tested against an independent library.
"""

from __future__ import annotations

from functools import cache
from math import exp, inf, lgamma, log, log1p
from statistics import NormalDist

from optimizer.units import LAST_DIGIT, LEAST

NORMAL = NormalDist()
_ROUNDS = 500


def beta_share(a: float, b: float, x: float) -> float:
    """Return the regularised incomplete beta function I_x(a, b), 0 <= x <= 1."""
    if x <= 0 or x >= 1:
        return float(x >= 1)
    if x > (a + 1) / (a + b + 2):  # there the fraction of the mirrored function is the short one
        return 1 - beta_share(b, a, 1 - x)
    front = exp(a * log(x) + b * log1p(-x) + lgamma(a + b) - lgamma(a) - lgamma(b)) / a
    return front * _fraction(a, b, x)


def _fraction(a: float, b: float, x: float) -> float:
    """Return the continued fraction of I_x(a, b) over its front factor."""
    c, d = 1.0, 1 / _safe(1 - (a + b) * x / (a + 1))
    value = d
    for m in range(1, _ROUNDS):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        for step in (even, odd):
            d, c = 1 / _safe(1 + step * d), _safe(1 + step / c)
            value *= d * c
        if abs(d * c - 1) <= LAST_DIGIT:
            break
    return value


def _safe(value: float) -> float:
    return value if abs(value) > LEAST else LEAST


def t_share(t: float, df: float) -> float:
    """Return the share of Student's t with `df` degrees of freedom that lies below t."""
    tail = beta_share(df / 2, 0.5, df / (df + t * t)) / 2
    return tail if t < 0 else 1 - tail


@cache
def t_quantile(share: float, df: float) -> float:
    """Return the t below which a share lies, 0 < share < 1; that of the normal for infinite `df`."""
    if df == inf:
        return NORMAL.inv_cdf(share)
    if share == 0.5:
        return 0.0
    tail = 2 * min(share, 1 - share)
    low, high = 0.0, 1.0
    while high < 1e150 and beta_share(df / 2, 0.5, df / (df + high * high)) > tail:
        low, high = high, 2 * high
    for _ in range(200):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        above = beta_share(df / 2, 0.5, df / (df + middle * middle)) > tail
        low, high = (middle, high) if above else (low, middle)
    return -high if share < 0.5 else high


def f_beyond(f: float, above: float, below: float) -> float:
    """Return the share of Fisher's F that lies above f.

    Args:
        f: The ratio of mean squares.
        above: Degrees of freedom of its numerator.
        below: Degrees of freedom of its denominator.
    """
    return beta_share(below / 2, above / 2, below / (below + above * f)) if f > 0 else 1.0
