"""Ratios of explaining, rounding and checking to the solver alone and to `blend`, five seeded instances each."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from math import inf
from random import Random
from statistics import median
from typing import Any

from briefs import brief_of
from measure import Line, Program, highs, lean, program_of, timed

from optimizer.brief.brief import Brief
from optimizer.solve.best import solve
from optimizer.solve.linear import solve_fully
from optimizer.solve.rounding import round_formula
from optimizer.studies.check import check
from optimizer.studies.explain import explain

SEEDS, ROUNDS = (20, 21, 22, 23, 24), 9


def lines() -> Iterator[Line]:
    """Yield every claim of the three studies."""
    for size, goal in ((40, 40), (400, 100)):
        told = [conflict(size, seed) for seed in SEEDS]
        yield Line(f"explaining a conflict of {size} materials to one raw solve", [a for a, _ in told], goal)
        yield Line("  the same to one without presolve and threads", [b for _, b in told])
    told = [rounding(seed) for seed in SEEDS]
    yield Line("rounding the optimum to the scale to one raw solve", [a for a, _ in told], 100)
    yield Line("  the same to one without presolve and threads", [b for _, b in told])
    for what, moved in (("keeps", 0), ("breaks", 3)):
        ratios = [checking(seed, moved) for seed in SEEDS]
        yield Line(f"check of a formula that {what} its brief to blend", ratios, 1)


def conflict(size: int, seed: int) -> tuple[float, float]:
    """Return how many raw solves explaining an impossible brief takes."""
    program = program_of(impossible(size, seed))
    told = explain(impossible(size, seed))
    assert told.conflict
    assert told.repair
    return against(partial(impossible, size, seed), explain, program)


def impossible(size: int, seed: int) -> Brief:
    """Return a brief with one limit that the others do not let be met."""
    brief = brief_of(size, seed)
    name = Random(seed).choice(["mildness", "foam-density", "flash-foam", "water"])
    moved = []
    for rule in brief.modelled:
        if rule.id == name:
            rule = rule.with_limits(97.0, inf)
        moved.append(rule)
    return replace(brief, modelled=tuple(moved))


def rounding(seed: int) -> tuple[float, float]:
    """Return how many raw solves rounding takes."""

    def ready() -> Callable[[], object]:
        solved = solve_fully(brief_of(40, seed))
        assert solved.chosen is not None
        return partial(round_formula, solved.result.brief, solved.result, solved.chosen)

    rounded = ready()()
    assert rounded.formula is not None
    return against(ready, lambda call: call(), program_of(brief_of(40, seed)))


def checking(seed: int, moved: int) -> float:
    """Return the time of a check of a weighed formula, some doses moved, to that of the blend itself."""
    weighed = solve(brief_of(40, seed), weighable=True).rounded
    assert weighed is not None
    assert weighed.formula is not None
    doses = {line.item.id: line.percent for line in weighed.formula.lines}
    surfactants = sorted(line.item.id for line in weighed.formula.lines if line.item.surfactant > 0)
    for name in surfactants[:moved]:
        doses[name] = round(doses[name] * 0.8, 2)
    held_back = weighed.formula.held_back
    doses["aqua"] = 100 - held_back - sum(d for n, d in doses.items() if n != "aqua")
    told = check(brief_of(40, seed), doses, held_back)
    assert bool(told.broken) == (moved > 0)
    assert moved == 0 or told.nearest is not None
    ratios = []
    for _ in range(ROUNDS):
        mine = timed(partial(check, brief_of(40, seed), doses, held_back))
        ratios.append(mine / timed(partial(solve, brief_of(40, seed), weighable=True)))
    return median(ratios)


def against(ready: Callable[[], Any], ours: Callable[[Any], object], program: Program) -> tuple[float, float]:
    """Return ours to one raw solve and to a lean one: medians of alternating rounds on fresh data."""
    ratios, to_lean = [], []
    for _ in range(ROUNDS):
        fresh = ready()
        mine = timed(partial(ours, fresh))
        ratios.append(mine / timed(partial(highs, program)))
        to_lean.append(mine / timed(partial(lean, program)))
    return median(ratios), median(to_lean)
