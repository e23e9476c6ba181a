"""The program of a brief whose every row holds while up to G lots are off, and its best doses.

Each row is linear in the doses and affine in each lot, also where a limit stands inside coefficients, so its
coefficients at the weak and at the strong lot are computed and the worse one of each side is taken
(`engine/budgeted`). pH settings and yes/no choices are searched as in a blend, one integer program per case.
"""

from __future__ import annotations

from math import inf

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula
from optimizer.data.pool import Vector
from optimizer.engine.budgeted import Budgeted, budgeted
from optimizer.engine.highs import Session
from optimizer.engine.search import search
from optimizer.errors import SolverError
from optimizer.immutable import immutable, replace
from optimizer.model.model import Case, build
from optimizer.rules import LimitRule
from optimizer.solve.case_solver import CaseAnswer
from optimizer.solve.fractional import optimum
from optimizer.solve.rounding import NEAR, grid_formula
from optimizer.uncertainty.lots import Lots
from optimizer.units import ROUND_OFF, USED, WHOLE

GRID_LIMIT = 20.0
"""Seconds after which the search for a safe formula on the grid is given up [s]."""


@immutable
class Safety:
    """What the formula is to be safe against.

    Attributes:
        off: How many materials may be off at once.
        price_off: How far a price may be off [%].
        count: Random lots that both formulas are tried with.
        seed: Seed of the random lots.
        time_limit: Seconds for each integer program [s].
    """

    off: float = 1.0
    price_off: float = 0.0
    count: int = 10_000
    seed: int = 1
    time_limit: float = 60.0


def safest(brief: Brief, lots: Lots, safety: Safety, every: tuple[Case, ...]) -> CaseAnswer | None:
    """Return the best safe doses over every case of a brief, or None if there are none."""
    sign, name = brief.scenario.objective.goals[0]
    measure = brief.measure(name)
    found = [f for case in every if (f := _best(brief, lots, case, safety, measure, sign)) is not None]
    return min(found, key=lambda f: round(sign * f.objective, 9), default=None)


def _best(brief: Brief, lots: Lots, case: Case, safety: Safety, measure: LimitRule, sign: int) -> CaseAnswer | None:
    """Return the best safe doses of one case; a ratio counts at the planned lots."""
    program = _protected(brief, lots, case, safety, measure, sign)
    session = Session(program.matrix, program.low, program.high, integers=_choices(case), time_limit=safety.time_limit)

    def run(ratio: float) -> CaseAnswer | None:
        cost, constant = case.model.objective(measure, brief.pool, sign, ratio)
        found = _solved(case, program, session, cost)
        return None if found is None else replace(found, objective=sign * (found.objective + constant))

    def ratio_of(found: CaseAnswer) -> float:
        assert found.x is not None
        top, bottom = measure.parts(brief.pool, found.x[: case.model.doses])
        return top / bottom

    if not measure.ratio:
        return run(0.0)
    best = optimum(run, ratio_of)
    return None if best is None else replace(best[0], objective=best[1])


def _choices(case: Case) -> int:
    return case.model.size - case.model.doses


def _protected(brief: Brief, lots: Lots, case: Case, safety: Safety, measure: LimitRule, sign: int) -> Budgeted:
    """Return the case's program with every row protected, and the cost if prices may be off."""
    model, setting = case.model, case.settings[0]
    n = model.doses
    weak, strong = (build(brief.modelled, pool, setting).rows for pool in (lots.low, lots.high))
    planned = model.matrix[:, :n]
    moves = [np.array([row.doses for row in rows])[: len(planned)] - planned for rows in (weak, strong)]
    rises, falls = np.maximum(*moves).clip(min=0.0), (-np.minimum(*moves)).clip(min=0.0)
    dear = safety.price_off / 100 * np.abs(brief.pool.prices) / 100
    kinds = {r.id: r.kind for r in brief.modelled}
    for r, row in enumerate(model.rows):
        if kinds.get(row.owner) == "cost":
            rises[r] += dear
            falls[r] += dear
    rises, falls = np.where(rises > ROUND_OFF, rises, 0.0), np.where(falls > ROUND_OFF, falls, 0.0)
    matrix, low, high = model.matrix.copy(), model.row_low.copy(), model.row_high.copy()
    for r, row in enumerate(model.rows):
        if len(row.choices) != 1:
            continue
        column = model.names.index(next(iter(row.choices)))
        # Where the choice is not taken the row must stay open for every lot, too.
        if high[r] < inf and rises[r].any():
            more = 100 * rises[r].max()
            high[r] += more
            matrix[r, column] += more
        elif low[r] > -inf and falls[r].any():
            more = 100 * falls[r].max()
            low[r] -= more
            matrix[r, column] -= more
    dearer = dear if measure.of_prices and sign > 0 and safety.price_off > 0 else None
    return budgeted(matrix, low, high, rises, falls, safety.off, dearer=dearer)


def _solved(case: Case, program: Budgeted, session: Session, own: Vector) -> CaseAnswer | None:
    """Return the verified best of a protected program; the column values are those of the case's own model."""
    n, choices = case.model.doses, _choices(case)
    cost = np.concatenate([own[:n] + program.sure, program.cost, own[n:]])
    lower = np.concatenate([case.model.lower[:n], np.zeros(len(program.upper)), case.model.lower[n:]])
    upper = np.concatenate([case.upper[:n], program.upper, case.upper[n:]])
    found = search(session, cost, lower, upper)
    if found.ending == "infeasible":
        return None
    if found.lower is None:
        raise SolverError("the search for a safe formula was stopped before it found any. Give it more time.")
    x = np.concatenate([found.answer.x[:n], found.answer.x[len(found.answer.x) - choices :]])
    return CaseAnswer(case, found.ending, found.proof, found.objective, x, gap=found.gap)


def weighable(brief: Brief, lots: Lots, found: CaseAnswer, safety: Safety) -> Formula | None:
    """Return the best safe formula on the grid of the scale, within a few steps first, then wider, or None."""
    assert found.x is not None
    sign, name = brief.scenario.objective.goals[0]
    measure = brief.measure(name)
    program = _protected(brief, lots, found.case, safety, measure, sign)
    n, step, added = program.doses, brief.scenario.scale_step, len(program.upper)
    used = np.nonzero(found.x[:n] > USED)[0]
    center = np.round(found.x[used] / step)
    fixed = program.matrix[:, n + added :] @ np.round(found.x[n:])
    matrix = np.hstack([program.matrix[:, n : n + added], program.matrix[:, used] * step])
    session = Session(matrix, program.low - fixed, program.high - fixed, integers=len(used), time_limit=GRID_LIMIT)
    own = found.case.model.objective(measure, brief.pool, sign, found.objective if measure.ratio else 0.0)[0]
    cost = np.concatenate([program.cost, (own[:n] + program.sure)[used] * step])
    most = np.floor(found.case.upper[used] / step + WHOLE)
    for width in (NEAR, 10 * NEAR):
        lower = np.concatenate([np.zeros(added), np.maximum(center - width, 0.0)])
        upper = np.concatenate([program.upper, np.minimum(center + width, most)])
        answer = session.run(cost, lower, upper)
        if answer.x.size:
            counts = np.zeros(n)
            counts[used] = np.round(answer.x[added:])
            return grid_formula(brief, counts)
    return None
