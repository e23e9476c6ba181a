"""What the doses add up to: active matter, its shares and ratios, water, salt, natural origin."""

import builtins
from typing import ClassVar, Literal

import numpy as np

from optimizer.data.pool import Group, Ingredient, Pool, Vector
from optimizer.rules.base import LimitRule
from optimizer.rules.counting import group_active, group_actives


class Active(LimitRule):
    """Total surfactant active matter.

    Equation: sum_i x_i a_i, with a_i the surfactant active share of material i.
    """

    kind: Literal["active"] = "active"
    figures: ClassVar[tuple[str, ...]] = ("substances",)
    unit: ClassVar[str] = "%"
    step: ClassVar[float] = 0.5
    highest: ClassVar[float] = 100.0

    @property
    def name(self) -> str:
        """What is measured."""
        return "active matter"

    def amount(self, item: Ingredient) -> float:
        """Surfactant active share."""
        return item.surfactant

    def amounts(self, pool: Pool) -> Vector:
        """Surfactant active share of every candidate."""
        return pool.surfactant


class Share(LimitRule):
    """Share of a group in the surfactant active matter, such as one charge or the alkyl sulfates.

    Equation: 100 sum_{i} x_i a_i(G) / sum_i x_i a_i, with a_i(G) the surfactant active matter of
    material i that has the charges and families of G.
    """

    kind: Literal["share"] = "share"
    figures: ClassVar[tuple[str, ...]] = ("substances",)
    of: Group
    """Charges, families or materials that are counted."""
    unit: ClassVar[str] = "% of active matter"
    step: ClassVar[float] = 1.0
    ratio: ClassVar[bool] = True
    highest: ClassVar[float] = 100.0

    @property
    def name(self) -> str:
        """What is measured."""
        return f"{self.of.words} share"

    def amount(self, item: Ingredient) -> float:
        """Active share of the group, in %."""
        return 100 * group_active(self.of, item)

    def amounts(self, pool: Pool) -> Vector:
        """Active share of the group in every candidate, in %."""
        return 100 * group_actives(self.of, pool)

    def per(self, item: Ingredient) -> float:
        """Surfactant active share."""
        return item.surfactant

    def pers(self, pool: Pool) -> Vector:
        """Surfactant active share of every candidate."""
        return pool.surfactant


class Ratio(LimitRule):
    """Ratio of two groups by active matter, by default anionic to amphoteric plus nonionic.

    Equation: sum_i x_i a_i(G) / sum_i x_i a_i(H), by surfactant active matter, or by supplied
    mass when measured as supplied.
    """

    kind: Literal["ratio"] = "ratio"
    figures: ClassVar[tuple[str, ...]] = ("substances",)
    of: Group = Group(charges=("anionic",))
    """Numerator."""
    to: Group = Group(charges=("amphoteric", "nonionic"))
    """Denominator."""
    measured: Literal["as active", "as supplied"] = "as active"
    """Whether surfactant active matter or supplied mass is compared."""
    unit: ClassVar[str] = "to 1"
    step: ClassVar[float] = 0.1
    ratio: ClassVar[bool] = True

    @property
    def name(self) -> str:
        """What is measured."""
        suffix = "" if self.measured == "as active" else ", as supplied"
        return f"ratio of {self.of.words} to {self.to.words}{suffix}"

    def amount(self, item: Ingredient) -> float:
        """Active or supplied mass of the numerator's group."""
        return self._mass(self.of, item)

    def per(self, item: Ingredient) -> float:
        """Active or supplied mass of the denominator's group."""
        return self._mass(self.to, item)

    def amounts(self, pool: Pool) -> Vector:
        """Mass of the numerator's group in every candidate."""
        return self._masses(self.of, pool)

    def pers(self, pool: Pool) -> Vector:
        """Mass of the denominator's group in every candidate."""
        return self._masses(self.to, pool)

    def _masses(self, group: Group, pool: Pool) -> Vector:
        return group_actives(group, pool) if self.measured == "as active" else pool.members(group).astype(float)

    def _mass(self, group: Group, item: Ingredient) -> float:
        if self.measured == "as active":
            return group_active(group, item)
        return 1.0 if group.holds(item.material) else 0.0


class Water(LimitRule):
    """Water of the formula: all of it, or only what is added as water.

    Equation: sum_i x_i w_i, with w_i the water share of material i; 'added' counts the
    solvent alone, 'all' also what the other materials carry. The part held back counts as none.
    """

    kind: Literal["water"] = "water"
    figures: ClassVar[tuple[str, ...]] = ("substances",)
    counts: Literal["all", "added"] = "all"
    """All water, or only what is added as water."""
    unit: ClassVar[str] = "%"
    step: ClassVar[float] = 1.0
    highest: ClassVar[float] = 100.0

    @property
    def name(self) -> str:
        """What is measured."""
        return "total water" if self.counts == "all" else "added (free) water"

    def amount(self, item: Ingredient) -> float:
        """Water share, or only the solvent's."""
        return item.water if self.counts == "all" or item.material.function == "solvent" else 0.0

    def amounts(self, pool: Pool) -> Vector:
        """Water share of every candidate, or only the solvent's."""
        return pool.carried("Aqua") if self.counts == "all" else super().amounts(pool)


class Salt(LimitRule):
    """Sodium chloride that the materials carry into the formula.

    Equation: sum_i x_i s_i, with s_i the sodium chloride share of material i.
    """

    kind: Literal["salt"] = "salt"
    figures: ClassVar[tuple[str, ...]] = ("salt",)
    unit: ClassVar[str] = "%"
    step: ClassVar[float] = 0.1
    highest: ClassVar[float] = 100.0

    @property
    def name(self) -> str:
        """What is measured."""
        return "carried salt (NaCl)"

    def amount(self, item: Ingredient) -> float:
        """Sodium chloride share."""
        return item.salt

    def amounts(self, pool: Pool) -> Vector:
        """Sodium chloride share of every candidate."""
        return pool.carried("Sodium Chloride")


class Natural(LimitRule):
    """Natural-origin content by ISO 16128-2, on supplied mass, at the low end of every index.

    Equation: with water 100 sum_i x_i (n_i + w_i) / 100; without water
    100 sum_i x_i n_i / (sum_i x_i (1 - w_i) + h), with n_i the natural-origin mass apart from
    water, w_i the water share and h the part held back, which counts as not natural. An unknown
    index counts as 0. The standard knows two ways to the index of a derived substance: by renewable
    carbon, which this library takes, and by mass of natural origin; say which when you quote a figure
    (sodium laureth sulfate of 2 EO: 12 / 16 carbons = 0.75, by mass 0.77). It gives a calculation,
    not permission for a claim.
    """

    kind: Literal["natural"] = "natural"
    figures: ClassVar[tuple[str, ...]] = ("substances", "natural")
    with_water: bool = True
    """Whether water counts on both sides; say which when you quote the figure."""
    unit: ClassVar[str] = "%"
    step: ClassVar[float] = 1.0
    ratio: ClassVar[bool] = True
    highest: ClassVar[float] = 100.0

    @property
    def name(self) -> str:
        """What is measured."""
        return f"natural-origin content {'with' if self.with_water else 'without'} water"

    def amount(self, item: Ingredient) -> float:
        """Natural mass per unit, in %."""
        return 100 * (item.natural[0] + (item.water if self.with_water else 0.0))

    def per(self, item: Ingredient) -> float:
        """Mass per unit that is counted."""
        return 1.0 if self.with_water else 1.0 - item.water

    def amounts(self, pool: Pool) -> Vector:
        """Natural mass of every candidate, in %."""
        return 100 * (pool.natural + pool.carried("Aqua") if self.with_water else pool.natural)

    def pers(self, pool: Pool) -> Vector:
        """Mass of every candidate that is counted."""
        return np.ones(len(pool)) if self.with_water else 1.0 - pool.carried("Aqua")

    def constants(self, held_back: float) -> tuple[float, float]:
        """The part held back is counted as not natural."""
        return 0.0, held_back


class Property(LimitRule):
    """Any numeric property that a library declares, as a sum or as a mean over a group.

    Equation: as 'sum' sum_i x_i p_i / 100, the property per unit of product; as 'mean'
    sum_{i in G} x_i p_i / sum_{i in G} x_i. An undeclared property counts as 0.
    """

    kind: Literal["property"] = "property"
    property: str
    """Name of the property."""
    over: Group | None = None
    """Group of the mean; without it the property is summed over the whole product."""
    measure_unit: str = ""
    """Unit that is shown; the library's own unit when empty."""
    lowest: ClassVar[float] = -float("inf")
    step: ClassVar[float] = 1.0

    def rests_on(self, item: Ingredient) -> tuple[str, ...]:
        """The property, where it is declared."""
        return (self.property,) if self.property in item.material.properties else ()

    @builtins.property
    def ratio(self) -> bool:  # type: ignore[override]
        """A mean over a group is a ratio."""
        return self.over is not None

    @builtins.property
    def unit(self) -> str:  # type: ignore[override]
        """Unit that is shown."""
        return self.measure_unit

    @builtins.property
    def name(self) -> str:
        """What is measured."""
        return self.property if self.over is None else f"mean {self.property} of {self.over.words}"

    def amount(self, item: Ingredient) -> float:
        """The property's share of the sum, or of the group's mean."""
        declared = item.material.properties.get(self.property, 0.0)
        if self.over is None:
            return declared / 100
        return declared if self.over.holds(item.material) else 0.0

    def per(self, item: Ingredient) -> float:
        """1 for members of the group."""
        return 1.0 if self.over is not None and self.over.holds(item.material) else 0.0
