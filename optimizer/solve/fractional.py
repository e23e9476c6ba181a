"""The best of a ratio by linear programs: each optimises numerator - ratio x denominator at the last point's ratio.

Dinkelbach, Management Science 13 (1967) 492: the ratio improves with every program, and the one that no longer
improves it proves it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from optimizer.units import ROUND_OFF

T = TypeVar("T")
MOST = 60
"""Programs after which a ratio counts as found; some five are usual."""


class VanishingError(Exception):
    """A ratio is a mean over something that a best formula need not contain."""


def optimum(
    run: Callable[[float], T | None], ratio_of: Callable[[T], float], start: float = 0.0
) -> tuple[T, float] | None:
    """Return the best point of a ratio with its value, or None if there is no point.

    Args:
        run: Returns the best point of numerator - ratio x denominator, or None.
        ratio_of: Returns the ratio at a point; raises where there is nothing that it is a mean over.
        start: A ratio to start from.
    """
    point, ratio = run(start), start
    for _ in range(MOST):
        if point is None:
            return None
        value = ratio_of(point)
        if abs(value - ratio) <= ROUND_OFF * max(abs(value), abs(ratio)):
            break
        point, ratio = run(value), value
    return None if point is None else (point, ratio_of(point))
