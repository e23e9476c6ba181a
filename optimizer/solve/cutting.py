"""Briefs whose curved rules are convex: cutting planes reach the best of all.

The brief is solved without those rules; wherever the answer breaks one, the tangent there, which cuts off no formula
that keeps it, becomes a row, and the brief is solved again (Kelley, J. Soc. Indust. Appl. Math. 8 (1960) 703). The
answer of the last program keeps the rules by their own equations and is the best of all that the tangents leave, so
its proof is that of an ordinary program, and so is that of a brief that is impossible.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial

from optimizer.brief.brief import Brief, bent, straight
from optimizer.data.formula import Formula
from optimizer.data.pool import Pool, Vector
from optimizer.errors import SolverError
from optimizer.immutable import replace
from optimizer.model.linearisation import Cuts, same_as, with_rules
from optimizer.rules.row import Setting
from optimizer.solve.case_solver import CaseAnswer, Corridor
from optimizer.solve.linear import solve_fully
from optimizer.solve.result import Result, Rounded
from optimizer.solve.solved import Solved, formula_of
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
    ask = partial(solve_fully, time_limit=time_limit, solver=solver, weighable=weighable, exact=exact)
    cut, solved = solved_by(ask, gathered(brief, time_limit), time_limit)
    result = solved.result
    if result.formula is None:
        return replace(result, brief=cut)
    if weighable and result.rounded is not None and result.rounded.formula is None:
        result = replace(result, rounded=_rounded(cut, result, time_limit))
    lines = sum(len(r.cuts) for r in cut.modelled if isinstance(r, Cuts))
    told = f"Limits on what was measured hold on their one-sided bound, by {number(lines)} cutting rows."
    return replace(result, brief=brief, notes=(*result.notes, told))


def solved_by(ask: Callable[[Brief], Solved], cut: Brief, time_limit: float = 60.0) -> tuple[Brief, Solved]:
    """Return a brief whose tangents were gathered, with as many more as its answer takes, and that answer."""
    try:
        return cut, ask(cut)
    except SolverError:  # an equally good formula, told by the tie-breaks, lies between the tangents
        cut = _settled(cut, time_limit)
        return cut, ask(cut)


def closer(cut: Brief, found: Iterable[CaseAnswer]) -> Brief | None:
    """Return a brief with further tangents at formulas that break a rule behind its tangents; None if none does."""
    rules = {r.id: r for r in cut.modelled if isinstance(r, Cuts)}
    changed = False
    for answer in found:
        assert answer.x is not None
        broken = _further(rules, cut.pool, answer.x[: len(cut.pool)], formula_of(cut, answer), answer.case.settings[0])
        changed = changed or bool(broken)
        rules |= broken
    return with_rules(cut, rules) if changed else None


def gathered(brief: Brief, time_limit: float = 60.0) -> Brief:
    """Return a brief with its convex rules replaced by tangents, enough for the best of its objective.

    Raises:
        SolverError: If the tangents do not suffice.
    """
    rules = {r.id: Cuts(**same_as(r)) for r in bent(brief)}
    plain = straight(brief)
    for _ in range(ROUNDS):
        found = _best(with_rules(plain, rules), time_limit)
        if found is None:
            break
        further = _further(rules, brief.pool, *found)
        if not further:
            break
        rules |= further
    else:
        raise SolverError(f"{ROUNDS} cutting rows do not meet '{'; '.join(r.reading() for r in rules.values())}'.")
    return with_rules(plain, rules)


def _further(rules: dict[str, Cuts], pool: Pool, doses: Vector, formula: Formula, setting: Setting) -> dict[str, Cuts]:
    """Return the rules that an answer breaks by more than a part of their tolerance, with a tangent there."""
    broken = [n for n, r in rules.items() if r.curved.violation(formula, setting) > r.curved.slack() / 4]
    return {name: rules[name].cut_at(pool, doses) for name in broken}


def _settled(cut: Brief, time_limit: float) -> Brief:
    """Return the brief with tangents enough for the formula that its tie-breaks choose, too."""
    rules = {r.id: r for r in cut.modelled if isinstance(r, Cuts)}
    for _ in range(ROUNDS):
        loose = {name: rule.model_copy(update={"loose": True}) for name, rule in rules.items()}
        found = solve_fully(with_rules(cut, loose), time_limit=time_limit, priced=False)
        if found.chosen is None or found.chosen.x is None or found.result.formula is None:
            break
        doses = found.chosen.x[: len(cut.pool)]
        further = _further(rules, cut.pool, doses, found.result.formula, found.result.setting)
        if not further:
            break
        rules |= further
    return with_rules(cut, rules)


def _best(brief: Brief, time_limit: float) -> tuple[Vector, Formula, Setting] | None:
    """Return doses, formula and a pH setting of the best answer of a straight brief, or None."""
    sign, name = brief.scenario.objective.goals[0]
    found = [
        f for f in Corridor(brief, time_limit=time_limit).best_of_each(sign, brief.measure(name)) if f.x is not None
    ]
    if not found:
        return None
    best = min(found, key=lambda f: sign * f.objective)
    assert best.x is not None
    return best.x[: len(brief.pool)], formula_of(brief, best), best.case.settings[0]


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
