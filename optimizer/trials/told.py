"""What a fit tells a maker: how well left-out readings are met, effects of the factors, drift, repeats, levers.

Effects are those of one factor on its way from its lowest to its highest figure among the beakers, the others in the
middle, with a 90 % interval. A repeat disagrees if it lies further off than the repeatability limit, 2.8 standard
deviations of a stated repeatability (ISO 5725-6), which chance exceeds once in twenty.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import exp, isnan, nan

import numpy as np

from optimizer.immutable import Figure, immutable, seen, untold
from optimizer.rules.fitted import MeasuredRule, told_as_read
from optimizer.trials.basis import Coordinates
from optimizer.trials.factors import Way
from optimizer.trials.factors import ends as ends_of
from optimizer.trials.fit import ChosenModel, brier, chance, curvature_told, missed_by, predicted
from optimizer.trials.regression import ReadTrials, Vector, aliases, lack_of_fit, leverage
from optimizer.trials.series import Kind, Series
from optimizer.units import listed, number

LIMIT = 2.8
"""Standard deviations between two readings of one blend that chance exceeds once in twenty (ISO 5725-6)."""
SHARE = 0.9
"""How often an interval shall hold."""
HEAVY = 0.9
"""Leverage from which a reading decides its own prediction nearly alone."""
OWN = 0.95
"""Weight of a reading in its own prediction that is counted at most."""
MIXED = 0.5
"""Part of a term of second order that a line takes in, from which it is told."""


@immutable
class Point:
    """A reading and what the other ones predict of it."""

    beaker: int
    day: int
    typed: str
    """As written down."""
    measured: Figure
    """As a number in its unit; null where it is only a limit."""
    predicted: Figure
    """By the other readings; a chance [%] for yes and no."""
    low: Figure
    """Lower end of the 90 % interval of a new reading."""
    high: Figure
    """Its upper end."""
    met: bool
    """Whether the reading can lie in that interval."""
    at: float = untold(default=nan)
    """The reading or the limit that it is, as a number."""


@immutable
class FactorEffect:
    """What a factor does on its way from its lowest to its highest figure in the beakers."""

    factor: str
    name: str
    unit: str
    low: float
    """Its lowest figure."""
    high: float
    """Its highest."""
    effect: float
    """Change of the reading; for a logarithm, the factor by which it is multiplied."""
    effect_low: float
    """Lower end of its 90 % interval."""
    effect_high: float
    """Upper end."""
    told: bool
    """Whether the interval is on one side of no effect."""
    weight: float = untold()
    """Its size in the scale that is fitted."""
    curve: tuple[tuple[float, float, float, float], ...] = untold(default=())
    """Figure of the factor, mean, lower and upper end, for drawing."""


@immutable
class Fit:
    """What the trials tell of one reading."""

    chosen: ChosenModel = untold()
    what: str
    kind: Kind = seen("chosen.readings.kind")
    unit: str
    readings: int = seen("chosen.readings.__len__()")
    model: str = seen("chosen.fitted.model")
    """line, quadratic, or mean if nothing predicts better."""
    predicts: bool = seen("chosen.predicts")
    """Whether it may enter a blend."""
    verdict: str
    error: Figure = seen("chosen.fitted.error")
    """Left-out error of the chosen model in the scale that is fitted (the logarithm of a `log` reading): root mean
    square of numbers, else the mean logarithm of the readings' chances, turned round."""
    error_of_mean: Figure = seen("chosen.mean.error")
    error_of_line: Figure = seen("chosen.line.error", nan)
    error_of_quadratic: Figure = seen("chosen.quadratic.error", nan)
    error_told: Figure
    """Root mean square of what left-out predictions miss of the readings as numbers, in the same scale."""
    error_of_mean_told: Figure
    """The same of the mean alone."""
    brier: Figure
    """Mean square of what left-out chances miss, for yes and no."""
    brier_of_guessing: Figure
    scatter: float
    """Standard deviation of a reading round the model, in the same scale."""
    repeatability: float = seen("chosen.noise.sd")
    """The one that was taken for granted."""
    repeatability_from: str = seen("chosen.noise.source")
    df: Figure = seen("chosen.posterior.df")
    terms: tuple[str, ...] = seen("chosen.fitted.terms.names")
    coefficients: tuple[float, ...]
    standard_errors: tuple[float, ...]
    effects: tuple[FactorEffect, ...]
    points: tuple[Point, ...]
    notes: tuple[str, ...]
    """Drift, repeats that disagree, lack of fit, what cannot be told."""
    measure: MeasuredRule | None = untold(default=None)
    """The rule that it becomes; None if it does not predict."""
    ways: tuple[Way, ...] = untold(default=())
    doses: tuple[Vector, ...] = untold(default=())
    """Of each point, as weighed."""


def points_of(chosen: ChosenModel) -> tuple[Point, ...]:
    """Return each reading with what the others predict of it."""
    r, kind = chosen.readings, chosen.readings.kind
    left = chosen.fitted.left_out
    if kind == "yes/no":
        return tuple(
            Point(b, int(d), t, 100 * float(y), 100 * float(p), nan, nan, True, float(y))
            for b, d, t, y, p in zip(r.beakers, r.days, r.typed, r.low, left, strict=True)
        )
    columns = chosen.fitted.terms.columns(r.z, r.ph)
    # Without the reading itself its prediction scatters by s2 / (1 - h), h being its own weight in it.
    own = chosen.posterior.spread(columns)
    spread = np.sqrt(chosen.posterior.variance / (1 - np.minimum(own / (1 + own), OWN)))
    half = chosen.posterior.half((1 + SHARE) / 2) * spread
    found = []
    for k, (beaker, p, h) in enumerate(zip(r.beakers, left, half, strict=True)):
        at, expected = told_as_read(kind, float(r.middle[k])), told_as_read(kind, float(p))
        low, high = ends_of_reading(kind, p - h, p + h)
        met = bool(r.high[k] >= p - h and r.low[k] <= p + h)
        plain = kind == "judged" or r.low[k] == r.high[k]
        found.append(Point(beaker, int(r.days[k]), r.typed[k], at if plain else nan, expected, low, high, met, at))
    return tuple(found)


def ends_of_reading(kind: Kind, low: float, high: float) -> tuple[float, float]:
    """Return the ends of an interval of readings as they are read; a judgement is one of five steps."""
    if kind == "judged":
        return float(np.clip(np.round(low), 1, 5)), float(np.clip(np.round(high), 1, 5))
    return told_as_read(kind, float(low)), told_as_read(kind, float(high))


def effects_of(
    chosen: ChosenModel, ways: Sequence[Way], tried_z: Vector, moves: Vector, at: Coordinates
) -> Iterator[FactorEffect]:
    """Yield the effect of each factor.

    Args:
        chosen: The model.
        ways: The factors.
        tried_z: Coordinates of all beakers, shape (n, q).
        moves: What one unit of each factor adds to the coordinates, shape (f, q).
        at: The coordinates.
    """
    middle = tried_z.mean(axis=0)
    every = at.doses(tried_z)
    for way, move in zip(ways, moves, strict=True):
        here, beside = way.told(at.doses(np.array([middle, middle + move])))
        low, high = ends_of(way, every)
        steps = np.linspace(low - here, high - here, 21) / (beside - here)
        z = middle + steps[:, None] * move
        ph = None if chosen.readings.ph is None else np.zeros(len(z))
        yield _effect(chosen, (way.id, way.name, way.unit), z, ph, way.told(at.doses(z)).tolist())


def effect_of_ph(chosen: ChosenModel, low: float, high: float) -> FactorEffect:
    """Return the effect of pH from its low to its high level, the factors in the middle."""
    z = np.repeat(chosen.readings.z.mean(axis=0)[None, :], 21, axis=0)
    return _effect(chosen, ("ph", "pH", ""), z, np.linspace(-1, 1, 21), np.linspace(low, high, 21).tolist())


def _effect(
    chosen: ChosenModel, named: tuple[str, str, str], z: Vector, ph: Vector | None, figures: list[float]
) -> FactorEffect:
    kind = chosen.readings.kind
    columns = chosen.fitted.terms.columns(z, ph)
    move = columns[-1] - columns[0]
    mean = float(move @ chosen.posterior.mean)
    half = chosen.posterior.half((1 + SHARE) / 2) * float(np.sqrt(move @ chosen.posterior.covariance @ move))
    curve = _curve(chosen, z, ph, figures)
    ends = [mean, mean - half, mean + half]
    if kind == "log":
        ends = [exp(e) for e in ends]
    if kind == "yes/no":
        ends = [curve[-1][1] - curve[0][1], nan, nan]
    effect, low, high = ends
    span = figures[0], figures[-1]
    return FactorEffect(*named, *span, effect, low, high, abs(mean) > half, abs(mean), curve)


def _curve(
    chosen: ChosenModel, z: Vector, ph: Vector | None, figures: list[float]
) -> tuple[tuple[float, float, float, float], ...]:
    kind = chosen.readings.kind
    if kind == "yes/no":
        return tuple((f, 100 * float(p), nan, nan) for f, p in zip(figures, chance(chosen, z, ph), strict=True))
    told = predicted(chosen, z, ph, SHARE)
    rows = [[told_as_read(kind, float(v)) for v in row] for row in told]
    return tuple((f, row[0], row[1], row[2]) for f, row in zip(figures, rows, strict=True))


def notes_of(series: Series, chosen: ChosenModel) -> Iterator[str]:
    """Yield what else the readings say: repeats, drift, days, lack of fit, levers, what is mixed."""
    if chosen.why:
        yield f"No line: {chosen.why}"
    yield from _repeats(series, chosen)
    if chosen.readings.kind != "yes/no":
        yield from _drift(series, chosen)
        yield from _days(chosen)
    yield from _doubts(chosen)


def _in_words(kind: Kind, unit: str, step: float, finer: int = 0) -> str:
    if kind == "log":
        return f"{number(100 * (exp(abs(step)) - 1), finer)} %"
    shown = number(abs(step), (1 if kind == "judged" else 2) + finer)
    return f"{shown} {'steps' if kind == 'judged' else unit}".strip()


def told_apart(kind: Kind, unit: str, missed: float, mean: float) -> tuple[str, str]:
    """Return two errors in words with as many digits as part them, two more than usual at most."""
    for finer in range(3):
        both = _in_words(kind, unit, missed, finer), _in_words(kind, unit, mean, finer)
        if both[0] != both[1] or missed == mean:
            break
    return both


def _repeats(series: Series, chosen: ChosenModel) -> Iterator[str]:
    """Yield the repeats that disagree."""
    r, at = chosen.readings, {b: k for k, b in enumerate(chosen.readings.beakers)}
    for beaker in series.beaker:
        if beaker.repeats is None or beaker.number not in at or beaker.repeats not in at:
            continue
        one, other = at[beaker.repeats], at[beaker.number]
        pair = f"beaker {beaker.number} repeats beaker {beaker.repeats}"
        if r.kind == "yes/no":
            if r.low[one] != r.low[other]:
                yield f"{pair}, and one says yes, the other no: the blend is at the edge, or one was made otherwise."
            continue
        apart = r.middle[other] - r.middle[one]
        if abs(apart) > LIMIT * chosen.noise.sd and r.days[one] == r.days[other]:
            typed = f"{r.typed[one]} and {r.typed[other]}"
            yield (
                f"{pair}, and they disagree: {typed}, further apart than {number(LIMIT, 1)} times the repeatability "
                "taken for granted. Was one weighed, tempered or read otherwise? Strike it, or make it once more."
            )


def _drift(series: Series, chosen: ChosenModel) -> Iterator[str]:
    """Yield a drift between the plan's own beakers of a day, first and last."""
    r, at = chosen.readings, {b: k for k, b in enumerate(chosen.readings.beakers)}
    steps = []
    for day in sorted({b.day for b in series.beaker}):
        own = [at[b.number] for b in series.beaker if b.day == day and b.role == "plan" and b.number in at]
        if len(own) > 1:
            steps.append(float(r.middle[own[-1]] - r.middle[own[0]]))
    if steps:
        mean = sum(steps) / len(steps)
        if abs(mean) > LIMIT * chosen.noise.sd / np.sqrt(len(steps)):
            way = "higher" if mean > 0 else "lower"
            yield (
                f"Drift: the plan's last beaker of a day reads {_in_words(r.kind, '', mean)} {way} than its first, "
                "more than chance explains. Something changed meanwhile, such as temperature or waiting."
            )


def _days(chosen: ChosenModel) -> Iterator[str]:
    """Yield days that read otherwise than the others."""
    r = chosen.readings
    days = sorted(set(r.days.tolist()))
    if len(days) < 2:
        return
    off = r.middle - chosen.fitted.terms.columns(r.z, r.ph) @ chosen.posterior.mean
    for day in days:
        here, rest = off[r.days == day], off[r.days != day]
        apart = float(here.mean() - rest.mean())
        scatter = float(np.sqrt(chosen.posterior.variance * (1 / len(here) + 1 / len(rest))))
        if abs(apart) > LIMIT / np.sqrt(2) * scatter:
            way = "higher" if apart > 0 else "lower"
            yield f"Day {day} reads {_in_words(r.kind, '', apart)} {way} than the other days; days count as random."
            if len(days) == 2:
                return


def _doubts(chosen: ChosenModel) -> Iterator[str]:
    r = chosen.readings
    if r.exact and chosen.fitted.model != "mean":
        made = ReadTrials(chosen.fitted.terms.columns(r.z, r.ph), r.low, r.days)
        lack = lack_of_fit(made)
        if lack is not None and not isnan(lack.share) and lack.share < 1 - SHARE:
            yield (
                f"Lack of fit: the {chosen.fitted.model} misses more than repeats scatter (chance of that "
                f"{number(100 * lack.share, 1)} %). Something else moves the reading, or it bends more."
            )
        precision = np.where(chosen.fitted.terms.curved, 1.0, 0.0)
        heavy = [r.beakers[k] for k in np.flatnonzero(leverage(made, precision) > HEAVY)]
        if heavy:
            names = listed([str(b) for b in heavy])
            yield f"Beakers {names} decide their own prediction nearly alone: an error in one goes straight into it."
    if chosen.fitted.model == "line":
        yield from _taken_in(chosen)
        told = curvature_told(r)
        if told:
            yield "Bends cannot all be told by these beakers; what a line cannot see is allowed for in its intervals."


def _taken_in(chosen: ChosenModel) -> Iterator[str]:
    """Yield that bends would be taken for effects, where the beakers mix them."""
    r = chosen.readings
    terms, columns = r.columns("quadratic")
    line = chosen.fitted.terms.columns(r.z, r.ph)
    mixed = np.abs(aliases(line, columns[:, terms.curved])[1:])
    if mixed.size and mixed.max() > MIXED:
        yield "If the reading bends strongly here, part of that is taken for effects of the factors."


def verdict_of(chosen: ChosenModel, what: str) -> str:
    """Return in one sentence what the trials tell of a reading."""
    kind, c = chosen.readings.kind, chosen
    n = len(c.readings)
    if kind == "yes/no":
        yes = c.readings.low
        guess = brier(_guessing(yes), yes)
        if not c.predicts:
            return f"These trials do not predict {what}: chances from {n} beakers are no better than guessing."
        right = number(100 * float(((c.fitted.left_out > 0.5) == (yes > 0.5)).mean()), 0)
        errors = f"{number(brier(c.fitted.left_out, yes), 3)} against {number(guess, 3)} for guessing"
        return (
            f"The chance of {what} is told somewhat: left-out beakers are called right {right} times in 100; the "
            f"square error of their chances is {errors}."
        )
    if not c.predicts:
        return f"These trials do not predict {what}: left-out readings are met no better than by their mean."
    missed, mean = missed_by(c.readings, c.fitted.left_out), missed_by(c.readings, c.mean.left_out)
    by = "{}, against {} for the mean".format(*told_apart(kind, "", missed, mean))
    return f"A {c.fitted.model} predicts {what}: left-out readings are missed by {by}."


def _guessing(yes: Vector) -> Vector:
    """Return the share of yes among the other beakers, for each."""
    return np.asarray((yes.sum() - yes) / max(len(yes) - 1, 1))


def fit_of(
    series: Series, what: str, chosen: ChosenModel, ways: tuple[Way, ...], effects: tuple[FactorEffect, ...]
) -> Fit:
    """Return what is told of one reading; the rule that it becomes is added by `fitted`."""
    post, kind = chosen.posterior, chosen.readings.kind
    yes = chosen.readings.low if kind == "yes/no" else np.zeros(0)
    return Fit(
        chosen=chosen,
        what=what,
        unit=series.measures[what].unit,
        verdict=verdict_of(chosen, what),
        error_told=nan if kind == "yes/no" else missed_by(chosen.readings, chosen.fitted.left_out),
        error_of_mean_told=nan if kind == "yes/no" else missed_by(chosen.readings, chosen.mean.left_out),
        brier=brier(chosen.fitted.left_out, yes) if len(yes) else nan,
        brier_of_guessing=brier(_guessing(yes), yes) if len(yes) else nan,
        scatter=float(np.sqrt(post.variance)),
        coefficients=tuple(post.mean.tolist()),
        standard_errors=tuple(np.sqrt(post.covariance.diagonal()).tolist()),
        effects=effects,
        points=points_of(chosen),
        notes=tuple(notes_of(series, chosen)),
        ways=ways,
        doses=tuple(series.made(b) for b in chosen.readings.beakers),
    )
