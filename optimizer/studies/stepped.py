"""The trade-off of two measures where something is curved: one formula per limit, each the best found there.

Between the best of the optimised measure alone and the best of the swept one, limits are set in even steps. Each
brief is answered by successive programs from the declared starting points, as `blend` answers it, then from the
formulas at both neighbouring limits, forwards and backwards; the best is kept, so no point is worse than `blend` at
its limit, nor than a point that gives up less. Every point keeps every rule by the rules' own equations, but it is a
local answer: a better formula far from it is not ruled out. The stretches between the points are chords, so the
exchange rate is that between two formulas, not the exact slope.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from math import inf, nan

import numpy as np

from optimizer.brief.brief import Brief, bent
from optimizer.brief.scenario import Objective
from optimizer.data.formula import Formula
from optimizer.errors import UsageError
from optimizer.immutable import replace
from optimizer.model.linearisation import with_rules
from optimizer.rules import CurvedRule, Rule
from optimizer.solve.best import solve
from optimizer.solve.case_solver import Sign
from optimizer.solve.frontier.tradeoff import Axis, Break, Frontier, Stretch
from optimizer.solve.result import Result
from optimizer.solve.trust_region import SlpPoint
from optimizer.units import DOSE_TOLD, KEPT, SAME_WORTH

POINTS = 7
"""Limits of the swept measure, both ends included."""
ROOM = 1e-4
"""How far short of the best of the swept measure the last limit stays, relative to the whole trade-off."""
SWEPT = "swept"
"""Id of the rule that holds the swept measure."""


def needs_steps(brief: Brief, *names: str) -> bool:
    """Return whether a rule with a limit, or one of the measures named, is curved."""
    return bool(bent(brief)) or any(isinstance(brief.measure(n), CurvedRule) for n in names)


def stepped(
    brief: Brief,
    y: tuple[Sign, str],
    x: tuple[Sign, str],
    tell: Callable[[str], None] | None = None,
    *,
    points: int = POINTS,
) -> Frontier:
    """Return the trade-off of two measures by steps.

    Args:
        brief: The brief; its own objective plays no part.
        y: Sign (1 minimise, -1 maximise) and name of the optimised measure.
        x: Sign and name of the swept measure.
        tell: Told how far it has come.
        points: How many limits.

    Raises:
        UsageError: If both measures are curved, or a curved one is to be as high as possible.
    """
    optimised, swept = Axis(y[1], y[0], brief.measure(y[1])), Axis(x[1], x[0], brief.measure(x[1]))
    if isinstance(optimised.measure, CurvedRule):
        optimised, swept = swept, optimised
    if isinstance(optimised.measure, CurvedRule):
        raise UsageError(f"'{x[1]}' and '{y[1]}' are both linear only around a formula: trade one of them for another.")
    if isinstance(swept.measure, CurvedRule) and swept.sign < 0:
        raise UsageError(f"'{swept.name}' can only be traded downwards: write 'minimise {swept.name}'.")
    swept = swept.limited
    solves = 2
    first, last = _best(brief, optimised), _best(brief, swept)
    if first.formula is None or last.formula is None:
        return Frontier(brief, swept, optimised, (), (), True, solves, local=True)
    start, end = (swept.measure.value(r.formula, r.setting) for r in (first, last) if r.formula is not None)
    limits = np.linspace(start, end + ROOM * (start - end), points)[1:].tolist()
    briefs = [_limited(brief, swept, limit) for limit in limits]
    # Where only the limit of the one curved rule differs, starting points and the way down from them are the same.
    known: dict[object, SlpPoint | None] | None = {} if isinstance(swept.measure, CurvedRule) else None
    found = []
    for k, asked in enumerate(briefs):
        if tell is not None:
            tell(f"limit {k + 1} of {len(briefs)}")
        found.append(_best(asked, optimised, known=known))
    solves += len(found) + _bettered(briefs, optimised, found, (first, last), known, tell)
    if found[-1].formula is None:  # the swept measure's own best keeps the last limit, whatever it costs
        found[-1] = last
    found = [first, *(r for r in found if r.formula is not None)]
    breaks = _breaks(optimised, swept, found)
    return Frontier(brief, swept, optimised, breaks, _stretches(brief, breaks), True, solves, local=True)


def _bettered(
    briefs: list[Brief],
    optimised: Axis,
    found: list[Result],
    ends: tuple[Result, Result],
    known: dict[object, SlpPoint | None] | None,
    tell: Callable[[str], None] | None,
) -> int:
    """Look for better answers from the formulas beside them, forwards and backwards; return how many programs ran."""
    solves, order = 0, range(len(found))
    for way, near in zip((order, reversed(order)), ends, strict=True):
        for k in way:
            if tell is not None:
                tell(f"limit {k + 1} of {len(briefs)} again, from the formula beside it")
            if near.formula is not None and found[k].ending != "optimal":
                again = _best(briefs[k], optimised, near.formula, known)
                found[k] = min(found[k], again, key=lambda r: _worth(optimised, r))
                solves += 1
            near = found[k]
    return solves


def _best(
    brief: Brief, axis: Axis, near: Formula | None = None, known: dict[object, SlpPoint | None] | None = None
) -> Result:
    word = "minimise" if axis.sign > 0 else "maximise"
    goal = Objective.model_validate({word: axis.name})
    return solve(replace(brief, scenario=brief.scenario.model_copy(update={"objective": goal})), near=near, known=known)


def _worth(axis: Axis, result: Result) -> float:
    return inf if result.formula is None else axis.sign * axis.measure.value(result.formula, result.setting)


def _limited(brief: Brief, axis: Axis, limit: float) -> Brief:
    """Return the brief with the swept measure held at a limit; a rule of that measure keeps its own as well."""
    side = {"at_most": limit} if axis.sign > 0 else {"at_least": limit}
    rule: Rule = axis.measure.model_copy(update={"id": SWEPT, **side})
    return with_rules(brief, {SWEPT: rule})


def _breaks(optimised: Axis, swept: Axis, found: list[Result]) -> tuple[Break, ...]:
    """Return the points that none betters in both measures, in the improving direction of the swept one."""
    ends = []
    for result in found:
        assert result.formula is not None
        x, y = (a.measure.value(result.formula, result.setting) for a in (swept, optimised))
        ends.append((swept.sign * x, optimised.sign * y, x, y, result))
    kept = [t for t in ends if not any(o[0] <= t[0] and o[1] <= t[1] and o[:2] != t[:2] for o in ends)]
    kept.sort(key=lambda t: (-t[0], t[1]))
    breaks: list[Break] = []
    for _, _, x, y, result in kept:
        if breaks and abs(breaks[-1].x - x) <= SAME_WORTH * (1 + abs(x)):
            continue
        assert result.formula is not None
        doses = {line.item.id: line.percent for line in result.formula.lines if line.percent > DOSE_TOLD}
        breaks.append(Break(x, y, doses, settings=(result.setting,)))
    return tuple(
        replace(b, enters=tuple(sorted(n.doses.keys() - b.doses)), leaves=tuple(sorted(b.doses.keys() - n.doses)))
        for b, n in pairwise([*breaks, *breaks[-1:]])
    )


def _stretches(brief: Brief, breaks: tuple[Break, ...]) -> tuple[Stretch, ...]:
    """Return the chords between the points."""
    made = []
    for one, other in pairwise(breaks):
        rate = (other.y - one.y) / (other.x - one.x)
        change = {n: other.doses.get(n, 0.0) - one.doses.get(n, 0.0) for n in brief.pool.ids}
        moves = {n: d for n, d in change.items() if abs(d) > KEPT}
        used = tuple(n for n in brief.pool.ids if n in one.doses or n in other.doses)
        made.append(Stretch(one.x, other.x, one.y, other.y, rate, rate, (nan, nan), moves, used))
    return tuple(made)
