"""Which limits many answers sit on, as `solve.shadow_prices` tells it of one."""

from __future__ import annotations

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.pool import Mask, Vector
from optimizer.immutable import immutable
from optimizer.model.model import Model
from optimizer.rules.row import Lever
from optimizer.sweep.frame import Pair
from optimizer.sweep.measures import Measures
from optimizer.sweep.programs import Index


@immutable
class Limit:
    """A limit of a rule.

    Attributes:
        pair: Rule and side.
        rows: Rows that it moves, shape (r,).
        choices: Column of the yes/no without which each says nothing, -1 where there is none, shape (r,).
    """

    pair: Pair
    rows: Index
    choices: Index


class Binding:
    """Which rows stand for which limit of which rule.

    Attributes:
        pairs: Rules and sides that can bind, sorted.
    """

    def __init__(self, brief: Brief, model: Model, measures: Measures) -> None:
        """Sort the rows by owner and limit."""
        self._model, self._measures = model, measures
        column = {name: k for k, name in enumerate(model.names[model.doses :])}
        known = {r.id for r in brief.modelled}
        rows: dict[str, dict[str, tuple[str, list[tuple[int, int]]]]] = {}
        for position, row in enumerate(model.rows):
            own = (Lever("", row.side, 0.0, choice=row.limit_choice),) if row.side != "link" else row.levers
            for lever in own if row.owner in known else ():
                limit = rows.setdefault(row.owner, {}).setdefault(lever.limit or lever.side, (lever.side, []))
                limit[1].append((position, column.get(lever.choice, -1)))
        self._limits = {
            owner: [Limit((owner, side), *np.array(at, dtype=np.int64).T) for side, at in limits.values()]
            for owner, limits in rows.items()
        }
        self.pairs = tuple(sorted({limit.pair for limits in self._limits.values() for limit in limits}))

    def told(self, at_low: Mask, at_high: Mask, z: Vector, values: Vector, gone: Mask) -> Mask:
        """Return which pairs bind, shape (b, c).

        Args:
            at_low: Rows at their lower end, shape (m, c).
            at_high: Rows at their upper end.
            z: Doses and choices, shape (n, c).
            values: Measures, shape (r, c).
            gone: What is missing, shape (c, doses).
        """
        found = np.zeros((len(self.pairs), z.shape[1]), dtype=bool)
        place = {pair: k for k, pair in enumerate(self.pairs)}
        for owner, limits in self._limits.items():
            several = len({limit.pair for limit in limits}) < len(limits) or limits[0].choices.max() >= 0
            told = np.zeros(z.shape[1], dtype=bool)
            for limit in limits:
                binding = self._binds(limit, at_low, at_high, z, gone)
                if owner in self._measures.place:
                    binding &= ~np.isnan(values[self._measures.place[owner]])
                elif several:  # only the first of them is told
                    binding &= ~told
                    told |= binding
                found[place[limit.pair]] |= binding
        return found

    def _binds(self, limit: Limit, at_low: Mask, at_high: Mask, z: Vector, gone: Mask) -> Mask:
        link = limit.choices >= 0
        at = at_high[limit.rows] if limit.pair[1] == "high" else at_low[limit.rows]
        if link.any():
            taken = z[self._model.doses + np.maximum(limit.choices, 0)] > 0.5
            at = (at_low[limit.rows] | at_high[limit.rows]) & (taken | ~link[:, None])
        elif limit.pair[0] not in self._measures.place:
            at &= (self._model.matrix[limit.rows, : self._model.doses] != 0).astype(float) @ ~gone.T > 0
        return np.asarray(at.any(axis=0))
