"""What a range comes to: costs, pH, binding limits and materials across its scenarios."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import numpy as np

from optimizer.data.pool import Mask, Vector
from optimizer.immutable import Figure, immutable
from optimizer.rules import Rule
from optimizer.sweep.frame import ENDINGS, WAYS
from optimizer.sweep.run import Ranged
from optimizer.sweep.tables import SIDES
from optimizer.units import SAME_WORTH, number

FEW = 24
"""Most values of one key that are told one by one; more are told in tenths of their span."""
TENTHS = 10


@immutable
class Spread:
    """Least, middle and most; null where there are no figures."""

    least: Figure
    middle: Figure
    most: Figure


@immutable
class Bound:
    """A limit and in how many scenarios the answer sits on it."""

    rule: str
    side: str
    name: str
    scenarios: int


@immutable
class UsedMaterial:
    """A material, in how many scenarios it is used, and its doses there [% as supplied]."""

    id: str
    name: str
    scenarios: int
    doses: Spread


@immutable
class Slice:
    """The scenarios that share a value of one key."""

    key: str
    value: str
    scenarios: int
    solved: int
    cost: Spread
    planned_cost: Spread
    """The cost that is least: with what is planned for the bench; null where the blend alone counts."""


@immutable
class Summary:
    """A range in figures.

    Attributes:
        endings: Scenarios by ending.
        cost: Material cost of the blend alone per kg.
        planned: The planned cost per kg, where that is the least one; else null.
        ph: Target pH.
        bound: Limits, most frequent first.
        used: Materials, most frequent first.
        slices: By brief if there are several, then by every key.
        messages: What went wrong, with how many scenarios.
        ways: Scenarios by how their answer came.
        calls: Solver runs that all reused and solved answers took.
        kept: Bases and proofs that were kept for further scenarios at the end.
        kept_mb: What they took [MB].
        costs: Tenths of the span of the costs (from, to, scenarios); empty if all costs are one.
    """

    endings: dict[str, int]
    cost: Spread
    planned: Spread
    ph: Spread
    bound: tuple[Bound, ...]
    used: tuple[UsedMaterial, ...]
    slices: tuple[Slice, ...]
    messages: tuple[tuple[str, int], ...]
    ways: dict[str, int]
    calls: int
    kept: int
    kept_mb: float
    costs: tuple[tuple[float, float, int], ...] = ()

    @property
    def solved(self) -> int:
        """Scenarios that have a formula."""
        return self.endings["optimal"] + self.endings["feasible"]

    @property
    def unclear(self) -> int:
        """Scenarios without a proven verdict: failed, stopped, not run, or not proven best."""
        return sum(n for name, n in self.endings.items() if name not in ("optimal", "infeasible"))


def summarise(ranged: Ranged) -> Summary:
    """Return what a range comes to."""
    frame = ranged.frame
    solved = frame.solved
    return Summary(
        endings={name: int((frame.ending == code).sum()) for code, name in enumerate(ENDINGS)},
        cost=spread(frame.cost[solved]),
        planned=spread(_planned(ranged)[solved]),
        ph=spread(frame.ph[solved]),
        bound=_bound(ranged, solved),
        used=_used(ranged, solved),
        slices=_slices(ranged, solved),
        messages=tuple(Counter(frame.messages.values()).most_common()),
        ways={name: int((frame.way == code).sum()) for code, name in enumerate(WAYS)},
        calls=frame.calls,
        kept=frame.kept,
        kept_mb=round(frame.kept_bytes / 1e6, 1),
        costs=tenths(frame.cost[solved]),
    )


def _planned(ranged: Ranged) -> Vector:
    """Return what is least where that is a planned cost of every brief, else NaN, shape (s,)."""
    counted = all(b.seeks_planned for b in ranged.briefs if b)
    return ranged.frame.objective if counted else np.full(len(ranged.frame), np.nan)


def spread(values: Vector) -> Spread:
    """Return least, middle and most of figures, NaN left out."""
    known = values[np.isfinite(values)]
    if not known.size:
        return Spread(np.nan, np.nan, np.nan)
    return Spread(float(known.min()), float(np.median(known)), float(known.max()))


def tenths(values: Vector) -> tuple[tuple[float, float, int], ...]:
    """Return the tenths of the span of some figures, each with how many lie in it, NaN left out."""
    known = values[np.isfinite(values)]
    if not known.size or np.ptp(known) <= SAME_WORTH * abs(known.max()):
        return ()
    counts, edges = np.histogram(known, TENTHS)
    return tuple((float(a), float(b), int(n)) for (a, b), n in zip(pairwise(edges), counts, strict=True))


def _bound(ranged: Ranged, solved: Mask) -> tuple[Bound, ...]:
    rules: dict[str, Rule] = {}
    for brief in ranged.briefs:
        rules.update({r.id: r for r in (brief.enforced if brief else ()) if r.id not in rules})
    counts = ranged.frame.binding[solved].sum(axis=0)
    found = []
    for (rule, side), count in zip(ranged.frame.limits, counts, strict=True):
        if count and side != "link" and (rule not in rules or rules[rule].source != "arithmetic"):
            name = f"{rules[rule].name} {SIDES[side]}" if rule in rules else rule
            found.append(Bound(rule, side, name, int(count)))
    return tuple(sorted(found, key=lambda b: (-b.scenarios, b.rule, b.side)))


def _used(ranged: Ranged, solved: Mask) -> tuple[UsedMaterial, ...]:
    names = {i.id: i.material.name for brief in ranged.briefs if brief for i in brief.pool.items}
    doses = ranged.frame.doses[solved]
    found = []
    for k, name in enumerate(ranged.frame.ids):
        own = doses[:, k][doses[:, k] > 0]
        if own.size:
            found.append(UsedMaterial(name, names.get(name, name), own.size, spread(own)))
    return tuple(sorted(found, key=lambda u: (-u.scenarios, -u.doses.middle, u.id)))


def _slices(ranged: Ranged, solved: Mask) -> tuple[Slice, ...]:
    slices = []
    costs = (ranged.frame.cost, _planned(ranged))
    if len(ranged.sources) > 1:
        for s, name in enumerate(ranged.sources):
            slices.append(_slice("scenario", name, ranged.source == s, solved, costs))
    for key, column in zip(ranged.grid.keys, ranged.grid.columns, strict=True):
        whole = np.tile(column, len(ranged.sources))
        for words, own in _values(key, whole):
            slices.append(_slice(key, words, own, solved, costs))
    return tuple(slices)


def _slice(key: str, words: str, own: Mask, solved: Mask, costs: tuple[Vector, Vector]) -> Slice:
    both = own & solved
    return Slice(key, words, int(own.sum()), int(both.sum()), *(spread(cost[both]) for cost in costs))


def _values(key: str, column: Vector) -> list[tuple[str, Mask]]:
    """Return the values of a key, or tenths of their span where there are many, each with its scenarios."""
    if column.dtype == object:
        texts = sorted(set(column.tolist()))
        return [(t or "as the brief", column == t) for t in texts[:FEW]]
    blank = np.isnan(column)
    found: list[tuple[str, Mask]] = [("as the brief", blank)] if blank.any() else []
    values = np.unique(column[~blank])
    if key.startswith("missing."):
        return [("missing" if v else "there", column == v) for v in values]
    if values.size <= FEW:
        return found + [(number(float(v)), column == v) for v in values]
    edges = np.linspace(values[0], values[-1], TENTHS + 1)
    for k, (low, high) in enumerate(pairwise(edges)):
        last = k == TENTHS - 1
        inside = (column >= low) & ((column <= high) if last else (column < high))
        if inside.any():
            found.append((f"{number(float(low), 3)} to {number(float(high), 3)}", inside))
    return found
