"""A formula that exists, held against a brief: what it breaks, what mending costs, the nearest that keeps all."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.brief import Brief
from optimizer.formula import Formula, Line
from optimizer.nearest import Near, nearest_formula
from optimizer.pricing import measure_rules
from optimizer.result import Outcome
from optimizer.rounding import NEAR, broken, grid_formula, near_grid
from optimizer.row import Setting
from optimizer.rules import Acidity


@dataclass(frozen=True)
class Mend:
    """The least change that keeps one broken rule along with those that are kept already, at the same pH.

    Attributes:
        id: The broken rule.
        changed: Ids of the doses that change; empty if it cannot be mended so.
        cost: Change of the cost per kg; None if it cannot be mended without breaking another rule.
    """

    id: str
    changed: tuple[str, ...]
    cost: float | None


@dataclass(frozen=True)
class Checked:
    """A formula measured against a brief.

    Attributes:
        formula: The formula, brought to 100 %.
        setting: The pH setting at which it fits best.
        rules: Every rule at the formula.
        broken: Ids of the broken rules.
        mends: One per broken rule.
        nearest: The nearest formula that keeps every rule, on the grid of the scale where one lies
            near; None if no formula does.
        on_grid: Whether `nearest` is on the grid.
        notes: What was done to the given figures.
    """

    brief: Brief
    formula: Formula
    setting: Setting
    rules: tuple[Outcome, ...]
    broken: tuple[str, ...]
    mends: tuple[Mend, ...]
    nearest: Near | None
    on_grid: bool
    notes: tuple[str, ...]

    @property
    def cost(self) -> float:
        """Cost of the given formula per kg."""
        return cost_of(self.formula)


def cost_of(formula: Formula) -> float:
    """Return the material cost per kg of product."""
    return sum(line.percent * line.item.price for line in formula.lines) / 100


def check(brief: Brief, doses: dict[str, float], held_back: float, notes: tuple[str, ...] = ()) -> Checked:
    """Hold a formula against a brief.

    Args:
        brief: A brief whose pool holds every material of the formula.
        doses: % w/w as supplied by id, summing with `held_back` to 100.
        held_back: Part kept free [%].
        notes: What was done to the given figures.
    """
    brief = replace(brief, pool=replace(brief.pool, held_back=held_back))
    formula = Formula(
        tuple(Line(item, doses[item.id]) for item in brief.pool.items if doses.get(item.id, 0.0) > 0),
        held_back,
        brief.pool.later,
    )
    setting = best_setting(brief, formula)
    outcomes = measure_rules(brief, formula, setting)
    bad = tuple(r.id for r in brief.all_rules if broken(r, formula, setting))
    kept = frozenset(r.id for r in brief.all_rules) - frozenset(bad)
    mends = []
    for name in bad:
        near = nearest_formula(brief, doses, kept | {name}, fewest=False, at=setting)
        cost = None if near is None else cost_of(near.formula) - cost_of(formula)
        mends.append(Mend(name, () if near is None else near.changed, cost))
    nearest = nearest_formula(brief, doses) if bad else None
    on_grid = False
    if nearest is not None:
        nearest, on_grid = _on_grid(brief, nearest, doses)
    return Checked(brief, formula, setting, outcomes, bad, tuple(mends), nearest, on_grid, notes)


def best_setting(brief: Brief, formula: Formula) -> Setting:
    """Return the setting that the formula's windows miss least, then the one furthest from their edges."""
    acidity = brief.acidity
    if acidity is None:
        return Setting()
    edges = acidity.edges(brief.pool) + tuple(e for r in brief.rules for e in r.edges(brief.pool))
    settings = acidity.settings(edges)
    windows = [acidity.window(line.item.material) for line in formula.lines]
    low = max([acidity.low, *(w[0] for w in windows)])
    high = min([acidity.high, *(w[1] for w in windows)])
    return min(settings, key=lambda s: _rank(acidity, brief, formula, s, low, high))


def _rank(
    acidity: Acidity, brief: Brief, formula: Formula, setting: Setting, low: float, high: float
) -> tuple[float, int, float, float]:
    target = setting.target or 0.0
    breaks = sum(broken(r, formula, setting) for r in brief.rules if r.ph_key(brief.pool, setting) is not None)
    margin = round(min(target - low, high - target), 6)
    return round(acidity.violation(formula, setting), 6), breaks, -margin, target


def _on_grid(brief: Brief, near: Near, doses: dict[str, float]) -> tuple[Near, bool]:
    """Return the nearest formula on the scale's grid where one lies within a few steps; unchanged doses stay."""
    prices = near.found.case.model.spread(brief.pool.prices / 100)
    step = brief.scenario.scale_step
    still = [item.id not in near.changed and item.material.function != "solvent" for item in brief.pool.items]
    width = np.full(len(brief.pool), float(NEAR))
    for j, item in enumerate(brief.pool.items):
        steps = doses.get(item.id, 0.0) / step
        if still[j] and abs(steps - round(steps)) < 1e-6:
            width[j] = 0.0
    counted = near_grid(brief, near.found, prices, width, limit=5.0)
    formula = None if counted is None else grid_formula(brief, counted[0])
    setting = Setting() if near.ph is None else near.ph.setting
    if formula is None or any(broken(r, formula, setting) for r in brief.all_rules):
        return near, False
    return replace(near, formula=formula), True
