"""The lots are on the bench and measured: the nearest formula at their real active matter, in grams.

What the planned formula was is kept: its active matter and the share of each charge within a band, its pH,
and every rule of the brief, all at the measured lots. Fewest doses change, then the sum of |change| is
least, then the cost; only what the formula already holds is used. The interval of every rule says what the
planned doses may turn into over the library's low to high of each material; active matter, water and
carried salt of one lot move together. Grams are brought to the step of the scale by largest remainder.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import nan

import numpy as np

from optimizer.assessment.alarms import cautions_at
from optimizer.brief.brief import Brief, protecting
from optimizer.data.cautions import Caution
from optimizer.data.formula import Doses, Formula
from optimizer.errors import UsageError, nearest
from optimizer.immutable import Figure, immutable, replace, result, seen, told, told_as, untold
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
    nearest_at,
    on_grid,
)
from optimizer.solve.nearest import Near
from optimizer.solve.rounding import broken, largest_remainder
from optimizer.uncertainty.lots import Lots, at_lots, linear, lots_of
from optimizer.units import AS_TYPED


@immutable
class BatchAsked:
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
class LotSpan:
    """One rule: planned, over any lots, at the measured lots unchanged, and as weighed."""

    rule: Rule = untold()
    id: str = seen("rule.id")
    unit: str = seen("rule.unit")
    planned: Figure
    """Value at the planned lots; NaN if it has none."""
    low: Figure
    """Lowest value over the lots that the library knows."""
    high: Figure
    """Highest."""
    unchanged: Figure
    """Value of the planned doses at the measured lots."""
    after: Figure
    """Value of what is weighed; NaN if there is no formula."""
    keeps: bool
    """Whether the planned doses keep the rule at the measured lots."""

    @told
    def reading(self) -> str:
        """The rule in words."""
        return self.rule.reading()


@result
class Restandardised:
    """The planned formula and what is weighed instead: the output of `tenside restandardise --json`."""

    FORMAT = 1
    brief: Brief = untold()
    brief_name: str = seen("brief.scenario.name", key="brief")
    """The brief at the planned lots."""
    formula: Formula = told_as("planned")
    """The planned formula."""
    setting: Setting = untold()
    ph_planned: Figure = seen("setting.target")
    held_back_percent: float = seen("formula.held_back")
    """Its pH setting."""
    batch: BatchAsked = untold()
    batch_kg: float = seen("batch.kg")
    step_g: float = seen("batch.step")
    free: bool = seen("batch.free")
    active_band: float = seen("batch.active_band")
    charge_band: float = seen("batch.charge_band")
    lots: Mapping[str, float]
    """Measured active matter [% as supplied]."""
    outside: tuple[str, ...]
    """Ids whose lot lies outside the library's low to high."""
    changed: tuple[str, ...] = seen("near.changed", ())
    distance_percent: Figure = seen("near.distance")
    near: Near | None = untold()
    """The nearest formula at the measured lots; None if there is none."""
    grams: Mapping[str, float]
    """What is weighed by id [g]."""
    weighed: Doses
    """At the measured lots; empty if there is no formula."""
    stopped: tuple[str, ...] = told_as("stopped_by")
    """Readings of rules that the grid of the scale breaks."""
    conflict: tuple[str, ...]
    """Readings of rules that clash at these lots."""
    spans: tuple[LotSpan, ...] = told_as("rules")
    """Every rule with a figure."""
    notes: tuple[str, ...] = untold(default=())
    every_note: tuple[str, ...] = seen("noted", key="notes")

    @property
    def noted(self) -> tuple[str, ...]:
        """What was done to the given figures, and what was assumed."""
        return (*self.notes, *self.brief.assumptions)

    @told
    def ph_target(self) -> Figure:
        """Of what is weighed; as planned if there is no formula."""
        if self.near and self.near.ph:
            return self.near.ph.target
        return nan if self.setting.target is None else self.setting.target

    @told
    def cost_change(self) -> Figure:
        """Change of the cost per kg; null without a formula."""
        return self.near.formula.cost - self.formula.cost if self.near else nan

    @told
    def cautions(self) -> tuple[Caution, ...]:
        """Those that always apply and those of what is weighed."""
        at = self.near.ph.setting if self.near and self.near.ph else self.setting
        return cautions_at(self.brief, self.weighed or self.formula, at)


def restandardise(
    brief: Brief,
    doses: dict[str, float],
    lots: Mapping[str, float],
    batch: BatchAsked,
    notes: tuple[str, ...] = (),
    *,
    at: float | None = None,
) -> Restandardised:
    """Bring a formula to the measured lots.

    Args:
        brief: The brief; its pool holds the formula's materials at the lots it was planned with.
        doses: The planned doses [% as supplied by id].
        lots: Measured active matter by id [% as supplied].
        batch: What is weighed.
        notes: What was done to the given figures.
        at: The pH that the formula aims at; where it fits the brief best if it aims at none.

    Raises:
        UsageError: If a lot is of a material that the formula does not hold.
    """
    for name in lots:
        if doses.get(name, 0.0) <= 0:
            raise UsageError(f"there is a lot of '{name}', which the formula does not use. {nearest(name, doses)}")
    items = tuple(i for i in brief.pool.items if i.id in doses or i.material.function == "solvent")
    planned = replace(brief, pool=brief.pool.with_items(items))
    formula = formula_at(planned.pool, doses)
    setting = best_setting(brief, formula, at)
    real = replace(planned, pool=at_lots(planned.pool, brief.library, lots))
    kept = kept_rules(formula, batch.active_band, batch.charge_band)
    scale = brief.scenario.model_copy(update={"scale_step": batch.step / (10 * batch.kg)})
    asked = replace(asking(protecting(real, formula, setting), kept), scenario=scale)
    near, _ = on_grid(asked, nearest_at(asked, doses, setting, fewest=not batch.free), doses)
    grams = {} if near is None else _grams(near.formula, batch)
    weighed = formula_at(real.pool, {k: g / (10 * batch.kg) for k, g in grams.items()}) if near else None
    known, unchanged = lots_of(planned.pool, brief.library), formula_at(real.pool, doses)
    spans = (_span(r, known, formula, unchanged, weighed, setting) for r in (*brief.modelled, *kept))
    return Restandardised(
        brief=planned,
        formula=formula,
        setting=setting,
        batch=batch,
        lots=lots,
        outside=tuple(sorted(n for n, a in lots.items() if not _usual(known, n, a))),
        near=near,
        grams=grams,
        weighed=weighed,
        stopped=_stopped(asked, weighed, near.ph.setting if near and near.ph else setting),
        conflict=() if near is not None else clash(asked),
        spans=tuple(s for s in spans if s is not None),
        notes=notes,
    )


def _stopped(asked: Brief, weighed: Formula | None, setting: Setting) -> tuple[str, ...]:
    """Return the readings of the rules that what is weighed breaks; none if nothing is."""
    if weighed is None:
        return ()
    return tuple(r.reading() for r in asked.enforced if r.shown != "understood" and broken(r, weighed, setting))


def _grams(formula: Formula, batch: BatchAsked) -> dict[str, float]:
    """Return grams by id that sum to the batch less the part kept free."""
    exact = {name: percent * 10 * batch.kg for name, percent in formula.doses.items()}
    return largest_remainder(exact, batch.step, (100 - formula.held_back) * 10 * batch.kg)


def _usual(lots: Lots, name: str, active: float) -> bool:
    low, high = lots.ends[lots.pool.index[name]]
    return bool(low - AS_TYPED <= active <= high + AS_TYPED)


def _span(
    rule: Rule, lots: Lots, planned: Formula, unchanged: Formula, weighed: Formula | None, setting: Setting
) -> LotSpan | None:
    """Return the figures of a rule; None for what lots cannot move and what does not apply."""
    doses = np.array([planned.dose(i.id) for i in lots.pool.items])
    value = rule.value(planned, setting)
    if not rule.by_lots or np.isnan(value):
        return None
    if rule.idle(value):
        return None
    if linear(rule) and isinstance(rule, LimitRule):
        low, high = lots.extremes(rule, doses)
    else:
        low, high, _ = lots.corners(rule, doses, setting)
    after = float("nan") if weighed is None else rule.value(weighed, setting)
    keeps = not broken(rule, unchanged, setting)
    return LotSpan(rule, value, min(low, value), max(high, value), rule.value(unchanged, setting), after, keeps)
