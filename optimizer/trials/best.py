"""The next beakers if the best blend is looked for: where a better reading can be expected, not near one another."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf, nan

import numpy as np

from optimizer.data.pool import Vector
from optimizer.errors import UsageError, nearest
from optimizer.rules.fitted import told_as_read
from optimizer.trials.basis import on_three_levels
from optimizer.trials.design import Places
from optimizer.trials.fit import (
    ChosenModel,
    Readings,
    chance,
    choose,
    predicted,
    readings_of,
    searching,
    usual_noise,
)
from optimizer.trials.fitted import tried_of
from optimizer.trials.improve import gains
from optimizer.trials.more import Better, Hoped
from optimizer.trials.plan import PlannedBeaker
from optimizer.trials.series import SEPARATED, Series
from optimizer.trials.told import ends_of_reading

APART = 0.5
"""How far two beakers of one round lie apart at least, in whitened coordinates; an editable default, no source."""
FAR = 0.05
"""So far beyond all beakers that were read, in whitened coordinates, a place is told as beyond them: more than doses on
the grid of a scale differ by; an editable default, no source."""
SENSES = {"maximise": 1, "minimise": -1}


def better_by(goal: str) -> Better:
    """Return what chooses the beakers that may better a reading.

    Args:
        goal: 'maximise READING' or 'minimise READING'.

    Raises:
        UsageError: If it is neither.
    """
    sign, what = _goal(goal)
    return lambda series, z, process, count: _chosen(series, z, process, count, what, sign)


def looked_for(series: Series, goal: str) -> tuple[str, ...]:
    """Return what must be known of beakers that may be best where the readings do not predict what is sought yet.

    Raises:
        UsageError: If the goal is none.
    """
    what = _goal(goal)[1]
    chosen = _fitted(series, what)
    if chosen.predicts:
        return ()
    why = f" {chosen.why}" if chosen.why else " A reading left out is told no better by the others than by their mean."
    return (
        f"The readings of {what} predict nothing yet.{why} These beakers are places to look at, not an expectation; "
        "the error of a prediction is what the plan allows for, not what was seen.",
    )


def _goal(goal: str) -> tuple[int, str]:
    """Return the sign and the reading of a goal."""
    sense, _, what = goal.strip().partition(" ")
    if sense not in SENSES or not what.strip():
        raise UsageError("--aim best: say of which reading, such as --goal 'maximise viscosity'.")
    return SENSES[sense], what.strip()


def hoped_of(series: Series, goal: str, beakers: Sequence[PlannedBeaker]) -> tuple[Hoped, ...]:
    """Return what the beakers that are chosen for a goal are expected to read, in the unit of the readings."""
    what = _goal(goal)[1]
    fitted, known = _fitted(series, what), series.coordinates
    looking, kind, unit = searching(fitted), fitted.readings.kind, series.measures[what].unit
    found = []
    for beaker in beakers:
        if beaker.role == "plan":
            continue
        doses = np.array([beaker.doses[name] for name in known.materials])
        z, ph = known.z(doses), _process(series, beaker.ph)
        if kind == "yes/no":
            middle, low, high = 100 * float(chance(looking, z, ph)[0]), nan, nan
        else:
            mean, *ends = predicted(looking, z, ph, new=True)[0].tolist()
            middle, (low, high) = told_as_read(kind, mean), ends_of_reading(kind, *ends)
        beyond = _beyond(series, fitted.readings, doses) > FAR
        found.append(Hoped(beaker.number, what, unit, middle, low, high, beyond, fitted.predicts))
    return tuple(found)


def _process(series: Series, ph: float | None) -> Vector | None:
    if not series.ph_levels or ph is None:
        return None
    return on_three_levels(np.array([ph]), series.ph_levels[0], series.ph_levels[-1])


def _beyond(series: Series, readings: Readings, doses: Vector) -> float:
    """Return how far doses lie beyond the beakers that were read; infinitely where those span too little to tell."""
    try:
        return tried_of(series, readings).beyond(doses)
    except UsageError:
        return inf


def _chosen(series: Series, z: Vector, process: Vector, count: int, what: str, sign: int) -> Places:
    """Return the candidates of the greatest expected improvement that lie apart, away from what was seen to separate.

    Raises:
        UsageError: If there is no such reading, the trials do not tell a line in it, or beakers separated all over.
    """
    if what not in series.measures:
        raise UsageError(f"--goal: nobody reads '{what}'. {nearest(what, series.measures)}")
    fitted = searching(_fitted(series, what))
    seen = series.reads(SEPARATED) if SEPARATED in series.measures else ()
    separating = _fitted(series, SEPARATED) if {r.low for r in seen} == {0.0, 1.0} else None
    worth = gains(fitted, z, process if series.ph_levels else None, sign=sign, separating=separating)
    places = np.column_stack([z, process])
    separated = _made_at(series, {r.beaker for r in seen if r.low == 1.0})
    found: list[int] = []
    for k in np.argsort(-worth, kind="stable"):
        taken = np.vstack([separated, places[found]])
        if (np.linalg.norm(taken - places[k], axis=1) >= APART).all():
            found.append(int(k))
        if len(found) == count:
            break
    if not found:
        raise UsageError("--aim best: a beaker separated near every place that is left; nothing may be best there.")
    return np.array(found, dtype=np.intp)


def _made_at(series: Series, beakers: set[int]) -> Vector:
    """Return where some beakers lie as weighed, pH last, shape (m, q + 1)."""
    process = series.process()
    places = np.column_stack([series.z(), np.zeros(len(series.beaker)) if process is None else process])
    return places[[b.number in beakers for b in series.beaker]]


def _fitted(series: Series, what: str) -> ChosenModel:
    readings = readings_of(series, what)
    return choose(readings, usual_noise(readings))
