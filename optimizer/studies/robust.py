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
from math import isnan, nan

import numpy as np

from optimizer.assessment.alarms import cautions_at
from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution
from optimizer.data.formula import Doses, Formula
from optimizer.data.pool import Vector
from optimizer.engine.ending import Proof
from optimizer.errors import DataError, Problem, SolverError
from optimizer.immutable import Figure, immutable, replace, result, seen, told, told_as, untold
from optimizer.model.model import Case, cases
from optimizer.rules import LimitRule, Rule
from optimizer.rules.row import Setting
from optimizer.solve.best import solve
from optimizer.solve.result import PhOutcome, Result
from optimizer.solve.solved import choose_ph, formula_of
from optimizer.uncertainty.lots import Lots, largest, linear, lots_of
from optimizer.uncertainty.monte_carlo import Trial, draw, trial
from optimizer.uncertainty.robust_counterpart import Safety, safest, weighable
from optimizer.units import KEPT, ROUND_OFF, USED, number


@immutable
class SafeReach:
    """A value and how far up to G lots can move it.

    NaN if it has none.
    """

    value: Figure
    low: Figure
    high: Figure


@immutable
class Held:
    """One rule that lots move, at both formulas.

    `safe` is NaN throughout if there is no safe formula.
    """

    rule: Rule = untold()
    id: str = seen("rule.id")
    unit: str = seen("rule.unit")
    plain: SafeReach = told_as("best")
    safe: SafeReach

    @told
    def reading(self) -> str:
        """The rule in words."""
        return self.rule.reading()


@immutable
class Lot:
    """Lots of a material that may differ [% active as supplied]."""

    id: str
    weakest: float
    planned: float
    strongest: float


@result
class Robust:
    """The safe formula beside the best one: the output of `tenside robust --json`."""

    FORMAT = 1
    brief: Brief = untold()
    brief_name: str = seen("brief.scenario.name", key="brief")
    safety: Safety = untold()
    off: float = seen("safety.off")
    price_off: float = seen("safety.price_off")
    draws: int = seen("safety.count")
    seed: int = seen("safety.seed")
    currency: str = seen("brief.scenario.currency")
    nominal: Result = untold()
    """The best formula at the planned lots."""
    plain_formula: Doses = told_as("best", default=None)
    """That formula on the grid of the scale, where there is one."""
    best_cost: Figure = seen("plain_formula.cost")
    best_worst_cost: Figure = seen("worst_cost.0")
    held_back_percent: Figure = seen("plain_formula.held_back")
    formula: Doses = told_as("safe", default=None)
    """The safe formula, on the grid where a safe one lies near; None if there is none."""
    on_grid: bool = False
    """Whether it is on the grid."""
    ph: PhOutcome | None = None
    """Its target pH and window."""
    safe_cost: Figure = seen("formula.cost")
    safe_worst_cost: Figure = seen("worst_cost.1")
    objective: Figure = nan
    """Best objective of a safe formula before the grid, worst prices included."""
    worst_cost: tuple[float, float] = untold(default=(nan, nan))
    """Cost per kg of both formulas with the G prices that hurt most."""
    proof: Proof = "none"
    """How it is proven to be the best safe one."""
    possible: Figure = nan
    """The most whole materials off at once that a formula stands; null unless what was asked is impossible."""
    held: tuple[Held, ...] = told_as("rules", default=())
    """Every rule that lots move, at both formulas."""
    random_best: Trial | None = None
    """Random lots on the best formula."""
    random_safe: Trial | None = None
    """Empty if there is no safe formula."""
    lots: tuple[tuple[str, float, float, float], ...] = untold(default=())
    """Lowest, planned and highest active matter by id, for what either formula uses."""
    lots_told: tuple[Lot, ...] = seen("lot_ends", key="lots")
    notes: tuple[str, ...] = seen("brief.assumptions")

    @property
    def lot_ends(self) -> tuple[Lot, ...]:
        """What may differ, for what either formula uses."""
        return tuple(Lot(*ends) for ends in self.lots)

    @told
    def distribution(self) -> str:
        """What the random lots are drawn from."""
        return "active matter uniform from weakest to strongest lot, prices uniform, all independent"

    @told
    def cautions(self) -> tuple[Caution, ...]:
        """Those that always apply and those of the safe formula, or of the best one."""
        at = self.ph.setting if self.formula and self.ph else self.nominal.setting
        return cautions_at(self.brief, self.formula or self.plain_formula, at)


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
    nominal = solve(brief, time_limit=safety.time_limit, weighable=True)
    if nominal.formula is None or nominal.weighable is None:
        return Robust(brief=brief, safety=safety, nominal=nominal)
    plain = _doses(brief, nominal.weighable)
    _refuse_exact(brief, lots, _doses(brief, nominal.formula), safety.off)
    every = cases(brief.modelled, brief.acidity, brief.pool)
    best = safest(brief, lots, safety, every)
    draws = draw(lots, safety.count, safety.seed, safety.price_off)
    told = Robust(
        brief=brief,
        safety=safety,
        nominal=nominal,
        plain_formula=nominal.weighable,
        worst_cost=(_worst_cost(lots, plain, safety), nan),
        held=tuple(_kept_rules(brief, lots, plain, None, safety.off)),
        random_best=trial(brief.modelled, lots, plain, draws, nominal.setting),
        lots=_used(lots, plain),
    )
    if best is None:
        return replace(told, possible=_possible(brief, lots, safety, every))
    ph = choose_ph(brief, best.case, formula_of(brief, best), every)
    setting = Setting() if ph is None else ph.setting
    gridded = weighable(brief, lots, best, safety)
    formula = gridded or formula_of(brief, best)
    _check(brief, lots, formula, setting, safety)
    doses = _doses(brief, formula)
    return replace(
        told,
        formula=formula,
        on_grid=gridded is not None,
        ph=ph,
        objective=best.objective,
        worst_cost=(told.worst_cost[0], _worst_cost(lots, doses, safety)),
        proof=best.proof,
        held=tuple(_kept_rules(brief, lots, plain, doses, safety.off)),
        random_safe=trial(brief.modelled, lots, doses, draws, setting),
        lots=_used(lots, plain + doses),
    )


def _doses(brief: Brief, formula: Formula) -> Vector:
    return np.array([formula.dose(i) for i in brief.pool.ids])


def _worst_cost(lots: Lots, doses: Vector, safety: Safety) -> float:
    """Return the cost per kg with the prices off that hurt most."""
    cost = doses * lots.pool.prices / 100
    return float(cost.sum()) + largest(cost * safety.price_off / 100, safety.off)


def _refuse_exact(brief: Brief, lots: Lots, doses: Vector, budget: float) -> None:
    """Refuse exact limits on what lots move, with the band that the best formula needs."""
    problems = []
    for rule in brief.modelled:
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
        bool((np.abs(a.doses - b.doses) > ROUND_OFF).any())
        for a, b in (*zip(*rows[:2], strict=True), *zip(*rows[1:], strict=True))
    )


def _kept_rules(brief: Brief, lots: Lots, plain: Vector, safe: Vector | None, budget: float) -> Iterator[Held]:
    """Return the linear rules that lots move, at both formulas."""
    none = SafeReach(nan, nan, nan)
    for rule in brief.modelled:
        if not isinstance(rule, LimitRule) or not linear(rule):
            continue
        reaches = [none if x is None else _reach(rule, lots, x, budget) for x in (plain, safe)]
        if any(r.high - r.low > KEPT for r in reaches):
            yield Held(rule, reaches[0], reaches[1])


def _reach(rule: LimitRule, lots: Lots, doses: Vector, budget: float) -> SafeReach:
    low, high = lots.extremes(rule, doses, budget)
    return SafeReach(lots.extremes(rule, doses, 0.0)[0], low, high)


def _check(brief: Brief, lots: Lots, formula: Formula, setting: Setting, safety: Safety) -> None:
    """Check every rule of a safe formula from raw facts, linear ones at their worst lots."""
    doses = _doses(brief, formula)
    for rule in brief.enforced:
        miss = rule.violation(formula, setting)
        if isinstance(rule, LimitRule) and linear(rule) and not rule.of_prices:
            low, high = lots.extremes(rule, doses, safety.off)
            miss = max(miss, rule.limits[0] - low, high - rule.limits[1]) if not isnan(low) else miss
        if miss > rule.slack(formula):
            raise SolverError(f"the safe formula breaks '{rule.reading()}' by {miss:.2g}; the answer is withheld.")


def _possible(brief: Brief, lots: Lots, safety: Safety, every: tuple[Case, ...]) -> float:
    """Return the most whole materials off at once, below what was asked, that some formula stands."""
    most = min(int(lots.open.sum()), int(np.ceil(safety.off)) - 1)
    low, high = 0, max(0, most)
    while low < high:
        middle = (low + high + 1) // 2
        asked = replace(safety, off=float(middle))
        low, high = (middle, high) if safest(brief, lots, asked, every) else (low, middle - 1)
    return float(low)


def _used(lots: Lots, doses: Vector) -> tuple[tuple[str, float, float, float], ...]:
    """Return the lots of what is used and whose lots differ."""
    chosen = (doses > USED) & (lots.open > 0)
    return tuple(
        (lots.pool.ids[j], float(lots.ends[j, 0]), float(lots.planned[j]), float(lots.ends[j, 1]))
        for j in np.nonzero(chosen)[0]
    )
