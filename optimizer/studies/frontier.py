"""The exact trade-off of two measures: every break, what moves between them, and the exchange rate.

For each pH setting (and for each set of yes/no choices that a sample of targets finds best) the curve is
followed basis by basis (`curve`); the frontier is the lower envelope of the curves and may jump. With yes/no
rules the pieces are exact, the list of choices is not proven complete: it comes from the sample and from
re-solves in the middle of every stretch and past every jump until none is bettered, and is said so.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import combinations, pairwise
from math import inf, nan

import numpy as np

from optimizer.brief import Brief
from optimizer.corridor import Corridor, Sign
from optimizer.curve import Curve, Piece, VanishingError, program, widest
from optimizer.engine.highs import Session
from optimizer.errors import UsageError
from optimizer.model import Case, objective_vector
from optimizer.pool import Vector
from optimizer.tradeoff import MOVED, SHOWN, Axis, Break, Frontier, Stretch
from optimizer.units import TOLERANCE

SAMPLES = 9
"""Targets at which the best yes/no choices are looked for first."""
ROUNDS = 6
"""Most rounds in which the middles of the stretches are re-solved for better choices."""
SAME = 1e-8
"""Values this close, relative, are a tie; the curve that is followed already is kept."""
HAIR = 1e-4
"""How far past a jump better choices are looked for, relative to the whole trade-off."""


@dataclass(frozen=True)
class Arc:
    """y over x on one piece, turned: y + rate t / (1 - q t) with t = x - first."""

    first: float
    y: float
    rate: float
    q: float

    def at(self, x: float) -> float:
        """Return y at x."""
        t = x - self.first
        return self.y + self.rate * t / (1 - self.q * t)

    def crossings(self, other: Arc, a: float, b: float) -> Iterator[float]:
        """Yield where two arcs meet inside an interval, at most twice."""
        gap = self.y - other.y
        a1, a2, b1, b2 = 1 - self.q * (a - self.first), -self.q, 1 - other.q * (a - other.first), -other.q
        r1, r2, s1, s2 = self.rate * (a - self.first), self.rate, other.rate * (a - other.first), other.rate
        # gap A B + R B - S A = 0, all of them linear in u = x - a.
        square = gap * a2 * b2 + r2 * b2 - s2 * a2
        linear = gap * (a1 * b2 + a2 * b1) + r1 * b2 + r2 * b1 - s1 * a2 - s2 * a1
        constant = gap * a1 * b1 + r1 * b1 - s1 * a1
        for root in np.roots([square, linear, constant]):
            if abs(root.imag) <= 1e-12 * abs(root) and 0 < root.real < b - a:
                yield a + float(root.real)


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

    def marks(self) -> list[float]:
        """Return x of every end of a piece."""
        return [self.start, *(self.up * p.last for p in self.pieces)]

    def piece(self, x: float) -> Piece:
        """Return the piece that holds x, the first or last one beyond the ends."""
        return next((p for p in self.pieces if x < self.up * p.last), self.pieces[-1])

    def y(self, x: float) -> float:
        """Return y at x, turned."""
        return self.arc(x).at(x)

    def arc(self, x: float) -> Arc:
        """Return y about x; before the start it is flat, as the start is as good in y and better in x."""
        piece = self.piece(x)
        y = self.down * piece.value
        if x < self.start:
            return Arc(self.start, y, 0.0, 0.0)
        return Arc(self.up * piece.first, y, self.down * self.up * piece.rate, self.up * piece.q)


@dataclass(frozen=True)
class Span:
    """A part of the envelope that one piece owns; a point where its ends are equal."""

    first: float
    last: float
    track: Track
    piece: Piece

    def y(self, x: float) -> float:
        """Return y at x, turned."""
        return self.track.down * self.piece.at(self.track.up * x)


@dataclass
class Search:
    """Best yes/no choices of one case at a limit on the swept measure."""

    case: Case
    optimised: Axis
    swept: Axis
    corridor: Corridor
    runs: int = 0
    sets: dict[tuple[float, ...], Vector] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Load the case with a row for the swept measure."""
        model, pool, measure = self.case.model, self.corridor.brief.pool, self.swept.measure
        self.pool, self.up = pool, -self.swept.sign
        self.amounts = model.spread(self.up * pool.vector(measure.amount))
        self.per = model.spread(pool.vector(measure.per)) if measure.ratio else np.zeros(model.size)
        above, self.below = measure.constants(pool.held_back)
        self.above = self.up * above
        self.last = len(model.rows)
        self.session = Session(
            np.vstack([model.matrix, self.amounts]),
            np.append(model.row_low, -inf),
            np.append(model.row_high, inf),
            integers=model.size - model.doses,
            time_limit=self.corridor.time_limit,
        )

    def sample(self) -> None:
        """Note the choices that are best at the ends and at evenly spread targets between them."""
        first, last = self._best(self.optimised), self._best(self.swept)
        if first is None or last is None:
            return
        ends = [float((self.amounts @ z + self.above) / (self.per @ z + self.below)) for z in (first, last)]
        for z in (first, last):
            self._noted(z)
        for x in np.linspace(ends[0], ends[1], SAMPLES)[1:-1] if ends[1] > ends[0] else ():
            self.new_at(float(x))

    def new_at(self, x: float, known: float = inf) -> Vector | None:
        """Return the best choices with at least x, turned, of the swept measure, or None if they are not new.

        Args:
            x: The limit.
            known: Best value known there, turned; nothing is searched where no choice betters it even in parts.
        """
        if not self.sets:
            return None
        self.session.coefficients(self.last, self.amounts - x * self.per)
        ends = np.array([x * self.below - self.above]), np.array([inf])
        self.session.rows(np.array([self.last], dtype=np.int32), *ends)
        if known < inf and not self._promising(known):
            return None
        z = self._best(self.optimised)
        return None if z is None or self._worth(z) >= known - SAME * (1 + abs(known)) else self._noted(z)

    def _promising(self, known: float) -> bool:
        """Return whether the program with choices in parts, which bounds every choice, betters a value."""
        measure, sign = self.optimised.measure, self.optimised.sign
        vector, constant = objective_vector(measure, self.pool, sign, sign * known)
        self.runs += 1
        cost = self.case.model.spread(vector)
        z = self.session.run(cost, self.case.model.lower, self.case.upper, relaxed=True).x
        return z.size > 0 and float(cost @ z) + constant < (0.0 if measure.ratio else known) - SAME * (1 + abs(known))

    def _worth(self, z: Vector) -> float:
        """Return the optimised measure at a point, turned."""
        measure, doses = self.optimised.measure, z[: self.case.model.doses]
        above, below = measure.constants(self.pool.held_back)
        bottom = below + (float(self.pool.vector(measure.per) @ doses) if measure.ratio else 0.0)
        return self.optimised.sign * (float(self.pool.vector(measure.amount) @ doses) + above) / bottom

    def _noted(self, z: Vector) -> Vector | None:
        chosen = np.round(z[self.case.model.doses :])
        if tuple(chosen) in self.sets:
            return None
        self.sets[tuple(chosen)] = chosen
        return chosen

    def _best(self, axis: Axis) -> Vector | None:
        """Return the best point by Dinkelbach's iteration, or None."""
        model, measure, ratio = self.case.model, axis.measure, 0.0
        above, below = measure.constants(self.pool.held_back)
        for _ in range(60):
            vector, _ = objective_vector(measure, self.pool, axis.sign, ratio)
            self.runs += 1
            z = self.session.run(model.spread(vector), model.lower, self.case.upper).x
            if z.size == 0 or not measure.ratio:
                return z if z.size else None
            bottom = float(self.pool.vector(measure.per) @ z[: model.doses]) + below
            if bottom <= TOLERANCE:
                raise VanishingError
            value = (float(self.pool.vector(measure.amount) @ z[: model.doses]) + above) / bottom
            if abs(value - ratio) <= 1e-9 * (1 + abs(value)):
                return z
            ratio = value
        return z


def frontier(brief: Brief, y: tuple[Sign, str], x: tuple[Sign, str]) -> Frontier:
    """Return the exact trade-off of two measures.

    Args:
        brief: The brief; its own objective plays no part.
        y: Sign (1 minimise, -1 maximise) and name of the optimised measure.
        x: Sign and name of the swept measure.

    Raises:
        UsageError: If both are means over different totals, which have no common linear form, or one is a
            mean over something that the formula need not contain.
    """
    optimised, swept = Axis(y[1], y[0], brief.measure(y[1])), Axis(x[1], x[0], brief.measure(x[1]))
    if optimised.measure.ratio and not swept.measure.ratio:
        optimised, swept = swept, optimised
    try:
        return _traced(brief, optimised, swept)
    except VanishingError:
        names = " or ".join(f"'{a.name}'" for a in (swept, optimised) if a.measure.ratio)
        raise UsageError(
            f"{names} is a mean over something that the formula need not contain. "
            "State a lower limit of what it is a mean over."
        ) from None


def _traced(brief: Brief, optimised: Axis, swept: Axis) -> Frontier:
    corridor = Corridor(brief)
    tracks: list[Track] = []
    searches: list[Search] = []
    solves = 0
    for case in widest(corridor.cases):
        if case.model.choices:
            search = Search(case, optimised, swept, corridor)
            search.sample()
            searches.append(search)
            choices = [search.sets[key] for key in sorted(search.sets)]
        else:
            choices = [np.zeros(0)]
        for chosen in choices:
            solves += _follow(tracks, brief, case, chosen, optimised, swept)
    spans = _envelope(tracks)
    asked: set[float] = set()
    for _ in range(ROUNDS if searches else 0):
        targets = set(_doubtful(spans)) - asked
        asked |= targets
        pairs = [(s, m) for m in sorted(targets) for s in searches]
        found = [(s, new) for s, m in pairs if (new := s.new_at(m, _known(spans, m))) is not None]
        for search, new in found:
            solves += _follow(tracks, brief, search.case, new, optimised, swept)
        if not found:
            break
        spans = _envelope(tracks)
    breaks, stretches = _told(brief, spans)
    solves += sum(s.runs for s in searches)
    return Frontier(brief, swept, optimised, breaks, stretches, bool(searches), solves)


def _doubtful(spans: list[Span]) -> Iterator[float]:
    """Yield where better choices may hide: the middle of every span, and a hair past every jump."""
    for span in spans:
        if span.last > span.first:
            yield round((span.first + span.last) / 2, 9)
    for span, after in pairwise(spans):
        if after.first > span.last or after.y(after.first) > span.y(span.last) + SAME:
            yield round(span.last + HAIR * (spans[-1].last - spans[0].first), 9)


def _known(spans: list[Span], x: float) -> float:
    """Return the envelope at x, turned; infinite past its end."""
    return min((s.y(max(x, s.first)) for s in spans if s.last >= x), default=inf)


def _follow(tracks: list[Track], brief: Brief, case: Case, chosen: Vector, optimised: Axis, swept: Axis) -> int:
    """Add the curve of a case at fixed choices, if it has one; return how many programs ran."""
    given = program(case, chosen, brief.pool, (optimised.sign, optimised.measure), (swept.sign, swept.measure))
    if given is None:
        names = f"'{optimised.name}' and '{swept.name}'"
        raise UsageError(f"{names} are means over different totals: no exact trade-off is known.")
    curve = Curve(given, swept.sign)
    pieces = curve.pieces()
    if pieces:
        tracks.append(Track(case, tuple(pieces), -swept.sign, optimised.sign))
    return curve.solves


def _envelope(tracks: list[Track]) -> list[Span]:
    """Return the best of all curves in the improving direction of x: spans, and points that stand alone."""
    if not tracks:
        return []
    best = min(t.y(t.start) for t in tracks)
    start = max(t.start for t in tracks if t.y(t.start) <= best + SAME * (1 + abs(best)))
    end = max(t.end for t in tracks)
    small = SAME * max(end - start, 1e-6 * (1 + abs(end)))
    marks = sorted(m for m in {start, end, *(m for t in tracks for m in t.marks())} if start <= m <= end)
    marks = [m for k, m in enumerate(marks) if k == 0 or m - marks[k - 1] > small]
    here = [t for t in tracks if t.start <= start <= t.end]
    least = min(t.y(start) for t in here) + SAME * (1 + abs(best))
    owner = min(here, key=lambda t: (t.y(start) > least, -t.end))
    spans = [Span(start, start, owner, owner.piece(start))]
    for a, b in pairwise(marks):
        here = [t for t in tracks if t.end >= b - small]
        for first, last, track in _owners(here, a, b, owner, small):
            spans, owner = _added(spans, first, last, track, small), track
    if spans[-1].last < end - small:
        track = min((t for t in tracks if t.end >= end - small), key=lambda t: t.y(t.end))
        spans.append(Span(track.end, track.end, track, track.pieces[-1]))
    return spans


def _owners(
    tracks: list[Track], a: float, b: float, owner: Track, small: float
) -> Iterator[tuple[float, float, Track]]:
    """Split an interval between marks by which curve is lowest; inside it each is one arc."""
    middle = (a + b) / 2
    arcs = [(t, t.arc(middle)) for t in tracks]
    least = min(arc.at(b) for _, arc in arcs)
    arcs = [(t, arc) for t, arc in arcs if arc.at(a) <= least + SAME * (1 + abs(least))]
    cuts = {c for (_, one), (_, other) in combinations(arcs, 2) for c in one.crossings(other, a, b)}
    inner = [c for c in sorted(cuts) if a + small < c < b - small]
    for first, last in pairwise([a, *inner, b]):
        x = (first + last) / 2
        values = [(arc.at(x), t) for t, arc in arcs]
        lowest = min(v for v, _ in values)
        tied = [t for v, t in values if v <= lowest + SAME * (1 + abs(lowest))]
        owner = owner if any(t is owner for t in tied) else tied[0]
        yield first, last, owner


def _added(spans: list[Span], first: float, last: float, track: Track, small: float) -> list[Span]:
    """Add a part of a curve: joined to the one before if both are one piece, left out where it is flat.

    A flat part is bettered by the start of its curve, which stands alone if the envelope leaves it there.
    """
    if last <= track.start + small:
        at_start = last >= track.start - small
        return [*spans, _alone(track)] if at_start else spans
    piece = track.piece((first + last) / 2)
    before = spans[-1]
    joined = before.track is track and abs(before.last - first) <= small
    if joined and (before.piece is piece or before.first == before.last):
        return [*spans[:-1], Span(before.first, last, track, piece)]
    return [*spans, Span(first, last, track, piece)]


def _alone(track: Track) -> Span:
    return Span(track.start, track.start, track, track.pieces[0])


def _doses(brief: Brief, vector: Vector) -> dict[str, float]:
    return {name: dose for name, dose in zip(brief.pool.ids, vector.tolist(), strict=True) if dose > SHOWN}


def _told(brief: Brief, spans: list[Span]) -> tuple[tuple[Break, ...], tuple[Stretch, ...]]:
    """Return breaks and stretches; where the envelope jumps both sides are breaks, the change is told at the first."""
    stretches = [_stretch(brief, s) for s in spans]
    breaks: list[Break] = []
    for k, span in enumerate(spans):
        before = spans[k - 1] if k else None
        here = _break(brief, span, span.first)
        change = (stretches[k - 1].used, stretches[k].used) if k else ((), ())
        if before is not None:
            past = _break(brief, before, before.last)
            if _apart(past, here):
                if before.last != before.first:
                    breaks.append(past)
                breaks[-1] = _with_change(breaks[-1], *change)
                change = (), ()
            elif before.last == before.first:
                breaks.pop()
        breaks.append(_with_change(here, *change))
    if spans and spans[-1].last != spans[-1].first:
        breaks.append(_break(brief, spans[-1], spans[-1].last))
    return tuple(breaks), tuple(s for s, span in zip(stretches, spans, strict=True) if span.first != span.last)


def _apart(one: Break, other: Break) -> bool:
    """Return whether two points differ in a measure or a dose by more than rounding."""
    if abs(one.x - other.x) > 1e-6 * (1 + abs(one.x)) or abs(one.y - other.y) > 1e-6 * (1 + abs(one.y)):
        return True
    names = one.doses.keys() | other.doses.keys()
    return any(abs(one.doses.get(n, 0.0) - other.doses.get(n, 0.0)) > 1e-4 for n in names)


def _with_change(point: Break, before: tuple[str, ...], after: tuple[str, ...]) -> Break:
    enters, leaves = tuple(sorted(set(after) - set(before))), tuple(sorted(set(before) - set(after)))
    return Break(point.x, point.y, point.doses, enters, leaves)


def _break(brief: Brief, span: Span, x: float) -> Break:
    m = span.track.up * x
    return Break(m, span.piece.at(m), _doses(brief, span.piece.doses_at(m)))


def _stretch(brief: Brief, span: Span) -> Stretch:
    piece, track = span.piece, span.track
    first, last = track.up * span.first, track.up * span.last
    change = piece.doses_at(last) - piece.doses_at(first)
    targets = tuple(nan if s.target is None else s.target for s in (track.case.settings[0], track.case.settings[-1]))
    return Stretch(
        first,
        last,
        piece.at(first),
        piece.at(last),
        piece.rate_at(first),
        piece.rate_at(last),
        (targets[0], targets[1]),
        {name: d for name, d in zip(brief.pool.ids, change.tolist(), strict=True) if abs(d) > MOVED},
        tuple(_doses(brief, piece.doses_at((first + last) / 2))),
    )
