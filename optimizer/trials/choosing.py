"""From a region to what trials are chosen from: candidates, their columns, and the average over the region."""

from __future__ import annotations

import numpy as np

from optimizer.data.pool import Vector
from optimizer.immutable import immutable, replace
from optimizer.trials.basis import ModelName, Terms
from optimizer.trials.design import (
    Criterion,
    DesignTask,
    Places,
    chosen_for,
    exchanged,
    in_groups,
    moments_of,
    spread_evenly,
)
from optimizer.trials.polytope import Polytope, candidates

ENOUGH = {1: 6, 2: 8, 3: 12}
"""Trials by directions that a full quadratic takes, with a few more than it has terms; above, as many as for three."""
CURVED: dict[ModelName, float] = {"quadratic": 0.1, "line": 2.0}
"""Precision of curvature in the choice of trials: little is assumed where it can be told, else that it is moderate;
editable defaults, the second by simulation (`tests/soak.py`; 1 to 5 hardly differ there), else no source."""
MORE = 3
"""A D-optimal choice needs this many trials more than terms, else the I-optimal one is better for prediction."""
CHOSEN_FROM = 2000
"""Candidates at most."""
DRAWN = 1000
"""Points over which the variance is averaged."""
PARTS = (1 / 2, 1 / 4, 1 / 2, 1 / 4, 1 / 8, 1 / 16)
"""How much of the way towards other candidates chosen trials are moved, one round after the other."""


@immutable
class Field:
    """What trials are chosen from.

    The full quadratic is looked at even where only a straight line can be told: with the prior on its curvature,
    beakers do not all lie at the ends.

    Attributes:
        full: The full quadratic in all that is varied.
        z: Coordinates of the candidates, shape (c, q).
        process: Their pH as the process variable, shape (c,); 0 where it stays.
        moments: Mean of f f' over the region, shape (p, p).
    """

    full: Terms
    z: Vector
    process: Vector
    moments: Vector

    def columns(self, z: Vector, process: Vector) -> Vector:
        """Return the columns of points, shape (m, p)."""
        return self.full.columns(z, process)

    def task(
        self, group: Vector, given: Vector, days: int, model: ModelName, criterion: Criterion | None = None
    ) -> DesignTask:
        """Return what is chosen.

        Args:
            group: Day of each trial, counted from 0, shape (k,).
            given: Columns of trials that are made anyway, with their days, shape (g, p + days - 1).
            days: How many there are.
            model: What the trials shall tell.
            criterion: Else D where there are enough trials, I where not.
        """
        sets = in_groups(self.columns(self.z, self.process), days)
        enough = len(group) + len(given) >= len(self.full) + MORE and len(group) >= len(self.full)
        criterion = criterion or ("D" if enough else "I")
        precision = np.append(self.full.precision(CURVED[model]), np.full(days - 1, self.full.precision(0.0)[0]))
        moments = np.pad(self.moments, (0, days - 1))
        return DesignTask(sets, group.astype(np.intp), given, precision, criterion, moments)

    def nearer(self, chosen: Places, towards: Field, part: float) -> Field:
        """Return chosen trials, then each moved a part of the way towards other candidates, with their pH."""
        z, process = self.z[chosen], self.process[chosen]
        thin = slice(None, None, 1 + len(chosen) * len(towards.z) // CHOSEN_FROM)
        moved = (1 - part) * z[:, None] + part * towards.z[thin]
        other = np.tile(towards.process[thin], len(z))
        places = np.vstack([z, moved.reshape(len(other), z.shape[1])])
        return replace(self, z=places, process=np.concatenate([process, other]))


def best_places(
    field: Field,
    seed: int,
    group: Vector,
    given: Vector,
    days: int,
    model: ModelName,
    criterion: Criterion | None = None,
) -> tuple[Field, DesignTask, Places]:
    """Return the trials that teach most: candidates first, then moved between them as long as that helps.

    Where little more than a line can be told, the best place of a beaker is often between the middle and the border.
    The arguments are those of `Field.task`; what is returned are the candidates of the last round, chosen by number.
    """
    now, task = field, field.task(group, given, days, model, criterion)
    chosen = chosen_for(task, seed)
    for part in PARTS:
        now = now.nearer(chosen, field, part)
        task = now.task(group, given, days, model, criterion)
        chosen = exchanged(task, np.arange(len(group)))
    return now, task, chosen


def field_of(body: Polytope, process: bool, seed: int) -> Field:
    """Return what trials in a region are chosen from.

    Args:
        body: The region in whitened coordinates.
        process: Whether pH is varied besides, at three levels.
        seed: Of what is drawn.
    """
    rng = np.random.default_rng(seed)
    full = Terms(body.directions, "quadratic", process)
    levels = np.array([-1.0, 0.0, 1.0]) if process else np.zeros(1)
    places, inside = np.zeros((1, 0)), np.zeros((DRAWN, 0))
    if body.directions:
        places, inside = candidates(body, CHOSEN_FROM // len(levels), rng), body.drawn(DRAWN, rng)
    z, ph = np.repeat(places, len(levels), axis=0), np.tile(levels, len(places))
    over = full.columns(inside, rng.uniform(-1, 1, DRAWN) * process)
    return Field(full, z, ph, moments_of(over))


def enough_for(field: Field, trials: int | None) -> int:
    """Return how many trials are chosen if nobody says so."""
    return trials or ENOUGH.get(len(field.full.variables), ENOUGH[3])


def told_by(field: Field, count: int) -> ModelName:
    """Return the model that so many trials can tell."""
    return "quadratic" if len(field.full.variables) in ENOUGH and count >= len(field.full) else "line"


def days_of(count: int, days: int) -> Vector:
    """Return the day of each trial, counted from 0, shape (count,)."""
    return np.array(spread_evenly(count, days))
