"""Natural-origin content of a product, with and without water, over every lot and index."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from optimizer.data.facts import Substance
from optimizer.immutable import immutable
from optimizer.labelling.substances import Dosed, spread

WATER = "Aqua"
HALVINGS = 60


@immutable
class Origin:
    """Natural-origin content [%]."""

    low: float
    """Least over lots and indices; what is not in yet counts as not natural."""
    declared: float
    """At typical lots and the low end of every index, as the rule `natural` counts."""
    high: float
    """Most over lots and indices; what is not in yet counts as natural."""


def natural_of(parts: Iterable[Dosed], held_back: float = 0.0) -> tuple[Origin, Origin | None]:
    """Return the natural-origin content with water, and without it (None if there is nothing but water).

    With water 100 sum_i x_i n_i / (sum_i x_i + h), without 100 sum_i' x_i n_i / (sum_i' x_i + h), i' without water, h
    held back; x by substance, n the index. The extreme of the ratio is the r at which the extreme of
    sum_i' x_i (n_i - r) is zero, found by halving.

    Source: ISO 16128-2 (calculation; conventions from memory).
    """
    parts = tuple(parts)
    total = sum(p.percent for p in parts) + held_back
    if total <= 0:
        return Origin(0, 0, 0), None
    low, declared, _ = spread(parts, _index(0, 0.0, with_water=True))
    _, _, high = spread(parts, _index(1, 0.0, with_water=True))
    with_water = Origin(*(100 * x / total for x in (low, declared, high + held_back)))
    _, dry, most = spread(parts, lambda s: float(s.inci != WATER))
    if most + held_back <= 0:
        return with_water, None
    _, natural, _ = spread(parts, _index(0, 0.0))
    declared = natural / (dry + held_back) if dry + held_back > 0 else 0.0
    least = _root(lambda r: spread(parts, _index(0, r))[0] - r * held_back)
    largest = _root(lambda r: spread(parts, _index(1, r))[2] + (1 - r) * held_back)
    return with_water, Origin(100 * min(least, declared), 100 * declared, 100 * max(largest, declared))


def _index(end: int, less: float, *, with_water: bool = False) -> Callable[[Substance], float]:
    """Return the worth of a substance: one end of its index, less a number; water counts 1 or not at all."""

    def worth(substance: Substance) -> float:
        if substance.inci == WATER:
            return float(with_water)
        return substance.natural[end] - less

    return worth


def _root(falling: Callable[[float], float]) -> float:
    """Return where a falling function meets zero between 0 and 1."""
    low, high = 0.0, 1.0
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        if falling(middle) > 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2
