"""Yes/no rules: how many, one of, needs, excludes."""

from collections.abc import Iterable
from math import inf
from typing import ClassVar, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from optimizer.data.formula import Formula
from optimizer.data.pool import Group, Pool
from optimizer.rules.base import LimitRule, Rule, Way
from optimizer.rules.counting import DoseBasis, measured, unit_vector, use_columns
from optimizer.rules.row import Choice, Lever, Row, Setting
from optimizer.units import USED, number


class Count(LimitRule):
    """How many members of a group are used.

    Equation: low <= sum_{i in G} u_i <= high, u_i in {0, 1}, x_i <= cap_i u_i and, for a lower
    limit, x_i >= d u_i, with d the dose from which a material counts.
    """

    kind: Literal["count"] = "count"
    of: Group = Group(surfactants=True)
    """What is counted, by default the surfactants."""
    counts_from: float = Field(default=0.1, gt=0, le=100)
    """Dose as supplied [%] from which a material counts towards a lower limit."""
    summed: ClassVar[bool] = False
    by_lots: ClassVar[bool] = False
    unit: ClassVar[str] = "materials"
    way: ClassVar[Way] = "counted"
    computed: ClassVar[bool] = False

    @property
    def name(self) -> str:
        """What is measured."""
        return f"number of {self.of.words}"

    def columns(self, pool: Pool) -> tuple[Choice, ...]:
        """One yes/no per member."""
        return use_columns(pool, self.of)

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """The count, and with a lower limit the dose from which each counts."""
        low, high = self.limits
        keys = [choice.key for choice in self.columns(pool)]
        rows = [Row(self.id, "link", np.zeros(len(pool)), low=low, high=high, choices=dict.fromkeys(keys, 1.0))]
        if low > -inf:
            for key in keys:
                lever = Lever("counts_from", "low", self.counts_from, choice=key)
                counted = {key: -self.counts_from}
                rows.append(Row(self.id, "link", unit_vector(pool, key), low=0.0, choices=counted, levers=(lever,)))
        return tuple(rows)

    def value(self, formula: Formula, setting: Setting) -> float:
        """Number of members used."""
        return float(sum(line.percent > USED and self.of.holds(line.item.material) for line in formula.lines))


class OneOf(Count):
    """Exactly one member of a group is used.

    Equation: sum_{i in G} u_i = 1, u_i in {0, 1}, with d u_i <= x_i <= cap_i u_i as for a count.
    """

    kind: Literal["one-of"] = "one-of"  # type: ignore[assignment]
    of: Group
    """The members, of which one is used at `counts_from` or more."""
    way: ClassVar[Way] = "dropped"

    @model_validator(mode="after")
    def _no_own_limit(self) -> Self:
        if self.at_least is not None or self.at_most is not None or self.exactly is not None:
            raise ValueError("exactly one is meant; use kind = 'count' for other numbers")
        return self

    @property
    def limits(self) -> tuple[float, float]:
        """Exactly one."""
        return 1.0, 1.0

    def reading(self) -> str:
        """One sentence."""
        return self.sourced(f"exactly 1 of {self.of.words} is used")


class Needs(Rule):
    """If a member of one group is used, a second group must be dosed.

    Equation: sum_{j in H} x_j >= d u_i for each i in G, u_i in {0, 1}.
    """

    kind: Literal["needs"] = "needs"
    of: Group
    """What needs."""
    other: Group
    """What is needed."""
    at_least: float = Field(default=0.1, gt=0, le=100)
    """Dose of the second group together [% as supplied]."""
    unit: ClassVar[str] = "% missing"
    step: ClassVar[float] = 0.1

    @property
    def name(self) -> str:
        """What is measured."""
        return f"{self.of.words} needs {self.other.words}"

    @property
    def limits(self) -> tuple[float, float]:
        """Nothing may be missing."""
        return -inf, 0.0

    def columns(self, pool: Pool) -> tuple[Choice, ...]:
        """One yes/no per member that needs."""
        return use_columns(pool, self.of)

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """One row per member that needs."""
        other = pool.members(self.other).astype(float)
        rows = []
        for choice in self.columns(pool):
            lever = Lever("at_least", "low", self.at_least, choice=choice.key)
            asked = {choice.key: -self.at_least}
            rows.append(Row(self.id, "link", other, low=0.0, choices=asked, levers=(lever,)))
        return tuple(rows)

    def value(self, formula: Formula, setting: Setting) -> float:
        """How much of the second group is missing [%]."""
        if not _used(formula, self.of):
            return 0.0
        return max(0.0, self.at_least - _dose(formula, self.other))

    def reading(self) -> str:
        """One sentence."""
        return self.sourced(f"{self.of.words} needs at least {number(self.at_least)} % of {self.other.words}")


class Excludes(Rule):
    """Two groups are not used together, or the second only up to a dose.

    Equation: sum_{j in H} x_j m_j <= d + M (1 - u_i) for each i in G, u_i in {0, 1}, with d = 0
    by default and M the most that H can reach.
    """

    kind: Literal["excludes"] = "excludes"
    of: Group
    """The first group."""
    other: Group
    """The second group."""
    above: float = Field(default=0.0, ge=0, le=100)
    """Dose of the second group up to which both may be used [%]."""
    measured: DoseBasis = "as supplied"
    """How the second group's dose is measured."""
    unit: ClassVar[str] = "% too much"
    step: ClassVar[float] = 0.1

    @property
    def name(self) -> str:
        """What is measured."""
        return f"{self.of.words} with {self.other.words}"

    @property
    def limits(self) -> tuple[float, float]:
        """Nothing above the dose."""
        return -inf, 0.0

    def columns(self, pool: Pool) -> tuple[Choice, ...]:
        """One yes/no per member of the first group."""
        return use_columns(pool, self.of)

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """One row per member of the first group."""
        other = pool.vector(lambda i: measured(self.measured, i) if self.other.holds(i.material) else 0.0)
        most = 100.0 * float(other.max(initial=0.0))
        rows = []
        for choice in self.columns(pool):
            lever = Lever("above", "high", self.above, choice=choice.key)
            allowed = {choice.key: most - self.above}
            rows.append(Row(self.id, "link", other, high=most, choices=allowed, levers=(lever,)))
        return tuple(rows)

    def value(self, formula: Formula, setting: Setting) -> float:
        """How much of the second group is too much [%]."""
        if not _used(formula, self.of):
            return 0.0
        return max(0.0, _dose(formula, self.other, self.measured) - self.above)

    def reading(self) -> str:
        """One sentence."""
        if self.above:
            return self.sourced(
                f"with {self.of.words} at most {number(self.above)} % of {self.other.words} {self.measured}"
            )
        return self.sourced(f"not both {self.of.words} and {self.other.words} (0 % of one of them)")


def _used(formula: Formula, group: Group) -> bool:
    return any(line.percent > USED and group.holds(line.item.material) for line in formula.lines)


def _dose(formula: Formula, group: Group, basis: DoseBasis = "as supplied") -> float:
    parts: Iterable[float] = (
        line.percent * measured(basis, line.item) for line in formula.lines if group.holds(line.item.material)
    )
    return sum(parts)
