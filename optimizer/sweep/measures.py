"""What every rule measures of many formulas at once, from raw data and not from the rows."""

from __future__ import annotations

from collections.abc import Iterable
from math import inf

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.pool import Mask, Vector
from optimizer.rules import LimitRule
from optimizer.rules.row import Setting
from optimizer.solve.solved import formula_from
from optimizer.sweep.grid import Grid
from optimizer.sweep.spans import MovedLimits
from optimizer.units import KEPT, USED


class Measures:
    """Numerators and denominators of all rules that are numbers, each a sum over the doses and a constant.

    Attributes:
        place: Position of a rule's measure, by id.
    """

    def __init__(self, brief: Brief, settings: Iterable[Setting]) -> None:
        """Keep what every rule counts of every candidate, and the pH settings that are tried."""
        pool = brief.pool
        self._brief, self._settings = brief, tuple(settings)
        self._rules = [r for r in brief.modelled if isinstance(r, LimitRule) and r.summed]
        self._plain = [r for r in brief.modelled if not isinstance(r, LimitRule) or not r.summed]
        self.place = {r.id: k for k, r in enumerate(self._rules)}
        constants = [r.constants(pool.held_back) for r in self._rules]
        self._above = np.array([c[0] for c in constants])[:, None]
        self._below = np.array([c[1] for c in constants])[:, None]
        self._amounts = np.array([r.amounts(pool) for r in self._rules]).reshape(len(self._rules), len(pool))
        self._ratios = np.array([k for k, r in enumerate(self._rules) if r.ratio], dtype=np.int64)
        per = [pool.vector(r.per) for r in self._rules if r.ratio]
        self._per = np.array(per).reshape(len(per), len(pool))
        sizes = np.abs(self._amounts) / np.where(self._below == 0, 1.0, self._below)
        sizes[self._ratios] = np.abs(self._amounts[self._ratios]) / np.where(self._per > 0, self._per, inf)
        self._brought = sizes.max(axis=1, initial=0.0)[:, None]
        self._least = USED * self._per.max(axis=1, initial=0.0)[:, None]
        self._low = np.array([r.limits[0] for r in self._rules])[:, None]
        self._high = np.array([r.limits[1] for r in self._rules])[:, None]

    def values(self, x: Vector) -> Vector:
        """Return the measures of formulas, shape (n, s) to (r, s); as `LimitRule.value`."""
        top = self._amounts @ x + self._above
        bottom = self._per @ x + self._below[self._ratios]
        above = top[self._ratios]
        top /= np.where(self._below == 0, 1.0, self._below)
        with np.errstate(divide="ignore", invalid="ignore"):
            empty = np.where(above > 0, inf, np.nan)
            top[self._ratios] = np.where(bottom > self._least, above / bottom, empty)
        return np.asarray(top)

    def refused(self, x: Vector, choices: Vector, targets: Vector) -> Mask:
        """Return which formulas break a rule of yes or no, shape (s,): one is asked for each set of uses and choices.

        Such a rule looks at what is used, how much of it and at the pH; how much is kept by the rows, which are
        checked for every answer.

        Args:
            x: Doses, shape (n, s).
            choices: Yes and no, shape (q, s).
            targets: pH, shape (s,).
        """
        refused = np.zeros(x.shape[1], dtype=bool)
        if not self._plain or not x.size:
            return refused
        kinds = np.vstack([x > USED, choices > 0.5, targets[None]]).astype(np.float64)
        _, first, which = np.unique(np.nan_to_num(kinds, nan=-1.0), axis=1, return_index=True, return_inverse=True)
        for k, position in enumerate(first.tolist()):
            setting = next((s for s in self._settings if s.target == targets[position]), Setting())
            formula = formula_from(self._brief, x[:, position])
            if any(rule.breaks(formula, setting) for rule in self._plain):
                refused[which.reshape(-1) == k] = True
        return refused

    def broken(self, values: Vector, spans: tuple[MovedLimits, ...], grid: Grid) -> Mask:
        """Return which formulas break a rule, shape (s,): the last check of `solve`, for all scenarios at once."""
        steady = np.ones(len(self._rules), dtype=bool)
        steady[[self.place[s.rule.id] for s in spans]] = False
        found = _outside(values, self._low, self._high, self._brought)[steady].any(axis=0)
        for span in spans:
            place = self.place[span.rule.id]
            found |= _outside(values[place], *span.limits(grid), self._brought[place])
        return np.asarray(found)


def _outside(values: Vector, low: Vector, high: Vector, brought: Vector) -> Mask:
    """Return which values lie outside their limits by more than is tolerated: of the limit, or of what 1 % brings."""
    slack = KEPT * np.maximum(brought, np.maximum(_size(low), _size(high)))
    with np.errstate(invalid="ignore"):
        return np.asarray((values < low - slack) | (values > high + slack))


def _size(ends: Vector) -> Vector:
    return np.where(np.isfinite(ends), np.abs(ends), 0.0)
