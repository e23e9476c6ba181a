"""Answers of briefs with curved rules: the descents' best end, told through one last program.

Limits: what is found is the best of its neighbourhood and of the starting points tried, not proven the best of all.
The prices are those of the last program and hold at that formula only.
"""

from __future__ import annotations

from math import inf, isnan, nan

import numpy as np

from optimizer.brief.brief import Brief, bent, straight
from optimizer.data.formula import Formula
from optimizer.errors import SolverError
from optimizer.immutable import immutable, replace
from optimizer.model.linearisation import Tangent, same_as, with_rules
from optimizer.rules import CurvedRule
from optimizer.solve.linear import solve_fully
from optimizer.solve.result import Result, Rounded, RuleOutcome
from optimizer.solve.rounding import NEAR, broken, grid_formula, near_grid
from optimizer.solve.solved import Solved
from optimizer.solve.trust_region import BOX, NARROWEST, Descent, SlpPoint
from optimizer.units import DESCENT_MET, SAME_WORTH, listed, number

ALIKE = 1e-3
"""Starting points whose doses differ by less count as one [% as supplied]."""
BOXES = (BOX, 0.5, 0.05, 0.005, NARROWEST)
"""Half-widths tried for the last program, widest first so that the box itself costs nothing."""
MARGINS = (0.0, 0.001, 0.005, 0.02, 0.05)
"""How far below its limit, relative, a curved rule is held to find a formula on the grid of the scale."""


@immutable
class Start:
    """Where descents start from.

    Attributes:
        plain: The linear part of the brief.
        near: A formula that stands in for the declared starting points.
        known: What earlier descents found, see `Descent`.
    """

    plain: Brief
    near: Formula | None
    known: dict[object, SlpPoint | None]


def best_near(brief: Brief, begun: Start, *, time_limit: float, solver: str, weighable: bool, exact: bool) -> Result:
    """Return the best formula found of a brief with a curved rule or objective; see `best.solve`."""
    plain, near = begun.plain, begun.near
    descent = Descent(brief, time_limit, bent(brief), known=begun.known)
    first = solve_fully(plain, time_limit=time_limit, solver=solver, exact=exact)
    if first.chosen is None:
        return replace(first.result, brief=brief)
    start = _point(first)
    bound = nan if isinstance(descent.goal[1], CurvedRule) else first.result.objective
    if not isnan(bound) and descent.kept(start, descent.rules):
        watched = with_rules(plain, {r.id: Tangent(**same_as(r), rowless=True) for r in descent.rules})
        done: Solved | None = solve_fully(watched, time_limit=time_limit, solver=solver, exact=exact)
        best, result = start, replace(done.result, brief=brief)  # type: ignore[union-attr]
    else:
        found = _best_found(descent, start, near, exact)
        if isinstance(found, Result):
            return found
        best, done = found
        result = _local(descent, done, first.result, bound)
    if weighable:
        rounded = _rounded(descent, best, result)
        why = f"No formula in steps of {number(brief.scenario.scale_step)} % was found near it that keeps every rule."
        result = replace(result, rounded=rounded, notes=(*result.notes, *([] if rounded.formula else [why])))
    return result


def _point(solved: Solved) -> SlpPoint:
    assert solved.chosen is not None
    assert solved.chosen.x is not None
    assert solved.result.formula is not None
    doses = solved.chosen.x[: solved.chosen.case.model.doses]
    return SlpPoint(doses, solved.result.formula, solved.result.setting)


def _best_found(
    descent: Descent, first: SlpPoint, near: Formula | None, exact: bool
) -> tuple[SlpPoint, Solved] | Result:
    """Return the best end of all descents with its last program, or the result that tells that none was found."""
    ends: list[SlpPoint] = []
    kept: list[SlpPoint] = []
    least = inf
    for start in descent.starts(first, near):
        descent.tried += 1
        for fully in (False, True) if descent.rules else (False,):
            point, broken = descent.restored(start, fully=fully)
            least = min(least, broken)
            new = not any(np.abs(point.doses - p.doses).max() < ALIKE for p in kept)
            if new and descent.kept(point, descent.rules):
                kept.append(point)
                ends.append(descent.descend(point, descent.goal, descent.rules))
    worths = [round(descent.worth(e, descent.goal), 9) for e in ends]
    for k in sorted(range(len(ends)), key=lambda k: (worths[k], k)):
        done = _last(descent, ends[k], exact)
        if done is not None:
            return ends[k], done
    readings = "; ".join(r.reading() for r in descent.rules)
    why = (
        f"No formula was found that keeps '{readings}': from {descent.tried} starting points the nearest missed it by "
        f"{number(least, 3)} {_unit(descent)}. That is no proof that there is none. See what it costs with 'frontier'."
    )
    return Result(descent.brief, "stopped", "none", nan, None, notes=(why,))


def _unit(descent: Descent) -> str:
    units = sorted({r.unit for r in descent.rules})
    return units[0] if len(units) == 1 else "of its unit"


def _asked(descent: Descent, point: SlpPoint, width: float, tightened: float = 0.0) -> Brief:
    """Return the brief with tangents at a point, the objective's own included, and the box round it."""
    measure = descent.goal[1]
    asked = descent.tangents(point, descent.rules, point.doses, width, tightened)
    if isinstance(measure, CurvedRule):
        box = {} if asked else descent.box(point.doses, width)
        asked.setdefault(measure.id, Tangent.at(measure, descent.brief.pool, point.doses, box=box))
    return with_rules(straight(descent.brief), asked)


def _last(descent: Descent, end: SlpPoint, exact: bool) -> Solved | None:
    """Return the last program at a point, told in full: its answer is that point, and its prices hold there."""
    for width in BOXES:
        try:
            done = solve_fully(_asked(descent, end, width), time_limit=descent.time_limit, exact=exact)
        except SolverError:  # the answer went too far along the tangent: a smaller box
            continue
        if done.chosen is not None and descent.kept(_point(done), descent.rules):
            worse = descent.worth(_point(done), descent.goal) - descent.worth(end, descent.goal)
            if worse <= DESCENT_MET * (1 + abs(descent.worth(end, descent.goal))):
                return done
    return None


def _local(descent: Descent, done: Solved, first: Result, bound: float) -> Result:
    """Return the answer of the last program as a local one, or as the best of all where it reaches the bound."""
    result, brief = done.result, descent.brief
    assert result.formula is not None
    measure = descent.goal[1]
    objective = measure.value(result.formula, result.setting)
    gap = abs(objective - bound) / (1 + abs(bound))
    if gap <= SAME_WORTH and first.ending == "optimal":
        equal = (f"As good as the best formula without {_names(descent)}, so none is better.",)
        return replace(result, brief=brief, objective=objective, ending="optimal", proof=first.proof, notes=equal)
    curved = {r.id for r in descent.rules} | {measure.id}
    rules = tuple(
        replace(_without_range(o), further=tuple(_without_range(a) for a in o.further)) if o.binding else o
        for o in result.rules
        if o.id not in curved or o.id in {r.id for r in brief.modelled}
    )
    names = _names(descent)
    bounded = "" if isnan(bound) else f" It cannot be better than {number(bound, 4)}, the best without the rule."
    told: tuple[str, ...] = (
        f"{names} is linear only around a formula: {descent.solves} programs from {descent.tried} starting points led "
        "here. The formula is checked by the rule's own equation, apart from the programs; a better one far from it "
        f"is not ruled out.{bounded}",
        "Prices and entry prices come from the last program: they hold at this formula only.",
    )
    settings = tuple(replace(s, proof="local") for s in result.settings)
    return replace(
        result,
        brief=brief,
        ending="feasible",
        proof="local",
        objective=objective,
        rules=rules,
        settings=settings,
        gap=gap,
        exact=f"last program: {result.exact}" if result.exact else "",
        notes=told,
    )


def _without_range(outcome: RuleOutcome) -> RuleOutcome:
    return replace(outcome, holds_from=nan, holds_to=nan, price_from=nan, price_to=nan)


def _names(descent: Descent) -> str:
    names = [f"'{r.name}'" for r in descent.rules] or [f"'{descent.goal[1].name}'"]
    return listed(names)


def _rounded(descent: Descent, best: SlpPoint, result: Result) -> Rounded:
    """Return the best grid formula near the answer that keeps every rule by its own measure."""
    brief, step = descent.brief, descent.brief.scenario.scale_step
    sign, measure = descent.goal
    found: list[tuple[float, int, Formula]] = []
    for n, margin in enumerate(MARGINS):
        asked = _asked(descent, best, BOX, margin)
        try:
            near = solve_fully(asked, time_limit=descent.time_limit, priced=False).chosen
        except SolverError:  # the answer went too far along the tangent: further below the limit
            continue
        if near is None or near.cost is None:
            continue
        counted = near_grid(asked, near, near.cost, NEAR)
        formula = None if counted is None else grid_formula(brief, counted[0])
        if formula is not None and not any(broken(r, formula, result.setting) for r in brief.enforced):
            found.append((round(sign * measure.value(formula, result.setting), 9), n, formula))
            if len(found) > 1:
                break
    if not found:
        return Rounded(step, None, proven=False)
    worth, _, formula = min(found)
    return Rounded(step, formula, sign * worth, worth - sign * result.objective, proven=False)
