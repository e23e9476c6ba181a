"""From brief to result: the best case, its pH, prices, and the checks that nobody sees an answer without."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from fractions import Fraction
from math import nan
from typing import TYPE_CHECKING

import numpy as np

from optimizer import __version__
from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula
from optimizer.engine.ending import Ending, Proof, weakest
from optimizer.engine.highs import highs_version
from optimizer.errors import SolverError
from optimizer.immutable import replace
from optimizer.rules import LimitRule
from optimizer.rules.row import Setting
from optimizer.solve.case_solver import Brancher, CaseAnswer, Corridor, Sign
from optimizer.solve.lexicographic import preferred_of, settle
from optimizer.solve.result import PhOutcome, Result, RuleOutcome, SettingOutcome
from optimizer.solve.rounding import round_formula
from optimizer.solve.shadow_prices import entry_prices, measure_rules, price_rules
from optimizer.solve.solved import Solved, choices_of, choose_ph, formula_of
from optimizer.units import USED

if TYPE_CHECKING:
    from optimizer.engine.exact import ExactCheck


def solve_fully(
    brief: Brief,
    *,
    time_limit: float = 60.0,
    solver: str = "",
    weighable: bool = False,
    exact: bool = False,
    priced: bool = True,
    next_best: int = 0,
    ranges: bool = False,
) -> Solved:
    """Return the best formula of a brief, proven over every pH setting and choice.

    Args:
        brief: What to solve.
        time_limit: Seconds for each integer program [s].
        solver: Name of a PuLP solver that searches instead of HiGHS.
        weighable: Also round the formula to the grid of the maker's scale.
        exact: Also check the optimal vertex in rational arithmetic.
        priced: Also say which limits bind, what they cost, and what unused materials must cost to come in.
        next_best: Also say what the answer costs without each of its choices, so many at most, and above which price
            no choice lets in what one keeps out.
        ranges: Also say how far each limit may move until another choice is better.

    Raises:
        SolverError: If an answer does not stand the check outside the solver.
    """
    corridor = Corridor(brief, time_limit=time_limit, brancher=_brancher(solver, time_limit) if solver else None)
    goals = tuple((sign, brief.measure(name)) for sign, name in brief.scenario.objective.goals)
    found = corridor.best_of_each(*goals[0])
    solved = [f for f in found if f.x is not None]
    provenance = provenance_of(brief, solver)
    if not solved:
        return Solved(_without_formula(brief, found, provenance), corridor, tuple(found), None)
    chosen, ph, formula = _preferred(corridor, solved, goals)
    result = _with_formula(brief, found, chosen, ph, formula, provenance, priced=priced)
    if weighable:
        result = replace(result, rounded=round_formula(brief, result, chosen))
    if exact:
        result = replace(result, exact=_checked_exactly(chosen, found).words)
    return _with_more(Solved(result, corridor, tuple(found), chosen), next_best, ranges)


def _preferred(
    corridor: Corridor, solved: list[CaseAnswer], goals: tuple[tuple[Sign, LimitRule], ...]
) -> tuple[CaseAnswer, PhOutcome | None, Formula]:
    """Return the best of all cases at its pH; of those that are as good the one that the further goals prefer."""
    sign = goals[0][0]
    best = min(solved, key=lambda f: sign * f.objective)
    ties = [f for f in solved if sign * (f.objective - best.objective) <= best.margin]
    settled = [_at_its_ph(corridor, settle(corridor, f, goals), goals[0]) for f in ties]
    even = preferred_of([chosen for chosen, _, _ in settled], goals[1:], corridor.brief.pool)
    return settled[max(even, key=lambda i: (round(_margin(settled[i][1]), 9), -i))]


def _with_formula(
    brief: Brief,
    found: list[CaseAnswer],
    chosen: CaseAnswer,
    ph: PhOutcome | None,
    formula: Formula,
    provenance: dict[str, str],
    *,
    priced: bool,
) -> Result:
    """Return what cases come to of which one holds the answer, with every rule measured and, if asked, priced.

    Raises:
        SolverError: If the formula breaks a rule or is not worth what was proven.
    """
    setting = Setting() if ph is None else ph.setting
    outcomes = measure_rules(brief, formula, setting)
    if priced:
        outcomes = price_rules(brief, chosen, chosen.basis, outcomes)
    objective = brief.measure(brief.scenario.objective.goals[0][1]).value(formula, setting)
    _refuse_what_differs(chosen, outcomes, objective)
    proven = all(f.ending in ("optimal", "infeasible") and f.proof != "none" for f in found)
    return Result(
        brief,
        "optimal" if proven else "feasible",
        _joint_proof(found) if proven else "none",
        objective,
        formula,
        rules=outcomes,
        ph=ph,
        settings=tuple(map(_setting_outcome, found)),
        choices=choices_of(chosen),
        entry_prices=entry_prices(brief, chosen) if priced else (),
        barred=chosen.case.barred,
        degenerate=chosen.basis.degenerate,
        gap=max(f.gap for f in found),
        provenance=provenance,
        groups=_groups(found),
    )


def _without_formula(brief: Brief, found: list[CaseAnswer], provenance: dict[str, str]) -> Result:
    """Return what cases that have no formula come to."""
    endings = {f.ending for f in found}
    ending: Ending = "failed" if "failed" in endings else "stopped" if "stopped" in endings else "infeasible"
    proof = _joint_proof(found) if ending == "infeasible" else "none"
    settings = tuple(map(_setting_outcome, found))
    return Result(brief, ending, proof, nan, None, settings=settings, provenance=provenance, groups=_groups(found))


def _with_more(whole: Solved, next_best: int, ranges: bool) -> Solved:
    """Return an answer with what is asked of its choices and of the ranges of its limits; see `solve_fully`."""
    result = whole.result
    if ranges:
        from optimizer.solve.holding import held

        result = replace(result, rules=held(whole))
    if next_best and any(entry.kept_out for entry in result.entry_prices):
        from optimizer.solve.entry import bounded

        result = replace(result, entry_prices=bounded(whole))
    if next_best:
        from optimizer.solve.without import without

        result = replace(result, without=without(whole, next_best))
    return replace(whole, result=result)


def _checked_exactly(chosen: CaseAnswer, found: Iterable[CaseAnswer]) -> ExactCheck:
    """Return the answer's check in rational arithmetic, with every box of choices of every case."""
    from optimizer.engine.exact import check_exactly, shortfall

    assert chosen.x is not None
    told = check_exactly(chosen.basis, chosen.x)
    trees = [(f, f.tree) for f in found if f.tree is not None]
    short = []
    for one, tree in trees:
        assert one.cost is not None
        model = one.case.model
        best = None if one.answer is None else check_exactly(one.basis).objective
        short.append(shortfall((model.matrix, model.row_low, model.row_high), one.cost, tree, best))
    return told.beside(sum(len(tree.leaves) for _, tree in trees), max(short, default=Fraction(0)))


def _refuse_what_differs(found: CaseAnswer, outcomes: tuple[RuleOutcome, ...], objective: float) -> None:
    """Refuse a formula that breaks a rule or that is not worth what was proven.

    Raises:
        SolverError: If it does.
    """
    missed = next((o for o in outcomes if o.missed), None)
    if missed is not None:
        by = f"{missed.violation:.3g} {missed.unit}".strip()
        what = f"the formula breaks '{missed.reading}' by {by}; the answer is withheld."
        raise SolverError(f"{what} Doses below {USED:g} % do not count: look for figures of very different size.")
    if not abs(objective - found.objective) <= found.margin + _worth_of_dust(found):
        told = f"{found.objective:.10g} was proven, the formula comes to {objective:.10g}"
        raise SolverError(f"{told}; the answer is withheld. Look for figures of very different size in the brief.")


def _worth_of_dust(found: CaseAnswer) -> float:
    """Return what the doses that are too small to count add to the objective."""
    assert found.x is not None
    assert found.cost is not None
    terms = np.abs(found.cost) * np.abs(found.x)
    dust = terms[: found.case.model.doses][found.x[: found.case.model.doses] <= USED].sum()
    return found.weight * float(dust / terms.sum()) if dust else 0.0


def _at_its_ph(
    corridor: Corridor, found: CaseAnswer, goal: tuple[Sign, LimitRule]
) -> tuple[CaseAnswer, PhOutcome | None, Formula]:
    """Return a point in the case of the pH that it is told with, so that prices and barred materials are those."""
    brief, formula = corridor.brief, formula_of(corridor.brief, found)
    ph = choose_ph(brief, found.case, formula, corridor.cases)
    if ph is None or any(s.target == ph.target for s in found.case.settings):
        return found, ph, formula
    case = next(
        c for c in corridor.cases if c.model is found.case.model and any(s.target == ph.target for s in c.settings)
    )
    assert found.x is not None
    there = corridor.repriced(replace(found, case=case), *goal, found.x[case.model.doses :])
    return replace(there, x=found.x), ph, formula


def _margin(ph: PhOutcome | None) -> float:
    return 0.0 if ph is None else min(ph.target - ph.low, ph.high - ph.target)


def _setting_outcome(found: CaseAnswer) -> SettingOutcome:
    settings = found.case.settings
    first, last = settings[0].target, settings[-1].target
    return SettingOutcome(
        nan if first is None else first,
        nan if last is None else last,
        found.ending,
        found.objective,
        found.proof,
        len(found.case.barred),
    )


def _groups(found: list[CaseAnswer]) -> int:
    """Return how many groups of choices were held against the answer."""
    return sum(len(f.tree.leaves) for f in found if f.tree is not None)


def _joint_proof(found: list[CaseAnswer]) -> Proof:
    return weakest({f.proof for f in found})


def provenance_of(brief: Brief, solver: str = "") -> dict[str, str]:
    """Return versions, solver and file hashes."""
    files = {f"sha256 {name}": value for name, value in sorted(brief.files.items())}
    used = f"{solver} through PuLP, certified with HiGHS" if solver else "HiGHS"
    python = ".".join(map(str, sys.version_info[:3]))
    versions = {
        "tenside": __version__,
        "python": python,
        "solver": used,
        "HiGHS": highs_version(),
        "numpy": np.__version__,
    }
    return {**versions, **files}


def _brancher(solver: str, time_limit: float) -> Brancher:
    from optimizer.engine import pulp_path

    chosen = pulp_path.named_solver(solver, time_limit)
    return lambda model, cost, lower, upper: pulp_path.run(chosen, model, cost, lower, upper)
