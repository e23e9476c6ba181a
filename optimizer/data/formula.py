"""A formula: doses of ingredients, in % w/w as supplied."""

from __future__ import annotations

from collections.abc import Callable
from math import fsum

from optimizer.data.pool import Ingredient
from optimizer.immutable import immutable


@immutable
class Line:
    """One dose [% w/w of the product, as supplied]."""

    item: Ingredient
    percent: float


@immutable
class Formula:
    """Doses in descending order is a matter of reports; here they are sorted by id."""

    lines: tuple[Line, ...]
    held_back: float = 0.0
    later: tuple[Ingredient, ...] = ()
    """What the part held back is for."""
    thickeners: tuple[Ingredient, ...] = ()
    """The thickeners among them."""

    def total(self, of: Callable[[Ingredient], float]) -> float:
        """Return the sum of dose times a number per unit, with compensated summation."""
        return fsum([line.percent * of(line.item) for line in self.lines])

    def dose(self, name: str) -> float:
        """Return the dose of a material [%], 0 if it is not used."""
        return next((line.percent for line in self.lines if line.item.id == name), 0.0)

    def __repr__(self) -> str:
        free = f", {self.held_back:g} % kept free" if self.held_back else ""
        return f"<formula of {len(self.lines)} materials, {self.active:.4g} % active matter{free}>"

    @property
    def doses(self) -> dict[str, float]:
        """Doses by id [% as supplied]."""
        return {line.item.id: line.percent for line in self.lines}

    @property
    def active(self) -> float:
        """Surfactant active matter [% of the product]."""
        return self.total(lambda i: i.surfactant)

    @property
    def cost(self) -> float:
        """Material cost per kg of product, in the currency of the prices."""
        return self.total(lambda i: i.price) / 100
