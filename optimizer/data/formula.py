"""A formula: doses of ingredients, in % w/w as supplied."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cached_property
from math import fsum
from typing import Annotated

from optimizer.data.pool import Ingredient, carriers
from optimizer.immutable import EMPTY, immutable, seen, told, untold
from optimizer.units import listed


@immutable
class Line:
    """One dose."""

    item: Ingredient = untold()
    id: str = seen("item.id")
    inci: str = seen("item.material.inci")
    name: str = seen("item.material.name")
    percent: float
    """% w/w of the product, as supplied."""

    @told
    def active_percent(self) -> float:
        """Surfactant active matter it brings [% of the product]."""
        return self.percent * self.item.surfactant

    @told
    def lot_active_percent(self) -> float:
        """Active matter of the material: of its lot if that was measured, else typical [% as supplied]."""
        return self.item.material.active_matter

    @told
    def cost_per_kg(self) -> float:
        """What it adds to the cost of one kg of product."""
        return self.percent * self.item.price / 100


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

    @cached_property
    def carriers(self) -> Mapping[str, list[int]]:
        """Positions of the lines that hold a substance or declare it as an allergen, by its name."""
        return carriers([line.item for line in self.lines])

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
    def kept_free(self) -> str:
        """What the part held back is for, in words."""
        later = listed([i.material.name for i in self.later], "or") or "what is added to effect"
        return f"kept free for {later}"

    @property
    def active(self) -> float:
        """Surfactant active matter [% of the product]."""
        return self.total(lambda i: i.surfactant)

    @property
    def cost(self) -> float:
        """Material cost per kg of product, in the currency of the prices."""
        return self.total(lambda i: i.price) / 100


Doses = Annotated[Formula | None, EMPTY]
"""A formula that may be missing; as JSON an empty list then."""
