"""Beakers that can be weighed: doses on the scale's grid that still keep the rules, next to the chosen points."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from math import ceil, floor

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.pool import Mask, Vector
from optimizer.immutable import immutable
from optimizer.rules.row import Setting
from optimizer.solve.existing import formula_at
from optimizer.solve.rounding import broken
from optimizer.trials.basis import Coordinates
from optimizer.units import WHOLE

INWARD = (0.0, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5)
"""How far towards the middle of the region a point is moved, if none on the grid beside it keeps the rules."""
TRIED = 12
"""Neighbours on the grid that are held against the rules at each of these places."""


@immutable
class ScaleGrid:
    """The grid of a scale, and what a beaker on it must keep.

    Attributes:
        known: The coordinates of the doses.
        step: Of the grid [%].
        total: What the doses sum to [%].
        likely: Which formulas of shape (m, n) may keep the rules; a quick look.
        keeps: Whether one, shape (n,), does.
    """

    known: Coordinates
    step: float
    total: float
    likely: Callable[[Vector], Mask]
    keeps: Callable[[Vector], bool]

    def nearest(self, z: Vector) -> Vector | None:
        """Return the doses on the grid next to a point, shape (q,), or to a place further in, or None."""
        for part in INWARD:
            near = self._beside(z * (1 - part))
            if near is not None:
                return near
        return None

    def _beside(self, z: Vector) -> Vector | None:
        """Return the nearest corner of the grid's cell round a point that keeps the rules."""
        doses = self.known.doses(z)[0]
        moving = self.known.moving & ~self.known.rest
        ends = [_ends(d / self.step) if m else (d / self.step,) for d, m in zip(doses, moving, strict=True)]
        every = np.array(list(product(*ends))) * self.step
        rest = int(np.flatnonzero(self.known.rest)[0])
        every[:, rest] = 0.0
        every[:, rest] = self.total - every.sum(axis=1)
        every = every.round(9)
        every = every[self.likely(every)]
        far = np.linalg.norm(self.known.z(every) - z, axis=1)
        return next((x for x in every[np.argsort(far, kind="stable")[:TRIED]] if self.keeps(x)), None)


def _ends(count: float) -> tuple[float, ...]:
    """Return the whole steps round a dose: one if it is whole."""
    if abs(count - round(count)) <= WHOLE:
        return (float(round(count)),)
    return float(floor(count)), float(ceil(count))


def keeping(
    brief: Brief, ids: tuple[str, ...], freed: frozenset[str], settings: tuple[Setting, ...]
) -> Callable[[Vector], bool]:
    """Return what tells whether doses keep the rules of a brief, those freed aside, at every pH of the trials."""
    rules = [r for r in brief.enforced if r.id not in freed]

    def keeps(doses: Vector) -> bool:
        formula = formula_at(brief.pool, dict(zip(ids, map(float, doses), strict=True)))
        return not any(broken(rule, formula, setting) for rule in rules for setting in settings)

    return keeps
