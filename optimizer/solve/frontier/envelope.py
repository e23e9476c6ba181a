"""The best of several trade-off curves: which one owns which part, and where better ones would have to lie.

Everything is turned so that both measures are better when smaller in y and larger in x.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations, pairwise

import numpy as np

from optimizer.data.pool import Vector
from optimizer.immutable import immutable, replace
from optimizer.model.model import Case
from optimizer.solve.frontier.parametric import CurvePiece
from optimizer.units import CURVE_STEP, CURVES_MEET, KEPT, ROUND_OFF


@immutable
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
            if abs(root.imag) <= ROUND_OFF * abs(root) and 0 < root.real < b - a:
                yield a + float(root.real)


@immutable
class Track:
    """One exact curve, turned so that both measures are better when smaller in y and larger in x."""

    case: Case
    pieces: tuple[CurvePiece, ...]
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

    def piece(self, x: float) -> CurvePiece:
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


@immutable
class EnvelopeSpan:
    """A part of the envelope that one piece owns; a point where its ends are equal."""

    first: float
    last: float
    track: Track
    piece: CurvePiece

    def y(self, x: float) -> float:
        """Return y at x, turned."""
        return self.track.down * self.piece.at(self.track.up * x)

    def part(self, first: float, last: float) -> EnvelopePart:
        """Return a part of it under which better formulas are looked for."""
        return EnvelopePart(self, self._end(first), self._end(last))

    def _end(self, x: float) -> End:
        up, down = self.track.up, self.track.down
        return End(x, self.y(x), up * down * self.piece.rate_at(up * x), self.piece.doses_at(up * x))


@immutable
class End:
    """An end of a part: x, y, the rate dy/dx inside the part, and the doses."""

    x: float
    y: float
    rate: float
    doses: Vector


@immutable
class EnvelopePart:
    """A part of the envelope, or of a gap before one: no formula with x inside it should lie below it.

    Attributes:
        span: What owns it, or what follows the gap.
        first: Its start.
        last: Its end.
    """

    span: EnvelopeSpan
    first: End
    last: End

    @property
    def key(self) -> tuple[float, ...]:
        """What makes it the same part in another envelope."""
        return self.first.x, self.last.x, self.first.y, self.last.y

    @property
    def width(self) -> float:
        """How far x goes."""
        return self.last.x - self.first.x

    def halves(self) -> tuple[EnvelopePart, EnvelopePart]:
        """Return both halves."""
        middle = (self.first.x + self.last.x) / 2
        if not self.first.rate:
            return replace(self, last=replace(self.last, x=middle)), replace(self, first=replace(self.first, x=middle))
        return self.span.part(self.first.x, middle), self.span.part(middle, self.last.x)

    def dip(self, bottoms: tuple[float, float], least: float, most: float) -> float:
        """Return how far a formula may lie below it although none lies below at its ends (see `choices`).

        With t the share of the way and w the width, the bound falls short of the chord by D w t (1 - t) times the
        change of rate/D, and the part, which is rational, by w t (1 - t) times a figure between two ends.

        Args:
            bottoms: What the swept measure is a mean over, at both ends.
            least: The least that it may be.
            most: The most that it may be.
        """
        chord = (self.last.y - self.first.y) / self.width
        change = self.last.rate / bottoms[1] - self.first.rate / bottoms[0]
        sag = min(chord - self.first.rate, self.last.rate - chord)
        return max(0.0, self.width / 4 * (max(change * least, change * most) - sag))


def parts(spans: list[EnvelopeSpan]) -> Iterator[EnvelopePart]:
    """Yield every part of the envelope and every gap in it; past a jump they begin a hair further."""
    hair = CURVE_STEP * (spans[-1].last - spans[0].first) if spans else 0.0
    for before, span in pairwise([*spans[:1], *spans]):
        jumped = span.first > before.last or span.y(span.first) > before.y(before.last) + CURVES_MEET
        if span.first > before.last + hair:
            end = End(span.first, span.y(span.first), 0.0, span.piece.start)
            yield EnvelopePart(span, replace(end, x=before.last + hair), end)
        first = span.first + (hair if jumped else 0.0)
        if span.last > first:
            yield span.part(first, span.last)


def envelope(tracks: list[Track]) -> list[EnvelopeSpan]:
    """Return the best of all curves in the improving direction of x: spans, and points that stand alone."""
    if not tracks:
        return []
    best = min(t.y(t.start) for t in tracks)
    start = max(t.start for t in tracks if t.y(t.start) <= best + CURVES_MEET * (1 + abs(best)))
    end = max(t.end for t in tracks)
    small = CURVES_MEET * max(end - start, KEPT * (1 + abs(end)))
    marks = sorted(m for m in {start, end, *(m for t in tracks for m in t.marks())} if start <= m <= end)
    marks = [m for k, m in enumerate(marks) if k == 0 or m - marks[k - 1] > small]
    here = [t for t in tracks if t.start <= start <= t.end]
    least = min(t.y(start) for t in here) + CURVES_MEET * (1 + abs(best))
    owner = min(here, key=lambda t: (t.y(start) > least, -t.end))
    spans = [EnvelopeSpan(start, start, owner, owner.piece(start))]
    for a, b in pairwise(marks):
        here = [t for t in tracks if t.end >= b - small]
        for first, last, track in _owners(here, a, b, owner, small):
            spans, owner = _added(spans, first, last, track, small), track
    if spans[-1].last < end - small:
        track = min((t for t in tracks if t.end >= end - small), key=lambda t: t.y(t.end))
        spans.append(EnvelopeSpan(track.end, track.end, track, track.pieces[-1]))
    return spans


def _owners(
    tracks: list[Track], a: float, b: float, owner: Track, small: float
) -> Iterator[tuple[float, float, Track]]:
    """Split an interval between marks by which curve is lowest; inside it each is one arc."""
    middle = (a + b) / 2
    arcs = [(t, t.arc(middle)) for t in tracks]
    least = min(arc.at(b) for _, arc in arcs)
    arcs = [(t, arc) for t, arc in arcs if arc.at(a) <= least + CURVES_MEET * (1 + abs(least))]
    cuts = {c for (_, one), (_, other) in combinations(arcs, 2) for c in one.crossings(other, a, b)}
    inner = [c for c in sorted(cuts) if a + small < c < b - small]
    for first, last in pairwise([a, *inner, b]):
        x = (first + last) / 2
        values = [(arc.at(x), t) for t, arc in arcs]
        lowest = min(v for v, _ in values)
        tied = [t for v, t in values if v <= lowest + CURVES_MEET * (1 + abs(lowest))]
        owner = owner if any(t is owner for t in tied) else tied[0]
        yield first, last, owner


def _added(spans: list[EnvelopeSpan], first: float, last: float, track: Track, small: float) -> list[EnvelopeSpan]:
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
        return [*spans[:-1], EnvelopeSpan(before.first, last, track, piece)]
    return [*spans, EnvelopeSpan(first, last, track, piece)]


def _alone(track: Track) -> EnvelopeSpan:
    return EnvelopeSpan(track.start, track.start, track, track.pieces[0])
