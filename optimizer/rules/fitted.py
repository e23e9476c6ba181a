"""What trials measured, as rules: the region that was tried, and a measure that was fitted to readings.

Plain data only: coefficients, covariance and sides of the region. How they come about is the business of `trials/`.
"""

from math import erf, exp, inf, log, nan, sqrt
from typing import ClassVar, Literal, Self

import numpy as np
from pydantic import model_validator

from optimizer.data.facts import Frozen, Key
from optimizer.data.formula import Formula
from optimizer.data.pool import Ingredient, Pool, Vector
from optimizer.rules.base import CurvedRule, LimitRule, Rule
from optimizer.rules.row import Row, Setting
from optimizer.units import KEPT, LEAST, OUTSIDE, ROUND_OFF, number

Scale = Literal["number", "log", "judged", "yes/no"]
OFF = 0.05
"""By how much a dose may lie off what the trials moved together [% as supplied]; a few steps of a scale."""


class Tried(Frozen):
    """The doses that a series of trials covers: z = (doses - centre) @ back with sides @ z <= ends."""

    trials: str
    """Name of the series."""
    materials: tuple[Key, ...]
    names: tuple[str, ...] = ()
    """How they are called."""
    centre: tuple[float, ...]
    """Doses in the middle [% as supplied]."""
    directions: tuple[tuple[float, ...], ...]
    """What one unit of each coordinate adds to the doses."""
    back: tuple[tuple[float, ...], ...]
    """Coordinates per % of each dose; 0 for what makes the rest."""
    rest: tuple[Key, ...] = ()
    """What makes the rest."""
    sides: tuple[tuple[float, ...], ...]
    ends: tuple[float, ...]

    def z(self, doses: Vector) -> Vector:
        """Return coordinates of doses in the order of the materials, shape (q,)."""
        return np.asarray((doses - np.array(self.centre)) @ np.array(self.back))

    def per_dose(self, pool: Pool) -> tuple[Vector, Vector]:
        """Return z at no dose, shape (q,), and the coordinates per % of each candidate, shape (n, q)."""
        back = np.array(self.back)
        rows = np.zeros((len(pool), back.shape[1]))
        for name, row in zip(self.materials, back, strict=True):
            if name in pool.index:
                rows[pool.index[name]] = row
        return -np.array(self.centre) @ back, rows

    def doses_of(self, formula: Formula) -> Vector:
        """Return the doses of a formula in the order of the materials, shape (m,)."""
        return np.array([formula.dose(name) for name in self.materials])

    def off(self) -> Vector:
        """Return the matrix that leaves of doses less the centre what no trial moved, shape (m, m)."""
        return np.asarray(np.eye(len(self.materials)) - np.array(self.back) @ np.array(self.directions))

    def beyond(self, doses: Vector) -> float:
        """Return how far doses in the order of the materials lie beyond the trials, below 0 within, in their spans."""
        return float((np.array(self.sides) @ self.z(doses) - np.array(self.ends)).max(initial=-inf))

    def outside(self, formula: Formula) -> tuple[float, str]:
        """Return how far a formula lies outside, 0 within, and the reason in words.

        What lies off the trials is counted in steps of `OFF`, what lies beyond them in spans of the trials.
        """
        strange = [(line.percent, line.item.id) for line in formula.lines if line.item.id not in self.materials]
        if strange:
            return 1 + max(strange)[0] / OFF, f"no trial held {max(strange)[1]}"
        doses = self.doses_of(formula)
        left = np.abs((doses - np.array(self.centre)) @ self.off())
        left[[name in self.rest for name in self.materials]] = 0.0
        worst = int(left.argmax())
        if left[worst] > OFF + KEPT:
            told = f"no trial had {self.materials[worst]} at {number(float(doses[worst]), 2)} % with the other doses"
            return float(left[worst] / OFF - 1), told
        far = self.beyond(doses)
        return (far, "it lies beyond the trials") if far > OUTSIDE else (0.0, "")


class WithinTrials(Rule):
    """The formula lies within what a series of trials tried; beyond it nothing that was fitted is told.

    Equation: sides @ z <= ends with z = (x - centre) @ back, the smallest convex body that holds all beakers as
    weighed; each dose at most 0.05 % off what the trials moved together; nothing that no trial held. Water makes the
    rest. A fitted line or quadratic says nothing of what lies outside.
    """

    kind: Literal["within-trials"] = "within-trials"
    tried: Tried
    gives: ClassVar[bool] = False
    by_lots: ClassVar[bool] = False
    has_price: ClassVar[bool] = False

    @property
    def name(self) -> str:
        """What is asked."""
        return f"within what was tried ({self.tried.trials})"

    @property
    def limits(self) -> tuple[float, float]:
        """Not outside."""
        return -inf, 0.0

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """Each side, each dose that moves only along with others, each candidate that no trial held."""
        tried, n = self.tried, len(pool)
        start, rows_of_z = tried.per_dose(pool)
        found = [
            Row(self.id, "high", _clean(rows_of_z @ np.array(side)), high=end - float(start @ np.array(side)))
            for side, end in zip(tried.sides, tried.ends, strict=True)
        ]
        off, centre = tried.off(), np.array(tried.centre)
        for k, name in enumerate(tried.materials):
            if name not in tried.rest:
                along = np.zeros(n)
                for j, other in enumerate(tried.materials):
                    if other in pool.index:
                        along[pool.index[other]] = off[j, k]
                middle = float(centre @ off[:, k])
                found.append(Row(self.id, "link", _clean(along), middle - OFF, middle + OFF))
        return (*found, *self._strange(pool))

    def _strange(self, pool: Pool) -> list[Row]:
        """Return a row for each candidate that no trial held."""
        rows = []
        for position, name in enumerate(pool.ids):
            if name not in self.tried.materials:
                only = np.zeros(len(pool))
                only[position] = 1.0
                rows.append(Row(self.id, "high", only, high=0.0))
        return rows

    def value(self, formula: Formula, setting: Setting) -> float:
        """How far outside the formula lies, 0 within."""
        return self.tried.outside(formula)[0]

    def slack(self, formula: Formula | None = None) -> float:
        """Return the tolerance, in spans of the trials."""
        return 10 * OUTSIDE

    def reading(self) -> str:
        """One sentence."""
        return f"within what was tried ({self.tried.trials}); beyond it the trials tell nothing"


class MeasuredRule(CurvedRule):
    """What a maker's own trials tell of a formula: a line or a quadratic that was fitted to their readings.

    Equation: m = f(z)'b, with z the coordinates of the doses, f the terms of a line or a quadratic and b the
    coefficients. A limit holds on the one-sided bound m -+ t sqrt(f'Sf), with S the covariance of b and t the quantile
    of Student's t for `sure`, so that it is really kept that often where the model holds; the value told is that bound,
    without a limit it is m. Numbers whose logarithm was fitted are told as such numbers. The bound of a line is convex:
    cutting rows reach the best of all. That of a quadratic is followed by steps, and its answer is a local one. A
    chance of yes is limited as it is, Phi(m / sqrt(1 + f'Sf)). The covariance of a line holds an allowance for the
    curvature that it cannot see. Source: the trials named; nothing is said outside them.
    """

    kind: Literal["measured"] = "measured"
    what: Key
    """What was read of the beakers."""
    scale: Scale = "number"
    measured_in: str = ""
    """Unit of the readings."""
    made: int
    """Beakers that the fit rests on."""
    tried: Tried
    model: Literal["line", "quadratic"] = "line"
    ph: float | None = None
    """pH as the process variable, -1 to 1; None if the trials did not vary it."""
    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    sure: float = 90.0
    """How sure the limit is to be kept [%]."""
    half: float
    """Standard errors between the fitted mean and the bound."""
    summed: ClassVar[bool] = False
    step: ClassVar[float] = 1.0
    by_lots: ClassVar[bool] = False

    @model_validator(mode="after")
    def _one_side(self) -> Self:
        if self.exactly is not None or (self.at_least is not None and self.at_most is not None):
            raise ValueError("this rule takes either 'at_least' or 'at_most'")
        if self.scale == "yes/no" and (self.at_least is not None or not (self.at_most or 50) <= 50):
            raise ValueError("a chance takes 'at_most', up to 50 %")
        return self

    @property
    def unit(self) -> str:  # type: ignore[override]
        """Unit of the readings."""
        return "%" if self.scale == "yes/no" else self.measured_in

    @property
    def convex(self) -> bool:
        """Whether what keeps the limit is convex: that of a line is."""
        return self.model == "line"

    @property
    def name(self) -> str:
        """What is measured."""
        chance = "chance of " if self.scale == "yes/no" else ""
        return f"{chance}{self.what.replace('-', ' ')}"

    def reading(self) -> str:
        """One sentence with number, unit and what it rests on."""
        if self.limits == (-inf, inf):
            return f"{self.name} (measured here, {self.made} trials)"
        sure = "" if self.scale == "yes/no" else f", {number(self.sure, 1)} % sure"
        return f"{self.name} {self.limit_words()}{sure} (measured here, {self.made} trials)"

    def with_limits(self, low: float, high: float) -> Self:
        """Return the same rule with its limits moved; a line without limits is a straight measure."""
        free = low == -inf and high == inf
        if free and self.convex and self.scale != "yes/no":
            kept = {f: getattr(self, f) for f in ("id", "source", "what", "scale", "measured_in", "made", "tried")}
            kept |= {"ph": self.ph, "coefficients": self.coefficients}
            return FittedLine(**kept)  # type: ignore[return-value]
        return super().with_limits(low, high)

    def end(self) -> float:
        """Return the limit in the scale that was fitted."""
        return fitted_end(self.scale, *self.limits)

    def end_rate(self) -> float:
        """Return by how much that moves per unit of the limit as written."""
        limit = next(x for x in self.limits if abs(x) < inf)
        return 1 / limit if self.scale == "log" else 0.0 if self.scale == "yes/no" else 1.0

    def bound(self, tried: Vector) -> tuple[float, Vector]:
        """Return the bound that the limit holds, at coordinates, and its slope per coordinate; the mean without one."""
        terms, slopes = terms_at(tried, self.model, self.ph)
        mean, spread = np.array(self.coefficients), np.array(self.covariance)
        side = self._side()
        error = sqrt(max(float(terms @ spread @ terms), LEAST))
        value = float(terms @ mean) + side * error
        return value, np.asarray((mean + side / error * (spread @ terms)) @ slopes)

    def _side(self) -> float:
        """Return how many standard errors the bound lies off the mean."""
        low, high = self.limits
        if self.scale == "yes/no" and high < inf:
            return -chance_end(high)
        return -self.half if low > -inf else self.half if high < inf else 0.0

    def depends(self, item: Ingredient) -> bool:
        """Whether a dose that the trials moved."""
        return item.id in self.tried.materials and item.id not in self.tried.rest

    def value(self, formula: Formula, setting: Setting) -> float:
        """What the limit holds: the bound, in the unit of the readings; without a limit the mean; NaN outside."""
        if self.tried.outside(formula)[0] > 10 * OUTSIDE:
            return nan
        z = self.tried.z(self.tried.doses_of(formula))
        if self.scale == "yes/no":
            terms, _ = terms_at(z, self.model, self.ph)
            spread = float(terms @ np.array(self.covariance) @ terms)
            return told_as_read(self.scale, float(terms @ np.array(self.coefficients)) / sqrt(spread))
        return told_as_read(self.scale, self.bound(z)[0])

    def straight(self, pool: Pool, doses: Vector) -> tuple[float, Vector]:
        """Return the bound in the scale that was fitted, at doses of shape (n,), and its slope per dose."""
        start, rows = self.tried.per_dose(pool)
        value, slopes = self.bound(start + doses @ rows)
        return value, _clean(rows @ slopes)

    def tangent(self, pool: Pool, doses: Vector) -> tuple[float, Vector]:
        """Return the bound at doses in the unit of the limit, and its slope per dose, shape (n,)."""
        value, slopes = self.straight(pool, doses)
        return (exp(value), exp(value) * slopes) if self.scale == "log" else (value, slopes)


class FittedLine(LimitRule):
    """A fitted line as a straight measure, without a limit: for objectives, trade-offs and the report.

    Equation: m = b0 + sum_k b_k z_k with z = (x - centre) @ back; for numbers whose logarithm was fitted, m is the
    logarithm. Nothing is said outside the trials.
    """

    kind: Literal["measured-line"] = "measured-line"
    what: Key
    scale: Scale = "number"
    measured_in: str = ""
    made: int
    tried: Tried
    ph: float | None = None
    coefficients: tuple[float, ...]
    summed: ClassVar[bool] = False
    by_lots: ClassVar[bool] = False
    lowest: ClassVar[float] = -inf

    @property
    def unit(self) -> str:  # type: ignore[override]
        """Unit of the readings, in which a value is told."""
        return self.measured_in

    @property
    def by_logarithm(self) -> bool:  # type: ignore[override]
        """Whether the logarithm of the readings was fitted."""
        return self.scale == "log"

    @property
    def name(self) -> str:
        """What is measured."""
        return f"{self.what.replace('-', ' ')} (measured here, {self.made} trials)"

    def amounts(self, pool: Pool) -> Vector:
        """Slope per % of each candidate."""
        rows = self.tried.per_dose(pool)[1]
        return _clean(rows @ np.array(self.coefficients[1 : 1 + rows.shape[1]]))

    def amount(self, item: Ingredient) -> float:
        """Slope per % of a material."""
        if item.id not in self.tried.materials:
            return 0.0
        row = np.array(self.tried.back[self.tried.materials.index(item.id)])
        return float(row @ np.array(self.coefficients[1 : 1 + len(row)]))

    def constants(self, held_back: float) -> tuple[float, float]:
        """What the line holds without any dose."""
        start = -np.array(self.tried.centre) @ np.array(self.tried.back)
        terms, _ = terms_at(start, "line", self.ph)
        return float(terms @ np.array(self.coefficients)), 1.0

    def slack(self, formula: Formula | None = None) -> float:
        """Return the tolerance, relative to the limit."""
        return super().slack()


def _clean(values: Vector) -> Vector:
    """Return slopes without what rounding left of 0."""
    values = np.array(values, float)
    values[np.abs(values) <= 1e3 * ROUND_OFF * np.abs(values).max(initial=0.0)] = 0.0
    return values


def terms_at(z: Vector, model: str, ph: float | None) -> tuple[Vector, Vector]:
    """Return the terms of a model at coordinates, shape (p,), and their slopes per coordinate, shape (p, q).

    The order is that of `trials.basis.Terms`: 1, coordinates and pH, squares, products.
    """
    q = len(z)
    v = z if ph is None else np.append(z, ph)
    moves = np.vstack([np.eye(q), np.zeros((len(v) - q, q))])
    terms, slopes = [np.ones(1), v], [np.zeros((1, q)), moves]
    if model == "quadratic":
        first, second = np.triu_indices(len(v), 1)
        pairs = np.concatenate([np.arange(len(v)), first]), np.concatenate([np.arange(len(v)), second])
        terms.append(v[pairs[0]] * v[pairs[1]])
        slopes.append(v[pairs[0], None] * moves[pairs[1]] + v[pairs[1], None] * moves[pairs[0]])
    return np.concatenate(terms), np.vstack(slopes)


def fitted_end(scale: Scale, low: float, high: float) -> float:
    """Return a limit in the scale that was fitted: its logarithm, or 0 for a chance."""
    limit = low if low > -inf else high
    if scale == "yes/no":
        return 0.0
    return log(limit) if scale == "log" else limit


def told_as_read(scale: Scale, value: float) -> float:
    """Return what was fitted in the unit of the readings; a chance in percent."""
    if scale == "yes/no":
        return 50 * (1 + erf(value / sqrt(2)))
    return exp(min(value, 700.0)) if scale == "log" else value


def chance_end(percent: float) -> float:
    """Return the normal quantile of a chance [%]."""
    from statistics import NormalDist

    return NormalDist().inv_cdf(min(max(percent, KEPT), 100 - KEPT) / 100)
