"""Briefs with curved rules, by successive linear programs: always a formula that keeps them, the best one nearby.

First the brief without its curved rules is solved: if that answer keeps them, it is the best of all. Otherwise
descents (`descent`) run from several starting points, declared and in a fixed order, and the best end is told through
one last program whose answer it is (`curved`, which is loaded only then).

Limits: what is found is the best of its neighbourhood and of the starting points tried, not proven the best of all.
The prices are those of the last program and hold at that formula only.
"""

from __future__ import annotations

from typing import Any

from optimizer.brief.brief import Brief, bent, straight
from optimizer.brief.scenario import Objective
from optimizer.data.formula import Formula
from optimizer.immutable import replace
from optimizer.rules import CurvedRule
from optimizer.solve.linear import solve_fully
from optimizer.solve.result import Result


def linear_part(brief: Brief) -> Brief:
    """Return what linear programs alone can answer of a brief: no curved rule with a limit, cost for a curved goal."""
    plain = straight(brief)
    if not isinstance(brief.measure(plain.scenario.objective.goals[0][1]), CurvedRule):
        return plain
    cost = Objective(minimise="cost", then=plain.scenario.objective.then)
    return replace(plain, scenario=plain.scenario.model_copy(update={"objective": cost}))


def is_curved(brief: Brief) -> bool:
    """Return whether a rule with a limit, or the objective, is curved."""
    return bool(bent(brief)) or isinstance(brief.measure(brief.scenario.objective.goals[0][1]), CurvedRule)


def by_cuts(brief: Brief) -> bool:
    """Return whether all that is curved of a brief is rules that are convex."""
    goal = brief.measure(brief.scenario.objective.goals[0][1])
    return not isinstance(goal, CurvedRule) and all(r.convex for r in bent(brief))


def solve(
    brief: Brief,
    *,
    time_limit: float = 60.0,
    solver: str = "",
    weighable: bool = False,
    exact: bool = False,
    near: Formula | None = None,
    known: dict[object, Any] | None = None,
    next_best: int = 0,
    ranges: bool = False,
) -> Result:
    """Return the best formula of a brief, curved rules and a curved objective included.

    Args:
        brief: What to solve.
        time_limit: Seconds for each integer program [s].
        solver: Name of a PuLP solver that searches the first program instead of HiGHS.
        weighable: Also round the formula to the grid of the maker's scale.
        exact: Also check the vertex of the last program in rational arithmetic.
        near: A formula that keeps the straight rules and stands in for the declared starting points.
        known: What briefs that differ only in the limit of their one curved rule have in common (see `Descent`).
        next_best: Also say what the answer costs without each of its choices, so many at most; not of a local answer.
        ranges: Also say how far each limit may move until another choice is better; not of a local answer.

    Raises:
        SolverError: If an answer does not stand the check outside the solver.
    """
    if not is_curved(brief):
        return solve_fully(
            brief, time_limit=time_limit, solver=solver, weighable=weighable, exact=exact, next_best=next_best,
            ranges=ranges,
        ).result  # fmt: skip
    if by_cuts(brief):
        from optimizer.solve.cutting import best_by_cuts

        return best_by_cuts(brief, time_limit=time_limit, solver=solver, weighable=weighable, exact=exact)
    from optimizer.solve.slp import Start, best_near

    start = Start(linear_part(brief), near, {} if known is None else known)
    return best_near(brief, start, time_limit=time_limit, solver=solver, weighable=weighable, exact=exact)
