"""Doses: the total, a material or group, a minimum if used, what the stock allows."""

from math import inf, nan
from typing import ClassVar, Literal

import numpy as np

from optimizer.data.formula import Formula
from optimizer.data.pool import Group, Ingredient, Pool, Vector
from optimizer.rules.base import LimitRule, Shown, Way
from optimizer.rules.counting import DoseBasis, measured, use_columns
from optimizer.rules.row import Choice, Row, Setting
from optimizer.units import USED


class Total(LimitRule):
    """All doses and the part held back sum to 100 %.

    Equation: sum_i x_i + h = 100, with x_i the dose as supplied [%] and h the part held back [%].
    """

    kind: Literal["total"] = "total"
    by_lots: ClassVar[bool] = False
    unit: ClassVar[str] = "%"
    gives: ClassVar[bool] = False
    computed: ClassVar[bool] = False
    parting: ClassVar[int] = 3
    shown: ClassVar[Shown] = "understood"

    @property
    def name(self) -> str:
        """What is measured."""
        return "total"

    def amount(self, item: Ingredient) -> float:
        """1: every dose counts."""
        return 1.0

    def amounts(self, pool: Pool) -> Vector:
        """1 for every candidate."""
        return np.ones(len(pool))

    def constants(self, held_back: float) -> tuple[float, float]:
        """The part held back counts to the total."""
        return held_back, 1.0


class Dose(LimitRule):
    """Dose of one material or of a group together.

    Equation: sum_{i in G} x_i m_i, with x_i the dose as supplied [%] and m_i = 1, or the
    material's active share when measured as active.
    """

    kind: Literal["dose"] = "dose"
    of: Group
    """The material or group."""
    measured: DoseBasis = "as supplied"
    """Whether the supplied dose or its active part is limited."""
    unit: ClassVar[str] = "%"
    step: ClassVar[float] = 0.1
    highest: ClassVar[float] = 100.0

    @property
    def name(self) -> str:
        """What is measured."""
        return f"{self.of.words}{' as active' if self.measured == 'as active' else ''}"

    @property
    def computed(self) -> bool:  # type: ignore[override]
        """Only an active dose is; the others are weighed."""
        return self.measured == "as active"

    @property
    def parting(self) -> int:  # type: ignore[override]
        """The dose of a single material is tried first."""
        return 0 if len(self.of.materials) == 1 else 1

    def amount(self, item: Ingredient) -> float:
        """Dose or active dose of a member."""
        return measured(self.measured, item) if self.of.holds(item.material) else 0.0

    def amounts(self, pool: Pool) -> Vector:
        """Dose or active dose of every candidate."""
        members = pool.members(self.of).astype(float)
        return members if self.measured == "as supplied" else members * pool.vector(lambda i: measured("as active", i))


class Stock(LimitRule):
    """No more of a material than is in stock for the batch.

    Equation: x_i <= 100 stock_i / batch, with stock_i the sum of the material's shelf lines [kg]. All of it counts at
    the price and the strength of the cheapest line.
    """

    kind: Literal["stock"] = "stock"
    by_lots: ClassVar[bool] = False
    of: Group
    """The material."""
    lines: int = 1
    """Shelf lines that hold some of it."""
    unit: ClassVar[str] = "%"
    step: ClassVar[float] = 0.1
    computed: ClassVar[bool] = False
    parting: ClassVar[int] = 0

    @property
    def name(self) -> str:
        """What is measured."""
        lines = f" of {self.lines} shelf lines" if self.lines > 1 else ""
        return f"{self.of.words} (stock{lines} for this batch)"

    def idle(self, value: float) -> bool:
        """Whether it limits nothing: more is in stock than a batch can hold, or none of it is used."""
        return self.limits[1] >= 100 or not value > 0

    def amount(self, item: Ingredient) -> float:
        """Dose of the material."""
        return 1.0 if self.of.holds(item.material) else 0.0


class IfUsed(LimitRule):
    """Each member of a group is either left out or dosed within limits.

    Equation: x_i m_i >= low u_i, x_i m_i <= high u_i, with u_i in {0, 1} for each i in G. With
    `exactly` it is all or nothing. The value is the smallest used dose (or the largest, when
    that is what breaks the rule).
    """

    kind: Literal["if-used"] = "if-used"
    of: Group
    """The members, each for itself."""
    measured: DoseBasis = "as supplied"
    """Whether the supplied dose or its active part is limited."""
    summed: ClassVar[bool] = False
    unit: ClassVar[str] = "%"
    step: ClassVar[float] = 0.1
    way: ClassVar[Way] = "tried"
    computed: ClassVar[bool] = False
    highest: ClassVar[float] = 100.0

    @property
    def name(self) -> str:
        """What is measured."""
        suffix = " as active" if self.measured == "as active" else ""
        return f"each of {self.of.words}, if used,{suffix}"

    def columns(self, pool: Pool) -> tuple[Choice, ...]:
        """One yes/no per member."""
        return use_columns(pool, self.of)

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """A row per member and limit, each with its own yes/no."""
        rows = []
        low, high = self.limits
        for position in pool.members(self.of).nonzero()[0]:
            item = pool.items[position]
            doses = pool.vector(lambda i, item=item: measured(self.measured, i) if i is item else 0.0)  # type: ignore[misc]
            key = f"use:{item.id}"
            if low == high:
                rows.append(Row(self.id, "equal", doses, low=0.0, high=0.0, choices={key: -low}, limit_choice=key))
                continue
            if low > -inf:
                rows.append(Row(self.id, "low", doses, low=0.0, choices={key: -low}, limit_choice=key))
            if high < inf:
                rows.append(Row(self.id, "high", doses, high=0.0, choices={key: -high}, limit_choice=key))
        return tuple(rows)

    def value(self, formula: Formula, setting: Setting) -> float:
        """The used dose that is nearest to breaking the rule; NaN if none is used."""
        used = [
            line.percent * measured(self.measured, line.item)
            for line in formula.lines
            if line.percent > USED and self.of.holds(line.item.material)
        ]
        if not used:
            return nan
        high = self.limits[1]
        return max(used) if max(used) > high else min(used)
