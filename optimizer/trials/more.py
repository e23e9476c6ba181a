"""The next beakers of a series: those that teach most besides what was made, or those that may be best."""

from __future__ import annotations

from collections.abc import Callable
from math import fsum
from pathlib import Path
from typing import Any

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution
from optimizer.data.pool import Vector
from optimizer.errors import UsageError, fault
from optimizer.immutable import Figure, immutable, replace, result, seen, untold
from optimizer.rules.row import Setting
from optimizer.trials.choosing import Field, best_places, field_of
from optimizer.trials.design import Places, marks_of
from optimizer.trials.plan import PlannedBeaker, as_doses, as_one_more, beaker_cautions, on_grid
from optimizer.trials.polytope import Polytope, corners_of
from optimizer.trials.series import Role, Series, change_series
from optimizer.trials.text import added_beakers, digest_of
from optimizer.trials.weighable import ScaleGrid, keeping

MOST = 20
"""Beakers that are added at once."""
Better = Callable[[Series, Vector, Vector, int], Places]
"""Which candidates, given by coordinates (c, q) and process variable (c,), may be best: so many of them."""


@immutable
class Hoped:
    """What a beaker that may be best is expected to read."""

    beaker: int
    what: str
    unit: str
    expected: float
    """Middle of the readings to be expected, in their unit; of a yes or no its chance [%]."""
    low: Figure
    """Lower end of 90 % of the readings."""
    high: Figure
    """Upper end."""
    beyond: bool
    """Whether the beaker lies beyond all that were read, so that this is an extrapolation."""
    predicts: bool
    """Whether the trials predict at all; else it only says where to look."""


@result
class NextBeakers:
    """Beakers that are added to a series: the output of `tenside trials next --json`."""

    FORMAT = 1
    series: Series = untold()
    trials: str = seen("series.trials")
    """Name of the series."""
    file: str = seen("series.where")
    aim: str
    day: int
    """On which they are made."""
    beakers: tuple[PlannedBeaker, ...]
    variance_before: float
    """Average variance of a prediction over the region, in units of that of one reading."""
    variance_after: float
    """The same with these beakers."""
    notes: tuple[str, ...]
    cautions: tuple[Caution, ...]
    hoped: tuple[Hoped, ...] = ()
    """What the beakers are expected to read, where the best is looked for."""


def body_of(series: Series) -> Polytope:
    """Return the region of a series in its coordinates, as the file says."""
    rows, q = series.region.row, len(series.coordinates)
    if not q:
        return Polytope(np.zeros((0, 0)), np.zeros(0), np.zeros((1, 0)), ())
    along, at_most = np.array([r.along for r in rows]).reshape(-1, q), np.array([r.at_most for r in rows])
    try:
        corners = corners_of(along, at_most)
    except ValueError:
        corners = np.zeros((0, along.shape[1]))
    if not len(corners):
        raise fault(series.where, "region", "its rows bound no region.", "Plan the series anew.")
    return Polytope(along, at_most, corners, tuple(range(len(rows))))


def more_beakers(
    series: Series, brief: Brief, count: int, *, aim: str = "", repeats: int = 1, better: Better | None = None
) -> NextBeakers:
    """Return the next beakers of a series, on a day of their own, first one of the plan itself.

    Args:
        series: The series.
        brief: Its brief, unchanged since it was planned.
        count: Beakers besides those of the plan.
        aim: 'learn' or 'best'; as the series has it if it is empty.
        repeats: Beakers of the plan itself: the first, then the last.
        better: Chooses for 'best'.

    Raises:
        DataError: If the brief has changed since.
        UsageError: If too many are asked for, or the aim cannot be followed.
    """
    if not 1 <= count <= MOST:
        raise UsageError(f"--count {count}: from 1 to {MOST}.")
    if series.brief_digest and series.brief_digest != digest_of(brief):
        what = "the brief, or the shelf it reads, has changed since these trials were planned, and the region with it."
        raise fault(series.where, "brief", what, "Put it back as it was, or plan a new series.")
    field = field_of(body_of(series), bool(series.ph_levels), series.seed + len(series.beaker))
    day = max(b.day for b in series.beaker) + 1
    given = made_columns(series, field, day)
    plan_row = _plan_rows(series, field, day, repeats)
    asked = (np.full(count, day - 1), np.vstack([given, plan_row]), day, series.model)
    aim = aim or series.aim
    if aim == "best":
        if better is None:
            raise UsageError("--aim best: say of which reading, such as --goal 'maximise viscosity'.")
        task, chosen = field.task(*asked, "I"), better(series, field.z, field.process, count)
    else:
        field, task, chosen = best_places(field, series.seed, *asked, "I")
    beakers = _beakers(series, brief, field, chosen, day, repeats)
    settings = _settings(series)
    before = replace(task, group=task.group[:0], given=given)
    return NextBeakers(
        series=series,
        aim=aim,
        day=day,
        beakers=beakers,
        variance_before=-before.worth(chosen[:0]),
        variance_after=-task.worth(chosen),
        notes=(),
        cautions=beaker_cautions(brief, beakers, settings),
    )


def made_columns(series: Series, field: Field, days: int) -> Vector:
    """Return the columns of the beakers that are made or still to be made, as weighed, lost ones aside."""
    marks = marks_of(days)[[b.day - 1 for b in series.beaker]]
    kept = [k for k, b in enumerate(series.beaker) if b.number not in series.lost]
    return np.hstack([_columns(series, field), marks])[kept]


def _columns(series: Series, field: Field) -> Vector:
    """Return the columns of all beakers as weighed."""
    process = series.process()
    return field.columns(series.z(), np.zeros(len(series.beaker)) if process is None else process)


def _plan_rows(series: Series, field: Field, day: int, repeats: int) -> Vector:
    """Return the columns of further beakers of the plan itself."""
    if series.own is None or not repeats:
        return np.zeros((0, len(field.full) + day - 1))
    here = _columns(series, field)[series.beaker.index(series.own)]
    return np.tile(np.hstack([here, marks_of(day)[-1]]), (repeats, 1))


def _settings(series: Series) -> tuple[Setting, ...]:
    """Return the pH settings of a series."""
    targets: tuple[float | None, ...] = series.ph_levels or tuple(dict.fromkeys(b.ph for b in series.beaker))
    return tuple(map(series.setting_at, targets))


def _beakers(
    series: Series, brief: Brief, field: Field, chosen: Places, day: int, repeats: int
) -> tuple[PlannedBeaker, ...]:
    """Return the beakers in the order of making, on the scale's grid."""
    body, known = body_of(series), series.coordinates
    first = series.beaker[0].doses
    grid = ScaleGrid(
        known,
        series.scale.step_g / series.grams * 100,
        round(fsum(first.values()), 9),
        lambda doses: body.holds(known.z(doses)) if len(known) else np.ones(len(doses), bool),
        keeping(brief, known.materials, frozenset(series.freed), _settings(series)),
    )
    doses = on_grid(grid, field.z[chosen])
    own, plan = series.ph_levels, series.own
    found: list[PlannedBeaker] = []
    every: list[Any] = list(series.beaker)

    def add(role: Role, ph: float | None, amounts: dict[str, float]) -> None:
        beaker = as_one_more(every, role, day, ph, amounts)
        every.append(beaker)
        found.append(beaker)

    if plan is not None and repeats > 0:
        add("plan", plan.ph, plan.doses)
    for k in np.random.default_rng(series.seed + day).permutation(len(chosen)):
        place = chosen[k]
        ph = own[round(field.process[place]) + 1] if own else series.beaker[0].ph
        add("chosen", ph, as_doses(known.materials, doses[k]))
    if plan is not None:
        for _ in range(repeats - 1):
            add("plan", plan.ph, plan.doses)
    return tuple(found)


def add_beakers(path: Path, found: NextBeakers) -> Series:
    """Write the next beakers into the series file.

    Raises:
        DataError: If it has changed since they were chosen.
    """

    def change(document: Any, series: Series) -> None:
        if series != found.series:
            raise fault(str(path), "", "it was changed in the meantime.", "Run the command again.")
        added_beakers(document, found.beakers)

    return change_series(path, change)
