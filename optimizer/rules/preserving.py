"""How much of an acid preservative is there as the acid that acts."""

from math import inf, nan
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field

from optimizer.chemistry.preservation import as_acid, undissociated_share, worst
from optimizer.data.facts import Substance
from optimizer.data.formula import Formula
from optimizer.data.pool import Ingredient, Pool
from optimizer.rules.base import LimitRule, Rule, Way
from optimizer.rules.row import Row, Setting
from optimizer.units import number

IONIC_STRENGTH = 0.35
"""2 % of sodium chloride [mol/kg], the most dissolved salt that most washes take; common practice, no source."""


class UndissociatedAcid(Rule):
    """Undissociated acid of one acid preservative, or of all together, at the worse end of the pH setting.

    Equation: sum_i x_i sum_s c_is f_s / (1 + 10^(t + d - pKa_s) / g) >= limit, with t + d the target pH and its
    tolerance, c_is the share of substance s in material i (its low end), f_s the mass of free acid per mass of
    substance, pKa_s the low end of what the library knows, so that the figure is on the safe side ('typical' takes the
    middle), and g the activity coefficient of the ion, -log10 g = 0.509 sqrt(I)/(1 + 1.5 sqrt(I)) at one ionic strength
    I for the whole brief, so that the row stays linear. At most so much acts: micelles and oil take theirs away, and
    only a challenge test shows that a product is preserved. Needs [ph] in the brief. Source: mass action; shares
    checked against the table in J. Cosmet. Sci. 56 (2005) 361; activity: Bates and Guggenheim, Pure Appl. Chem. 1
    (1960) 163.
    """

    kind: Literal["undissociated-acid"] = "undissociated-acid"
    figures: ClassVar[tuple[str, ...]] = ("substances", "acid", "molar_mass")
    at_least: Annotated[float, Field(ge=0, le=100)]
    """Least undissociated acid [% of the product]."""
    acid: str = ""
    """Name of one acid, such as 'Benzoic Acid'; all acids together when left out."""
    pka: Literal["low", "typical"] = "low"
    """Which published pKa is taken."""
    ionic_strength: Annotated[float, Field(ge=0, le=0.6)] = IONIC_STRENGTH
    """Of the product [mol/kg], rather too high than too low: 0.35 is 2 % of sodium chloride, the most salt that most
    washes take (common practice, no source)."""
    unit: ClassVar[str] = "%"
    step: ClassVar[float] = 0.01
    way: ClassVar[Way] = "moved"
    at_ph: ClassVar[bool] = True

    @property
    def name(self) -> str:
        """What is measured."""
        return f"undissociated {self.acid.lower() or 'preservative acid'}"

    @property
    def limits(self) -> tuple[float, float]:
        """The least."""
        return self.at_least, inf

    def with_limits(self, low: float, high: float) -> Self:
        """Return the same rule with its least moved; there is no most."""
        return self.model_copy(update={"at_least": low})

    def measure_at(self, setting: Setting) -> LimitRule:
        """Return what is undissociated at the upper end of the setting, as a sum over the doses."""
        return _Undissociated(id=self.id, of=self, ph=setting.high)

    def ph_key(self, pool: Pool, setting: Setting) -> float | None:
        """The upper end of the setting."""
        return setting.high

    def counts(self, substance: Substance) -> bool:
        """Return whether a substance is or releases the acid."""
        acid = substance.acid
        return acid is not None and (not self.acid or acid.name.casefold() == self.acid.casefold())

    def amount(self, item: Ingredient, ph: float | None) -> float:
        """Undissociated acid per unit of a material at a pH [-]; without one all of the acid, as at the lowest pH."""
        counted = [s for s in item.material.substances if self.counts(s)]
        shares = (1.0 if ph is None else undissociated_share(ph, self._pka(s), self.ionic_strength) for s in counted)
        return sum(s.low / 100 * s.as_acid * share for s, share in zip(counted, shares, strict=True))

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """One row."""
        doses = pool.vector(lambda item: self.amount(item, setting.high))
        return (Row(self.id, "low", doses, low=self.at_least),)

    def value(self, formula: Formula, setting: Setting) -> float:
        """Undissociated acid of a formula [%], from doses, molar masses and pKa; without a pH there is no telling."""
        ph, total = setting.high, 0.0
        if ph is None:
            return nan
        for line in formula.lines:
            for s in line.item.material.substances:
                if not self.counts(s) or s.acid is None or s.molar_mass is None:
                    continue
                dose = as_acid(line.percent * s.low / 100, s.molar_mass, s.acid.molar_mass, s.acid.per_molecule)
                total += worst(dose, (ph, ph), self._pka(s), self.ionic_strength)
        return total

    def reading(self) -> str:
        """One sentence."""
        where = f"at the upper end of the pH and {number(self.ionic_strength)} mol/kg of salt"
        return self.sourced(f"{self.name} at least {number(self.at_least)} % {where}")

    def _pka(self, substance: Substance) -> float:
        assert substance.acid is not None
        return substance.acid.pka[0 if self.pka == "low" else 1]


class _Undissociated(LimitRule):
    """The acid of a rule that is undissociated at one pH."""

    kind: Literal["undissociated at a pH"] = "undissociated at a pH"
    of: UndissociatedAcid
    """The rule."""
    ph: float | None
    """The pH."""

    def amount(self, item: Ingredient) -> float:
        """Undissociated acid per unit of a material."""
        return self.of.amount(item, self.ph)
