"""A figure whose inputs are ranges."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from optimizer.errors import fault
from optimizer.immutable import immutable


@immutable
class Interval:
    """A figure as low, typical and high; of what was estimated from readings its 10 % point, middle and 90 % point.

    In the figure's own unit. Otherwise the ends are those of the inputs' published or assumed spread, not a confidence
    level.

    Raises:
        DataError: If the three are not numbers in the order low, typical, high.
    """

    low: float
    typical: float
    high: float

    def __post_init__(self) -> None:
        if not self.low <= self.typical <= self.high:
            what = f"{self.low:g}, {self.typical:g}, {self.high:g} are not in the order low, typical, high."
            raise fault("interval", "", what, "Write three numbers, smallest first.")

    @classmethod
    def around(cls, typical: float, others: Iterable[float]) -> Interval:
        """Return the interval that spans a typical value and others."""
        values = [typical, *others]
        return cls(min(values), typical, max(values))

    def mapped(self, function: Callable[[float], float]) -> Interval:
        """Return the interval of a monotone function of the figure, rising or falling."""
        return Interval.around(function(self.typical), (function(self.low), function(self.high)))
