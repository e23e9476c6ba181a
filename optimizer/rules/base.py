"""What every rule answers; the kinds next door only say what they measure."""

from collections.abc import Hashable
from math import exp, fsum, inf, isnan, nan
from typing import ClassVar, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from optimizer.data.facts import Frozen, Key
from optimizer.data.formula import Formula
from optimizer.data.planned import Plan, PlannedDoses
from optimizer.data.pool import Ingredient, Pool, Vector
from optimizer.errors import DataError, fault
from optimizer.rules.row import Choice, Row, Setting, Side
from optimizer.units import KEPT, ROUND_OFF, USED, stated

Way = Literal["dropped", "moved", "tried", "counted", "widened"]
"""How a rule gives way: left out whole; its limit moved as far as its measure must go; moved to the nearest figure that
suffices, where no one measure tells it; moved by whole numbers; the range of the pH."""
Shown = Literal["always", "where used", "apart", "understood"]


class Rule(Frozen):
    """A measure held within limits, or a yes/no condition.

    One object is at once a table of the scenario file (its fields), a few rows of the
    matrix (`rows`) and a sentence (`reading`).
    """

    kind: str
    id: Key = ""
    source: str = "brief"
    """Who asks for it: brief, a regulation, a supplier, or default."""

    unit: ClassVar[str] = ""
    by_logarithm: ClassVar[bool] = False
    """Whether programs work with the natural logarithm of what is told."""
    step: ClassVar[float] = 1.0
    """One noticeable step of the limit, in the rule's unit."""
    figures: ClassVar[tuple[str, ...]] = ()
    """Figures of its materials that the rule's value rests on, by the names of `data.evidence`."""
    gives: ClassVar[bool] = True
    """False for the total, law and physics, which never give way."""
    by_lots: ClassVar[bool] = True
    """Whether its measure can move with the lots of its materials."""
    planning: ClassVar[bool] = False
    """Whether it rests on planning ratings, which nobody measured."""
    way: ClassVar[Way] = "dropped"
    """How the rule gives way where it may."""
    clears: ClassVar[bool] = False
    """True if the pH windows are then those in which materials stay clear."""
    of_prices: ClassVar[bool] = False
    """Whether its measure sums prices."""
    of_plan: ClassVar[bool] = False
    """True for a question to a plan, which a product that was made has answered."""
    at_ph: ClassVar[bool] = False
    """Whether it hangs on the pH of the product: where nobody read that, nobody knows."""
    shown: ClassVar[Shown] = "always"
    """When a report has a line for it among the rules: always, where something of what it counts is there, never as it
    has a place of its own, or only where all are listed as it goes without saying."""
    has_price: ClassVar[bool] = True
    """Whether it makes sense to say what moving its limit costs."""
    parting: ClassVar[int] = 1
    """When a conflict is tried without the rule: the lower, the sooner, so that what is named last stays in."""

    @property
    def name(self) -> str:
        """What is measured, in the brief's words."""
        raise NotImplementedError

    @property
    def limits(self) -> tuple[float, float]:
        """Low and high, infinite where there is none."""
        return -inf, inf

    @property
    def may_give(self) -> bool:
        """Whether a repair may move the limits."""
        return self.gives and self.source != "law"

    @property
    def within(self) -> float:
        """Half-width within which a rounded formula keeps an exact limit; 0 for what is weighed or counted."""
        return 0.0

    def with_limits(self, low: float, high: float) -> Self:
        """Return the same rule with its limits moved; rules that are dropped or kept have none to move."""
        raise NotImplementedError

    def measure_at(self, setting: Setting) -> "LimitRule":
        """Return what a limit that moves is a limit of at a pH setting, without limits."""
        raise NotImplementedError

    def columns(self, pool: Pool) -> tuple[Choice, ...]:
        """Yes/no columns that the rule needs."""
        return ()

    def edges(self, pool: Pool) -> tuple[float, ...]:
        """PH values at which the rule's rows change; most rules have none."""
        return ()

    def planned(self, plan: Plan, setting: Setting) -> dict[str, PlannedDoses]:
        """Return what is planned for the bench by a yes of a column, by its key; most rules plan nothing."""
        return {}

    def open_plans(self, plan: Plan, formula: Formula, setting: Setting) -> tuple[PlannedDoses, ...]:
        """Return what is planned by each of these columns that may be yes for a formula."""
        return ()

    def ph_key(self, pool: Pool, setting: Setting) -> Hashable:
        """What the rows depend on of a pH setting; equal keys give equal rows."""
        return None

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """Rows of the matrix at a pH setting; without one, those at the pH that suits the rule best."""
        raise NotImplementedError

    def value(self, formula: Formula, setting: Setting) -> float:
        """The measure of a formula in the rule's unit, from raw data; NaN if it has none."""
        raise NotImplementedError

    def judged(self, formula: Formula, setting: Setting) -> tuple[float, float]:
        """The measure, and by how much the formula breaks the rule, 0 if it keeps it."""
        value = self.value(formula, setting)
        low, high = self.limits
        return value, 0.0 if isnan(value) else max(low - value, value - high, 0.0)

    def violation(self, formula: Formula, setting: Setting) -> float:
        """By how much the formula breaks the rule, 0 if it keeps it."""
        return self.judged(formula, setting)[1]

    def slack(self, formula: Formula | None = None) -> float:
        """Return the tolerance within which a limit counts as kept, in the rule's unit.

        Args:
            formula: What is judged; rules of amounts look at what its materials bring.
        """
        return KEPT * max([1.0, *(abs(x) for x in self.limits if abs(x) < inf)])

    def exceeded(self, formula: Formula, violation: float) -> bool:
        """Return whether a violation is more than a formula on the grid is allowed, an exact limit with its band."""
        return violation > self.within and violation > self.within + self.slack(formula)

    def breaks(self, formula: Formula, setting: Setting) -> bool:
        """Return whether a formula breaks the rule by more than its tolerance."""
        violation = self.violation(formula, setting)
        return violation > 0 and violation > self.slack(formula)

    def reading(self) -> str:
        """One sentence with number, unit and source."""
        raise NotImplementedError

    def as_told(self, value: float) -> float:
        """Return a value that programs work with as it is told, in the rule's unit."""
        return exp(min(value, 700.0)) if self.by_logarithm else value

    def idle(self, value: float) -> bool:
        """Return whether a line of its own says nothing at a value: told elsewhere, or nothing of it is there."""
        return self.shown == "apart" or (self.shown == "where used" and not value > 0)

    def rests_on(self, item: Ingredient) -> tuple[str, ...]:
        """Return the figures of a used material that the rule's value rests on."""
        return self.figures

    def unrated(self, item: Ingredient) -> bool:
        """Return whether a material counts as the worst since nobody rated it."""
        return False

    def sourced(self, sentence: str) -> str:
        """Return the sentence with its source, unless that is the brief itself."""
        return sentence if self.source == "brief" else f"{sentence} ({self.source})"


class LimitRule(Rule):
    """A linear or ratio measure with a lower, an upper or an exact limit.

    The measure is sum(dose x amount) + constants, divided by sum(dose x per) + constants
    when `ratio` is true. Without limits the rule only reports its value.
    """

    at_least: float | None = None
    at_most: float | None = None
    exactly: float | None = None
    band: float = Field(default=0.05, ge=0)
    """Half-width within which a rounded formula keeps `exactly`, in the rule's unit."""

    summed: ClassVar[bool] = True
    """Whether the measure sums `amount` over the doses."""
    way: ClassVar[Way] = "moved"
    computed: ClassVar[bool] = True
    """False for what is weighed or counted, of which an exact limit has no band."""
    ratio: ClassVar[bool] = False
    counts_plan: ClassVar[bool] = False
    """Whether it counts what a yes of a column is planned to cost at the bench."""
    lowest: ClassVar[float] = 0.0
    highest: ClassVar[float] = inf

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        low, high = self.limits
        if self.exactly is not None and (self.at_least is not None or self.at_most is not None):
            raise ValueError("give either 'exactly' or 'at_least' and 'at_most'")
        if low > high:
            raise ValueError(f"at_least {low:g} is above at_most {high:g}")
        for limit in (self.at_least, self.at_most, self.exactly):
            if limit is not None and not self.lowest <= limit <= self.highest:
                raise ValueError(f"the limit {limit:g} {self.unit} is outside {self.lowest:g} to {self.highest:g}")
        return self

    @property
    def limits(self) -> tuple[float, float]:
        """Low and high, infinite where there is none."""
        if self.exactly is not None:
            return self.exactly, self.exactly
        return (
            -inf if self.at_least is None else self.at_least,
            inf if self.at_most is None else self.at_most,
        )

    @property
    def within(self) -> float:
        """The band of an exact limit on what is computed, else 0."""
        return self.band if self.computed and self.limits[0] == self.limits[1] else 0.0

    def measure_at(self, setting: Setting) -> "LimitRule":
        """Return the rule without limits; its measure is the same at every pH."""
        return self.with_limits(-inf, inf)

    def with_limits(self, low: float, high: float) -> Self:
        """Return the same rule with its limits moved; infinite limits are dropped."""
        exact = low == high
        return self.model_copy(
            update={
                "exactly": low if exact else None,
                "at_least": None if exact or low == -inf else low,
                "at_most": None if exact or high == inf else high,
            }
        )

    def amount(self, item: Ingredient) -> float:
        """Contribution of one % of dose to the measure (its numerator)."""
        raise NotImplementedError

    def amounts(self, pool: Pool) -> Vector:
        """The amount of every candidate, shape (n,)."""
        return pool.vector(self.amount)

    def per(self, item: Ingredient) -> float:
        """Contribution of one % of dose to the denominator of a ratio."""
        raise NotImplementedError

    def pers(self, pool: Pool) -> Vector:
        """The denominator's part of every candidate, shape (n,)."""
        return pool.vector(self.per)

    def constants(self, held_back: float) -> tuple[float, float]:
        """What numerator and denominator hold without any dose."""
        return 0.0, 0.0 if self.ratio else 1.0

    def parts(self, pool: Pool, doses: Vector) -> tuple[float, float]:
        """Return numerator and denominator at doses [% as supplied], shape (n,)."""
        above, below = self.constants(pool.held_back)
        bottom = float(self.pers(pool) @ doses) + below if self.ratio else below
        return float(self.amounts(pool) @ doses) + above, bottom

    def rests_on(self, item: Ingredient) -> tuple[str, ...]:
        """Return the figures of a used material that the value rests on; none if it adds nothing to it."""
        counts = bool(self.figures) and (self.amount(item) != 0 or (self.ratio and self.per(item) != 0))
        return self.figures if counts else ()

    def vanishing(self, pool: Pool) -> float:
        """Return the denominator up to which a ratio counts as one over nothing."""
        return USED * float(np.abs(self.pers(pool)).max(initial=0.0))

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """One row per limit: numerator - limit x denominator against 0."""
        amounts = self.amounts(pool)
        above, below = self.constants(pool.held_back)
        per = self.pers(pool) if self.ratio else None
        low, high = self.limits
        rows = []
        if low == high:
            rows.append(self._row("equal", low, amounts, per, above, below))
        else:
            if low > -inf:
                rows.append(self._row("low", low, amounts, per, above, below))
            if high < inf:
                rows.append(self._row("high", high, amounts, per, above, below))
        return tuple(rows)

    def _row(self, side: Side, limit: float, amounts: Vector, per: Vector | None, above: float, below: float) -> Row:
        end = limit * below - above
        doses = amounts
        if per is not None:
            doses = amounts - limit * per
            # What is left of two equal figures is rounding, not chemistry.
            doses[np.abs(doses) <= ROUND_OFF * np.abs(amounts)] = 0.0
        return Row(
            owner=self.id,
            side=side,
            doses=doses,
            low=-inf if side == "high" else end,
            high=inf if side == "low" else end,
            per_limit=per,
            rhs_per_limit=below,
        )

    def value(self, formula: Formula, setting: Setting) -> float:
        """The measure of a formula; infinite for something to nothing, NaN for nothing to nothing."""
        above, below = self.constants(formula.held_back)
        top = formula.total(self.amount) + above
        if not self.ratio:
            return top / below
        pers = [self.per(line.item) for line in formula.lines]
        bottom = fsum([line.percent * per for line, per in zip(formula.lines, pers, strict=True)]) + below
        if bottom > USED * max(pers, default=0.0):
            return top / bottom
        return inf if top > USED * max((self.amount(line.item) for line in formula.lines), default=0.0) else nan

    def slack(self, formula: Formula | None = None) -> float:
        """Return the tolerance: relative to the limit, or to what 1 % of a used material brings if that is more."""
        if formula is None or not self.summed:
            return super().slack()
        bottom = (formula.total(self.per) if self.ratio else 0.0) + self.constants(formula.held_back)[1]
        most = max((abs(self.amount(line.item)) for line in formula.lines), default=0.0)
        brought = most / bottom if bottom > 0 else 0.0
        return KEPT * max(brought, *(abs(x) for x in self.limits if abs(x) < inf), 0.0)

    def reading(self) -> str:
        """One sentence with number, unit and source."""
        return self.sourced(f"{self.name} {self.limit_words()}")

    def limit_words(self) -> str:
        """The limits in words, with the unit."""
        low, high = self.limits
        unit = f" {self.unit}" if self.unit else ""
        if low == high:
            return f"exactly {stated(low)}{unit}"
        if low > -inf and high < inf:
            return f"{stated(low)} to {stated(high)}{unit}"
        if low > -inf:
            return f"at least {stated(low)}{unit}"
        return f"at most {stated(high)}{unit}" if high < inf else "(no limit, shown only)"


class CurvedRule(LimitRule):
    """A measure that is linear only around a formula.

    It has no rows of its own, so whatever builds a matrix refuses it: only rooms that know how to follow it by
    steps (`solve/slp`) may replace it, and nothing passes over it in silence.
    """

    summed: ClassVar[bool] = False

    @property
    def convex(self) -> bool:
        """Whether formulas that keep the limit are a convex body, so that tangents cut off none of them."""
        return False

    def depends(self, item: Ingredient) -> bool:
        """Return whether the measure depends on a dose; on those of surfactants, as a rule."""
        return item.surfactant > 0

    def straight(self, pool: Pool, doses: Vector) -> tuple[float, Vector]:
        """Return what `tangent` does in the scale in which the measure is convex; `end` is the limit in it."""
        return self.tangent(pool, doses)

    def end(self) -> float:
        """Return the one limit in that scale."""
        return next(limit for limit in self.limits if abs(limit) < inf)

    def end_rate(self) -> float:
        """Return by how much it moves per unit of the limit as written."""
        return 1.0

    def tangent(self, pool: Pool, doses: Vector) -> tuple[float, Vector]:
        """Return the measure at doses [% as supplied], shape (n,), and its exact slope per dose, shape (n,)."""
        raise NotImplementedError

    def refused(self) -> DataError:
        """Return the error of a room that needs a linear measure."""
        asked = self.name if self.limits == (-inf, inf) else self.reading()
        what = f"'{asked}' is linear only around a formula, and this question needs straight rules."
        step = "'blend', 'compare' and 'frontier' follow it by steps, 'check' measures it; else leave the rule out."
        return fault("brief", f"rule.{self.id}", what, step)

    def rests_on(self, item: Ingredient) -> tuple[str, ...]:
        """Return its figures, for a surfactant."""
        return self.figures if item.surfactant > 0 else ()

    def amount(self, item: Ingredient) -> float:
        """There is none.

        Raises:
            DataError: Always.
        """
        raise self.refused()

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """No row if the rule only shows its value.

        Raises:
            DataError: If it has a limit.
        """
        if self.limits != (-inf, inf):
            raise self.refused()
        return ()
