"""The answer to a trade-off of two measures: its breaks and the stretches between them."""

from __future__ import annotations

from math import inf, sqrt

from optimizer.brief.brief import Brief
from optimizer.immutable import Figure, immutable, replace, untold
from optimizer.rules import LimitRule
from optimizer.rules.row import Setting
from optimizer.solve.case_solver import Sign


@immutable
class Axis:
    """A measure with the direction in which it improves: 1 downwards, -1 upwards."""

    name: str
    sign: Sign
    measure: LimitRule

    @property
    def limited(self) -> Axis:
        """The axis as limits count it: a swept measure is one limit after another."""
        return replace(self, measure=self.measure.with_limits(-inf, inf))


@immutable
class Break:
    """A point where the exchange rate changes, or an end."""

    x: float
    """The swept measure."""
    y: float
    """The optimised measure."""
    doses: dict[str, float]
    """% by id, used ones only."""
    enters: tuple[str, ...] = ()
    """Ids that are used after it (in the direction of improving x) but not before."""
    leaves: tuple[str, ...] = ()
    """Ids that are used before it but not after."""
    settings: tuple[Setting, ...] = untold(default=())
    """The pH settings at which these doses keep the rules, the ends of their group."""


@immutable
class Stretch:
    """The frontier between two breaks."""

    first: float
    """X at its start."""
    last: float
    """X at its end, further in the improving direction."""
    y_first: float
    """Y at its start."""
    y_last: float
    """Y at its end."""
    rate_first: float
    """Dy/dx at its start."""
    rate_last: float
    """Dy/dx at its end; the same on a straight stretch."""
    targets: tuple[Figure, Figure]
    """PH targets that it stands for, first and last; NaN without a pH."""
    moves: dict[str, float]
    """Change of every dose that moves, by id [%]."""
    used: tuple[str, ...] = untold()
    """Ids that are used inside it."""

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
