"""Every rule at the answer: value, binding side, price and how long it holds; entry prices."""

from __future__ import annotations

from functools import cached_property
from math import inf, isnan, nan
from typing import Any

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula
from optimizer.data.pool import Ingredient, Mask
from optimizer.engine.onesided import Directions
from optimizer.engine.sensitivity import Basis, Move, Over, Reach
from optimizer.immutable import replace
from optimizer.rules.row import Lever, Row, Setting
from optimizer.solve.case_solver import CaseAnswer
from optimizer.solve.result import EntryPrice, RuleOutcome
from optimizer.units import AT_END, ROW_MET, USED, ZERO_PRICE

ORDER = ("equal", "low", "high")
OWN = {"equal": "exactly", "low": "at_least", "high": "at_most"}
"""Field of a limit that a row stands for by its side."""
Limit = list[tuple[int, Lever]]
"""A limit that the answer sits on: the rows that it moves, and how."""


def measure_rules(brief: Brief, formula: Formula, setting: Setting) -> tuple[RuleOutcome, ...]:
    """Return value and limits of every rule at a formula, from raw data."""
    outcomes = []
    for rule, enforced in (*((r, True) for r in brief.enforced), *((r, False) for r in brief.watched)):
        low, high = rule.limits
        value, violation = rule.judged(formula, setting)
        missed = broken = False
        if enforced and violation > 0:
            slack = rule.slack(formula)
            missed, broken = violation > slack, violation > rule.within + slack
        outcomes.append(
            RuleOutcome(
                rule=rule,
                value=rule.as_told(value),
                low=low,
                high=high,
                violation=violation,
                missed=missed,
                broken=broken,
            )
        )
    return tuple(outcomes)


def price_rules(
    brief: Brief, found: CaseAnswer, basis: Basis, measured: tuple[RuleOutcome, ...]
) -> tuple[RuleOutcome, ...]:
    """Return every rule, measured at the answer, with binding side, price and the range over which it holds."""
    return Pricer(brief, found, basis).priced(measured)


class Pricer:
    """Prices of limits at an answer, at its fixed choices.

    Which limits bind is read at the answer itself; their prices come from the optimal basis, and where
    that is degenerate from the directions at the answer. Every row that a limit moves moves with it,
    whether the answer sits on it or not.
    """

    def __init__(self, brief: Brief, found: CaseAnswer, basis: Basis) -> None:
        """Sort the rows by owner and limit."""
        assert found.x is not None
        self.model, self.x = found.case.model, found.x
        self.at_end = self._at_ends()
        whole = self.model.doses
        self.taken = dict(zip(self.model.names[whole:], np.round(found.x[whole:]).tolist(), strict=True))
        silent = [r for r, row in enumerate(self.model.rows) if self._silent(row)] if self.taken else []
        self.basis = basis.without(np.array(silent)) if silent else basis
        sign, name = brief.scenario.objective.goals[0]
        measure = brief.measure(name)
        self.over: Over | None = None
        self.unit = self.unit_here = float(sign)
        if measure.ratio:
            # Equally good formulas may have other totals: a slope goes with the total of the point it was taken at.
            per, below = brief.pool.vector(measure.per), measure.constants(brief.pool.held_back)[1]
            self.over = self.model.spread(per), float(per @ basis.x[: self.model.doses]) + below
            self.unit /= self.over[1]
            self.unit_here /= float(per @ found.x[: self.model.doses]) + below
        self.steps = {rule.id: rule.step for rule in brief.enforced}
        self.unpriced = {rule.id for rule in brief.enforced if not rule.has_price}
        self.moved: dict[str, dict[str, list[tuple[int, Lever]]]] = {}
        binding = {self.model.rows[r].owner for r in np.flatnonzero(self.at_end)}
        for r, row in enumerate(self.model.rows):
            if row.owner in binding:
                for lever in row.levers if row.side == "link" else (own_lever(row),):
                    self.moved.setdefault(row.owner, {}).setdefault(lever.limit, []).append((r, lever))

    @cached_property
    def directions(self) -> Directions:
        """The ways out of the answer, for limits that meet where none is needed."""
        return Directions(self.basis, self.x)

    def priced(self, outcomes: tuple[RuleOutcome, ...]) -> tuple[RuleOutcome, ...]:
        """Return outcomes with the side and the price of every limit that they sit on."""
        limits = [(outcome, limit) for outcome in outcomes for limit in self._binding(outcome)]
        reaches = self.basis.reaches([self._move(limit) for _, limit in limits], over=self.over)
        told: dict[str, list[RuleOutcome]] = {}
        for (outcome, limit), reach in zip(limits, reaches, strict=True):
            told.setdefault(outcome.id, []).append(self._with_price(outcome, limit, reach))
        return tuple(_joined(told.get(outcome.id, []), outcome) for outcome in outcomes)

    def _binding(self, outcome: RuleOutcome) -> list[Limit]:
        """Return the limits of a rule that the answer sits on, each with the rows that it moves."""
        if isnan(outcome.value):
            return []
        limits = []
        for moved in self.moved.get(outcome.id, {}).values():
            moving = [(r, lever) for r, lever in moved if self._takes(lever)]
            if any(self.at_end[r] for r, _ in moving):
                limits.append(moving)
        return limits

    def _with_price(self, outcome: RuleOutcome, limit: Limit, reach: Reach) -> RuleOutcome:
        lever = limit[0][1]
        if outcome.id in self.unpriced:
            return replace(outcome, binding=lever.side)
        at = (outcome.high if lever.side == "high" else outcome.low) if isnan(lever.at) else lever.at
        step = self.steps[outcome.id] if isnan(lever.step) else lever.step
        where: dict[str, Any] = {"binding": lever.side, "limit": lever.limit, "limit_at": at, "limit_step": step}
        return replace(outcome, **where, limit_unit=lever.unit or outcome.unit, **self._prices(limit, at, reach))

    def _move(self, limit: Limit) -> Move:
        per_limit = limit[0][1].per_limit
        assert per_limit is None or len(limit) == 1
        rows, ends = np.array([r for r, _ in limit]), np.array([one.rhs_per_limit for _, one in limit])
        return rows, ends, None if per_limit is None else self.model.spread(per_limit)

    def _prices(self, limit: Limit, at: float, reach: Reach) -> dict[str, float]:
        lever = limit[0][1]
        down, up = max(reach.down, lever.down), min(reach.up, lever.up)
        price = lowered = raised = self.unit * reach.price
        still = AT_END * (1 + abs(at))
        if down > -still or up < still:  # raising and lowering may differ
            lowered, raised = (self.unit_here * p for p in self.directions.prices(*self._move(limit)))
            lowered, raised = lowered if lever.down < 0 else 0.0, raised if lever.up > 0 else 0.0
            if down == up == 0:
                price = lowered if lever.side == "high" else raised
        prices = {"price": price, "price_if_lowered": lowered, "price_if_raised": raised}
        prices |= {"price_from": self.unit * reach.price_down, "price_to": self.unit * reach.price_up}
        prices |= {"holds_from": at + down, "holds_to": at + up}
        return {name: value + 0.0 for name, value in prices.items()}

    def _at_ends(self) -> Mask:
        """Return which rows the answer sits on an end of, shape (m,)."""
        activity, found = self.model.matrix @ self.x, np.zeros(len(self.model.rows), dtype=bool)
        sizes = np.abs(self.model.matrix).max(axis=1, initial=0.0)
        for ends in (self.model.row_low, self.model.row_high):
            there = np.isfinite(ends)
            near = np.abs(activity[there] - ends[there]) <= ROW_MET * np.maximum(np.abs(ends[there]), sizes[there])
            found[there] |= near
        return found

    def _takes(self, lever: Lever) -> bool:
        """Whether the yes/no without which a limit says nothing is taken."""
        return not lever.choice or self.taken[lever.choice] > 0

    def _silent(self, row: Row) -> bool:
        """Whether a row that only ties yes/no to doses allows, at these choices, whatever the total allows."""
        if row.owner == "use":
            return all(self.taken[key] > 0 for key in row.choices)
        return row.side == "link" and bool(row.levers) and not any(self._takes(lever) for lever in row.levers)


def own_lever(row: Row) -> Lever:
    """Return the limit of its rule that a row stands for."""
    assert row.side != "link"
    limit, choice = OWN[row.side], row.limit_choice
    return Lever(limit, row.side, nan, row.per_limit, row.rhs_per_limit, choice, unit="", step=nan)


def _joined(told: list[RuleOutcome], outcome: RuleOutcome) -> RuleOutcome:
    """Return a rule at the first of its limits that bind, with the others."""
    if not told:
        return outcome
    told.sort(key=lambda o: ORDER.index(o.binding) if o.limit in OWN.values() else len(ORDER))
    return replace(told[0], further=tuple(told[1:])) if len(told) > 1 else told[0]


def entry_prices(brief: Brief, found: CaseAnswer) -> tuple[EntryPrice, ...]:
    """Return what unused, allowed candidates must cost to enter (price less reduced cost).

    Only for a cost objective. Those that a yes/no choice keeps out come last, without a price: `studies.why` looks at
    all choices.
    """
    sign, name = brief.scenario.objective.goals[0]
    assert found.x is not None
    assert found.upper is not None
    if name != "cost" or sign != 1:
        return ()
    closed = kept_out(found)
    n = found.case.model.doses
    out = np.flatnonzero((found.x[:n] <= USED) & (found.upper[:n] > 0)).tolist()
    prices = [_entry(brief.pool.items[p], nan, True) for p in out if brief.pool.ids[p] in closed]
    asked = [p for p in out if brief.pool.ids[p] not in closed]
    for position, fall in zip(asked, falls(found, asked), strict=True):
        if fall > ZERO_PRICE:
            item = brief.pool.items[position]
            prices.append(_entry(item, item.price - fall, False))
    return tuple(sorted(prices, key=lambda e: (e.kept_out, 0.0 if e.kept_out else e.price - e.entry, e.id)))


def _entry(item: Ingredient, price: float, kept_out: bool) -> EntryPrice:
    return EntryPrice(item.id, item.material.name, item.price, price, kept_out)


def kept_out(found: CaseAnswer) -> frozenset[str]:
    """Return the materials that a yes/no choice of an answer keeps out."""
    assert found.upper is not None
    n = found.case.model.doses
    uses = zip(found.case.model.names[n:], found.upper[n:].tolist(), strict=True)
    return frozenset(key.removeprefix("use:") for key, value in uses if key.startswith("use:") and value < 0.5)


def falls(found: CaseAnswer, positions: list[int]) -> list[float]:
    """Return by how much the price per kg of each candidate must fall until it comes in (or, used, until it pays more).

    Its reduced cost; where a limit that is met stands in its way, what the first bit of it costs along the best
    direction. Infinite where it cannot come in at the choices made.
    """
    assert found.x is not None
    basis, at = found.basis, np.array(positions, dtype=int)
    as_told = basis.enterable[at] | (found.x[at] > USED)
    costs = np.where(as_told, basis.reduced[at], inf)
    for k in np.flatnonzero(~as_told).tolist():
        costs[k] = found.directions.entering(positions[k])
    return list((100 * costs).tolist())
