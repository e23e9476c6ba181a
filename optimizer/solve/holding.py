"""How far each limit may move until another choice or pH setting makes a better formula than the answer's own.

Prices of limits hold for the choices made, over a range. Within it the trees that prove the answer are gone on from
(`engine/moving`), so that the range is told over which the whole answer holds, and what takes over at its ends.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import isnan

import numpy as np

from optimizer.data.formula import Formula
from optimizer.data.pool import Vector
from optimizer.engine.highs import Session
from optimizer.engine.moving import Moving, MovingWorth, Shift
from optimizer.engine.tree import Leaf
from optimizer.immutable import replace
from optimizer.model.model import Model, cases, widest
from optimizer.rules.row import Lever
from optimizer.solve.case_solver import CaseAnswer
from optimizer.solve.result import RuleOutcome, Taken
from optimizer.solve.shadow_prices import own_lever
from optimizer.solve.solved import Solved, formula_from
from optimizer.units import AT_END, BETTER, PRICE_SHOWN

FURTHEST = 1000.0
"""How far a limit is followed that no other one stops."""


def held(solved: Solved) -> tuple[RuleOutcome, ...]:
    """Return the rules of an answer with the range over which it holds as each limit moves, choices and pH included.

    Limits without a price or a range of it are left as they are, and all where some case is proven by no tree.
    """
    chosen, rules = solved.chosen, solved.result.rules
    wide = widest(solved.corridor.cases)
    found = [f for f in solved.found if any(f.case is case for case in wide)]
    if chosen is None or solved.result.ending != "optimal" or any(_boxes(f) is None for f in found):
        return rules
    holding = _Holding(solved, chosen, found)
    return tuple(replace(holding.told(o), further=tuple(map(holding.told, o.further))) for o in rules)


def _boxes(found: CaseAnswer) -> tuple[Leaf, ...] | None:
    """Return the boxes that prove a case; None if there are none."""
    if found.tree is not None:
        return found.tree.leaves
    if found.case.model.choices or found.answer is None:
        return None
    return (Leaf(found.case.model.lower, found.case.upper, found.answer.y, empty=False),)


class _Holding:
    """Follows the limits of one answer over all of its cases."""

    def __init__(self, solved: Solved, chosen: CaseAnswer, found: list[CaseAnswer]) -> None:
        """Lay the rows anew, so that no tie of a dose to its yes/no leans on a limit that moves."""
        assert chosen.x is not None
        assert chosen.cost is not None
        brief = solved.result.brief
        self.brief, self.chosen, self.found = brief, chosen, found
        loose = {rule.id for rule in solved.result.rules if rule.binding}
        laid = cases(brief.modelled, brief.acidity, brief.pool, loose=loose)
        self.models = {id(own.model): case.model for own, case in zip(solved.corridor.cases, laid, strict=True)}
        self.sessions = {id(model): _session(model) for model in self.models.values()}
        self.at = float(chosen.cost @ chosen.x)
        self.sign, self.slack = brief.scenario.objective.goals[0][0], BETTER * (1 + abs(self.at))

    def told(self, outcome: RuleOutcome) -> RuleOutcome:
        """Return a limit with the range over which the answer holds; not where the objective is a ratio."""
        if self.brief.measure(self.brief.scenario.objective.goals[0][1]).ratio:
            return outcome
        if isnan(outcome.holds_from) or isnan(outcome.holds_to) or abs(outcome.price) < PRICE_SHOWN:
            return outcome
        shifts = [_shift(self.models[id(f.case.model)], outcome) for f in self.found]
        own = _shift(self.chosen.case.model, outcome)
        if own is None or any(shift is None for shift in shifts):
            return outcome
        doses = own.coefficients[:, : self.chosen.case.model.doses].any()  # at the choices made the others are ends
        q = self.chosen.basis.curvature(int(own.rows[0]), own.coefficients[0]) if doses else 0.0
        line = MovingWorth(self.at, self.sign * outcome.price, q)
        up, above = self._far(shifts, line, min(outcome.holds_to - outcome.limit_at, FURTHEST))
        turned = [shift and shift.turned() for shift in shifts]
        down, below = self._far(turned, line.turned(), min(outcome.limit_at - outcome.holds_from, FURTHEST))
        ends = {"whole_from": outcome.limit_at - down, "whole_to": outcome.limit_at + up}
        return replace(outcome, **ends, taken_from=below, taken_to=above)

    def _far(self, shifts: list[Shift | None], line: MovingWorth, end: float) -> tuple[float, Taken | None]:
        """Return how far the answer holds, and what takes over there."""
        taken: Taken | None = None
        for found, shift in zip(self.found, shifts, strict=True):
            boxes = _boxes(found)
            assert boxes is not None
            assert shift is not None
            assert found.cost is not None
            if end <= AT_END:
                break
            moving = Moving(
                self.sessions[id(self.models[id(found.case.model)])], found.cost, shift, line, self.slack, end
            )
            far = moving.until(boxes)
            if far < end:
                end, taken = far, None if moving.better is None else self._taken(moving.better)
        return max(end, 0.0), taken

    def _taken(self, x: Vector) -> Taken:
        assert self.chosen.x is not None
        here, there = (set(_ids(formula_from(self.brief, z[: len(self.brief.pool)]))) for z in (self.chosen.x, x))
        return Taken(comes=tuple(sorted(there - here)), goes=tuple(sorted(here - there)))


def _ids(formula: Formula) -> Iterator[str]:
    return (line.item.id for line in formula.lines)


def _session(model: Model) -> Session:
    return Session(model.matrix, model.row_low, model.row_high, integers=model.size - model.doses)


def _shift(model: Model, outcome: RuleOutcome) -> Shift | None:
    """Return what a limit moves in a model; None where that is no such move."""
    rows, ends, coefficients = [], [], []
    for r, row in ((r, row) for r, row in enumerate(model.rows) if row.owner == outcome.id):
        levers = row.levers if row.side == "link" else (own_lever(row),)
        for lever in (one for one in levers if one.limit == outcome.limit):
            if lever.choice and lever.per_limit is not None:
                return None
            rows.append(r)
            ends.append(0.0 if lever.choice else lever.rhs_per_limit)
            coefficients.append(_coefficients(model, lever))
    return Shift(np.array(rows), np.array(ends), np.array(coefficients)) if rows else None


def _coefficients(model: Model, lever: Lever) -> Vector:
    """Return the coefficients that a limit stands inside of: those of doses, or that of the yes/no it needs."""
    if lever.per_limit is not None:
        return model.spread(lever.per_limit)
    p = np.zeros(model.size)
    if lever.choice:
        p[model.names.index(lever.choice)] = lever.rhs_per_limit
    return p
