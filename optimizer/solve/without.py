"""The next best choices: what the best formula costs without one of the yes/no choices that were made."""

from __future__ import annotations

from collections.abc import Iterator
from math import inf

from optimizer.engine.tree import Leaf, bounds_of, lowest_below
from optimizer.immutable import replace
from optimizer.rules import named_measure
from optimizer.rules.row import Setting
from optimizer.solve.case_solver import CaseAnswer
from optimizer.solve.result import Without
from optimizer.solve.solved import Solved, formula_of
from optimizer.units import BETTER, USED

RATINGS = ("mildness", "flash-foam", "foam-density")
"""What of a formula without a choice is told beside its worth: planning ratings, which nobody measured."""


def without(solved: Solved, most: int) -> tuple[Without, ...]:
    """Return the best without each of the choices made, the least loss first.

    The leaves of the trees that prove the answer bound from below what each choice is worth: their row prices hold in
    every box within theirs. Only where that bound is below what is known already are the leaves gone on from, and the
    tree that comes of it is checked like any other answer. What cannot be left out at all is not told.

    Args:
        solved: An answer with its programs; one that no tree proves has none.
        most: How many materials are told; choices that are no material, such as the way to thicken, come last.
    """
    chosen = solved.chosen
    if chosen is None or not all(_counts(solved, f) for f in solved.found):
        return ()
    bounds = {key: found for key in _taken(chosen) if (found := _bounds(solved, key))}
    ratio = solved.result.brief.measure(solved.result.brief.scenario.objective.goals[0][1]).ratio
    told: dict[tuple[tuple[str, float], ...], Without] = {}
    ways: list[Without] = []
    for least, key in sorted((found[0][0], key) for key, found in bounds.items()):
        way = not key.startswith("use:")
        known = sorted(one.worse for one in told.values())
        last = inf if way or ratio or len(known) < most else known[most - 1]
        one = None if last <= least else _best_without(solved, key, bounds[key], last)
        if one is None:
            continue
        if way:
            ways.append(one)
            continue
        same = tuple((line.item.id, round(line.percent, 6)) for line in one.formula.lines)
        if same in told:
            one = replace(told[same], choices=(*told[same].choices, *one.choices))
        told[same] = one
    return (*sorted(told.values(), key=lambda one: (one.worse, one.choices))[:most], *ways)


def _counts(solved: Solved, found: CaseAnswer) -> bool:
    """Return whether a case has a tree or allows no more than one of its model that has."""
    wider = (f for f in solved.found if f.tree is not None and f.case.model is found.case.model)
    return found.tree is not None or any((found.case.upper <= f.case.upper).all() for f in wider)


def _taken(chosen: CaseAnswer) -> Iterator[str]:
    """Yield the keys of what was chosen, materials that are dosed among them."""
    model = chosen.case.model
    assert chosen.x is not None
    position = {name: p for p, name in enumerate(model.names)}
    for choice, value in zip(model.choices, chosen.x[model.doses :], strict=True):
        own = position.get(choice.key.removeprefix("use:"))
        if value > 0.5 and (own is None or chosen.x[own] > USED):
            yield choice.key


def _column(found: CaseAnswer, key: str) -> int | None:
    """Return the column of a choice, None if the case has none of it."""
    names = found.case.model.names
    return names.index(key) if key in names else None


def _bounds(solved: Solved, key: str) -> list[tuple[float, int]]:
    """Return what the objective loses at least without a choice, by the leaves of each case, the least first."""
    found = []
    for position, case in enumerate(solved.found):
        column = _column(case, key)
        if case.tree is None or case.cost is None or column is None:
            continue
        inside = [_shut(leaf, column) for leaf in case.tree.leaves if leaf.lower[column] < 0.5 and not leaf.empty]
        session = solved.corridor.session(case.case.model)
        least = float(bounds_of(session, case.cost, inside).min(initial=inf)) - _level(solved, case)
        if least < inf:
            found.append((max(0.0, least), position))
    return sorted(found)


def _shut(leaf: Leaf, column: int) -> Leaf:
    upper = leaf.upper.copy()
    upper[column] = 0.0
    return replace(leaf, upper=upper)


def _level(solved: Solved, found: CaseAnswer) -> float:
    """Return the cost in a case's own program at which its formula is as good as the answer."""
    sign, name = solved.result.brief.scenario.objective.goals[0]
    assert solved.chosen is not None
    if found.x is None or found.cost is None or solved.result.brief.measure(name).ratio:
        return 0.0
    here = float(found.cost @ found.x)
    return here - sign * (found.objective - solved.chosen.objective)


def _best_without(solved: Solved, key: str, bounds: list[tuple[float, int]], last: float) -> Without | None:
    """Return the best over every case with a choice shut; None if there is none that loses less than the last told."""
    brief, chosen = solved.result.brief, solved.chosen
    sign, name = brief.scenario.objective.goals[0]
    measure = brief.measure(name)
    assert chosen is not None
    best: CaseAnswer | None = None
    for bound, position in bounds:
        if bound >= last and not measure.ratio:
            break
        there = _best_of_case(solved, key, position, last)
        if there is not None and (best is None or sign * (there.objective - best.objective) < 0):
            best = there
            last = sign * (best.objective - chosen.objective)
    if best is None:
        return None
    loss = sign * (best.objective - chosen.objective)
    worse = 0.0 if loss <= chosen.margin else loss
    formula, before = formula_of(brief, best), formula_of(brief, chosen)
    changes = {
        name: named_measure(name).value(formula, Setting()) - named_measure(name).value(before, Setting())
        for name in RATINGS
    }
    material = key.startswith("use:")
    return Without((_words(solved, key),), material, worse, best.objective, best.proof, formula, changes)


def _best_of_case(solved: Solved, key: str, position: int, last: float) -> CaseAnswer | None:
    """Return the checked best of a case with a choice shut, going on from the leaves of its tree.

    Args:
        solved: The answer.
        key: The choice.
        position: The case.
        last: What loses more than this need not be found.
    """
    found, corridor = solved.found[position], solved.corridor
    sign, name = solved.result.brief.scenario.objective.goals[0]
    case, measure = found.case, solved.result.brief.measure(name)
    column, upper = case.model.names.index(key), case.upper.copy()
    upper[column] = 0.0
    shut = replace(case, upper=upper)
    if found.tree is not None and found.cost is not None and not measure.ratio:
        known = tuple(_shut(leaf, column) for leaf in found.tree.leaves if leaf.lower[column] < 0.5)
        least = _level(solved, found) + last
        least += BETTER * (1 + abs(least)) if last < inf else 0.0
        ends = case.model.lower, upper
        below = lowest_below(corridor.session(case.model), found.cost, *ends, least, known=known)
        if below.best is not None:
            proven = replace(found, case=shut, ending="optimal", proof="certificate", gap=0.0)
            return corridor.repriced(proven, sign, measure, below.best[case.model.doses :])
        if below.settles(least):
            return None
    there = corridor.best(shut, sign, measure)
    return None if there.x is None else there


def _words(solved: Solved, key: str) -> str:
    assert solved.chosen is not None
    if key.startswith("use:"):
        pool = solved.result.brief.pool
        return pool.items[pool.index[key.removeprefix("use:")]].material.name
    return next(choice.says for choice in solved.chosen.case.model.choices if choice.key == key)
