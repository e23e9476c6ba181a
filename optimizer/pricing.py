"""Every rule at the answer: value, binding side, price and how long it holds; entry prices."""

from __future__ import annotations

from dataclasses import replace
from math import isnan

import numpy as np

from optimizer.brief import Brief
from optimizer.corridor import Found
from optimizer.engine.onesided import Directions
from optimizer.engine.sensitivity import Basis
from optimizer.formula import Formula
from optimizer.model import Model
from optimizer.pool import Vector
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
        outcomes.append(
            Outcome(
                rule.id,
                rule.kind,
                rule.name,
                rule.reading(),
                rule.value(formula, setting),
                low,
                high,
                rule.unit,
                rule.source,
                rule.violation(formula, setting),
            )
        )
    return tuple(outcomes)


def price_rules(brief: Brief, found: Found, basis: Basis, formula: Formula, setting: Setting) -> tuple[Outcome, ...]:
    """Return every rule with value, binding side, price and the range over which it holds."""
    model = found.case.model
    sign = brief.scenario.objective.goals[0][0]
    measure = brief.measure(brief.scenario.objective.goals[0][1])
    unit = 1.0
    if measure.ratio:
        bottom = (
            float(brief.pool.vector(measure.per) @ basis.x[: model.doses]) + measure.constants(brief.pool.held_back)[1]
        )
        unit = 1.0 / bottom
    by_owner: dict[tuple[str, str], list[int]] = {}
    for r, row in enumerate(model.rows):
        by_owner.setdefault((row.owner, row.side), []).append(r)
    directions = Directions(basis)
    outcomes = measure_rules(brief, formula, setting)
    return tuple(_priced(o, model, basis, by_owner, sign * unit, directions) for o in outcomes)


def _priced(
    outcome: Outcome,
    model: Model,
    basis: Basis,
    by_owner: dict[tuple[str, str], list[int]],
    unit: float,
    directions: Directions,
) -> Outcome:
    """Return an outcome with the price of the limit it sits on."""
    for side in ("equal", "low", "high"):
        indices = by_owner.get((outcome.id, side), [])
        binding = [r for r in indices if _at_end(model, basis, r, side)]
        if not binding or isnan(outcome.value):
            continue
        limit = outcome.low if side in ("low", "equal") else outcome.high
        rows = [model.rows[r] for r in binding]
        if outcome.kind == "clear":
            return replace(outcome, binding=side)
        ends = np.array([_end_per_limit(model, row, basis.x) for row in rows])
        single = rows[0].per_limit if len(rows) == 1 else None
        per_limit = None if single is None else model.spread(single)
        reach = basis.reach(np.array(binding), ends, per_limit)
        lowered = raised = unit * reach.price + 0.0
        if reach.down > -STILL or reach.up < STILL:
            lowered, raised = (unit * p + 0.0 for p in directions.prices(np.array(binding), ends, per_limit))
        return replace(
            outcome,
            binding=side,
            price=unit * reach.price + 0.0,
            holds_from=limit + reach.down,
            holds_to=limit + reach.up,
            price_from=unit * reach.price_down + 0.0,
            price_to=unit * reach.price_up + 0.0,
            price_if_lowered=lowered,
            price_if_raised=raised,
        )
    return outcome


def _at_end(model: Model, basis: Basis, r: int, side: str) -> bool:
    activity = basis.activity[r]
    end = model.row_high[r] if side == "high" else model.row_low[r]
    return bool(abs(activity - end) <= 1e-7 * (1 + abs(end)))


def _end_per_limit(model: Model, row: Row, x: Vector) -> float:
    taken = float(round(x[model.names.index(row.limit_choice)])) if row.limit_choice else 1.0
    return row.rhs_per_limit * taken


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
    out = (found.x[:n] <= USED) & (found.upper[:n] > 0) & (basis.reduced[:n] > 1e-12)
    prices = []
    for position in out.nonzero()[0]:
        item = brief.pool.items[position]
        if item.id not in closed:
            entry = item.price - 100 * float(basis.reduced[position])
            prices.append(EntryPrice(item.id, item.material.name, item.price, entry))
    return tuple(sorted(prices, key=lambda e: (e.price - e.entry, e.id)))
