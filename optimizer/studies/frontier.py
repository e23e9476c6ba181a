"""The exact trade-off of two measures: every break, what moves between them, and the exchange rate.

For each pH setting (and for each set of yes/no choices that a sample of targets finds best) the curve is
followed basis by basis (`curve`); the frontier is the lower envelope of the curves and may jump. With yes/no
rules the pieces are exact, the list of choices is not proven complete: it comes from the sample, and is said so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from math import inf, nan

import numpy as np

from optimizer.brief import Brief
from optimizer.corridor import Corridor, Sign
from optimizer.curve import Curve, Piece, program
from optimizer.engine.highs import Session
from optimizer.errors import UsageError
from optimizer.model import Case, objective_vector
from optimizer.pool import Vector
from optimizer.rules import LimitRule
from optimizer.units import USED

SAMPLES = 25
"""Targets at which the best yes/no choices are looked for."""
SAME = 1e-9
DEPTH = 40


@dataclass(frozen=True)
class Axis:
    """A measure with the direction in which it improves: 1 downwards, -1 upwards."""

    name: str
    sign: Sign
    measure: LimitRule


@dataclass(frozen=True)
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


@dataclass(frozen=True)
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


@dataclass(frozen=True)
class Frontier:
    """The trade-off: breaks and the stretches between them, from the best y to the best x.

    Attributes:
        x: Swept axis.
        y: Optimised axis.
        breaks: In the improving direction of x; after a jump two share one x.
        stretches: Between them.
        sampled: True if yes/no choices were found by sampling.
        solves: Programs run.
    """

    brief: Brief
    x: Axis
    y: Axis
    breaks: tuple[Break, ...]
    stretches: tuple[Stretch, ...]
    sampled: bool
    solves: int


@dataclass(frozen=True)
class Track:
    """One exact curve, turned so that both measures are better when smaller in y and larger in x."""

    case: Case
    pieces: tuple[Piece, ...]
    up: int
    down: int

    @property
    def start(self) -> float:
        """X of its first point."""
        return self.up * self.pieces[0].first

    @property
    def end(self) -> float:
        """X of its last point."""
        return self.up * self.pieces[-1].last

    def piece(self, x: float, *, after: bool = True) -> Piece:
        """Return the piece at x, the one after a break or the one before it."""
        for piece in self.pieces if after else reversed(self.pieces):
            low, high = self.up * piece.first, self.up * piece.last
            inside = low <= x < high if after else low < x <= high
            if inside:
                return piece
        return self.pieces[-1] if x >= self.end else self.pieces[0]

    def at(self, x: float) -> float:
        """Return y at x, turned; infinite beyond the end, flat before the start."""
        if x > self.end + SAME * (1 + abs(self.end)):
            return inf
        x = min(max(x, self.start), self.end)
        return self.down * self.piece(x).at(self.up * x)


def frontier(brief: Brief, y: tuple[Sign, str], x: tuple[Sign, str]) -> Frontier:
    """Return the exact trade-off of two measures.

    Args:
        brief: The brief; its own objective plays no part.
        y: Sign (1 minimise, -1 maximise) and name of the optimised measure.
        x: Sign and name of the swept measure.

    Raises:
        UsageError: If both are means over different totals, which have no common linear form.
    """
    axes = Axis(y[1], y[0], brief.measure(y[1])), Axis(x[1], x[0], brief.measure(x[1]))
    if axes[0].measure.ratio and not axes[1].measure.ratio:
        axes = axes[1], axes[0]
    optimised, swept = axes
    corridor = Corridor(brief)
    tracks: list[Track] = []
    solves = 0
    sampled = False
    for case in corridor.cases:
        model = case.model
        free = model.size - model.doses
        sets, runs = _choices(corridor, case, optimised, swept) if free else ([np.zeros(0)], 0)
        sampled, solves = sampled or free > 0, solves + runs
        for choices in sets:
            given = program(case, choices, brief.pool, (optimised.sign, optimised.measure), (swept.sign, swept.measure))
            if given is None:
                names = f"'{optimised.name}' and '{swept.name}'"
                raise UsageError(f"{names} are means over different totals: no exact trade-off is known.")
            curve = Curve(given, swept.sign)
            pieces = curve.pieces()
            solves += curve.solves
            if pieces:
                tracks.append(Track(case, tuple(pieces), -swept.sign, optimised.sign))
    breaks, stretches = _assembled(brief, tracks) if tracks else ((), ())
    return Frontier(brief, swept, optimised, breaks, stretches, sampled, solves)


def _choices(corridor: Corridor, case: Case, optimised: Axis, swept: Axis) -> tuple[list[Vector], int]:
    """Return the sets of yes/no choices that are best at a sample of targets, and how many programs ran."""
    model, pool = case.model, corridor.brief.pool
    lower, upper = model.lower, case.upper
    integers = model.size - model.doses
    amounts = -swept.sign * pool.vector(swept.measure.amount)
    per = pool.vector(swept.measure.per) if swept.measure.ratio else np.zeros(len(pool))
    above, below = swept.measure.constants(pool.held_back)
    ends = []
    for sign, measure in ((optimised.sign, optimised.measure), (swept.sign, swept.measure)):
        found = corridor.best(
            case, sign, measure, Session(model.matrix, model.row_low, model.row_high, integers=integers)
        )  # type: ignore[arg-type]
        if found.x is None:
            return [], 1
        ends.append(found.x)
    sets = {tuple(np.round(z[model.doses :])): np.round(z[model.doses :]) for z in ends}

    def value(z: Vector) -> float:
        doses = z[: model.doses]
        bottom = float(per @ doses) + below
        return (float(amounts @ doses) - swept.sign * above) / bottom

    first, last = value(ends[0]), value(ends[1])
    vector, _ = objective_vector(optimised.measure, pool, optimised.sign, 0.0)
    linear = not optimised.measure.ratio
    runs = 2
    for m in np.linspace(first, last, SAMPLES)[1:-1] if linear else ():
        row = np.concatenate([amounts - m * per, np.zeros(integers)])
        session = Session(
            np.vstack([model.matrix, row]),
            np.append(model.row_low, m * below + swept.sign * above),
            np.append(model.row_high, inf),
            integers=integers,
        )
        answer = session.run(model.spread(vector), lower, upper)
        runs += 1
        if answer.x.size:
            chosen = np.round(answer.x[model.doses :])
            sets.setdefault(tuple(chosen), chosen)
    return [sets[key] for key in sorted(sets)], runs


def _assembled(brief: Brief, tracks: list[Track]) -> tuple[tuple[Break, ...], tuple[Stretch, ...]]:
    """Return breaks and stretches of the lower envelope of the tracks."""
    best = min(t.at(t.start) for t in tracks)
    start = max(t.start for t in tracks if t.at(t.start) <= best + SAME * (1 + abs(best)))
    end = max(t.end for t in tracks)
    marks = {start, end}
    for track in tracks:
        marks |= {track.up * p.first for p in track.pieces} | {track.up * p.last for p in track.pieces}
    ordered = sorted(m for m in marks if start - SAME <= m <= end + SAME)
    ordered = [m for k, m in enumerate(ordered) if k == 0 or m - ordered[k - 1] > 1e-8 * (1 + abs(end - start))]
    spans: list[tuple[float, float, Track]] = []
    for a, b in pairwise(ordered):
        spans += _owners(tracks, a, b, 0)
    merged = _merged(spans)
    stretches = tuple(_stretch(brief, a, b, track) for a, b, track in merged)
    breaks: list[Break] = []
    if not merged:
        track = min(tracks, key=lambda t: t.at(start))
        return (_break(brief, track, start, after=True),), ()
    for k, (a, b, track) in enumerate(merged):
        here = _break(brief, track, a, after=True)
        before = merged[k - 1] if k else None
        if before is not None:
            past = _break(brief, before[2], a, after=False)
            jump = abs(past.y - here.y) > 1e-6 * (1 + abs(past.y)) or before[2] is not track
            if jump and past.doses != here.doses:
                breaks.append(past)
        breaks.append(here)
        if k == len(merged) - 1:
            breaks.append(_break(brief, track, b, after=False))
    return _with_entrants(breaks, stretches), stretches


def _owners(tracks: list[Track], a: float, b: float, depth: int) -> list[tuple[float, float, Track]]:
    """Split an interval by which track is lowest; curves cross where the owner changes."""
    inner = (b - a) * 1e-6

    def owner(x: float) -> int:
        return min(range(len(tracks)), key=lambda k: (round(tracks[k].at(x), 10), k))

    left, middle, right = owner(a + inner), owner((a + b) / 2), owner(b - inner)
    if left == middle == right or depth >= DEPTH or b - a < 1e-9 * (1 + abs(b)):
        return [(a, b, tracks[left])]
    half = (a + b) / 2
    return [*_owners(tracks, a, half, depth + 1), *_owners(tracks, half, b, depth + 1)]


def _merged(spans: list[tuple[float, float, Track]]) -> list[tuple[float, float, Track]]:
    """Join neighbouring spans of one piece, and drop what is flat (dominated by its end)."""
    merged: list[tuple[float, float, Track]] = []
    for a, b, track in spans:
        if b <= track.start + SAME:
            continue
        a = max(a, track.start)
        same = merged and merged[-1][2] is track and abs(merged[-1][1] - a) < 1e-7 * (1 + abs(a))
        middle = (a + b) / 2
        if same and track.piece((merged[-1][0] + merged[-1][1]) / 2) is track.piece(middle):
            merged[-1] = (merged[-1][0], b, track)
        else:
            merged.append((a, b, track))
    return merged


def _doses(brief: Brief, vector: Vector) -> dict[str, float]:
    return {name: float(dose) for name, dose in zip(brief.pool.ids, vector, strict=True) if dose > 100 * USED}


def _break(brief: Brief, track: Track, x: float, *, after: bool) -> Break:
    piece = track.piece(x, after=after)
    m = track.up * x
    return Break(m, piece.at(m), _doses(brief, piece.doses_at(m)))


def _stretch(brief: Brief, a: float, b: float, track: Track) -> Stretch:
    piece = track.piece((a + b) / 2)
    first, last = track.up * a, track.up * b
    change = piece.doses_at(last) - piece.doses_at(first)
    settings = track.case.settings
    targets = (settings[0].target, settings[-1].target)
    return Stretch(
        first,
        last,
        piece.at(first),
        piece.at(last),
        piece.rate_at(first),
        piece.rate_at(last),
        (nan if targets[0] is None else targets[0], nan if targets[1] is None else targets[1]),
        {name: float(d) for name, d in zip(brief.pool.ids, change, strict=True) if abs(d) > 1e-6},
        tuple(_doses(brief, piece.doses_at((first + last) / 2))),
    )


def _with_entrants(breaks: list[Break], stretches: tuple[Stretch, ...]) -> tuple[Break, ...]:
    """Tell at each inner break which materials the stretch after it uses anew and which no longer."""
    told = []
    for point in breaks:
        before = next((s for s in reversed(stretches) if abs(s.last - point.x) < 1e-6 * (1 + abs(point.x))), None)
        after = next((s for s in stretches if abs(s.first - point.x) < 1e-6 * (1 + abs(point.x))), None)
        if before is None or after is None:
            told.append(point)
            continue
        enters = tuple(sorted(set(after.used) - set(before.used)))
        leaves = tuple(sorted(set(before.used) - set(after.used)))
        told.append(replace(point, enters=enters, leaves=leaves))
    return tuple(told)
