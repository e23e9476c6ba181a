"""Room to move: how far each dose may go while the objective stays within a stated loss.

For every candidate the least and the most dose over all pH settings and choices under the cap
objective <= best + loss (two hot programs per candidate and case). Then formulas within that loss that
differ as much as possible: each new one as far as possible (sum of |difference|, water aside) from the
nearest one already chosen, by an integer program whose gap is told.
"""

from __future__ import annotations

from math import inf, isfinite, nan

import numpy as np

from optimizer.brief import Brief
from optimizer.corridor import Corridor, Found
from optimizer.curve import widest
from optimizer.engine.certificate import GAP, PRIMAL, check_feasible
from optimizer.engine.highs import Answer, Session
from optimizer.errors import SolverError, UsageError
from optimizer.formula import Formula
from optimizer.immutable import immutable
from optimizer.model import Case, objective_vector
from optimizer.pool import Vector
from optimizer.result import Result
from optimizer.solve import formula_of, solve_fully
from optimizer.units import USED

SEEN = 1e-3
"""Doses up to this [%] are no room: what the solver's tolerance leaves open at a loss of 0 is less."""


@immutable
class Room:
    """How far one dose may move.

    Attributes:
        id: The material.
        dose: Its dose in the best formula [%].
        least: Least dose within the loss.
        most: Most dose within the loss.
        member: 'every', 'some' or 'no' formula within the loss uses it.
    """

    id: str
    name: str
    dose: float
    least: float
    most: float
    member: str


@immutable
class Alternative:
    """A formula within the loss, far from the others.

    Attributes:
        formula: Its doses.
        objective: Its objective.
        distance: Sum of |difference| to the nearest one chosen before [%], water aside.
        gap: How much further one could at most lie, relative; 0 if proven furthest.
    """

    formula: Formula
    objective: float
    distance: float
    gap: float


@immutable
class Leeway:
    """Room to move within a loss.

    Attributes:
        result: The best formula.
        loss: Allowed loss, in the objective's unit.
        rooms: Every candidate, sorted by id.
        alternatives: Formulas within the loss, as different as possible.
    """

    result: Result
    loss: float
    rooms: tuple[Room, ...]
    alternatives: tuple[Alternative, ...]


@immutable
class Capped:
    """A case with the row that keeps the objective within the loss, in the solver."""

    case: Case
    matrix: Vector
    high: Vector
    low: Vector
    session: Session


def leeway(brief: Brief, loss: float, *, alternatives: int = 0, time_limit: float = 10.0) -> Leeway:
    """Return how far each dose may move.

    Args:
        brief: The brief.
        loss: How much worse the objective may be, in its own unit (never a fraction of the optimum).
        alternatives: How many different formulas to look for.
        time_limit: Seconds for each of them [s].

    Raises:
        UsageError: If the brief cannot be met or the loss is negative.
    """
    if not loss >= 0:
        raise UsageError(f"--loss {loss:g}: write how much worse the objective may be, 0 or more.")
    solved = solve_fully(brief)
    if solved.result.formula is None or solved.chosen is None:
        raise UsageError(
            "the brief has no formula, so there is no room to move. See what clashes with 'tenside blend'."
        )
    cases = widest(solved.corridor.cases)
    capped = [_capped(solved.corridor, case, solved.result.objective, loss) for case in cases]
    n = len(brief.pool)
    least, most = np.full(n, inf), np.full(n, -inf)
    for one in capped:
        low, high = _ranges(one)
        least, most = np.minimum(least, low), np.maximum(most, high)
    rooms = []
    for j, item in enumerate(brief.pool.items):
        dose = solved.result.formula.dose(item.id)
        a, b = min(float(least[j]), dose), max(float(most[j]), dose)
        member = "every" if a > SEEN else "some" if b > SEEN else "no"
        rooms.append(Room(item.id, item.material.name, dose, a, b, member))
    found = _alternatives(brief, capped, solved.chosen, alternatives, time_limit)
    return Leeway(solved.result, loss, tuple(rooms), found)


def _capped(corridor: Corridor, case: Case, best: float, loss: float) -> Capped:
    """Return a case whose objective may be worse than the best by the loss."""
    brief, model = corridor.brief, case.model
    sign, name = brief.scenario.objective.goals[0]
    measure = brief.measure(name)
    bound = sign * best + loss
    vector, constant = objective_vector(measure, brief.pool, sign, sign * bound)
    cap = (0.0 if measure.ratio else bound) - constant + 1e-9 * (1 + abs(best))
    # Costs per % are small figures; at their own size the solver's tolerance would be worth a visible dose.
    scale = 1 / max(float(np.abs(vector).max(initial=0.0)), 1e-9)
    matrix = np.vstack([model.matrix, scale * model.spread(vector)])
    low, high = np.append(model.row_low, -inf), np.append(model.row_high, scale * cap)
    integers = model.size - model.doses
    session = Session(matrix, low, high, integers=integers, time_limit=corridor.time_limit, primal=not integers)
    return Capped(case, matrix, high, low, session)


def _ranges(one: Capped) -> tuple[Vector, Vector]:
    """Return least and most of each dose in one case, shape (n,) each; infinite where it has no formula.

    A program is skipped where a formula met on the way already shows the dose at its lower or upper end.
    """
    case, model = one.case, one.case.model
    n = model.doses
    goal = np.zeros(model.size)
    first = one.session.run(goal, model.lower, case.upper)
    if first.ending == "infeasible":
        return np.full(n, inf), np.full(n, -inf)
    goals, answers = [goal.copy()], [first]
    least, most = first.x[:n].copy(), first.x[:n].copy()
    for j in range(n):
        for sense in (1.0, -1.0):
            if (least[j] <= USED) if sense > 0 else (case.upper[j] - most[j] <= USED):
                continue
            goal[j] = sense
            answer = one.session.run(goal, model.lower, case.upper)
            if answer.ending != "optimal":
                raise SolverError("an end of a dose's range ended without a verdict. Raise --time-limit.")
            goals.append(goal.copy())
            answers.append(answer)
            np.minimum(least, answer.x[:n], out=least)
            np.maximum(most, answer.x[:n], out=most)
        goal[j] = 0.0
    _verified(one, np.array(goals), answers)
    return np.where(least < USED, 0.0, least), most


def _verified(one: Capped, goals: Vector, answers: list[Answer]) -> None:
    """Refuse ranges that do not stand the check outside the solver: feasible points and, without choices, a zero gap.

    All programs of a case share matrix and ends, so all are checked at once (see `engine/certificate`).
    """
    x = np.array([a.x for a in answers])
    values = np.hstack([x @ one.matrix.T, x])
    low = np.concatenate([one.low, one.case.model.lower])
    high = np.concatenate([one.high, one.case.upper])
    size = 1 + np.minimum(np.abs(np.where(np.isfinite(low), low, inf)), np.abs(np.where(np.isfinite(high), high, inf)))
    missed = np.maximum(low - values, values - high) / np.where(np.isfinite(size), size, 1.0)
    holds = bool((missed <= (PRIMAL if not one.session.integers else 1e-6)).all())
    if holds and not one.session.integers:
        y = np.array([a.y for a in answers])
        duals = np.hstack([y, goals - y @ one.matrix])
        ends = np.where(duals > 0, low, np.where(duals < 0, high, 0.0))
        free = ~np.isfinite(ends)
        bound = (duals * np.where(free, 0.0, ends)).sum(axis=1)
        reached = (goals * x).sum(axis=1)
        holds = bool(
            (np.abs(duals[free]) <= GAP).all() and (np.abs(reached - bound) <= GAP * (1 + np.abs(bound))).all()
        )
    if not holds:
        raise SolverError("an end of a dose's range did not stand the check outside the solver.")


def _alternatives(
    brief: Brief, capped: list[Capped], best: Found, wanted: int, time_limit: float
) -> tuple[Alternative, ...]:
    assert best.x is not None
    chosen = [best.x[: len(brief.pool)]]
    found: list[Alternative] = []
    sign, name = brief.scenario.objective.goals[0]
    vector, constant = objective_vector(brief.measure(name), brief.pool, sign)
    for _ in range(wanted):
        reached = [(one, *_furthest(brief, one, chosen, time_limit)) for one in capped]
        one, distance, _, x = max(reached, key=lambda r: round(r[1], 9))
        bound = max(r[2] for r in reached)
        if x is None or distance <= SEEN:
            break
        point = Found(one.case, "optimal", "solver bound", distance, x)
        chosen.append(x[: len(brief.pool)])
        measure = brief.measure(name)
        formula = formula_of(brief, point)
        if measure.ratio:
            top = formula.total(measure.amount) + measure.constants(brief.pool.held_back)[0]
            value = top / (formula.total(measure.per) + measure.constants(brief.pool.held_back)[1])
        else:
            value = sign * (float(vector @ x[: len(brief.pool)]) + constant)
        gap = max(0.0, bound - distance) / distance if isfinite(bound) else nan
        found.append(Alternative(formula, value, distance, 0.0 if gap <= 1e-6 else gap))
    return tuple(found)


def _furthest(brief: Brief, one: Capped, chosen: list[Vector], time_limit: float) -> tuple[float, float, Vector | None]:
    """Return distance, bound and point of the formula of a case that is furthest from the nearest chosen one.

    For each chosen formula c and counted dose j: x_j - c_j = p - m, p <= U s, m <= U (1 - s), s in {0, 1};
    the distance D <= sum (p + m) for each c is made as large as possible.
    """
    case, model = one.case, one.case.model
    counted = np.array([j for j, i in enumerate(brief.pool.items) if i.material.function != "solvent"])
    k, f, choices = len(chosen), len(counted), model.size - model.doses
    n = model.doses
    width = n + 1 + 2 * k * f + choices + k * f
    rows, low, high = [], [], []
    base = np.zeros((len(one.low), width))
    base[:, :n] = one.matrix[:, :n]
    base[:, n + 1 + 2 * k * f : n + 1 + 2 * k * f + choices] = one.matrix[:, n:]
    reach = np.maximum(case.upper[counted], 0.0)
    for c, here in enumerate(chosen):
        plus = n + 1 + 2 * c * f + np.arange(f)
        minus = plus + f
        sign = n + 1 + 2 * k * f + choices + c * f + np.arange(f)
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
    matrix = np.vstack([base, np.array(rows)])
    lower = np.zeros(width)
    upper = np.concatenate([case.upper[:n], [200.0], np.full(2 * k * f, 100.0), case.upper[n:], np.ones(k * f)])
    session = Session(
        matrix,
        np.concatenate([one.low, low]),
        np.concatenate([one.high, high]),
        integers=choices + k * f,
        time_limit=time_limit,
    )
    goal = np.zeros(width)
    goal[n] = -1.0
    answer = session.run(goal, lower, upper)
    if answer.ending == "infeasible":
        return -inf, -inf, None
    if answer.x.size == 0:
        return -inf, inf, None
    # What was searched in whole numbers is fixed, so that the point is a vertex of a linear program.
    whole = n + 1 + 2 * k * f
    lower[whole:] = upper[whole:] = np.round(answer.x[whole:])
    exact = session.run(goal, lower, upper).x
    if exact.size == 0:
        raise SolverError("the furthest formula could not be repeated as a linear program.")
    x = np.concatenate([exact[:n], np.round(exact[whole : whole + choices])])
    x[:n][x[:n] < USED] = 0.0
    if check_feasible(one.matrix, one.low, one.high, model.lower, case.upper, x) > 1e-6:
        raise SolverError("the furthest formula does not keep the rules it should keep.")
    distance = min(float(np.abs(x[counted] - here[counted]).sum()) for here in chosen)
    return distance, -float(answer.bound), x
