"""Is there anything below a value? Branch and bound over yes/no columns on one hot linear program.

A whole search starts from nothing and proves its best to the last digit; here the value asked for cuts off most
branches at once (Land and Doig, Econometrica 28 (1960) 497), and each node is one hot run.
"""

from __future__ import annotations

from math import inf, isnan

import numpy as np

from optimizer.data.pool import Vector
from optimizer.engine.highs import Session, SolverAnswer, unit_of
from optimizer.units import LAST_DIGIT, SAME_WORTH, WHOLE

NODES = 400
"""Nodes after which the solver's own search, which also cuts, is taken."""


def lowest_below(
    session: Session, cost: Vector, lower: Vector, upper: Vector, least: float, most: int = NODES
) -> tuple[Vector | None, float, int]:
    """Return the best point below a value, a bound on every point, and how many programs ran.

    No point if there is none, or if the nodes do not suffice: the bound is then below the value.

    Args:
        session: The rows; its last columns are yes/no.
        cost: Shape (n,).
        lower: Shape (n,).
        upper: Shape (n,).
        least: The value; what does not lie below it is not looked for.
        most: Most nodes.
    """
    whole, unit = session.n - session.integers, unit_of(cost)
    best, cut, bound, runs = None, least, inf, 0
    waiting = [(lower, upper)]
    while waiting:
        if runs == most:
            return None, -inf, runs
        low, high = waiting.pop()
        answer = session.run(cost, low, high, relaxed=True, unit=unit, bare=True)
        runs += 1
        if answer.ending == "infeasible":
            continue
        if answer.ending != "optimal" or isnan(answer.bound):
            return None, -inf, runs
        if answer.bound >= cut:
            bound = min(bound, answer.bound)
            continue
        parts = answer.x[whole:]
        off = np.abs(parts - np.round(parts))
        k = int(np.argmax(off))
        if off[k] <= WHOLE:
            # What is whole but for a hair may be worth less, or nothing, where it is made whole.
            there = answer if off[k] <= LAST_DIGIT else _at(session, cost, low, high, np.round(parts), unit)
            runs += there is not answer
            if there.ending == "optimal" and there.bound < cut:
                best, cut = there.x, there.bound
            if there.ending == "optimal" and there.bound <= answer.bound + SAME_WORTH * abs(answer.bound):
                bound = min(bound, answer.bound)
                continue
        down, up = high.copy(), low.copy()
        least = min(np.floor(parts[k]), high[whole + k] - 1)
        down[whole + k], up[whole + k] = least, least + 1
        halves = [(low, down), (up, high)]
        waiting += halves if parts[k] >= 0.5 else halves[::-1]
    return best, bound, runs


def _at(session: Session, cost: Vector, low: Vector, high: Vector, whole: Vector, unit: float) -> SolverAnswer:
    """Return the best at whole numbers that are fixed."""
    low, high = low.copy(), high.copy()
    low[session.n - session.integers :] = high[session.n - session.integers :] = whole
    return session.run(cost, low, high, unit=unit, bare=True)
