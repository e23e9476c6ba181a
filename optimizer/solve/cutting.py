"""Briefs whose curved rules are convex: cutting planes reach the best of all.

The brief is solved without those rules; wherever the answer breaks one, the tangent there, which cuts off no formula
that keeps it, becomes a row, and the brief is solved again (Kelley, J. Soc. Indust. Appl. Math. 8 (1960) 703). The
answer of the last program keeps the rules by their own equations and is the best of all that the tangents leave, so
its proof is that of an ordinary program, and so is that of a brief that is impossible.
"""

from __future__ import annotations

from optimizer.brief.brief import Brief, bent, straight
from optimizer.errors import SolverError
from optimizer.immutable import replace
from optimizer.model.linearisation import Cuts, same_as, with_rules
from optimizer.solve.linear import Solved, solve_fully
from optimizer.solve.result import Result, Rounded
from optimizer.units import number

ROUNDS = 60
"""Most programs."""
MARGINS = (1e-4, 1e-3, 5e-3, 0.02)
"""How far within its limit a rule is held to find a formula on the grid of the scale, in the scale of its tangents."""


def best_by_cuts(brief: Brief, *, time_limit: float, solver: str, weighable: bool, exact: bool) -> Result:
    """Return the best formula of a brief all of whose curved rules are convex; the objective is straight.

    Raises:
        SolverError: If an answer does not stand the check outside the solver.
    """
    cut, first = gathered(brief, time_limit)
    if first.chosen is None:
        return replace(first.result, brief=cut)
    result = solve_fully(cut, time_limit=time_limit, solver=solver, weighable=weighable, exact=exact).result
    if weighable and result.rounded is not None and result.rounded.formula is None:
        result = replace(result, rounded=_rounded(cut, result, time_limit))
    lines = sum(len(r.cuts) for r in cut.modelled if isinstance(r, Cuts))
    told = f"Limits on what was measured hold on their one-sided bound, by {number(lines)} cutting rows."
    return replace(result, brief=brief, notes=(*result.notes, told))


def gathered(brief: Brief, time_limit: float = 60.0) -> tuple[Brief, Solved]:
    """Return a brief with its convex rules replaced by tangents enough for its objective, and its last answer.

    Raises:
        SolverError: If the tangents do not suffice.
    """
    rules = {r.id: Cuts(**same_as(r), loose=True) for r in bent(brief)}
    plain = straight(brief)
    for _ in range(ROUNDS):
        found = solve_fully(with_rules(plain, rules), time_limit=time_limit, priced=False)
        if found.chosen is None:
            break
        broken = _broken(rules, found)
        if not broken:
            break
        assert found.chosen.x is not None
        doses = found.chosen.x[: len(brief.pool)]
        rules |= {name: rules[name].cut_at(brief.pool, doses) for name in broken}
    else:
        raise SolverError(f"{ROUNDS} cutting rows do not meet '{'; '.join(r.reading() for r in rules.values())}'.")
    whole = {name: rule.model_copy(update={"loose": False}) for name, rule in rules.items()}
    return with_rules(plain, whole), found


def _broken(rules: dict[str, Cuts], found: Solved) -> list[str]:
    """Return the rules that an answer breaks by more than a part of their tolerance."""
    formula, setting = found.result.formula, found.result.setting
    assert formula is not None
    return [n for n, r in rules.items() if r.curved.violation(formula, setting) > r.curved.slack() / 4]


def _rounded(cut: Brief, result: Result, time_limit: float) -> Rounded | None:
    """Return a grid formula of the brief with its tangents held within their limits, or what there was."""
    for margin in MARGINS:
        held = {r.id: r.model_copy(update={"tightened": margin}) for r in cut.modelled if isinstance(r, Cuts)}
        try:
            again = solve_fully(with_rules(cut, held), time_limit=time_limit, weighable=True, priced=False).result
        except SolverError:
            continue
        if again.rounded is not None and again.rounded.formula is not None:
            sign = cut.scenario.objective.goals[0][0]
            worse = sign * (again.rounded.objective - result.objective)
            return replace(again.rounded, cost_of_rounding=worse, proven=False)
    return result.rounded
