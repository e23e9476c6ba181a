"""Ties broken in the declared order, on the exact set of best points."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import chain
from math import inf

import numpy as np

from optimizer.data.pool import Mask, Pool, Vector
from optimizer.engine.certificate import check_point
from optimizer.engine.highs import Session, SolverAnswer
from optimizer.engine.sensitivity import Basis
from optimizer.engine.tree import lowest_below
from optimizer.errors import DataError, SolverError
from optimizer.immutable import replace
from optimizer.model.model import Model
from optimizer.rules import LimitRule
from optimizer.solve.case_solver import CaseAnswer, Corridor, Sign
from optimizer.units import CLEARLY_WORSE, POINT_MET, SAME_WORTH, USED

Goal = tuple[Sign, LimitRule]


def settle(corridor: Corridor, found: CaseAnswer, goals: tuple[Goal, ...]) -> CaseAnswer:
    """Return the best point that the declared order prefers; objective, duals and proof stay.

    Each further goal is optimised among what is best for the earlier ones; last comes the order of
    ids: as much as possible of the first, then of the second. Yes/no choices that cost the same
    are compared first, unless one integer program rules them out; then the doses on the exact optimal
    face (columns and rows whose reduced cost is not zero stay at their ends), unless it is a point. Doses too small
    to count are left out where something else is as good.
    """
    if found.case.model.size > found.case.model.doses and corridor.brancher is None:
        found = _settle_choices(corridor, found, goals)
    settled = _settle_doses(corridor, found, goals)
    return _without_dust(corridor, settled, goals) if _dust(settled).any() else settled


def _dust(found: CaseAnswer) -> Mask:
    """Return which doses are too small to count, shape (n,)."""
    assert found.x is not None
    dust = (found.x > 0) & (found.x <= USED)
    dust[found.case.model.doses :] = False
    return dust


def _without_dust(corridor: Corridor, found: CaseAnswer, goals: tuple[Goal, ...]) -> CaseAnswer:
    """Return the preferred point of those as good that need no dose too small to count; the answer if there is none."""
    case, dust = found.case, _dust(found)
    assert found.x is not None
    barred = replace(case, upper=np.where(dust, 0.0, case.upper))
    try:
        again = corridor.repriced(replace(found, case=barred), *goals[0], found.x[case.model.doses :])
    except (DataError, SolverError):
        return found
    if abs(again.objective - found.objective) > found.margin:
        return found
    again = _settle_doses(corridor, again, goals)
    return found if _dust(again).any() else replace(found, x=again.x)


def _settle_choices(corridor: Corridor, found: CaseAnswer, goals: tuple[Goal, ...]) -> CaseAnswer:
    """Return the best at the yes/no choices that the further goals prefer among equally good ones."""
    model = found.case.model
    caps = [_cap(corridor.brief.pool, goals[0], found)]
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
        caps.append(_cap(corridor.brief.pool, (sign, measure), step))
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
    return chosen if abs(chosen.objective - found.objective) <= found.margin else found


def _alone(corridor: Corridor, found: CaseAnswer, cost: Vector, most: float) -> bool:
    """Return whether any other yes/no choices cost clearly more."""
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
    clearly = most + CLEARLY_WORSE * float(np.abs(cost) @ found.x)
    known = () if found.tree is None else found.tree.leaves
    wider = tuple(replace(leaf, y=np.append(leaf.y, 0.0)) for leaf in known)
    below = lowest_below(session, cost, model.lower, found.case.upper, clearly, known=wider)
    if below.settles(clearly):
        return below.best is None
    answer = session.run(cost, model.lower, found.case.upper)
    return answer.ending == "infeasible" or answer.bound > clearly


def _cap(pool: Pool, goal: Goal, found: CaseAnswer) -> tuple[Vector, float]:
    """Return coefficients and most of the row that holds a goal at its value at a point."""
    sign, measure = goal
    assert found.x is not None
    vector, constant = found.case.model.objective(measure, pool, sign, found.objective)
    best = 0.0 if measure.ratio else sign * found.objective
    return vector, best - constant + SAME_WORTH * float(np.abs(vector) @ found.x)


def _capped(corridor: Corridor, model: Model, caps: list[tuple[Vector, float]]) -> tuple[Model, Session]:
    extra = np.array([vector for vector, _ in caps])
    capped = replace(
        model,
        matrix=np.vstack([model.matrix, extra]),
        row_low=np.concatenate([model.row_low, np.full(len(caps), -inf)]),
        row_high=np.concatenate([model.row_high, [most for _, most in caps]]),
    )
    integers, limit = model.size - model.doses, corridor.time_limit
    return capped, Session(capped.matrix, capped.row_low, capped.row_high, integers=integers, time_limit=limit)


def _settle_doses(corridor: Corridor, found: CaseAnswer, goals: tuple[Goal, ...]) -> CaseAnswer:
    """Return the preferred point of the optimal face at the found choices."""
    basis = found.basis
    further = further_costs(corridor.brief.pool, found.case.model, goals[1:], basis.x)
    return found if basis.unique else replace(found, x=preferred(basis, further, corridor.time_limit))


def preferred(basis: Basis, further: Iterable[Vector], time_limit: float) -> Vector:
    """Return the point that further costs prefer, in their order, among all as good as the vertex, shape (n,).

    What does not stand the check, or is worse than the vertex, is left aside.

    Args:
        basis: An optimal basis.
        further: Costs, shape (n,) each; none is asked for where the vertex is the only best point.
        time_limit: Seconds for each program [s].
    """
    n, x = basis.n, basis.x
    if basis.unique:
        return x
    matrix, cost = basis.full[:, :n], basis.cost[:n]
    low, high = basis.ends_low.copy(), basis.ends_high.copy()
    _narrow(basis, low, high)
    wishes = iter(further)
    for vector in wishes:
        if (low[:n] == high[:n]).all():
            break
        session = Session(matrix, low[n:], high[n:], time_limit=time_limit)
        answer: SolverAnswer = session.run(vector, low[:n], high[:n])
        if answer.ending != "optimal":
            x = by_rows(basis, x, chain([vector], wishes), time_limit)
            break
        x = np.clip(answer.x, low[:n], high[:n])
        step = Basis(matrix, vector, low, high, x, answer.basic)
        if step.unique:
            break
        _narrow(step, low, high)
    missed = check_point(matrix, basis.ends_low[n:], basis.ends_high[n:], basis.ends_low[:n], basis.ends_high[:n], x)
    equal = float(cost @ x) - float(cost @ basis.x) <= SAME_WORTH * float(np.abs(cost) @ np.abs(basis.x))
    return x if equal and missed <= POINT_MET else basis.x


def preferred_of(found: Sequence[CaseAnswer], goals: tuple[Goal, ...], pool: Pool) -> list[int]:
    """Return which of some answers that are equally good the further goals prefer, by position."""
    left = list(range(len(found)))
    for sign, measure in goals:
        if len(left) == 1:
            break
        worths = {i: _worth(found[i], sign, measure, pool) for i in left}
        least = min(value for value, _ in worths.values())
        left = [i for i, (value, size) in worths.items() if value <= least + SAME_WORTH * size]
    return left


def _worth(found: CaseAnswer, sign: Sign, measure: LimitRule, pool: Pool) -> tuple[float, float]:
    """Return what an answer is worth to a further goal, less is better, and what a difference of it is relative to."""
    assert found.x is not None
    model = found.case.model
    if measure.ratio:
        top, bottom = measure.parts(pool, found.x[: model.doses])
        value = sign * top / bottom if bottom > measure.vanishing(pool) else 0.0
        return value, abs(value)
    vector, constant = model.objective(measure, pool, sign, 0.0)
    return float(vector @ found.x) + constant, float(np.abs(vector) @ found.x)


def by_rows(basis: Basis, x: Vector, further: Iterable[Vector], time_limit: float) -> Vector:
    """Return what `preferred` does by a row for each cost that was met, where fixing what costs leaves nothing.

    Args:
        basis: An optimal basis.
        x: A point as good as its vertex, shape (n,).
        further: Costs, shape (n,) each.
        time_limit: Seconds for each program [s].
    """
    n, matrix = basis.n, basis.full[:, : basis.n]
    (low, row_low), (high, row_high) = np.split(basis.ends_low, [n]), np.split(basis.ends_high, [n])
    met = basis.cost[:n]
    for vector in further:
        matrix = np.vstack([matrix, met])
        row_low = np.append(row_low, -inf)
        row_high = np.append(row_high, float(met @ x) + SAME_WORTH / 2 * float(np.abs(met) @ np.abs(x)))
        answer = Session(matrix, row_low, row_high, time_limit=time_limit).run(vector, low, high)
        if answer.ending != "optimal":
            break
        x, met = np.clip(answer.x, low, high), vector
    return x


def further_costs(pool: Pool, model: Model, goals: tuple[Goal, ...], x: Vector) -> Iterator[Vector]:
    """Yield cost vectors of the further goals, then of 'as much as possible of the first id' and so on.

    A ratio is taken at its present value: on a face with the same denominator that is exact.
    """
    for sign, measure in goals:
        top, bottom = measure.parts(pool, x[: model.doses])
        ratio = top / bottom if measure.ratio and bottom > measure.vanishing(pool) else 0.0
        yield model.objective(measure, pool, sign, ratio)[0]
    for position in range(model.doses):
        vector = np.zeros(model.size)
        vector[position] = -1.0
        yield vector


def _narrow(basis: Basis, low: Vector, high: Vector) -> None:
    """Fix at its end every nonbasic column and row whose reduced cost is not zero; nothing sits at no end."""
    at_low = basis.costly & (basis.reduced > 0) & np.isfinite(low)
    at_high = basis.costly & (basis.reduced < 0) & np.isfinite(high)
    high[at_low] = low[at_low]
    low[at_high] = high[at_high]
