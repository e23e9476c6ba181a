"""The lots are on the bench and measured: the nearest formula at their real active matter, in grams.

What the planned formula was is kept: its active matter and the share of each charge within a band, its pH,
and every rule of the brief, all at the measured lots. Fewest doses change, then the sum of |change| is
least, then the cost; only what the formula already holds is used. The interval of every rule says what the
planned doses may turn into over the library's low to high of each material; active matter, water and
carried salt of one lot move together. Grams are brought to the step of the scale by largest remainder.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula
from optimizer.data.pool import Pool
from optimizer.errors import UsageError, nearest
from optimizer.immutable import immutable, replace
from optimizer.rules import LimitRule, Rule
from optimizer.rules.row import Setting
from optimizer.solve.existing import (
    ACTIVE_BAND,
    CHARGE_BAND,
    asking,
    best_setting,
    clash,
    formula_at,
    kept_rules,
    least_change,
    nearest_at,
    on_grid,
)
from optimizer.solve.nearest import Near
from optimizer.solve.rounding import broken, largest_remainder
from optimizer.uncertainty.lots import Lots, at_lots, linear, lots_of
from optimizer.units import AS_TYPED


@immutable
class Batch:
    """What is weighed: the product [kg], the step of the scale [g] and the bands that are kept.

    Attributes:
        kg: Batch of product, the part kept free included [kg].
        step: Step of the scale [g].
        free: Whether every dose may move, so that only the sum of the changes counts.
        active_band: Half-width for active matter [% of the product].
        charge_band: Half-width for the share of each charge [points].
    """

    kg: float
    step: float
    free: bool = False
    active_band: float = ACTIVE_BAND
    charge_band: float = CHARGE_BAND


@immutable
class Span:
    """One rule: what the planned doses give, may give with other lots, and give with those measured.

    Attributes:
        planned: Value at the planned lots; NaN if it has none.
        low: Lowest value over the lots that the library knows.
        high: Highest.
        unchanged: Value of the planned doses at the measured lots.
        after: Value of what is weighed; NaN if there is no formula.
        keeps: Whether the planned doses keep the rule at the measured lots.
    """

    rule: Rule
    planned: float
    low: float
    high: float
    unchanged: float
    after: float
    keeps: bool


@immutable
class Restandardised:
    """The planned formula and what is weighed instead.

    Attributes:
        brief: The brief at the planned lots.
        formula: The planned formula.
        setting: Its pH setting.
        lots: Measured active matter by id [% as supplied].
        outside: Ids whose lot lies outside the library's low to high.
        near: The nearest formula at the measured lots; None if there is none.
        grams: What is weighed by id [g].
        weighed: That as a formula at the measured lots.
        stopped: Readings of rules that the grid of the scale breaks.
        conflict: Readings of rules that clash at these lots.
        spans: Every rule with a figure.
    """

    brief: Brief
    formula: Formula
    setting: Setting
    batch: Batch
    lots: Mapping[str, float]
    outside: tuple[str, ...]
    near: Near | None
    grams: Mapping[str, float]
    weighed: Formula | None
    stopped: tuple[str, ...]
    conflict: tuple[str, ...]
    spans: tuple[Span, ...]
    notes: tuple[str, ...] = ()


def restandardise(
    brief: Brief, doses: dict[str, float], lots: Mapping[str, float], batch: Batch, notes: tuple[str, ...] = ()
) -> Restandardised:
    """Bring a formula to the measured lots.

    Args:
        brief: The brief; its pool holds the formula's materials at the lots it was planned with.
        doses: The planned doses [% as supplied by id].
        lots: Measured active matter by id [% as supplied].
        batch: What is weighed.
        notes: What was done to the given figures.

    Raises:
        UsageError: If a lot is of a material that the formula does not hold.
    """
    for name in lots:
        if doses.get(name, 0.0) <= 0:
            raise UsageError(f"there is a lot of '{name}', which the formula does not use. {nearest(name, doses)}")
    items = tuple(i for i in brief.pool.items if i.id in doses or i.material.function == "solvent")
    planned = replace(brief, pool=Pool(items, brief.pool.held_back, brief.pool.later, brief.pool.thickeners))
    formula = formula_at(planned.pool, doses)
    setting = best_setting(brief, formula)
    real = replace(planned, pool=at_lots(planned.pool, brief.library, lots))
    kept = kept_rules(formula, batch.active_band, batch.charge_band)
    scale = brief.scenario.model_copy(update={"scale_step": batch.step / (10 * batch.kg)})
    asked = replace(asking(real, kept), scenario=scale)
    near = nearest_at(asked, doses, setting, fewest=not batch.free)
    grams: Mapping[str, float] = {}
    weighed: Formula | None = None
    stopped: tuple[str, ...] = ()
    if near is not None:
        near, _ = on_grid(asked, near, doses, least_change(asked, near, doses))
        grams = _grams(near.formula, batch)
        weighed = formula_at(real.pool, {k: g / (10 * batch.kg) for k, g in grams.items()})
        at = near.ph.setting if near.ph else setting
        stopped = tuple(r.reading() for r in asked.enforced if r.id != "total" and broken(r, weighed, at))
    known = lots_of(planned.pool, brief.library)
    outside = tuple(sorted(n for n, a in lots.items() if not _usual(known, n, a)))
    unchanged = formula_at(real.pool, doses)
    spans = tuple(
        s for r in (*brief.modelled, *kept) if (s := _span(r, known, formula, unchanged, weighed, setting)) is not None
    )
    conflict = () if near is not None else clash(asked)
    return Restandardised(
        planned, formula, setting, batch, lots, outside, near, grams, weighed, stopped, conflict, spans, notes
    )


def _grams(formula: Formula, batch: Batch) -> dict[str, float]:
    """Return grams by id that sum to the batch less the part kept free."""
    exact = {name: percent * 10 * batch.kg for name, percent in formula.doses.items()}
    return largest_remainder(exact, batch.step, (100 - formula.held_back) * 10 * batch.kg)


def _usual(lots: Lots, name: str, active: float) -> bool:
    low, high = lots.ends[lots.pool.index[name]]
    return bool(low - AS_TYPED <= active <= high + AS_TYPED)


def _span(
    rule: Rule, lots: Lots, planned: Formula, unchanged: Formula, weighed: Formula | None, setting: Setting
) -> Span | None:
    """Return the figures of a rule; None for what lots cannot move and what does not apply."""
    doses = np.array([planned.dose(i.id) for i in lots.pool.items])
    value = rule.value(planned, setting)
    if not rule.by_lots or np.isnan(value):
        return None
    if rule.kind == "use-level" and value == 0:
        return None
    if linear(rule) and isinstance(rule, LimitRule):
        low, high = lots.extremes(rule, doses)
    else:
        low, high, _ = lots.corners(rule, doses, setting)
    after = float("nan") if weighed is None else rule.value(weighed, setting)
    keeps = not broken(rule, unchanged, setting)
    return Span(rule, value, min(low, value), max(high, value), rule.value(unchanged, setting), after, keeps)
