"""Every rule at the answer: value, binding side, price and how long it holds; entry prices."""

from __future__ import annotations

from dataclasses import replace
from math import isnan
from typing import Any

import numpy as np
import numpy.typing as npt

from optimizer.brief import Brief
from optimizer.corridor import Found
from optimizer.engine.onesided import Directions
from optimizer.engine.sensitivity import Basis
from optimizer.formula import Formula
from optimizer.result import EntryPrice, Outcome
from optimizer.row import Row, Setting
from optimizer.units import USED

STILL = 1e-9
"""A price whose range ends at the limit itself may differ between raising and lowering."""


def measure_rules(brief: Brief, formula: Formula, setting: Setting) -> tuple[Outcome, ...]:
    """Return value and limits of every rule at a formula, from raw data."""
    outcomes = []
    for rule in (*brief.all_rules, *brief.watched):
        low, high = rule.limits
        value, violation = rule.judged(formula, setting)
        outcomes.append(
            Outcome(
                rule.id,
                rule.kind,
                rule.name,
                rule.reading(),
                value,
                low,
                high,
                rule.unit,
                rule.source,
                violation,
            )
        )
    return tuple(outcomes)


def price_rules(brief: Brief, found: Found, basis: Basis, formula: Formula, setting: Setting) -> tuple[Outcome, ...]:
    """Return every rule with value, binding side, price and the range over which it holds."""
    pricer = Pricer(brief, found, basis)
    return tuple(pricer.priced(outcome) for outcome in measure_rules(brief, formula, setting))


class Pricer:
    """Prices of limits at an answer, at its fixed choices.

    Which limits bind is read at the answer itself; their prices come from the optimal basis, and where
    that is degenerate from the directions at the answer.
    """

    def __init__(self, brief: Brief, found: Found, basis: Basis) -> None:
        """Sort the rows by owner and side."""
        assert found.x is not None
        self.model, self.basis, self.x = found.case.model, basis, found.x
        self.directions = Directions(basis, found.x)
        sign, name = brief.scenario.objective.goals[0]
        measure = brief.measure(name)
        self.fractional = measure.ratio
        self.unit = self.unit_here = float(sign)
        if measure.ratio:
            # Equally good formulas may have other totals: a slope goes with the total of the point it was taken at.
            per, below = brief.pool.vector(measure.per), measure.constants(brief.pool.held_back)[1]
            self.unit /= float(per @ basis.x[: self.model.doses]) + below
            self.unit_here /= float(per @ found.x[: self.model.doses]) + below
        self.rows: dict[tuple[str, str], list[int]] = {}
        for r, row in enumerate(self.model.rows):
            self.rows.setdefault((row.owner, row.side), []).append(r)

    def priced(self, outcome: Outcome) -> Outcome:
        """Return an outcome with the side and the price of the limit it sits on, if it does."""
        for side in ("equal", "low", "high"):
            binding = np.array([r for r in self.rows.get((outcome.id, side), []) if self._at_end(r, side)])
            if binding.size and not isnan(outcome.value):
                if outcome.kind == "clear":
                    return replace(outcome, binding=side)
                limit = outcome.high if side == "high" else outcome.low
                prices: dict[str, Any] = self._prices(binding, side, limit)
                return replace(outcome, binding=side, **prices)
        return outcome

    def _prices(self, binding: npt.NDArray[np.int64], side: str, limit: float) -> dict[str, float]:
        rows = [self.model.rows[r] for r in binding]
        ends = np.array([row.rhs_per_limit * self._taken(row) for row in rows])
        single = rows[0].per_limit if len(rows) == 1 else None
        per_limit = None if single is None else self.model.spread(single)
        reach = self.basis.reach(binding, ends, per_limit)
        price = lowered = raised = self.unit * reach.price
        if reach.down > -STILL or reach.up < STILL:
            lowered, raised = (self.unit_here * p for p in self.directions.prices(binding, ends, per_limit))
            if reach.down == reach.up == 0:
                price = lowered if side == "high" else raised
        prices = {"price": price, "price_if_lowered": lowered, "price_if_raised": raised}
        if not self.fractional:
            # The value of a mean as objective bends with every limit: its price is told at the answer only.
            prices |= {"price_from": self.unit * reach.price_down, "price_to": self.unit * reach.price_up}
            prices |= {"holds_from": limit + reach.down, "holds_to": limit + reach.up}
        return {name: value + 0.0 for name, value in prices.items()}

    def _at_end(self, r: int, side: str) -> bool:
        if self._taken(self.model.rows[r]) == 0:
            return False
        end = self.model.row_high[r] if side == "high" else self.model.row_low[r]
        return bool(abs(float(self.model.matrix[r] @ self.x) - end) <= 1e-7 * (1 + abs(end)))

    def _taken(self, row: Row) -> float:
        """Return 1, or the value of the yes/no that multiplies the row's limit."""
        return float(round(self.x[self.model.names.index(row.limit_choice)])) if row.limit_choice else 1.0


def entry_prices(brief: Brief, found: Found, basis: Basis) -> tuple[EntryPrice, ...]:
    """Return what unused, allowed candidates must cost to enter (price less reduced cost).

    Only for a cost objective; a material that a yes/no choice keeps out has no entry price here.
    """
    sign, name = brief.scenario.objective.goals[0]
    assert found.x is not None
    assert found.upper is not None
    if name != "cost" or sign != 1:
        return ()
    closed = {
        key.removeprefix("use:")
        for key, value in zip(found.case.model.names, found.upper, strict=True)
        if key.startswith("use:") and value < 0.5
    }
    n = found.case.model.doses
    out = (found.x[:n] <= USED) & (found.upper[:n] > 0)
    directions = Directions(basis, found.x)
    prices = []
    for position in out.nonzero()[0]:
        item = brief.pool.items[position]
        if item.id not in closed:
            entry = entry_price(found, basis, int(position), item.price, directions)
            if entry < item.price - 1e-10:
                prices.append(EntryPrice(item.id, item.material.name, item.price, entry))
    return tuple(sorted(prices, key=lambda e: (e.price - e.entry, e.id)))


def entry_price(found: Found, basis: Basis, position: int, price: float, directions: Directions | None = None) -> float:
    """Return the price per kg below which a candidate comes in (or, used, what it costs now).

    Its price less its reduced cost; where a limit that is met stands in its way, less what the first bit of
    it costs along the best direction. Minus infinite where it cannot come in at all.
    """
    assert found.x is not None
    per_percent = float(basis.reduced[position])
    unused = found.x[position] <= USED
    if unused and not (basis.nonbasic[position] and basis.can_enter(position)):
        per_percent = (directions or Directions(basis, found.x)).entering(position)
    return price - 100 * per_percent
