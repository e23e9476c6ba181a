"""How much of an acid preservative is there as the acid that acts."""

from math import inf
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from optimizer.chemistry.preservation import as_acid, undissociated_share, worst
from optimizer.facts import Substance
from optimizer.formula import Formula
from optimizer.pool import Ingredient, Pool
from optimizer.row import Row, Setting
from optimizer.rules.base import Rule
from optimizer.units import number


class UndissociatedAcid(Rule):
    """Undissociated acid of one acid preservative, or of all together, at the worse end of the pH setting.

    Equation: sum_i x_i sum_s c_is f_s / (1 + 10^(t + d - pKa_s)) >= limit, with t + d the target pH and its tolerance,
    c_is the share of substance s in material i (its low end), f_s the mass of free acid per mass of substance, and
    pKa_s the low end of what the library knows, so that the figure is on the safe side; 'typical' takes the middle.
    Valid in water at low ionic strength (at 0.2 mol/kg a quarter less); micelles and oil take more away. A floor for
    planning: only a challenge test shows that a product is preserved. Needs [ph] in the brief. Source: mass action;
    shares checked against the table in J. Cosmet. Sci. 56 (2005) 361.
    """

    kind: Literal["undissociated-acid"] = "undissociated-acid"
    at_least: Annotated[float, Field(gt=0, le=100)]
    """Least undissociated acid [% of the product]."""
    acid: str = ""
    """Name of one acid, such as 'Benzoic Acid'; all acids together when left out."""
    pka: Literal["low", "typical"] = "low"
    """Which published pKa is taken."""
    unit: ClassVar[str] = "%"
    step: ClassVar[float] = 0.01

    @property
    def name(self) -> str:
        """What is measured."""
        return f"undissociated {self.acid.lower() or 'preservative acid'}"

    @property
    def limits(self) -> tuple[float, float]:
        """The least."""
        return self.at_least, inf

    def ph_key(self, pool: Pool, setting: Setting) -> float | None:
        """The upper end of the setting."""
        return setting.high

    def counts(self, substance: Substance) -> bool:
        """Return whether a substance is or releases the acid."""
        acid = substance.acid
        return acid is not None and (not self.acid or acid.name.casefold() == self.acid.casefold())

    def amount(self, item: Ingredient, ph: float | None) -> float:
        """Undissociated acid per unit of a material at a pH [-]; nothing is counted on without a pH."""
        if ph is None:
            return 0.0
        counted = [s for s in item.material.substances if self.counts(s)]
        return sum(s.low / 100 * s.as_acid * undissociated_share(ph, self._pka(s)) for s in counted)

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """One row."""
        doses = pool.vector(lambda item: self.amount(item, setting.high))
        return (Row(self.id, "low", doses, low=self.at_least),)

    def value(self, formula: Formula, setting: Setting) -> float:
        """Undissociated acid of a formula [%], from doses, molar masses and pKa."""
        ph, total = setting.high, 0.0
        for line in formula.lines:
            for s in line.item.material.substances:
                if ph is None or not self.counts(s) or s.acid is None or s.molar_mass is None:
                    continue
                dose = as_acid(line.percent * s.low / 100, s.molar_mass, s.acid.molar_mass, s.acid.per_molecule)
                total += worst(dose, (ph, ph), self._pka(s))
        return total

    def reading(self) -> str:
        """One sentence."""
        return self.sourced(f"{self.name} at least {number(self.at_least)} % at the upper end of the pH")

    def _pka(self, substance: Substance) -> float:
        assert substance.acid is not None
        return substance.acid.pka[0 if self.pka == "low" else 1]
