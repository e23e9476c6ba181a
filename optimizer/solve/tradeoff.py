"""The answer to a trade-off of two measures: its breaks and the stretches between them."""

from __future__ import annotations

from math import sqrt

from optimizer.brief.brief import Brief
from optimizer.immutable import immutable
from optimizer.rules import LimitRule
from optimizer.solve.case_solver import Sign

SHOWN = 1e-5
"""Doses up to this are left out [%]."""
MOVED = 1e-6
"""Changes of a dose up to this are left out [%]."""


@immutable
class Axis:
    """A measure with the direction in which it improves: 1 downwards, -1 upwards."""

    name: str
    sign: Sign
    measure: LimitRule


@immutable
class Break:
    """A point where the exchange rate changes, or an end.

    Attributes:
        x: The swept measure.
        y: The optimised measure.
        doses: % by id, used ones only.
        enters: Ids that are used after it (in the direction of improving x) but not before.
        leaves: Ids that are used before it but not after.
    """

    x: float
    y: float
    doses: dict[str, float]
    enters: tuple[str, ...] = ()
    leaves: tuple[str, ...] = ()


@immutable
class Stretch:
    """The frontier between two breaks.

    Attributes:
        first: x at its start.
        last: x at its end, further in the improving direction.
        y_first: y at its start.
        y_last: y at its end.
        rate_first: dy/dx at its start.
        rate_last: dy/dx at its end; the same on a straight stretch.
        targets: pH targets that it stands for, first and last; NaN without a pH.
        moves: Change of every dose that moves, by id [%].
        used: Ids that are used inside it.
    """

    first: float
    last: float
    y_first: float
    y_last: float
    rate_first: float
    rate_last: float
    targets: tuple[float, float]
    moves: dict[str, float]
    used: tuple[str, ...]

    def at(self, x: float) -> float:
        """Return y at x inside the stretch, exactly: both rates fix the bend."""
        t, whole = x - self.first, self.last - self.first
        q = (1 - sqrt(self.rate_first / self.rate_last)) / whole if self.rate_last else 0.0
        return self.y_first + self.rate_first * t / (1 - q * t)


@immutable
class Frontier:
    """The trade-off: breaks and the stretches between them, from the best y to the best x.

    Attributes:
        x: Swept axis.
        y: Optimised axis.
        breaks: In the improving direction of x; after a jump two share one x.
        stretches: Between them.
        sampled: True if yes/no choices were found by sampling.
        solves: Programs run.
        local: True if the points are local answers of a brief with curved rules and the stretches chords.
    """

    brief: Brief
    x: Axis
    y: Axis
    breaks: tuple[Break, ...]
    stretches: tuple[Stretch, ...]
    sampled: bool
    solves: int
    local: bool = False
