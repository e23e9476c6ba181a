"""The nearest formula that keeps a set of rules: fewest changed doses, then least change, then cost.

Change is measured in % as supplied over everything but water, which takes up the rest. With f the given
doses, x = f + p - m and p + m <= cap c, c in {0, 1}: first sum c is least over every pH setting, then
sum (p + m) at that many changes, then cost at that distance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf

import numpy as np

from optimizer.brief import Brief
from optimizer.corridor import Found
from optimizer.engine.certificate import check_feasible
from optimizer.engine.highs import Answer, Session
from optimizer.formula import Formula
from optimizer.model import Case, cases, implied_caps
from optimizer.pool import Vector
from optimizer.result import PhOutcome
from optimizer.row import Setting
from optimizer.solve import choose_ph, formula_of
from optimizer.units import USED

CHANGED = 5e-4
"""A dose that moved by more than this [%] counts as changed."""


@dataclass(frozen=True)
class Near:
    """The nearest formula.

    Attributes:
        formula: Its doses.
        ph: Its target pH and window.
        changed: Ids of the changed doses, water aside.
        distance: Sum of |change| over everything but water [% as supplied].
        proven: Whether the search was finished.
        found: Case and column values, for rounding.
    """

    formula: Formula
    ph: PhOutcome | None
    changed: tuple[str, ...]
    distance: float
    proven: bool
    found: Found


def nearest_formula(
    brief: Brief,
    doses: dict[str, float],
    keep: frozenset[str] | None = None,
    *,
    fewest: bool = True,
    at: Setting | None = None,
    time_limit: float = 30.0,
) -> Near | None:
    """Return the formula nearest to given doses that keeps a set of rules, or None if no formula does.

    Args:
        brief: The brief; its pool holds every material of the formula.
        doses: % as supplied by id.
        keep: Ids of the rules to keep, all when None; the total is always kept.
        fewest: Whether the number of changed doses counts before their sum.
        at: Only this pH setting, if given and if the pH rule is kept.
        time_limit: Seconds for each integer program [s].
    """
    rules = tuple(r for r in brief.rules if keep is None or r.id in keep or r.id == "total")
    acidity = brief.acidity if keep is None or "ph" in keep else None
    every = cases(rules, acidity, brief.pool)
    tried = every if at is None or acidity is None else tuple(c for c in every if at in c.settings) or every
    asked = replace(brief, acidity=acidity)
    return nearest_within(asked, doses, tried, every, fewest=fewest, time_limit=time_limit)


def nearest_within(
    brief: Brief,
    doses: dict[str, float],
    tried: tuple[Case, ...],
    every: tuple[Case, ...],
    *,
    fewest: bool = True,
    free: frozenset[str] = frozenset(),
    time_limit: float = 30.0,
) -> Near | None:
    """Return the formula nearest to given doses within some cases, or None if none of them allows one.

    Args:
        brief: The brief that the cases belong to.
        doses: % as supplied by id.
        tried: Cases that are searched.
        every: Cases whose pH settings the answer may take.
        fewest: Whether the number of changed doses counts before their sum.
        free: Ids whose change does not count in the number of changed doses.
        time_limit: Seconds for each integer program [s].
    """
    here = np.array([doses.get(name, 0.0) for name in brief.pool.ids])
    changes = [Change(brief, case, here, time_limit, free) for case in tried]
    if fewest:
        counts = [c.fewest() for c in changes]
        changes = [c for c, n in zip(changes, counts, strict=True) if n == min(counts) < inf]
    else:
        for change in changes:
            change.all_open()
    distances = [c.least() for c in changes]
    reachable = [(d, k) for k, d in enumerate(distances) if d < inf]
    if not reachable:
        return None
    change = changes[min(reachable, key=lambda r: (round(r[0], 7), r[1]))[1]]
    x = change.cheapest()
    model = change.case.model
    if check_feasible(model.matrix, model.row_low, model.row_high, model.lower, change.case.upper, x) > 1e-6:
        return None
    kept = np.abs(x[: len(here)] - here) * change.counted
    found = Found(change.case, "optimal", "solver bound", float(kept.sum()), x)
    formula = formula_of(brief, found)
    names = tuple(name for name, moved in zip(brief.pool.ids, kept, strict=True) if moved > CHANGED)
    ph = choose_ph(brief, found, formula, every)
    return Near(formula, ph, names, found.objective, change.proven, found)


class Change:
    """Changes of a formula within one case, as a program over [water, plus, minus, choices, flags]."""

    def __init__(
        self, brief: Brief, case: Case, here: Vector, time_limit: float, uncounted: frozenset[str] = frozenset()
    ) -> None:
        """Load the program.

        Args:
            brief: The brief.
            case: The pH settings and materials allowed.
            here: The given doses, shape (n,).
            time_limit: Seconds [s].
            uncounted: Ids whose change does not count in the number of changed doses.
        """
        model = case.model
        n = model.doses
        self.case, self.here, self.proven = case, here, True
        self.counted = np.array([item.material.function != "solvent" for item in brief.pool.items])
        self._kept, self._water = np.nonzero(self.counted)[0], np.nonzero(~self.counted)[0]
        upper = np.minimum(case.upper[:n], np.maximum(implied_caps(model.rows, brief.pool), 0.0))
        f = here[self._kept]
        more, less = np.maximum(upper[self._kept] - f, 0.0), f
        free, choices = len(self._kept), model.size - n
        doses, rows = model.matrix[:, :n], len(model.rows)
        part = doses[:, self._kept]
        shift = part @ f
        reach = np.maximum(more, less)
        switch = np.hstack([np.zeros((free, len(self._water))), np.eye(free), np.eye(free)])
        flags = np.hstack([np.zeros((free, choices)), -np.diag(reach)])
        top = np.hstack([doses[:, self._water], part, -part, model.matrix[:, n:], np.zeros((rows, free))])
        self._widths = np.cumsum([len(self._water), free, free, choices, free])
        total = self._widths[-1]
        self._count = np.zeros(total)
        self._count[self._widths[3] :] = [brief.pool.ids[p] not in uncounted for p in self._kept]
        self._distance = np.zeros(total)
        self._distance[self._widths[0] : self._widths[2]] = 1.0
        prices = brief.pool.prices / 100
        self._cost = np.zeros(total)
        self._cost[: self._widths[2]] = np.concatenate([prices[self._water], prices[self._kept], -prices[self._kept]])
        matrix = np.vstack([top, np.hstack([switch, flags]), self._count, self._distance])
        low = np.concatenate([model.row_low - shift, np.full(free + 2, -inf)])
        high = np.concatenate([model.row_high - shift, np.zeros(free), [inf, inf]])
        self._lower = np.zeros(total)
        self._lower[self._widths[1] : self._widths[2]] = np.maximum(f - upper[self._kept], 0.0)
        self._upper = np.concatenate([upper[self._water], more, less, case.upper[n:], np.ones(free)])
        self._session = Session(matrix, low, high, integers=choices + free, time_limit=time_limit)
        self._last_rows = np.array([rows + free, rows + free + 1], dtype=np.int32)
        self._answer: Answer | None = None
        self._fewest = inf

    def fewest(self) -> float:
        """Return the least number of changed doses, infinite if there is no formula."""
        value = self._run(self._count)
        if value < inf:
            self._fewest = float(round(value))
            self._session.rows(self._last_rows[:1], np.array([-inf]), np.array([self._fewest + 0.5]))
        return self._fewest

    def all_open(self) -> None:
        """Let every dose change, so that their number does not count."""
        self._lower[self._widths[3] :] = 1.0

    def least(self) -> float:
        """Return the least sum of changes [%] at the number of changes found before, if any."""
        value = self._run(self._distance)
        if value == inf and self._fewest < inf:
            # The least number of changes may hold by a hair only: one more is allowed.
            self._session.rows(self._last_rows[:1], np.array([-inf]), np.array([self._fewest + 1.5]))
            value = self._run(self._distance)
        return value

    def cheapest(self) -> Vector:
        """Return the column values of the case's model at the least distance and, there, least cost.

        The cheapest choices and flags are searched first and then fixed, so that what is returned is a vertex
        of a linear program.
        """
        assert self._answer is not None
        least = float(self._distance @ self._answer.x)
        self._session.rows(self._last_rows[1:], np.array([-inf]), np.array([least + 1e-7]))
        self._run(self._cost)
        whole = self._widths[2]
        self._lower[whole:] = self._upper[whole:] = np.round(self._answer.x[whole:])
        self._session.rows(self._last_rows, np.full(2, -inf), np.full(2, inf))
        value = self._run(self._distance)
        self._session.rows(self._last_rows[1:], np.array([-inf]), np.array([value + 1e-9 * (1 + value)]))
        self._run(self._cost)
        water, plus, minus, choices, _ = np.split(self._answer.x, self._widths[:-1])
        x = np.zeros(self.case.model.size)
        x[self._water] = water
        x[self._kept] = self.here[self._kept] + plus - minus
        x[: len(self.here)][x[: len(self.here)] < USED] = 0.0
        x[self.case.model.doses :] = np.round(choices)
        return x

    def _run(self, goal: Vector) -> float:
        answer = self._session.run(goal, self._lower, self._upper)
        self.proven = self.proven and answer.ending == "optimal"
        if answer.x.size == 0:
            return inf
        self._answer = answer
        return float(goal @ answer.x)
