"""What the trials tell of one formula: its readings to be expected, and the planning ratings beside them."""

from __future__ import annotations

from collections.abc import Iterator
from math import nan

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution
from optimizer.data.formula import Formula
from optimizer.immutable import Figure, immutable, replace, result, seen, untold
from optimizer.rules.fitted import MeasuredRule, told_as_read
from optimizer.rules.mean import MeanRating
from optimizer.rules.row import Setting
from optimizer.trials.fit import ChosenModel, chance, predicted
from optimizer.trials.fitted import SURE, Fits
from optimizer.trials.quantiles import t_share
from optimizer.trials.regression import Vector
from optimizer.trials.told import Fit, ends_of_reading
from optimizer.trials.using import RATINGS, level_of
from optimizer.units import OUTSIDE

GOOD = 4
"""Judgement from which a chance is told."""


@immutable
class Expected:
    """One reading to be expected of a formula; null where nothing can be told."""

    what: str
    unit: str
    expected: Figure
    """Fitted mean; for a yes or no, its chance [%]."""
    low: Figure
    """Lower end of the 90 % interval of that mean."""
    high: Figure
    """Its upper end."""
    reading_low: Figure
    """Lower end of the 90 % interval of a single new reading."""
    reading_high: Figure
    """Its upper end."""
    at_least: Figure
    """What the mean is at least, as sure as asked for."""
    at_most: Figure
    """What it is at most, as sure as asked for."""
    good_percent: Figure
    """Of a judgement, the chance that it is 4 or 5 [%]."""
    trials: int
    """Beakers that it rests on."""
    outside: str
    """Why nothing is told: the formula lies outside what was tried, or the trials do not predict."""


@immutable
class PlanningRating:
    """A planning rating of the formula, which a reading measures."""

    rating: str
    value: Figure
    measured_by: str
    """The reading that takes its place in 'blend --readings', given a limit."""


@result
class Rated:
    """What trials tell of a formula: the output of `tenside trials rate --json`."""

    FORMAT = 1
    brief: Brief = untold()
    name: str = seen("brief.scenario.name")
    """Of the brief."""
    trials: str
    formula: Formula
    sure_percent: float
    expected: tuple[Expected, ...]
    ratings: tuple[PlanningRating, ...]
    cautions: tuple[Caution, ...]

    @property
    def told(self) -> bool:
        """Whether anything is told."""
        return any(not e.outside for e in self.expected)


def rated(
    brief: Brief,
    formula: Formula,
    setting: Setting,
    fits: Fits,
    *,
    sure: float = SURE,
    ph: float | None = None,
    cautions: tuple[Caution, ...] = (),
) -> Rated:
    """Return the readings to be expected of a formula.

    Args:
        brief: The brief, for its ratings.
        formula: The formula.
        setting: Its pH setting.
        fits: What the trials tell.
        sure: How sure the bounds are [%].
        ph: Target pH, where the trials varied it; that of the setting without it.
        cautions: What must be told along.
    """
    series = fits.series
    assert series is not None
    level = level_of(series, ph if ph is not None else setting.target) if series.ph_levels else None
    return Rated(
        brief=brief,
        trials=fits.trials,
        formula=formula,
        sure_percent=sure,
        expected=tuple(_expected(fit, formula, sure, level) for fit in fits.fits),
        ratings=tuple(_ratings(fits, formula, setting)),
        cautions=cautions,
    )


def _expected(fit: Fit, formula: Formula, sure: float, ph: float | None) -> Expected:
    nothing = Expected(fit.what, fit.unit, nan, nan, nan, nan, nan, nan, nan, nan, fit.readings, "")
    if fit.measure is None:
        return replace(nothing, outside="the trials do not predict it")
    far, why = fit.measure.tried.outside(formula)
    if far > 10 * OUTSIDE:
        return replace(nothing, outside=why)
    return _inside(nothing, fit.measure, fit.chosen, formula, sure, ph)


def _inside(
    nothing: Expected, measure: MeasuredRule, chosen: ChosenModel, formula: Formula, sure: float, ph: float | None
) -> Expected:
    z = measure.tried.z(measure.tried.doses_of(formula))[None, :]
    at = None if chosen.readings.ph is None or ph is None else np.array([ph])
    kind = chosen.readings.kind
    if kind == "yes/no":
        return replace(nothing, expected=100 * float(chance(chosen, z, at)[0]))
    mean, low, high = _as_read(kind, predicted(chosen, z, at)[0])
    reading_low, reading_high = ends_of_reading(kind, *predicted(chosen, z, at, new=True)[0, 1:].tolist())
    # A two-sided interval of share 2 sure - 1 has the one-sided bounds as its ends.
    _, least, most = _as_read(kind, predicted(chosen, z, at, share=2 * sure / 100 - 1)[0])
    good = _good(chosen, z, at) if kind == "judged" else nan
    ends = {"low": low, "high": high, "reading_low": reading_low, "reading_high": reading_high}
    return replace(nothing, expected=mean, **ends, at_least=least, at_most=most, good_percent=good)


def _as_read(kind: str, values: Vector) -> list[float]:
    return [told_as_read(kind, float(v)) for v in values]  # type: ignore[arg-type]


def _good(chosen: ChosenModel, z: Vector, ph: Vector | None) -> float:
    """Return the chance that a new judgement is 4 or 5 [%]."""
    mean, error = chosen.at(z, ph)
    scatter = float(np.sqrt(error[0] ** 2 + chosen.posterior.variance))
    return 100 * t_share((float(mean[0]) - (GOOD - 0.5)) / scatter, chosen.posterior.df)


def _ratings(fits: Fits, formula: Formula, setting: Setting) -> Iterator[PlanningRating]:
    """Yield the planning ratings that a reading which predicts measures."""
    for fit in fits.fits:
        for rating in RATINGS.get(fit.what, ()) if fit.predicts else ():
            rule = MeanRating.model_validate({"id": rating.replace("_", "-"), "rating": rating})
            yield PlanningRating(rating.replace("_", " "), rule.value(formula, setting), fit.what)
