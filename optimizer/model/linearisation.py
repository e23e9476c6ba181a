"""A curved rule at a point: the straight rule that touches it there, kept to a box round the doses."""

from __future__ import annotations

from collections.abc import Mapping
from math import inf
from typing import Any, ClassVar, Self

import numpy as np
from pydantic import InstanceOf

from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula
from optimizer.data.pool import Ingredient, Pool, Vector
from optimizer.immutable import replace
from optimizer.rules import CurvedRule, LimitRule, Rule
from optimizer.rules.base import Way
from optimizer.rules.row import Row, Setting, Side


class StraightRule(LimitRule):
    """Straight rows in the place of a curved rule, which is measured and told by itself."""

    kind: str
    curved: InstanceOf[CurvedRule]

    @property
    def unit(self) -> str:  # type: ignore[override]
        """The curved rule's."""
        return self.curved.unit

    @property
    def step(self) -> float:  # type: ignore[override]
        """The curved rule's."""
        return self.curved.step

    @property
    def name(self) -> str:
        """The curved rule's."""
        return self.curved.name

    def value(self, formula: Formula, setting: Setting) -> float:
        """The curved measure itself."""
        return self.curved.value(formula, setting)

    def judged(self, formula: Formula, setting: Setting) -> tuple[float, float]:
        """The curved rule's."""
        return self.curved.judged(formula, setting)

    def reading(self) -> str:
        """The curved rule's."""
        return self.curved.reading()


class Tangent(StraightRule):
    """A curved rule replaced by its tangent; measured and told by the curved rule itself.

    Equation: offset + sum_i slope_i x_i <= limit - tightened (or >= limit + tightened), and low_i <= x_i <= high_i for
    the doses in the box.
    """

    slopes: Mapping[str, float] = {}
    """Slope per % of dose by id."""
    offset: float = 0.0
    tightened: float = 0.0
    """By how much the row stays within the limit."""
    box: Mapping[str, tuple[float, float]] = {}
    """Doses that must stay near the point, by id [%]."""
    rowless: bool = False
    """True where the rule is only measured."""

    def amount(self, item: Ingredient) -> float:
        """Slope per % of dose."""
        return self.slopes.get(item.id, 0.0)

    def constants(self, held_back: float) -> tuple[float, float]:
        """What the tangent holds without any dose."""
        return self.offset, 1.0

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """The tangent against the limit, and the box."""
        rows = [] if self.rowless else [self._closer(row) for row in super().rows(pool, setting)]
        for name, (low, high) in self.box.items():
            doses = np.zeros(len(pool))
            doses[pool.index[name]] = 1.0
            rows.append(Row(self.id, "link", doses, low, high))
        return tuple(rows)

    def _closer(self, row: Row) -> Row:
        return replace(row, low=row.low + self.tightened, high=row.high - self.tightened)

    @classmethod
    def at(cls, rule: CurvedRule, pool: Pool, doses: Vector, **more: Any) -> Self:
        """Return the tangent of a rule at doses [% as supplied], shape (n,)."""
        value, slopes = rule.tangent(pool, doses)
        used = {name: s for name, s in zip(pool.ids, slopes.tolist(), strict=True) if s}
        return cls(**same_as(rule), slopes=used, offset=value - float(slopes @ doses), **more)


class Cuts(StraightRule):
    """A convex rule replaced by tangents, which cut off nothing that keeps it; measured and told by the rule itself.

    Equation: offset_k + sum_i slope_ki x_i on the kept side of the limit - tightened, for each tangent k.
    """

    cuts: tuple[tuple[InstanceOf[np.ndarray], float], ...] = ()
    """Slopes of each tangent per % of each candidate, and what it holds without any dose."""
    tightened: float = 0.0
    """By how much rows stay within the limit, in the scale of the tangents."""
    loose: bool = False
    """True while tangents are gathered, so that breaking the rule itself does not count."""
    summed: ClassVar[bool] = False
    way: ClassVar[Way] = "dropped"

    def amount(self, item: Ingredient) -> float:
        """There is none of its own.

        Raises:
            DataError: Always.
        """
        raise self.curved.refused()

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """One row per tangent."""
        end, rate = self.curved.end(), self.curved.end_rate()
        low = self.curved.limits[0] > -inf
        side: Side = "low" if low else "high"
        made = []
        for slopes, offset in self.cuts:
            ends = (end - offset + self.tightened, inf) if low else (-inf, end - offset - self.tightened)
            made.append(Row(self.id, side, slopes, *ends, rhs_per_limit=rate))
        return tuple(made)

    def with_limits(self, low: float, high: float) -> Self:
        """Return the rule with its limits moved; without any, the measure that the rule limits."""
        if low == -inf and high == inf:
            return self.curved.with_limits(low, high)  # type: ignore[return-value]
        return super().with_limits(low, high)

    def cut_at(self, pool: Pool, doses: Vector) -> Self:
        """Return the rule with a further tangent at doses [% as supplied], shape (n,)."""
        value, slopes = self.curved.straight(pool, doses)
        return self.model_copy(update={"cuts": (*self.cuts, (slopes, value - float(slopes @ doses)))})

    def judged(self, formula: Formula, setting: Setting) -> tuple[float, float]:
        """The rule's own, of which a breach counts once all tangents are there."""
        value, violation = super().judged(formula, setting)
        return value, 0.0 if self.loose else violation


def same_as(rule: CurvedRule) -> dict[str, Any]:
    """Return the fields by which a stand-in is told like a curved rule."""
    limits = {"at_least": rule.at_least, "at_most": rule.at_most}
    return {"id": rule.id, "kind": rule.kind, "source": rule.source, "curved": rule, **limits}


def with_rules(brief: Brief, more: Mapping[str, Rule]) -> Brief:
    """Return a brief in which rules take the place of those of the same id, or are added."""
    kept = {r.id: r for r in brief.modelled} | dict(more)
    return replace(brief, modelled=tuple(kept[k] for k in sorted(kept)))
