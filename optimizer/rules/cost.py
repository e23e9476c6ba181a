"""Cost of the materials."""

from typing import ClassVar, Literal

from optimizer.data.pool import Ingredient
from optimizer.rules.base import LimitRule


class Cost(LimitRule):
    """Cost of the materials per kg of product; the part held back is not counted.

    Equation: sum_i x_i p_i / 100, with p_i the price per kg as supplied.
    """

    kind: Literal["cost"] = "cost"
    of_prices: ClassVar[bool] = True
    currency: str = ""
    """Filled in from the brief."""
    step: ClassVar[float] = 0.05

    @property
    def unit(self) -> str:  # type: ignore[override]
        """Currency per kg."""
        return f"{self.currency or 'currency'} per kg"

    @property
    def name(self) -> str:
        """What is measured."""
        return "material cost"

    def amount(self, item: Ingredient) -> float:
        """Price of one % of dose per kg of product."""
        return item.price / 100
