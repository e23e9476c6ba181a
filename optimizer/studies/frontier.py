"""The trade-off of two measures: every break, what moves between them, and the exchange rate.

For each pH setting (and for each set of yes/no choices that is found best somewhere) the curve is followed basis by
basis (`curve`); the frontier is the lower envelope of the curves and may jump. Without yes/no rules it is exact. With
them the pieces are exact, and better choices are looked for under every part of the envelope (`choices`) until none is
found; that none is left is not proven, and is said so.
"""

from __future__ import annotations

from collections.abc import Callable
from math import nan

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.pool import Vector
from optimizer.errors import UsageError
from optimizer.immutable import replace
from optimizer.model.model import Case, widest
from optimizer.solve.case_solver import Corridor, Sign
from optimizer.solve.fractional import VanishingError
from optimizer.solve.frontier.choices import Search, Verdict
from optimizer.solve.frontier.envelope import EnvelopePart, EnvelopeSpan, Track, envelope, parts
from optimizer.solve.frontier.parametric import ParametricCurve, program
from optimizer.solve.frontier.tradeoff import Axis, Break, Frontier, Stretch
from optimizer.units import CHANGE_SHOWN, DOSE_TOLD, KEPT, NARROWEST

ROUNDS = 40
"""Most rounds in which better choices are looked for."""


def nothing() -> None:
    """Do nothing."""


def frontier(
    brief: Brief,
    y: tuple[Sign, str],
    x: tuple[Sign, str],
    tell: Callable[[str], None] | None = None,
    between: Callable[[], None] = nothing,
) -> Frontier:
    """Return the trade-off of two measures, exact where there are no yes/no choices.

    Args:
        brief: The brief; its own objective plays no part.
        y: Sign (1 minimise, -1 maximise) and name of the optimised measure.
        x: Sign and name of the swept measure.
        tell: Told how far a search for yes/no choices has come.
        between: Called between two searches; what it raises breaks them off.

    Raises:
        UsageError: If both are means over different totals, which have no common linear form, or one is a
            mean over something that the formula need not contain.
    """
    optimised, swept = Axis(y[1], y[0], brief.measure(y[1])), Axis(x[1], x[0], brief.measure(x[1]))
    if optimised.measure.ratio and not swept.measure.ratio:
        optimised, swept = swept, optimised
    swept = swept.limited
    try:
        return _traced(brief, optimised, swept, tell, between)
    except VanishingError:
        names = " or ".join(f"'{a.name}'" for a in (swept, optimised) if a.measure.ratio)
        raise UsageError(
            f"{names} is a mean over something that the formula need not contain. "
            "State a lower limit of what it is a mean over."
        ) from None


def _traced(
    brief: Brief, optimised: Axis, swept: Axis, tell: Callable[[str], None] | None, between: Callable[[], None]
) -> Frontier:
    corridor = Corridor(brief)
    tracks: list[Track] = []
    searches: list[Search] = []
    solves = 0
    for case in widest(corridor.cases):
        if case.model.choices:
            searches.append(Search(case, optimised, swept, corridor))
            searches[-1].sample()
        else:
            solves += _follow(tracks, brief, case, np.zeros(0), optimised, swept)
    known, proven = KnownVerdicts(), False
    for _ in range(ROUNDS):
        new = [(s.case, chosen) for s in searches for chosen in s.taken()]
        for case, chosen in new:
            solves += _follow(tracks, brief, case, chosen, optimised, swept)
        spans = envelope(tracks)
        if not new:
            break
        if tell is not None:
            tell(f"{len(tracks)} sets of yes/no choices followed; looking for better ones under {len(spans)} stretches")
        proven = known.look(spans, searches, between)
    breaks, stretches = _breaks_and_stretches(brief, spans)
    solves += sum(s.runs for s in searches)
    sampled = bool(searches) and not (proven and not any(s.word for s in searches))
    return Frontier(brief, swept, optimised, breaks, stretches, sampled, solves)


class KnownVerdicts:
    """What is known of parts of envelopes, by search and part."""

    def __init__(self) -> None:
        self._verdicts: dict[tuple[int, tuple[float, ...]], Verdict] = {}

    def look(self, spans: list[EnvelopeSpan], searches: list[Search], between: Callable[[], None]) -> bool:
        """Look for better choices under every part of an envelope, and return whether it is proven that there are none.

        The searches note what they find. A part that stays open is halved, as the bound is the better the narrower it
        is, but not before all others have been looked at and nothing was found.
        """
        whole = spans[-1].last - spans[0].first if spans else 0.0
        waiting = [(k, part) for k in range(len(searches)) for part in parts(spans)]
        proven = True
        while waiting and not any(s.fresh for s in searches):
            verdicts = [self._verdict(searches[k], k, part, spans[-1].last, between) for k, part in waiting]
            left = [w for w, verdict in zip(waiting, verdicts, strict=True) if verdict == "open"]
            wide = [(k, part) for k, part in left if part.width > NARROWEST * whole]
            proven = proven and len(wide) == len(left)
            waiting = [(k, half) for k, part in wide for half in part.halves()]
        return proven and not any(s.fresh for s in searches)

    def _verdict(self, search: Search, k: int, part: EnvelopePart, end: float, between: Callable[[], None]) -> Verdict:
        between()
        verdict = self._verdicts.get((k, part.key)) or search.under(part, last=part.last.x == end)
        if verdict != "fresh":
            self._verdicts[k, part.key] = verdict
        return verdict


def _follow(tracks: list[Track], brief: Brief, case: Case, chosen: Vector, optimised: Axis, swept: Axis) -> int:
    """Add the curve of a case at fixed choices, if it has one; return how many programs ran."""
    given = program(case, chosen, brief.pool, (optimised.sign, optimised.measure), (swept.sign, swept.measure))
    if given is None:
        names = f"'{optimised.name}' and '{swept.name}'"
        raise UsageError(f"{names} are means over different totals: no exact trade-off is known.")
    curve = ParametricCurve(given, swept.sign)
    pieces = curve.pieces()
    if pieces:
        tracks.append(Track(case, tuple(pieces), -swept.sign, optimised.sign))
    return curve.solves


def _doses(brief: Brief, vector: Vector) -> dict[str, float]:
    return {name: dose for name, dose in zip(brief.pool.ids, vector.tolist(), strict=True) if dose > DOSE_TOLD}


def _breaks_and_stretches(brief: Brief, spans: list[EnvelopeSpan]) -> tuple[tuple[Break, ...], tuple[Stretch, ...]]:
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
    if abs(one.x - other.x) > KEPT * (1 + abs(one.x)) or abs(one.y - other.y) > KEPT * (1 + abs(one.y)):
        return True
    names = one.doses.keys() | other.doses.keys()
    return any(abs(one.doses.get(n, 0.0) - other.doses.get(n, 0.0)) > CHANGE_SHOWN for n in names)


def _with_change(point: Break, before: tuple[str, ...], after: tuple[str, ...]) -> Break:
    enters, leaves = tuple(sorted(set(after) - set(before))), tuple(sorted(set(before) - set(after)))
    return replace(point, enters=enters, leaves=leaves)


def _break(brief: Brief, span: EnvelopeSpan, x: float) -> Break:
    m = span.track.up * x
    settings = span.track.case.settings
    return Break(m, span.piece.at(m), _doses(brief, span.piece.doses_at(m)), settings=(settings[0], settings[-1]))


def _stretch(brief: Brief, span: EnvelopeSpan) -> Stretch:
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
        {name: d for name, d in zip(brief.pool.ids, change.tolist(), strict=True) if abs(d) > KEPT},
        tuple(_doses(brief, piece.doses_at((first + last) / 2))),
    )
