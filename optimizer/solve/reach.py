"""How far a formula may go while the objective stays under a cap: the range of each dose, and the furthest formula.

A range takes two hot programs per dose; those of a brief without yes/no rules are certified together, and what does
not stand that is solved once more and checked by itself. The furthest formula is as far as possible (sum of
|difference|, water aside) from the nearest one that is chosen already, by an integer program whose gap is told.
"""

from __future__ import annotations

from math import inf, isfinite, nan

import numpy as np

from optimizer.data.pool import Vector
from optimizer.engine.certificate import check_feasible, which_hold
from optimizer.engine.highs import Session, SolverAnswer
from optimizer.engine.search import fixed, linear, search
from optimizer.errors import SolverError
from optimizer.immutable import immutable
from optimizer.model.model import Case
from optimizer.solve.case_solver import CaseAnswer, Corridor
from optimizer.units import CHOICES_MET, KEPT, SAME_WORTH, USED


@immutable
class Capped:
    """A case with the row that keeps the objective under a cap, in the solver."""

    case: Case
    session: Session
    counted: Vector

    @property
    def ends(self) -> tuple[Vector, Vector]:
        """Lower and upper ends of columns, then rows."""
        lower, upper = self.case.model.lower, self.case.upper
        return np.concatenate([lower, self.session.row_low]), np.concatenate([upper, self.session.row_high])


@immutable
class Furthest:
    """A formula under the cap that is far from all given ones.

    Attributes:
        x: Column values of its case.
        distance: Sum of |difference| to the nearest given one [%], water aside.
        gap: How much further one could at most lie, relative; 0 if proven furthest, NaN if not known.
    """

    case: Case
    x: Vector
    distance: float
    gap: float


def capped(corridor: Corridor, case: Case, best: CaseAnswer, loss: float) -> Capped:
    """Return a case whose objective may be worse than the best by a loss, in the objective's unit."""
    brief, model = corridor.brief, case.model
    sign, name = brief.scenario.objective.goals[0]
    measure = brief.measure(name)
    bound = sign * best.objective + loss
    cost, constant = model.objective(measure, brief.pool, sign, sign * bound)
    assert best.x is not None
    summed = float(np.abs(cost[: model.doses]) @ np.abs(best.x[: model.doses])) + abs(constant)
    cap = (0.0 if measure.ratio else bound) - constant + SAME_WORTH * summed
    session = Session(
        np.vstack([model.matrix, cost]),
        np.append(model.row_low, -inf),
        np.append(model.row_high, cap),
        integers=model.size - model.doses,
        time_limit=corridor.time_limit,
        primal=model.size == model.doses,
    )
    return Capped(case, session, np.array([i.material.function != "solvent" for i in brief.pool.items]))


def ends_of(one: Capped, found: Vector) -> tuple[Vector, Vector]:
    """Return least and most of each dose among formulas of one case, shape (n,) each; infinite without any."""
    n = one.case.model.doses
    least, most = found[:, :n].min(axis=0, initial=inf), found[:, :n].max(axis=0, initial=-inf)
    return np.where(least < USED, 0.0, least), most


def at_ends(one: Capped) -> Vector:
    """Return formulas of one case at the ends of all doses, shape (k, columns); none if it has no formula.

    A program is skipped where a formula met on the way already shows the dose at its lower or upper end.

    Raises:
        SolverError: If an end has no verdict or does not stand the check outside the solver.
    """
    case, model = one.case, one.case.model
    n = model.doses
    goal = np.zeros(model.size)
    first = _run(one, goal)
    if first is None:
        return np.zeros((0, model.size))
    goals, answers = [goal.copy()], [first]
    least, most = first.x[:n].copy(), first.x[:n].copy()
    for j in range(n):
        for sense in (1.0, -1.0):
            if (least[j] <= USED) if sense > 0 else (case.upper[j] - most[j] <= USED):
                continue
            goal[j] = sense
            answer = _run(one, goal)
            if answer is None:
                raise SolverError("an end of a dose's range ended without a verdict. Raise --time-limit.")
            goals.append(goal.copy())
            answers.append(answer)
            np.minimum(least, answer.x[:n], out=least)
            np.maximum(most, answer.x[:n], out=most)
        goal[j] = 0.0
    if one.session.integers:
        return np.array([a.x for a in answers])
    return _certified(one, np.array(goals), answers)


def _run(one: Capped, goal: Vector) -> SolverAnswer | None:
    """Return the least of a goal, with choices certified where they are fixed, or None if there is no formula."""
    answer = one.session.run(goal, one.case.model.lower, one.case.upper, unit=1.0, basis=False)
    if answer.ending == "infeasible":
        return None
    if answer.ending != "optimal":
        raise SolverError("an end of a dose's range ended without a verdict. Raise --time-limit.")
    integers = one.session.integers
    if not integers:
        return answer
    return fixed(one.session, goal, one.case.model.lower, one.case.upper, answer.x[-integers:]).answer


def _certified(one: Capped, goals: Vector, answers: list[SolverAnswer]) -> Vector:
    """Return the formulas of all answers; what does not stand the common check is solved and checked alone."""
    x, y = np.array([a.x for a in answers]), np.array([a.y for a in answers])
    holds = which_hold(one.session.matrix, *one.ends, goals, x, y)
    for k in np.flatnonzero(~holds):
        x[k] = linear(one.session, goals[k], one.case.model.lower, one.case.upper).answer.x
    return x


def furthest(one: Capped, chosen: list[Vector], time_limit: float) -> tuple[Furthest | None, float]:
    """Return the formula of a case that is furthest from the nearest chosen one, and a bound on the distance.

    For each chosen formula c and counted dose j: x_j - c_j = p - m, p <= U s, m <= U (1 - s), s in {0, 1};
    the distance D <= sum (p + m) for each c is made as large as possible.

    Args:
        one: The case.
        chosen: Doses of formulas, shape (n,) each.
        time_limit: Seconds [s].
    """
    case, model, held = one.case, one.case.model, one.session
    counted, n, choices = np.flatnonzero(one.counted), model.doses, model.size - model.doses
    pairs = len(chosen) * len(counted)
    whole = n + 1 + 2 * pairs
    upper = np.concatenate([case.upper[:n], [200.0], np.full(2 * pairs, 100.0), case.upper[n:], np.ones(pairs)])
    goal = np.zeros(upper.size)
    goal[n] = -1.0
    found = search(_apart(one, chosen, time_limit), goal, np.zeros(upper.size), upper)
    if found.ending == "infeasible":
        return None, -inf
    if not found.answer.x.size:
        return None, inf
    x = np.concatenate([found.answer.x[:n], np.round(found.answer.x[whole : whole + choices])])
    x[:n][x[:n] < USED] = 0.0
    if check_feasible(held.matrix, held.row_low, held.row_high, model.lower, case.upper, x) > KEPT:
        raise SolverError("the furthest formula does not keep the rules it should keep.")
    distance = min(float(np.abs(x[counted] - here[counted]).sum()) for here in chosen)
    return Furthest(case, x, distance, nan), -found.bound if isfinite(found.bound) else inf


def _apart(one: Capped, chosen: list[Vector], time_limit: float) -> Session:
    """Return the program of `furthest` over [doses | D | p and m for each formula | choices | s for each formula]."""
    model, held, counted = one.case.model, one.session, np.flatnonzero(one.counted)
    n, k, f, choices = model.doses, len(chosen), len(counted), model.size - model.doses
    whole = n + 1 + 2 * k * f
    width = whole + choices + k * f
    rows, low, high = [], [], []
    base = np.zeros((held.m, width))
    base[:, :n] = held.matrix[:, :n]
    base[:, whole : whole + choices] = held.matrix[:, n:]
    reach = np.maximum(one.case.upper[counted], 0.0)
    for c, here in enumerate(chosen):
        plus = n + 1 + 2 * c * f + np.arange(f)
        minus = plus + f
        sign = whole + choices + c * f + np.arange(f)
        more, less = np.maximum(reach - here[counted], 0.0), here[counted]
        for j in range(f):
            split, up, down = np.zeros(width), np.zeros(width), np.zeros(width)
            split[[counted[j], plus[j], minus[j]]] = 1.0, -1.0, 1.0
            up[[plus[j], sign[j]]] = 1.0, -more[j]
            down[[minus[j], sign[j]]] = 1.0, less[j]
            rows += [split, up, down]
            low += [here[counted[j]], -inf, -inf]
            high += [here[counted[j]], 0.0, less[j]]
        total = np.zeros(width)
        total[n] = -1.0
        total[plus] = total[minus] = 1.0
        rows.append(total)
        low.append(0.0)
        high.append(inf)
    return Session(
        np.vstack([base, np.array(rows)]),
        np.concatenate([held.row_low, low]),
        np.concatenate([held.row_high, high]),
        integers=choices + k * f,
        time_limit=time_limit,
    )


def furthest_of(every: list[Capped], chosen: list[Vector], time_limit: float) -> Furthest | None:
    """Return the furthest formula of all cases, with its gap, or None if none was found."""
    reached = [furthest(one, chosen, time_limit) for one in every]
    found = [r for r, _ in reached if r is not None]
    if not found:
        return None
    best, bound = max(found, key=lambda r: round(r.distance, 9)), max(b for _, b in reached)
    if not isfinite(bound) or best.distance <= 0:
        return best
    gap = max(0.0, bound - best.distance) / best.distance
    return Furthest(best.case, best.x, best.distance, 0.0 if gap <= CHOICES_MET else gap)
