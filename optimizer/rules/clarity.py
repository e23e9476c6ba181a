"""Clear appearance and the solubiliser that perfume and oil need."""

from math import inf
from typing import ClassVar, Literal

import numpy as np

from optimizer.data.formula import Formula
from optimizer.data.pool import Group, Ingredient, Pool, Vector
from optimizer.rules.base import LimitRule, Rule
from optimizer.rules.row import Row, Setting
from optimizer.units import KEPT


class Clear(Rule):
    """The product is meant to be clear: hazy, pearly and opaque materials stay out.

    Equation: x_i <= clear_up_to_i for materials that cloud; 0 for those with no such dose.
    With this rule the pH window of a material is the one in which it stays clear. Clarity is
    planned, never promised: cold, perfume and lots decide at the bench. Of 110 measured blends of surfactants and a
    thickener that are each clear on their own, 52 were stable and below 100 NTU (counted in the data of Scientific
    Data 11 (2024), doi 10.1038/s41597-024-03573-w).
    """

    kind: Literal["clear"] = "clear"
    figures: ClassVar[tuple[str, ...]] = ("clear_up_to",)
    has_price: ClassVar[bool] = False
    by_lots: ClassVar[bool] = False
    unit: ClassVar[str] = "clouding materials"
    clears: ClassVar[bool] = True

    @property
    def name(self) -> str:
        """What is measured."""
        return "materials clear on their own"

    @property
    def limits(self) -> tuple[float, float]:
        """No clouding material."""
        return -inf, 0.0

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """One cap per material that can cloud the product."""
        rows = []
        for position, item in enumerate(pool.items):
            cap = clear_cap(item)
            if cap < 100:
                doses = np.zeros(len(pool))
                doses[position] = 1.0
                rows.append(Row(self.id, "high", doses, high=cap))
        return tuple(rows)

    def value(self, formula: Formula, setting: Setting) -> float:
        """Number of materials above the dose up to which they stay clear."""
        return float(sum(line.percent > clear_cap(line.item) + KEPT for line in formula.lines))

    def reading(self) -> str:
        """One sentence."""
        return self.sourced("every material clear on its own: 0 clouding materials")


class Solubiliser(LimitRule):
    """Solubiliser per gram of perfume, essential oil and, where stated, oil.

    Equation: sum_{i in S} x_i >= k sum_{i in L} x_i, as supplied. Usual ladder 1 to 8, 3 for a
    start (common practice, no source): the ratio that clears is found in small beakers.
    """

    kind: Literal["solubiliser"] = "solubiliser"
    of: Group = Group(functions=("solubiliser",))
    """What solubilises."""
    oily: Group = Group(lipids=("perfume", "essential oil"))
    """What is counted as oily; name 'oil' here if carrier oils are solubilised too."""
    unit: ClassVar[str] = "g per g"
    step: ClassVar[float] = 0.5
    ratio: ClassVar[bool] = True

    @property
    def name(self) -> str:
        """What is measured."""
        return f"{self.of.words} per {self.oily.words}"

    def amount(self, item: Ingredient) -> float:
        """1 for a solubiliser."""
        return 1.0 if self.of.holds(item.material) else 0.0

    def amounts(self, pool: Pool) -> Vector:
        """1 for every solubiliser."""
        return pool.members(self.of).astype(float)

    def per(self, item: Ingredient) -> float:
        """1 for what is oily."""
        return 1.0 if self.oily.holds(item.material) else 0.0

    def pers(self, pool: Pool) -> Vector:
        """1 for all that is oily."""
        return pool.members(self.oily).astype(float)


def clear_cap(item: Ingredient) -> float:
    """Return the highest dose [%] at which the material leaves a product clear."""
    material = item.material
    if material.clear_up_to is not None:
        return material.clear_up_to
    return 100.0 if material.look == "clear" else 0.0
