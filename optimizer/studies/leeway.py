"""Room to move: how far each dose may go while the objective stays within a stated loss.

For every candidate the least and the most dose over all pH settings and choices under the cap
objective <= best + loss; then formulas within that loss that differ as much as possible (`reach`).
"""

from __future__ import annotations

from math import inf

import numpy as np

from optimizer.assessment.alarms import cautions_at
from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution
from optimizer.data.formula import Formula
from optimizer.errors import UsageError
from optimizer.immutable import Figure, immutable, seen, told, told_as, untold
from optimizer.solve.case_solver import CaseAnswer
from optimizer.solve.linear import formula_of, solve_fully
from optimizer.solve.parametric import widest
from optimizer.solve.reach import Capped, capped, furthest_of, ranges
from optimizer.solve.result import Result

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


@immutable
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
    solved = solve_fully(brief, priced=False)
    if solved.result.formula is None or solved.chosen is None:
        raise UsageError(
            "the brief has no formula, so there is no room to move. See what clashes with 'tenside blend'."
        )
    every = [capped(solved.corridor, case, solved.chosen, loss) for case in widest(solved.corridor.cases)]
    n = len(brief.pool)
    least, most = np.full(n, inf), np.full(n, -inf)
    for one in every:
        low, high = ranges(one)
        least, most = np.minimum(least, low), np.maximum(most, high)
    rooms = []
    for j, item in enumerate(brief.pool.items):
        dose = solved.result.formula.dose(item.id)
        a, b = min(float(least[j]), dose), max(float(most[j]), dose)
        member = "every" if a > SEEN else "some" if b > SEEN else "no"
        rooms.append(Room(item.id, item.material.name, dose, a, b, member))
    found = _alternatives(brief, every, solved.chosen, alternatives, time_limit)
    return Leeway(solved.result, loss, tuple(rooms), found)


def _alternatives(
    brief: Brief, every: list[Capped], best: CaseAnswer, wanted: int, time_limit: float
) -> tuple[Alternative, ...]:
    assert best.x is not None
    chosen = [best.x[: len(brief.pool)]]
    found: list[Alternative] = []
    measure = brief.measure(brief.scenario.objective.goals[0][1])
    for _ in range(wanted):
        far = furthest_of(every, chosen, time_limit)
        if far is None or far.distance <= SEEN:
            break
        doses = far.x[: len(brief.pool)]
        chosen.append(doses)
        formula = formula_of(brief, CaseAnswer(far.case, "optimal", "solver bound", far.distance, far.x))
        worth = measure.value(formula, far.case.settings[0])
        found.append(Alternative(formula, worth, far.distance, far.gap))
    return tuple(found)
