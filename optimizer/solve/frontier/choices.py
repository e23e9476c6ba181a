"""Which yes/no choices are best somewhere along a trade-off of two measures.

They are looked for at a few limits first, then under every part of the envelope of what is known: one program asks
for the formula that lies furthest below it, wherever inside the part that is. That no choice lies below a part is
proven by a tree whose leaves are checked (`engine/tree`); where that grows too large, it is the solver's word.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from math import inf
from typing import Literal

import numpy as np

from optimizer.data.pool import Vector
from optimizer.engine.highs import Session
from optimizer.engine.tree import Leaf, lowest_below
from optimizer.model.model import Case
from optimizer.solve.case_solver import Corridor
from optimizer.solve.fractional import VanishingError, optimum
from optimizer.solve.frontier.envelope import End, EnvelopePart
from optimizer.solve.frontier.tradeoff import Axis
from optimizer.units import BETTER

SAMPLES = 9
"""Limits at which the best yes/no choices are looked for first."""
DIP = 4.0
"""How many times that may be missed between the ends of a part where they do not tell all."""
MOST_OPEN = 0.5
"""Share of the leaves of a tree that may be open where it is gone on from: else a new one takes fewer programs."""
Verdict = Literal["proven", "fresh", "open"]


@dataclass
class Search:
    """Best yes/no choices of one case while the swept measure lies between limits.

    Attributes:
        runs: Programs run.
        word: Whether the solver's word was taken for a bound somewhere.
        sets: Choices found, by themselves.
        fresh: Those of them whose curves are not known yet.
        cover: Leaves of the last tree, from which its neighbours, which ask nearly the same, are gone on.
    """

    case: Case
    optimised: Axis
    swept: Axis
    corridor: Corridor
    runs: int = 0
    word: bool = False
    sets: dict[tuple[float, ...], Vector] = field(default_factory=dict)
    fresh: set[tuple[float, ...]] = field(default_factory=set)
    cover: tuple[Leaf, ...] = ()

    def __post_init__(self) -> None:
        """Load the case with a row for each end of the swept measure."""
        model, pool, measure = self.case.model, self.corridor.brief.pool, self.swept.measure
        self.pool, up = pool, -self.swept.sign
        self.amounts = model.spread(up * pool.vector(measure.amount))
        self.per = model.spread(pool.vector(measure.per)) if measure.ratio else np.zeros(model.size)
        above, self.below = measure.constants(pool.held_back)
        self.above = up * above
        self.last = len(model.rows)
        self.session = Session(
            np.vstack([model.matrix, self.amounts, self.amounts]),
            np.append(model.row_low, [-inf, -inf]),
            np.append(model.row_high, [inf, inf]),
            integers=model.size - model.doses,
            time_limit=self.corridor.time_limit,
        )

    def sample(self) -> None:
        """Note the choices that are best at the ends and at evenly spread limits between them."""
        first, last = self._best(self.optimised), self._best(self.swept, proven=True)
        if first is None or last is None:
            return
        ends = [float((self.amounts @ z + self.above) / (self.per @ z + self.below)) for z in (first, last)]
        for z in (first, last):
            self._noted(z)
        for x in np.linspace(ends[0], ends[1], SAMPLES)[1:-1] if ends[1] > ends[0] else ():
            self._between(float(x), inf)
            between = self._best(self.optimised)
            if between is not None:
                self._noted(between)

    def taken(self) -> list[Vector]:
        """Return the choices that are fresh, which they are no longer."""
        new = [self.sets[key] for key in sorted(self.fresh)]
        self.fresh.clear()
        return new

    def under(self, part: EnvelopePart, *, last: bool) -> Verdict:
        """Return whether it is proven that nothing lies below a part, or fresh choices do, or neither is known.

        With N / D the swept measure and s the rate over D at an end x of the part, the least of value - s (N - x D)
        bounds every value with N / D in the part (Everett, Operations Research 11 (1963) 399, from memory); both ends
        together bound it to a dip that shrinks with the square of the width.

        Args:
            part: The part.
            last: Whether it is the last one, past which nothing should lie.
        """
        if not self.sets:  # the case has no formula
            return "proven"
        slack, bent = BETTER * (1 + abs(part.first.y)), not self.optimised.measure.ratio and bool(self.per.any())
        bottoms = [float(self.per[: len(e.doses)] @ e.doses) + self.below for e in (part.first, part.last)]
        if bent and part.dip((bottoms[0], bottoms[1]), *self.bottoms) > DIP * slack:
            return "open"
        self._between(part.first.x, inf if last else part.last.x)
        for end, bottom in zip((part.first, part.last)[: 1 + bent], bottoms, strict=False):
            cost, least = self._asked(end, bottom, slack)
            z, bound = self._least(cost, least)
            if bound < least:
                return "fresh" if z is not None and self._noted(z) in self.fresh else "open"
        return "proven"

    @cached_property
    def bottoms(self) -> tuple[float, float]:
        """The least and the most, or less and more, that the swept measure is a mean over."""
        self._between(-inf, inf)
        least, most = (self._least(sign * self.per, -inf)[1] for sign in (1, -1))
        return least + self.below, self.below - most

    def _asked(self, end: End, bottom: float, slack: float) -> tuple[Vector, float]:
        """Return a program and the least value that it may have if nothing lies below an end."""
        measure, sign = self.optimised.measure, self.optimised.sign
        # Of a mean over the same total D: (value - y) D - rate (N - x D).
        y = end.y - slack
        own, constant = self.case.model.objective(measure, self.pool, sign, sign * y)
        rate, least = (end.rate, 0.0) if measure.ratio else (end.rate / bottom, y)
        cost = own - rate * (self.amounts - end.x * self.per)
        return cost, least + rate * (self.above - end.x * self.below) - constant

    def _least(self, cost: Vector, least: float) -> tuple[Vector | None, float]:
        """Return the point of the least cost and a bound on it; no point if choices in parts reach no less."""
        lower, upper = self.case.model.lower, self.case.upper
        known = self.cover if least > -inf else ()
        below = lowest_below(self.session, cost, lower, upper, least, known=known, most_open=MOST_OPEN)
        self.runs, self.cover = self.runs + below.runs, below.leaves
        if below.settles(least):
            return below.best, below.bound
        self.runs += 1
        self.word = True
        answer = self.session.run(cost, lower, upper)
        if answer.ending == "infeasible":
            return None, inf
        bound = answer.bound if answer.bound == answer.bound else -inf
        return (None if bound >= least or not answer.x.size else answer.x), bound

    def _between(self, first: float, last: float) -> None:
        """Keep the swept measure, turned, between two limits."""
        for row, x in enumerate((first, last), self.last):
            if abs(x) < inf:
                self.session.coefficients(row, self.amounts - x * self.per)
        low, high = (x * self.below - self.above if abs(x) < inf else x for x in (first, last))
        self.session.rows(np.array([self.last, self.last + 1], dtype=np.int32), np.array([low, -inf]),
                          np.array([inf, high]))  # fmt: skip

    def _noted(self, z: Vector) -> tuple[float, ...]:
        chosen = np.round(z[self.case.model.doses :])
        key = tuple(chosen.tolist())
        if key not in self.sets:
            self.sets[key] = chosen
            self.fresh.add(key)
        return key

    def _best(self, axis: Axis, *, proven: bool = False) -> Vector | None:
        """Return the best point, or None; where it is proven no formula lies beyond, or a word for it is noted."""
        model, measure = self.case.model, axis.measure

        def run(ratio: float) -> Vector | None:
            cost, _ = model.objective(measure, self.pool, axis.sign, ratio)
            if proven:
                return self._least(cost, inf)[0]
            self.runs += 1
            z = self.session.run(cost, model.lower, self.case.upper).x
            return z if z.size else None

        def ratio_of(z: Vector) -> float:
            top, bottom = measure.parts(self.pool, z[: model.doses])
            if not bottom > measure.vanishing(self.pool):
                raise VanishingError
            return top / bottom

        if not measure.ratio:
            return run(0.0)
        found = optimum(run, ratio_of)
        return None if found is None else found[0]
