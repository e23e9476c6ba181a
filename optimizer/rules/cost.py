"""Cost of the materials."""

from typing import ClassVar, Literal, Self

from pydantic import PrivateAttr

from optimizer.data.formula import Formula
from optimizer.data.planned import plan_of_formula, plan_of_pool
from optimizer.data.pool import Ingredient, Pool
from optimizer.rules.base import LimitRule, Rule
from optimizer.rules.row import Setting


class Cost(LimitRule):
    """Cost of the materials per kg of product; the part held back is not counted.

    Equation: sum_i x_i p_i / 100, with p_i the price per kg as supplied. A limit is one of the blend alone. Where cost
    is the objective, the doses that are planned for the bench count too, unless the brief says `planned = false`: acid,
    the way to thicken, and water for the rest of the part held back.
    """

    kind: Literal["cost"] = "cost"
    of_prices: ClassVar[bool] = True
    currency: str = ""
    """Filled in from the brief."""
    step: ClassVar[float] = 0.05

    _ways: Rule | None = PrivateAttr(None)
    _pool: Pool | None = PrivateAttr(None)

    def with_plan(self, ways: Rule, pool: Pool) -> Self:
        """Return the measure that counts what the bench is planned to add, by the ways that a rule leaves open."""
        planned = self.model_copy()
        planned._ways, planned._pool = ways, pool
        return planned

    def with_limits(self, low: float, high: float) -> Self:
        """Return the measure with other limits, of the blend alone."""
        plain = super().with_limits(low, high)
        plain._ways = plain._pool = None
        return plain

    @property
    def counts_plan(self) -> bool:  # type: ignore[override]
        """Whether the planned doses count."""
        return self._pool is not None

    @property
    def unit(self) -> str:  # type: ignore[override]
        """Currency per kg."""
        return f"{self.currency or 'currency'} per kg"

    @property
    def name(self) -> str:
        """What is measured."""
        return "planned cost" if self.counts_plan else "material cost"

    def amount(self, item: Ingredient) -> float:
        """Price of one % of dose per kg of product."""
        return item.price / 100

    def constants(self, held_back: float) -> tuple[float, float]:
        """What the part held back costs whatever the formula is."""
        return (0.0 if self._pool is None else plan_of_pool(self._pool).aside()), 1.0

    def value(self, formula: Formula, setting: Setting) -> float:
        """The cost of a formula; a planned one with the cheapest way to thicken that is open for it."""
        if self._pool is None or self._ways is None:
            return super().value(formula, setting)
        plan = plan_of_formula(self._pool, formula)
        ways = [plan.cost(doses) for doses in self._ways.open_plans(plan, formula, setting)]
        return formula.total(self.amount) + plan.aside() + min(ways, default=0.0)
