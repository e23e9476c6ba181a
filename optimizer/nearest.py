"""The nearest formula that keeps a set of rules: fewest changed doses, then least change, then cost.

Change is measured in % as supplied over everything but water, which takes up the rest. For each pH
setting an integer program: x = f + p - m, p + m <= cap c, c in {0, 1}; first sum c is least, then
sum (p + m) at that many changes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from math import inf

import numpy as np

from optimizer.brief import Brief
from optimizer.corridor import Found
from optimizer.engine.certificate import check_feasible
from optimizer.engine.highs import Session
from optimizer.formula import Formula
from optimizer.model import Case, cases
from optimizer.pool import Vector
from optimizer.result import PhOutcome
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
    brief: Brief, doses: dict[str, float], keep: frozenset[str] | None = None, *, time_limit: float = 30.0
) -> Near | None:
    """Return the formula nearest to given doses that keeps the rules named in `keep` (all when None).

    The total is always kept. None if no formula does.
    """
    rules = tuple(r for r in brief.rules if keep is None or r.id in keep or r.id == "total")
    acidity = brief.acidity if keep is None or "ph" in keep else None
    here = np.array([doses.get(name, 0.0) for name in brief.pool.ids])
    every = cases(rules, acidity, brief.pool)
    best: tuple[tuple[float, float], Found, bool] | None = None
    for case in every:
        found = _nearest_in(brief, case, here, time_limit)
        if found is not None and (best is None or found[0] < best[0]):
            best = found
    if best is None:
        return None
    (_, distance), point, proven = best
    formula = formula_of(brief, point)
    assert point.x is not None
    moved = np.abs(point.x[: len(here)] - here) > CHANGED
    names = tuple(n for n, m, w in zip(brief.pool.ids, moved, _water(brief), strict=True) if m and not w)
    ph = choose_ph(replace(brief, acidity=acidity), point, formula, every)
    return Near(formula, ph, names, distance, proven, point)


def _water(brief: Brief) -> list[bool]:
    return [item.material.function == "solvent" for item in brief.pool.items]


def _nearest_in(
    brief: Brief, case: Case, here: Vector, time_limit: float
) -> tuple[tuple[float, float], Found, bool] | None:
    """Return (number of changes, distance), the point, and whether it is proven, for one case."""
    model = case.model
    kept = np.array([j for j, water in enumerate(_water(brief)) if not water], dtype=int)
    n, k, free = model.doses, model.size - model.doses, len(kept)
    caps = np.maximum(case.upper[kept], here[kept])
    # Columns: doses, plus, minus, the model's choices, changed or not.
    starts = np.cumsum([n, free, free, k, free])
    plus, minus, choices, flags = (slice(a, b) for a, b in pairwise(starts))
    width = n + 3 * free + k
    matrix = np.zeros((len(model.rows) + 2 * free + 2, width))
    rows = len(model.rows)
    matrix[:rows, :n] = model.matrix[:, :n]
    matrix[:rows, choices] = model.matrix[:, n:]
    balance = np.arange(rows, rows + free)
    matrix[balance, kept] = 1.0
    matrix[balance, np.arange(plus.start, plus.stop)] = -1.0
    matrix[balance, np.arange(minus.start, minus.stop)] = 1.0
    switch = balance + free
    matrix[switch, np.arange(plus.start, plus.stop)] = 1.0
    matrix[switch, np.arange(minus.start, minus.stop)] = 1.0
    matrix[switch, np.arange(flags.start, flags.stop)] = -caps
    matrix[-2, flags] = 1.0
    matrix[-1, plus] = matrix[-1, minus] = 1.0
    low = np.concatenate([model.row_low, here[kept], np.full(free, -inf), [-inf, -inf]])
    high = np.concatenate([model.row_high, here[kept], np.zeros(free), [float(free), inf]])
    lower = np.zeros(width)
    upper = np.concatenate([case.upper[:n], caps, caps, case.upper[n:], np.ones(free)])
    session = Session(matrix, low, high, integers=k + free, time_limit=time_limit)
    goals = np.zeros((3, width))
    goals[0, flags] = 1.0
    goals[1, plus] = goals[1, minus] = 1.0
    goals[2, :n] = brief.pool.prices / 100
    answer, proven = None, True
    for goal, cap, loose in zip(goals, (-2, -1, None), (0.5, 1e-7, 0.0), strict=True):
        step = session.run(goal, lower, upper)
        proven = proven and step.ending == "optimal"
        if step.x.size == 0:
            break
        answer = step
        if cap is not None:
            row = np.array([matrix.shape[0] + cap], dtype=np.int32)
            session.rows(row, np.array([-inf]), np.array([float(goal @ step.x) + loose]))
    if answer is None:
        return None
    x = np.concatenate([answer.x[:n], np.round(answer.x[choices])])
    x[:n][x[:n] < USED] = 0.0
    if check_feasible(model.matrix, model.row_low, model.row_high, model.lower, case.upper, x) > 1e-6:
        return None
    moved = np.abs(x[kept] - here[kept])
    distance = float(moved.sum())
    return (
        (float((moved > CHANGED).sum()), round(distance, 9)),
        Found(case, "optimal", "solver bound", distance, x),
        proven,
    )
