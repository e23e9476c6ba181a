"""Rulers of briefs with choices: how much of one is known after it was moved once, and what an answer costs."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from random import Random
from statistics import median

from measure import Line, asked, spent

import optimizer as tenside
from optimizer.brief.brief import Brief

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from tests.support.rulers import Ruler, not_at_once

RULERS = (
    ("hand-wash", "mildness.at_least"),
    ("body-wash", "active.at_least"),
    ("after-swim-shampoo", "flash-foam.at_least"),
    ("facial-wash", "mildness.at_least"),
    ("gentle-wash", "humectant.at_least"),
)
MOVES = 20
Ask = Callable[[float], object]


def lines() -> Iterator[Line]:
    """Yield what of five rulers is not proven at once after one pass, and what an answer costs."""
    rulers = [Ruler(asked(name), key) for name, key in RULERS]
    for ruler in rulers:
        ruler.passed()
    told = [ruler.asked(ruler.steps) for ruler in rulers]
    yield Line(
        "rulers of five briefs, second pass: share of steps not proven at once", list(map(not_at_once, told)), worst=0.1
    )
    told = [ruler.asked(ruler.between) for ruler in rulers]
    yield Line("  the same half way between the steps", list(map(not_at_once, told)), worst=0.1)
    for name, key in RULERS:
        ruler, random = Ruler(asked(name), key), Random(name)
        ruler.prove(ruler.at)
        places = [random.choice((*ruler.steps, *ruler.between)) for _ in range(MOVES)]
        (ratios,) = to_blend(ruler.brief, places, (ruler.ask,), ruler.prove)
        yield Line(f"{name}, {key} moved: a live answer to a blend, processor time", ratios, 0.15)


def to_blend(brief: Brief, places: Sequence[float], calls: tuple[Ask, ...], after: Ask) -> list[list[float]]:
    """Return the processor time of calls at each place to that of a blend of the brief in between.

    Args:
        brief: The brief.
        places: Where a ruler stands.
        calls: What is timed, each at every place.
        after: What is done there besides, untimed.
    """
    times: list[list[float]] = [[] for _ in calls]
    peer = []
    for at in places:
        for own, call in zip(times, calls, strict=True):
            own.append(spent(lambda call=call, at=at: call(at)))  # type: ignore[misc]
        peer.append(spent(lambda: tenside.blend(brief).document()))
        after(at)
    whole = median(peer)
    return [[one / whole for one in own] for own in times]
