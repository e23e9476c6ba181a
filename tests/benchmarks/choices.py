"""Ratios of a tree over yes and no, every leaf checked, to the integer search of HiGHS over the same pH cases."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from statistics import median

import highspy
import numpy as np
from measure import Line, asked, timed

from optimizer.data.pool import Vector
from optimizer.engine.highs import Session
from optimizer.engine.search import Searched, search
from optimizer.model.model import Case, cases

NAMES = ("after-swim-shampoo", "body-wash", "clear-shampoo", "facial-wash", "gentle-wash", "hand-wash")
ROUNDS = 9


def lines() -> Iterator[Line]:
    """Yield the claim on single briefs, then each by itself."""
    every = [brief(name) for name in NAMES]
    ratios = [ratio for ratio, _ in every]
    yield Line("six briefs with choices, tree and certificate, to HiGHS' integer search at its best", ratios, 0.8, 1.5)
    for name, (ratio, peer) in zip(NAMES, every, strict=True):
        yield Line(f"  {name}", [ratio], peer=peer)


def brief(name: str) -> tuple[float, str]:
    """Return the median ratio of a brief and the peer's best, after comparing the answers of all its cases."""
    own = asked(name)
    ((sign, goal),) = own.scenario.objective.goals[:1]
    every = cases(own.modelled, own.acidity, own.pool)
    cost, _ = every[0].model.objective(own.measure(goal), own.pool, sign)
    for case, found in zip(every, ours(every, cost), strict=True):
        assert found.proof == "certificate"
        assert abs(found.objective - theirs((case,), cost, "on")[0]) < 1e-6, f"HiGHS finds another best of {name}"
    calls = [partial(ours, every, cost), partial(theirs, every, cost, "on"), partial(theirs, every, cost, "off")]
    times: list[list[float]] = [[], [], []]
    for turn in range(ROUNDS):
        for k in range(3):
            times[(turn + k) % 3].append(timed(calls[(turn + k) % 3]))
    ratios = [tree / min(on, off) for tree, on, off in zip(*times, strict=True)]
    took, presolve = min((median(times[1]), "on"), (median(times[2]), "off"))
    return median(ratios), f"presolve {presolve}, {1000 * took:.0f} ms"


def ours(every: tuple[Case, ...], cost: Vector) -> list[Searched]:
    """Search all cases from nothing."""
    found = []
    for case in every:
        model = case.model
        session = Session(model.matrix, model.row_low, model.row_high, integers=model.size - model.doses)
        found.append(search(session, cost, model.lower, case.upper))
    return found


def theirs(every: tuple[Case, ...], cost: Vector, presolve: str) -> list[float]:
    """Search all cases with highspy alone, each from nothing, on ready arrays."""
    found = []
    for case in every:
        solver = loaded(case, cost, presolve)
        solver.run()
        found.append(float(cost @ np.array(solver.getSolution().col_value)))
    return found


def loaded(case: Case, cost: Vector, presolve: str) -> highspy.Highs:
    """Return HiGHS with a case and what each column costs, shape (n,)."""
    model, solver = case.model, highspy.Highs()
    for name, value in (("output_flag", False), ("threads", 1), ("presolve", presolve), ("mip_rel_gap", 0.0)):
        solver.setOptionValue(name, value)
    rows, columns = np.nonzero(model.matrix)
    lp = highspy.HighsLp()
    lp.num_row_, lp.num_col_ = model.matrix.shape
    lp.col_cost_, lp.col_lower_, lp.col_upper_ = cost, model.lower, case.upper
    lp.row_lower_, lp.row_upper_ = model.row_low, model.row_high
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.start_ = np.searchsorted(rows, np.arange(len(model.rows) + 1)).astype(np.int32)
    lp.a_matrix_.index_, lp.a_matrix_.value_ = columns.astype(np.int32), model.matrix[rows, columns]
    kinds = [highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger]
    lp.integrality_ = [kinds[j >= model.doses] for j in range(model.size)]
    solver.passModel(lp)
    return solver
