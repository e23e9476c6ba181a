"""A curved rule at a point: the straight rule that touches it there, kept to a box round the doses."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Self

import numpy as np
from pydantic import InstanceOf

from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula
from optimizer.data.pool import Ingredient, Pool, Vector
from optimizer.immutable import replace
from optimizer.rules import CurvedRule, LimitRule, Rule
from optimizer.rules.row import Row, Setting


class Tangent(LimitRule):
    """A curved rule replaced by its tangent; measured and told by the curved rule itself.

    Equation: offset + sum_i slope_i x_i <= limit - tightened, and low_i <= x_i <= high_i for the doses in the box.
    """

    kind: str
    curved: InstanceOf[CurvedRule]
    slopes: Mapping[str, float] = {}
    """Slope per % of dose by id."""
    offset: float = 0.0
    tightened: float = 0.0
    """By how much the row stays below the limit."""
    box: Mapping[str, tuple[float, float]] = {}
    """Doses that must stay near the point, by id [%]."""
    rowless: bool = False
    """True where the rule is only measured."""

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
        return replace(row, high=row.high - self.tightened)

    def value(self, formula: Formula, setting: Setting) -> float:
        """The curved measure itself, not the tangent."""
        return self.curved.value(formula, setting)

    def reading(self) -> str:
        """The curved rule's."""
        return self.curved.reading()

    @classmethod
    def at(cls, rule: CurvedRule, pool: Pool, doses: Vector, **more: Any) -> Self:
        """Return the tangent of a rule at doses [% as supplied], shape (n,)."""
        value, slopes = rule.tangent(pool, doses)
        used = {name: s for name, s in zip(pool.ids, slopes.tolist(), strict=True) if s}
        fields = {"id": rule.id, "kind": rule.kind, "source": rule.source, "at_most": rule.at_most, "curved": rule}
        return cls(**fields, slopes=used, offset=value - float(slopes @ doses), **more)


def with_rules(brief: Brief, more: Mapping[str, Rule]) -> Brief:
    """Return a brief in which rules take the place of those of the same id, or are added."""
    kept = {r.id: r for r in brief.modelled} | dict(more)
    return replace(brief, modelled=tuple(kept[k] for k in sorted(kept)))
