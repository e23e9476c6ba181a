"""Ties broken in the declared order, on the exact set of best points."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import inf

import numpy as np

from optimizer.corridor import TIE, Corridor, Found, Sign
from optimizer.engine.certificate import check_feasible
from optimizer.engine.highs import Answer, Session
from optimizer.engine.sensitivity import ZERO, Basis
from optimizer.errors import DataError, SolverError
from optimizer.model import Model, objective_vector
from optimizer.pool import Pool, Vector
from optimizer.rules import LimitRule

Goal = tuple[Sign, LimitRule]
CLEARLY = 1e-5
"""A cost above the best by this, relative, is beyond what an integer program may miss its rows by."""


def settle(corridor: Corridor, found: Found, goals: tuple[Goal, ...]) -> Found:
    """Return the best point that the declared order prefers; objective, duals and proof stay.

    Each further goal is optimised among what is best for the earlier ones; last comes the order of
    ids: as much as possible of the first, then of the second. Yes/no choices that cost the same
    are compared first, unless one integer program rules them out; then the doses on the exact optimal
    face (columns and rows whose reduced cost is not zero stay at their ends), unless it is a point.
    """
    if found.case.model.size > found.case.model.doses and corridor.brancher is None:
        found = _settle_choices(corridor, found, goals)
    return _settle_doses(corridor, found, goals)


def _settle_choices(corridor: Corridor, found: Found, goals: tuple[Goal, ...]) -> Found:
    """Return the best at the yes/no choices that the further goals prefer among equally good ones."""
    model = found.case.model
    caps = [_cap(corridor.brief.pool, goals[0], found.objective)]
    if _alone(corridor, found, *caps[0]):
        return found
    choices: Vector | None = None
    for sign, measure in goals[1:]:
        capped, session = _capped(corridor, model, caps)
        try:
            step = corridor.best(replace(found.case, model=capped), sign, measure, session)
        except (DataError, SolverError):
            break
        if step.x is None:
            break
        choices = step.x[model.doses :]
        caps.append(_cap(corridor.brief.pool, (sign, measure), step.objective))
    capped, session = _capped(corridor, model, caps)
    rank = model.spread(np.arange(1.0, model.doses + 1) / model.doses)
    answer = session.run(rank, model.lower, found.case.upper)
    if answer.ending == "optimal":
        choices = answer.x[model.doses :]
    if choices is None:
        return found
    try:
        chosen = corridor.repriced(found, *goals[0], np.round(choices))
    except (DataError, SolverError):
        return found
    equal = chosen.x is not None and abs(chosen.objective - found.objective) <= 2 * TIE * (1 + abs(found.objective))
    return chosen if equal else found


def _alone(corridor: Corridor, found: Found, cost: Vector, most: float) -> bool:
    """Return whether any other yes/no choices cost clearly more, by the bound of one integer program."""
    model = found.case.model
    assert found.x is not None
    taken = np.round(found.x[model.doses :])
    other = np.concatenate([np.zeros(model.doses), 1 - 2 * taken])
    session = Session(
        np.vstack([model.matrix, other]),
        np.append(model.row_low, 1 - taken.sum()),
        np.append(model.row_high, inf),
        integers=len(taken),
        time_limit=corridor.time_limit,
    )
    answer = session.run(model.spread(cost), model.lower, found.case.upper)
    return answer.ending == "infeasible" or answer.bound > most + CLEARLY * (1 + abs(most))


def _cap(pool: Pool, goal: Goal, value: float) -> tuple[Vector, float]:
    """Return coefficients and most of the row that holds a goal at its value."""
    sign, measure = goal
    vector, constant = objective_vector(measure, pool, sign, value)
    best = 0.0 if measure.ratio else sign * value
    return vector, best - constant + TIE * (1 + abs(best))


def _capped(corridor: Corridor, model: Model, caps: list[tuple[Vector, float]]) -> tuple[Model, Session]:
    extra = np.array([model.spread(vector) for vector, _ in caps])
    capped = replace(
        model,
        matrix=np.vstack([model.matrix, extra]),
        row_low=np.concatenate([model.row_low, np.full(len(caps), -inf)]),
        row_high=np.concatenate([model.row_high, [most for _, most in caps]]),
    )
    integers, limit = model.size - model.doses, corridor.time_limit
    return capped, Session(capped.matrix, capped.row_low, capped.row_high, integers=integers, time_limit=limit)


def _settle_doses(corridor: Corridor, found: Found, goals: tuple[Goal, ...]) -> Found:
    """Return the preferred point of the optimal face at the found choices."""
    basis = corridor.basis(found)
    if basis.unique:
        return found
    model = found.case.model
    low, high = basis.ends_low.copy(), basis.ends_high.copy()
    x = basis.x
    _narrow(basis, low, high)
    for vector in _further(corridor.brief.pool, model, goals[1:], x):
        if (low[: model.size] == high[: model.size]).all():
            break
        session = Session(model.matrix, low[model.size :], high[model.size :], time_limit=corridor.time_limit)
        answer: Answer = session.run(vector, low[: model.size], high[: model.size])
        if answer.ending != "optimal":
            break
        x = answer.x
        step = Basis(model.matrix, vector, low, high, x, answer.basic)
        if step.unique:
            break
        _narrow(step, low, high)
    assert found.upper is not None
    assert found.lower is not None
    worst = check_feasible(model.matrix, model.row_low, model.row_high, found.lower, found.upper, x)
    return replace(found, x=x) if worst <= 1e-9 else found


def _further(pool: Pool, model: Model, goals: tuple[Goal, ...], x: Vector) -> Iterator[Vector]:
    """Yield cost vectors of the further goals, then of 'as much as possible of the first id' and so on.

    A ratio is taken at its present value: on a face with the same denominator that is exact.
    """
    for sign, measure in goals:
        ratio = 0.0
        if measure.ratio:
            below = float(pool.vector(measure.per) @ x[: model.doses]) + measure.constants(pool.held_back)[1]
            above = float(pool.vector(measure.amount) @ x[: model.doses]) + measure.constants(pool.held_back)[0]
            ratio = above / below if below > ZERO else 0.0
        yield model.spread(objective_vector(measure, pool, sign, ratio)[0])
    for position in range(model.doses):
        vector = np.zeros(model.size)
        vector[position] = -1.0
        yield vector


def _narrow(basis: Basis, low: Vector, high: Vector) -> None:
    """Fix at its end every nonbasic column and row whose reduced cost is not zero."""
    costly = basis.nonbasic & (np.abs(basis.reduced) > ZERO * (1 + np.abs(basis.cost).max(initial=0.0)))
    at_low = costly & (basis.reduced > 0)
    at_high = costly & (basis.reduced < 0)
    high[at_low] = low[at_low]
    low[at_high] = high[at_high]
