"""Highest doses that a law, a panel, a survey or custom states."""

from collections.abc import Mapping
from math import fsum, inf
from typing import ClassVar, Literal, Self

import numpy as np
from pydantic import model_validator

from optimizer.data.facts import Ceiling
from optimizer.data.formula import Formula
from optimizer.data.pool import Ingredient, Pool, Vector
from optimizer.rules.base import LimitRule, Shown
from optimizer.rules.row import Row, Setting


class UseLevel(LimitRule):
    """Maximum use level of one or several substances together, in the basis of its source.

    Equation: sum_i x_i sum_s c_is f_s <= limit, with c_is the share of substance s in material
    i (its high end) and f_s = 1 as substance, or the mass of free acid per mass of substance as
    acid (molar masses of acid and salt); as supplied, every material that holds one of the
    substances counts whole. Only a law is a hard limit; the others are reported.
    """

    kind: Literal["use-level"] = "use-level"
    ceiling: Ceiling
    """The library's entry."""
    unit: ClassVar[str] = "%"
    step: ClassVar[float] = 0.05
    shown: ClassVar[Shown] = "where used"

    @model_validator(mode="after")
    def _no_own_limit(self) -> Self:
        if self.at_least is not None or self.at_most is not None or self.exactly is not None:
            raise ValueError("the limit stands in the ceiling itself: write ceiling.percent")
        return self

    @property
    def name(self) -> str:
        """What is measured."""
        basis = f" {self.ceiling.basis}" if self.ceiling.basis != "as substance" else ""
        return f"{' + '.join(self.ceiling.substances)}{basis}"

    @property
    def hard(self) -> bool:
        """Whether the level is a limit of the model: a law, or one that the brief itself states."""
        return self.ceiling.kind == "law" or self.source == "brief"

    @property
    def gives(self) -> bool:  # type: ignore[override]
        """Law never gives."""
        return self.ceiling.kind != "law"

    def amount(self, item: Ingredient) -> float:
        """What one % of dose adds in the ceiling's basis."""
        return in_basis(self.ceiling, item)

    def rests_on(self, item: Ingredient) -> tuple[str, ...]:
        """The shares, declared allergens or molar masses of what holds one of the substances."""
        counted = self.ceiling.shares(item.material)
        held = [s for s, _ in counted if s is not None]
        acid = any(s.acid for s in held) and self.ceiling.basis not in ("as supplied", "as substance")
        figures = {"substances": held, "allergens": len(held) < len(counted), "molar_mass": acid}
        return tuple(name for name, read in figures.items() if read)

    def amounts(self, pool: Pool) -> Vector:
        """The amount of every candidate; only those that hold one of the substances are asked."""
        amounts = np.zeros(len(pool))
        for position in self._holders(pool.carriers):
            amounts[position] = self.amount(pool.items[position])
        return amounts

    def value(self, formula: Formula, setting: Setting) -> float:
        """The sum over the lines that hold one of the substances; only those are asked."""
        held = (formula.lines[p] for p in self._holders(formula.carriers))
        return fsum([line.percent * self.amount(line.item) for line in held])

    def _holders(self, carriers: Mapping[str, list[int]]) -> set[int]:
        return {p for name in self.ceiling.substances for p in carriers.get(name, ())}

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """Rows of a hard limit only."""
        return super().rows(pool, setting) if self.hard else ()

    def with_limits(self, low: float, high: float) -> Self:
        """Return the same level with its ceiling moved; without one nothing is far enough away."""
        percent = high if high < inf else 1e9
        return self.model_copy(update={"ceiling": self.ceiling.model_copy(update={"percent": percent})})

    @property
    def limits(self) -> tuple[float, float]:
        """No lower end; the ceiling above, where it is law."""
        return -inf, self.ceiling.percent


def in_basis(ceiling: Ceiling, item: Ingredient) -> float:
    """Return what one % of dose adds to a ceiling's sum, in the ceiling's basis.

    Of what nobody says how much acid it is, the whole counts.
    """
    counted = ceiling.shares(item.material)
    if not counted:
        return 0.0
    if ceiling.basis == "as supplied":
        return 1.0
    if ceiling.basis == "as substance":
        return sum(share / 100 for _, share in counted)
    return sum(share / 100 * (substance.as_acid or 1.0 if substance else 1.0) for substance, share in counted)
