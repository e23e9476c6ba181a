"""A fit as a rule of a brief: plain data that `rules/fitted` reads."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.errors import UsageError
from optimizer.immutable import replace, result, seen, told_as, untold
from optimizer.rules.fitted import MeasuredRule, Tried
from optimizer.solve.existing import formula_at
from optimizer.trials.factors import Way, Ways
from optimizer.trials.fit import ChosenModel, Readings, choose, readings_of, usual_noise
from optimizer.trials.polytope import corners_of
from optimizer.trials.regression import Vector
from optimizer.trials.series import Series
from optimizer.trials.told import FactorEffect, Fit, effect_of_ph, effects_of, fit_of
from optimizer.units import OUTSIDE, listed

SURE = 90.0
"""How sure a limit is to be kept [%]."""


@result
class Fits:
    """What the trials of a series tell: the output of `tenside trials fit --json`."""

    FORMAT = 1
    trials: str = seen("series.trials")
    """Name of the series."""
    product: str = seen("series.product")
    brief: str = seen("series.brief")
    """Scenario that the beakers keep."""
    beakers: int
    """Beakers of the series."""
    read: int
    """Those with a reading."""
    fits: tuple[Fit, ...] = told_as("measures")
    left: tuple[str, ...]
    """What could not be fitted, and why."""
    series: Series = untold()

    @property
    def by_name(self) -> dict[str, Fit]:
        """The fits by what was read."""
        return {f.what: f for f in self.fits}


def sides_of(z: Vector) -> tuple[Vector, Vector]:
    """Return the sides of the smallest convex body that holds points, along @ z <= ends.

    The sides are the corners of the polar body of the points about their middle.

    Args:
        z: Points that span all directions, shape (n, q).
    """
    middle = z.mean(axis=0)
    found = corners_of(z - middle, np.ones(len(z)))
    size = np.linalg.norm(found, axis=1)
    along = found / size[:, None]
    return along, 1 / size + along @ middle


def back_of(series: Series) -> Vector:
    """Return the coordinates per % of each dose, shape (n, q)."""
    at = series.coordinates
    return at.z(at.centre + np.eye(len(at.materials)))


def tried_of(series: Series, readings: Readings) -> Tried:
    """Return what the beakers with a reading cover.

    Raises:
        UsageError: If they lie in fewer directions than the series has.
    """
    at, z = series.coordinates, readings.z
    if np.linalg.matrix_rank(z - z.mean(axis=0), tol=OUTSIDE) < z.shape[1]:
        raise UsageError("the beakers that were read lie in fewer directions than were planned.")
    along, ends = sides_of(z)
    return Tried(
        trials=series.trials,
        materials=at.materials,
        centre=tuple(at.centre.tolist()),
        directions=tuple(map(tuple, at.directions.tolist())),
        back=tuple(map(tuple, back_of(series).tolist())),
        rest=tuple(n for n, r in zip(at.materials, at.rest.tolist(), strict=True) if r),
        sides=tuple(map(tuple, along.tolist())),
        ends=tuple(ends.tolist()),
    )


def measured_of(
    series: Series, what: str, chosen: ChosenModel, sure: float = SURE, ph: float | None = None
) -> MeasuredRule:
    """Return the rule that a fit becomes, without limits."""
    post, kind = chosen.posterior, chosen.readings.kind
    spread = post.covariance.copy()
    if kind == "yes/no":
        spread[0, 0] += 1.0  # the scatter of a yes or no itself
    measured = series.measures[what]
    return MeasuredRule(
        id=what,
        source="measured here",
        what=what,
        scale=kind,
        measured_in="" if kind in ("judged", "yes/no") else measured.unit,
        made=len(chosen.readings),
        tried=tried_of(series, chosen.readings),
        model="quadratic" if chosen.fitted.model == "quadratic" else "line",
        ph=ph if chosen.readings.ph is not None else None,
        coefficients=tuple(post.mean.tolist()),
        covariance=tuple(map(tuple, spread.tolist())),
        sure=sure,
        half=post.half(sure / 100),
    )


def ways_of(series: Series, brief: Brief) -> tuple[Way, ...]:
    """Return the factors of a series; those that its formula does not know are left out."""
    own = series.own or series.beaker[0]
    ways = Ways(formula_at(brief.pool, dict(own.doses)))
    if ways.ids != series.region.materials:
        return ()
    known = ways.known()
    named = [f.id for f in series.factor if f.id in known]
    materials = [f.id for f in series.factor if f.id in ways.ids and f.id not in known]
    return ways.named(named, materials)


def fits_of(series: Series, brief: Brief | None = None, only: Iterable[str] = ()) -> Fits:
    """Return what the readings of a series tell.

    Args:
        series: The series.
        brief: The brief that it was planned on, for effects in the maker's words; without it there are none.
        only: Readings that are fitted; all without it.

    Raises:
        UsageError: If one is named that the series does not measure.
    """
    wanted = tuple(only) or tuple(series.measures)
    strange = [w for w in wanted if w not in series.measures]
    if strange:
        raise UsageError(f"the series measures no {strange[0]}, but {listed(list(series.measures), 'and')}.")
    found, left = [], []
    for what in wanted:
        if what == "ph" and series.ph_levels:
            continue
        if not series.reads(what):
            if only:
                left.append(f"no beaker has a reading of {what} yet.")
            continue
        try:
            found.append(_one(series, what, brief))
        except UsageError as error:
            left.append(f"{what}: {error}")
    read = {r.beaker for r in series.reads()}
    return Fits(
        beakers=len(series.beaker),
        read=len(read),
        fits=tuple(found),
        left=tuple(left),
        series=series,
    )


def _one(series: Series, what: str, brief: Brief | None) -> Fit:
    readings = readings_of(series, what)
    chosen = choose(readings, usual_noise(readings, series.measures[what].repeatability))
    ways = () if brief is None else ways_of(series, brief)
    at = series.coordinates
    effects: tuple[FactorEffect, ...] = ()
    if ways and len(ways) == len(at) and chosen.predicts:
        moves = np.array([w.direction for w in ways]) @ back_of(series)
        if np.linalg.matrix_rank(moves) == len(at):
            effects = tuple(effects_of(chosen, ways, readings.z, moves, at))
    if chosen.predicts and series.ph_levels:
        effects = (*effects, effect_of_ph(chosen, series.ph_levels[0], series.ph_levels[-1]))
    fit = fit_of(series, what, chosen, ways, effects)
    return replace(fit, measure=measured_of(series, what, chosen)) if chosen.predicts else fit
