"""Lots differ: the formula that keeps its rules while up to G materials are off at once, and what that costs.

Active matter of each material lies between the library's low and high, with water and carried salt moving
along; prices may be off by a percentage. Every row is protected against the worst choice of G materials
(Bertsimas and Sim, Operations Research 52 (2004) 35; see `engine/budgeted`): a row is linear in the doses
and affine in each lot, also where a limit stands inside coefficients, so its deviation at the weak and at
the strong lot is computed side by side and the worse one of each side is taken. G may be no whole number.
Rows are protected one by one, which is exact, since a formula is safe if each row is safe at its own worst.
pH settings and yes/no choices are searched as in a blend, one integer program per case. The objective
counts at the planned lots; a cost counts with the G prices that hurt most. What is exact by nature (doses
weighed, the total, the pH) is not uncertain; an exact limit on what lots move cannot be kept and is refused.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf, isnan, nan

import numpy as np

from optimizer.brief import Brief
from optimizer.corridor import Found
from optimizer.draws import Trial, draw, trial
from optimizer.engine.budgeted import Budgeted, budgeted
from optimizer.engine.certificate import check_optimal
from optimizer.engine.highs import Session
from optimizer.errors import DataError, Problem, SolverError
from optimizer.formula import Formula
from optimizer.lots import Lots, linear, lots_of
from optimizer.model import Case, build, cases, objective_vector
from optimizer.pool import Vector
from optimizer.result import PhOutcome, Proof, Result
from optimizer.row import Setting
from optimizer.rules import LimitRule, Rule
from optimizer.solve import choose_ph, formula_of, solve
from optimizer.units import USED, number

SAME = 1e-12
"""Coefficients that differ by less at other lots are the same."""


@dataclass(frozen=True)
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


@dataclass(frozen=True)
class Reach:
    """One rule at one formula: its value as planned and how far up to G lots can move it; NaN if it has none."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Held:
    """One rule at both formulas; `safe` is NaN throughout if there is no safe formula."""

    rule: Rule
    plain: Reach
    safe: Reach


@dataclass(frozen=True)
class Robust:
    """The safe formula beside the best one at the planned lots.

    Attributes:
        nominal: The best formula at the planned lots.
        formula: The safe formula; None if there is none.
        ph: Its target pH and window.
        objective: Its objective, worst prices included.
        planned_objective: Its objective at the planned lots and prices.
        proof: How it is proven to be the best safe one.
        possible: The most whole materials off at once that a formula stands; NaN if not asked.
        held: Every rule that lots move, at both formulas.
        plain: Random lots on the best formula.
        safe: Random lots on the safe formula; None if there is none.
        lots: Lowest, planned and highest active matter by id, for what either formula uses.
    """

    brief: Brief
    safety: Safety
    nominal: Result
    formula: Formula | None
    ph: PhOutcome | None
    objective: float
    planned_objective: float
    proof: Proof
    possible: float
    held: tuple[Held, ...]
    plain: Trial | None
    safe: Trial | None
    lots: tuple[tuple[str, float, float, float], ...]


def robust(brief: Brief, safety: Safety) -> Robust:
    """Find the cheapest formula that keeps its rules for up to G materials off at once.

    Args:
        brief: The brief.
        safety: What it is to be safe against.

    Raises:
        DataError: If an exact limit is on what lots move; it names the band that it needs.
        SolverError: If an answer does not stand the check outside the solver.
    """
    lots = lots_of(brief.pool, brief.library)
    nominal = solve(brief, time_limit=safety.time_limit)
    if nominal.formula is None:
        return Robust(brief, safety, nominal, None, None, nan, nan, "none", nan, (), None, None, ())
    plain = np.array([nominal.formula.dose(i) for i in brief.pool.ids])
    _refuse_exact(brief, lots, plain, safety.off)
    every = cases(brief.rules, brief.acidity, brief.pool)
    best = safest(brief, lots, safety, every)
    draws = draw(lots, safety.count, safety.seed, safety.price_off)
    first = trial(brief.rules, lots, plain, draws, nominal.setting)
    if best is None:
        possible = _possible(brief, lots, safety)
        held = tuple(_held(brief, lots, plain, None, safety.off))
        used = _used(lots, plain)
        return Robust(brief, safety, nominal, None, None, nan, nan, "none", possible, held, first, None, used)
    formula = formula_of(brief, best)
    ph = choose_ph(brief, best, formula, every)
    setting = Setting() if ph is None else ph.setting
    doses = np.array([formula.dose(i) for i in brief.pool.ids])
    _check(brief, lots, formula, doses, setting, safety)
    goal = brief.measure(brief.scenario.objective.goals[0][1])
    return Robust(
        brief,
        safety,
        nominal,
        formula,
        ph,
        best.objective,
        goal.value(formula, setting),
        best.proof,
        nan,
        tuple(_held(brief, lots, plain, doses, safety.off)),
        first,
        trial(brief.rules, lots, doses, draws, setting),
        _used(lots, plain + doses),
    )


def safest(brief: Brief, lots: Lots, safety: Safety, every: tuple[Case, ...]) -> Found | None:
    """Return the best safe doses over every case of a brief, or None if there are none."""
    sign, name = brief.scenario.objective.goals[0]
    measure = brief.measure(name)
    found = [f for case in every if (f := _best(brief, lots, case, safety, measure, sign)) is not None]
    return min(found, key=lambda f: round(sign * f.objective, 9), default=None)


def _best(brief: Brief, lots: Lots, case: Case, safety: Safety, measure: LimitRule, sign: int) -> Found | None:
    """Return the best safe doses of one case; a ratio by Dinkelbach's iteration at the planned lots."""
    program = _protected(brief, lots, case, safety, measure, sign)
    session = Session(program.matrix, program.low, program.high, integers=_choices(case), time_limit=safety.time_limit)
    ratio, found = 0.0, None
    for _ in range(60):
        vector, constant = objective_vector(measure, brief.pool, sign, ratio)
        found = _solved(case, program, session, vector + program.sure)
        if found is None or found.x is None:
            return None
        if not measure.ratio:
            return _at(found, sign * (found.objective + constant))
        doses = found.x[: case.model.doses]
        above, below = measure.constants(brief.pool.held_back)
        value = (float(measure.amounts(brief.pool) @ doses) + above) / (
            float(brief.pool.vector(measure.per) @ doses) + below
        )
        if abs(value - ratio) <= 1e-12 * (1 + abs(value)):
            break
        ratio = value
    return None if found is None else _at(found, ratio)


def _at(found: Found, objective: float) -> Found:
    return Found(found.case, found.ending, found.proof, objective, found.x, gap=found.gap)


def _choices(case: Case) -> int:
    return case.model.size - case.model.doses


def _protected(brief: Brief, lots: Lots, case: Case, safety: Safety, measure: LimitRule, sign: int) -> Budgeted:
    """Return the case's program with every row protected, and the cost if prices may be off."""
    model, setting = case.model, case.settings[0]
    n = model.doses
    weak, strong = (build(brief.rules, pool, setting).rows for pool in (lots.low, lots.high))
    planned = model.matrix[:, :n]
    moves = [np.array([row.doses for row in rows])[: len(planned)] - planned for rows in (weak, strong)]
    rises, falls = np.maximum(*moves).clip(min=0.0), (-np.minimum(*moves)).clip(min=0.0)
    dear = safety.price_off / 100 * np.abs(brief.pool.prices) / 100
    kinds = {r.id: r.kind for r in brief.rules}
    for r, row in enumerate(model.rows):
        if kinds.get(row.owner) == "cost":
            rises[r] += dear
            falls[r] += dear
    rises, falls = np.where(rises > SAME, rises, 0.0), np.where(falls > SAME, falls, 0.0)
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
    dearer = dear if measure.kind == "cost" and sign > 0 and safety.price_off > 0 else None
    return budgeted(matrix, low, high, rises, falls, safety.off, dearer=dearer)


def _solved(case: Case, program: Budgeted, session: Session, vector: Vector) -> Found | None:
    """Return the verified best of a protected program; the column values are those of the case's own model."""
    n, choices = case.model.doses, _choices(case)
    cost = np.concatenate([vector, program.cost, np.zeros(choices)])
    lower = np.concatenate([case.model.lower[:n], np.zeros(len(program.upper)), case.model.lower[n:]])
    upper = np.concatenate([case.upper[:n], program.upper, case.upper[n:]])
    answer = session.run(cost, lower, upper)
    if answer.ending == "infeasible":
        return None
    if answer.x.size == 0:
        raise SolverError("the search for a safe formula was stopped before it found any. Give it more time.")
    finished = answer.ending == "optimal"
    bound = answer.bound
    if choices:
        lower[-choices:] = upper[-choices:] = np.round(answer.x[-choices:])
        answer = session.run(cost, lower, upper)
        if answer.ending != "optimal":
            raise SolverError("the safe formula could not be repeated at its own choices.")
    checked = check_optimal(program.matrix, program.low, program.high, cost, lower, upper, answer.x, answer.y)
    if not checked.holds:
        raise SolverError("the safe formula did not stand the check outside the solver.")
    objective = float(cost @ answer.x)
    gap = abs(objective - bound) / (1 + abs(objective)) if choices else 0.0
    done = finished and gap <= 1e-6
    proof: Proof = "none" if not done else "solver bound" if choices else "certificate"
    x = np.concatenate([answer.x[:n], answer.x[len(answer.x) - choices :]])
    return Found(case, "optimal" if done else "feasible", proof, objective, x, gap=gap)


def _refuse_exact(brief: Brief, lots: Lots, doses: Vector, budget: float) -> None:
    """Refuse exact limits on what lots move, with the band that the best formula needs."""
    problems = []
    for rule in brief.rules:
        low, high = rule.limits
        if low != high or not isinstance(rule, LimitRule) or budget <= 0 or not _moved(rule, lots):
            continue
        if linear(rule):
            ends = lots.extremes(rule, doses, budget)
            band = max(ends[1] - low, low - ends[0])
            step = f"Give it a band of about {number(band, 3)} {rule.unit}: at_least and at_most."
        else:
            step = "Give at_least and at_most."
        what = f"no formula keeps exactly {number(low)} {rule.unit} when lots are off."
        problems.append(Problem(brief.scenario.name, f"rule.{rule.id}", what, step))
    if problems:
        raise DataError(problems)


def _moved(rule: LimitRule, lots: Lots) -> bool:
    """Return whether other lots change the rule's rows."""
    rows = [rule.rows(pool, Setting()) for pool in (lots.low, lots.pool, lots.high)]
    return any(
        bool((np.abs(a.doses - b.doses) > SAME).any())
        for a, b in (*zip(*rows[:2], strict=True), *zip(*rows[1:], strict=True))
    )


def _held(brief: Brief, lots: Lots, plain: Vector, safe: Vector | None, budget: float) -> Iterator[Held]:
    """Return the linear rules that lots move, at both formulas."""
    none = Reach(nan, nan, nan)
    for rule in brief.rules:
        if not isinstance(rule, LimitRule) or not linear(rule):
            continue
        reaches = [none if x is None else _reach(rule, lots, x, budget) for x in (plain, safe)]
        if any(r.high - r.low > 1e-9 for r in reaches):
            yield Held(rule, reaches[0], reaches[1])


def _reach(rule: LimitRule, lots: Lots, doses: Vector, budget: float) -> Reach:
    low, high = lots.extremes(rule, doses, budget)
    return Reach(lots.extremes(rule, doses, 0.0)[0], low, high)


def _check(brief: Brief, lots: Lots, formula: Formula, doses: Vector, setting: Setting, safety: Safety) -> None:
    """Check every rule of the safe formula from raw facts, linear ones at their worst lots."""
    for rule in brief.all_rules:
        miss = rule.violation(formula, setting)
        if isinstance(rule, LimitRule) and linear(rule) and rule.kind != "cost":
            low, high = lots.extremes(rule, doses, safety.off)
            miss = max(miss, rule.limits[0] - low, high - rule.limits[1]) if not isnan(low) else miss
        if miss > 10 * rule.slack():
            raise SolverError(f"the safe formula breaks '{rule.reading()}' by {miss:.2g}; the answer is withheld.")


def _possible(brief: Brief, lots: Lots, safety: Safety) -> float:
    """Return the most whole materials off at once, below what was asked, that some formula stands."""
    every = cases(brief.rules, brief.acidity, brief.pool)
    most = min(int(lots.open.sum()), int(np.ceil(safety.off)) - 1)
    low, high = 0, max(0, most)
    while low < high:
        middle = (low + high + 1) // 2
        asked = Safety(float(middle), safety.price_off, safety.count, safety.seed, safety.time_limit)
        low, high = (middle, high) if safest(brief, lots, asked, every) else (low, middle - 1)
    return float(low)


def _used(lots: Lots, doses: Vector) -> tuple[tuple[str, float, float, float], ...]:
    """Return the lots of what is used and whose lots differ."""
    chosen = (doses > USED) & (lots.open > 0)
    return tuple(
        (lots.pool.ids[j], float(lots.ends[j, 0]), float(lots.planned[j]), float(lots.ends[j, 1]))
        for j in np.nonzero(chosen)[0]
    )
