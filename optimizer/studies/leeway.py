"""Room to move: how far each dose may go while the objective stays within a stated loss.

For every candidate the least and the most dose over all pH settings and choices under the cap
objective <= best + loss; then formulas within that loss that differ as much as possible (`reach`).
"""

from __future__ import annotations

from math import inf

import numpy as np

from optimizer.assessment.alarms import cautions_at
from optimizer.brief.brief import Brief, bent
from optimizer.data.cautions import Caution
from optimizer.data.formula import Formula
from optimizer.errors import SolverError, UsageError
from optimizer.immutable import Figure, immutable, replace, result, seen, told, told_as, untold
from optimizer.model.model import widest
from optimizer.solve.best import by_cuts
from optimizer.solve.case_solver import CaseAnswer
from optimizer.solve.cutting import closer, gathered, solved_by
from optimizer.solve.linear import solve_fully
from optimizer.solve.reach import Capped, at_ends, capped, ends_of, furthest_of
from optimizer.solve.result import Result
from optimizer.solve.solved import Solved, formula_of

ROUNDS = 30
"""Most rounds of cutting rows."""
SEEN = 1e-3
"""Doses up to this [%] are no room: what the solver's tolerance leaves open at a loss of 0 is less."""


@immutable
class Room:
    """How far one dose may move [%]."""

    id: str
    """The material."""
    name: str
    dose: float
    """Its dose in the best formula [%]."""
    least: float
    """Least dose within the loss."""
    most: float
    """Most dose within the loss."""
    member: str
    """'every', 'some' or 'no' formula within the loss uses it."""


@immutable
class Alternative:
    """A formula within the loss, far from the others."""

    formula: Formula
    """Its doses."""
    objective: float
    """Its objective."""
    distance: float = told_as("distance_percent")
    """Sum of |difference| to the nearest one chosen before [%], water aside."""
    gap: Figure
    """How much further one could at most lie, relative; 0 if proven furthest."""


@result
class Leeway:
    """Room to move within a loss: the output of `tenside leeway --json`."""

    FORMAT = 1
    result: Result = untold()
    """The best formula, without prices of limits."""
    brief: str = seen("result.brief.scenario.name")
    best: float = seen("result.objective")
    loss: float
    """Allowed loss, in the objective's unit."""
    rooms: tuple[Room, ...]
    """Every candidate, sorted by id."""
    alternatives: tuple[Alternative, ...]
    """Formulas within the loss, as different as possible."""

    @told
    def cautions(self) -> tuple[Caution, ...]:
        """Those that always apply and those of the best formula."""
        return cautions_at(self.result.brief, self.result.formula, self.result.setting)


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
    if bent(brief) and by_cuts(brief):
        return _by_cuts(brief, loss, alternatives, time_limit)
    return _straight(brief, solve_fully(brief, priced=False), loss, alternatives, time_limit)[0]


def _by_cuts(brief: Brief, loss: float, alternatives: int, time_limit: float) -> Leeway:
    """Return the room where curved rules are convex: tangents are added until every formula at an end keeps them."""
    cut = gathered(brief)
    for _ in range(ROUNDS):
        cut, solved = solved_by(lambda b: solve_fully(b, priced=False), cut)
        found, met = _straight(cut, solved, loss, alternatives, time_limit)
        further = closer(cut, met)
        if further is None:
            return replace(found, result=replace(found.result, brief=brief))
        cut = further
    raise SolverError(f"{ROUNDS} rounds of cutting rows do not reach the ends of all doses.")


def _straight(
    brief: Brief, solved: Solved, loss: float, alternatives: int, time_limit: float
) -> tuple[Leeway, list[CaseAnswer]]:
    """Return the room of a brief that is straight, and the formulas that it rests on."""
    if solved.result.formula is None or solved.chosen is None:
        raise UsageError(
            "the brief has no formula, so there is no room to move. See what clashes with 'tenside blend'."
        )
    every = [capped(solved.corridor, case, solved.chosen, loss) for case in widest(solved.corridor.cases)]
    n = len(brief.pool)
    least, most = np.full(n, inf), np.full(n, -inf)
    met: list[CaseAnswer] = []
    for one in every:
        ends = at_ends(one)
        met += [CaseAnswer(one.case, "optimal", "certificate", 0.0, x) for x in ends]
        low, high = ends_of(one, ends)
        least, most = np.minimum(least, low), np.maximum(most, high)
    rooms = []
    for j, item in enumerate(brief.pool.items):
        dose = solved.result.formula.dose(item.id)
        a, b = min(float(least[j]), dose), max(float(most[j]), dose)
        member = "every" if a > SEEN else "some" if b > SEEN else "no"
        rooms.append(Room(item.id, item.material.name, dose, a, b, member))
    others = _alternatives(brief, every, solved.chosen, alternatives, time_limit)
    met += [answer for _, answer in others]
    found = tuple(other for other, _ in others)
    return Leeway(result=solved.result, loss=loss, rooms=tuple(rooms), alternatives=found), met


def _alternatives(
    brief: Brief, every: list[Capped], best: CaseAnswer, wanted: int, time_limit: float
) -> list[tuple[Alternative, CaseAnswer]]:
    assert best.x is not None
    chosen = [best.x[: len(brief.pool)]]
    found = []
    measure = brief.measure(brief.scenario.objective.goals[0][1])
    for _ in range(wanted):
        far = furthest_of(every, chosen, time_limit)
        if far is None or far.distance <= SEEN:
            break
        doses = far.x[: len(brief.pool)]
        chosen.append(doses)
        answer = CaseAnswer(far.case, "optimal", "solver bound", far.distance, far.x)
        formula = formula_of(brief, answer)
        worth = measure.value(formula, far.case.settings[0])
        found.append((Alternative(formula, worth, far.distance, far.gap), answer))
    return found
