"""Mixed micelles as rules: the ideal mixed CMC, which is linear, and the free monomer, which is not."""

from collections.abc import Iterable
from typing import ClassVar, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from optimizer.chemistry.constants import BETAS
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.micelle import Micelles, at_dilution, matrix, micelles, millimoles
from optimizer.data.facts import Charge
from optimizer.data.formula import Formula
from optimizer.data.pool import Ingredient, Pool, Vector
from optimizer.immutable import immutable
from optimizer.rules.base import CurvedRule, LimitRule
from optimizer.rules.row import Setting
from optimizer.units import ROUND_OFF

Level = Literal["low", "typical", "high"]
OTHER: dict[Level, Level] = {"low": "high", "typical": "typical", "high": "low"}
UNKNOWN = Interval(0.01, 2.0, 50.0)
"""CMC of a surfactant without a figure, wider than any family's [mM]; an assumption."""
UNKNOWN_MASS = 300.0
"""Molar mass of a surfactant without one, small so that it counts as many moles [g/mol]; an assumption."""


@immutable
class MicellePart:
    """One surfactant of a material.

    Attributes:
        inci: Its name.
        charge: Its charge in the library; amine oxides count as nonionic.
        moles: Moles per % of dose [mmol per 100 g].
        cmc: CMC of its chain cut [mM]; None if nobody knows it.
    """

    inci: str
    charge: Charge
    moles: float
    cmc: Interval | None


def parts(item: Ingredient) -> tuple[MicellePart, ...]:
    """Return the surfactants of a material; one without a charge counts as nonionic."""
    return tuple(
        MicellePart(
            s.inci,
            s.charge or "nonionic",
            millimoles(s.typical / 100, s.molar_mass or UNKNOWN_MASS),
            None if s.micelle is None else s.micelle.cmc.millimolar,
        )
        for s in item.material.substances
        if s.surfactant
    )


class MixedCmc(LimitRule):
    """Ideal mixed CMC of the surfactants: the concentration from which they form micelles together.

    Equation: sum_i n_i / sum_i (n_i / c_i), with n_i moles of active and c_i the CMC of the material's chain cut
    (Clint, J. Chem. Soc. Faraday Trans. 1 71 (1975) 1327). It stays ideal, because that is linear: anionic with betaine
    lies well below it, and how far is no constant. What interaction makes of it is told beside it in the chemistry of a
    blend, with its spread, and is no limit; `docs/micelles.md` holds both against published mixtures.
    CMC in water without salt; products with salt lie lower. A surfactant without a figure counts with 0.01, 2 or 50
    mM by the end taken, one without a molar mass with 300 g/mol: the safe side is 'high' for an upper limit, 'low' for
    a lower one. A figure for comparing blends, not a measured property.
    """

    kind: Literal["mixed-cmc"] = "mixed-cmc"
    figures: ClassVar[tuple[str, ...]] = ("substances", "molar_mass", "cmc", "chains")
    at: Level = "high"
    """Which end of each CMC is used."""
    unit: ClassVar[str] = "mM"
    step: ClassVar[float] = 0.1
    ratio: ClassVar[bool] = True

    @property
    def name(self) -> str:
        """What is measured."""
        return f"ideal mixed CMC ({self.at} ends)"

    def amount(self, item: Ingredient) -> float:
        """Moles of active [mmol per 100 g]."""
        return sum(p.moles for p in parts(item))

    def per(self, item: Ingredient) -> float:
        """Moles of active over their CMC."""
        return sum(p.moles / float(getattr(p.cmc or UNKNOWN, self.at)) for p in parts(item))


class FreeMonomer(CurvedRule):
    """Free surfactant of one charge outside the micelles in the wash liquor, a relative index of harshness.

    Equation: sum_{i of the charge} m_i, with the monomer m_i = x_i f_i c_i [mM], ln f_i = (B x)_i - x'Bx/2 (regular
    solution, Rubingh 1979), x the micelle's composition, c_i the CMC of the chain cut and B the interaction
    parameters by charge, all at one end of their published spread. 'high', the default, takes the highest CMCs, the
    weakest interaction of this charge with the others and the strongest among those, which leaves most of it free: the
    safe side. An amine oxide counts as nonionic, the weaker
    binding form. A surfactant of the charge without a figure counts as wholly free, any other one as absent. Water
    without salt; one parameter per pair of charges is a crude fit. No published formula turns this index into
    irritation. It is linear only around a formula: `blend` follows it by steps and the answer is a local one.
    """

    kind: Literal["free-monomer"] = "free-monomer"
    figures: ClassVar[tuple[str, ...]] = ("substances", "molar_mass", "cmc", "chains")
    of: Charge = "anionic"
    """Charge whose monomer is summed."""
    dilution: float = Field(default=10.0, ge=1, le=10000)
    """How far the product is diluted in use: 10 is 1 part in 10 (common practice, no source)."""
    level: Level = "high"
    """End of the published spread of interaction parameters and CMCs; 'high' is the worse one."""
    unit: ClassVar[str] = "mM"
    step: ClassVar[float] = 0.1

    @model_validator(mode="after")
    def _only_above(self) -> Self:
        if self.exactly is not None or self.at_least is not None:
            raise ValueError("this rule takes 'at_most' only")
        return self

    @property
    def name(self) -> str:
        """What is measured."""
        return f"free {self.of} monomer at 1 in {self.dilution:g} ({self.level} end)"

    def value(self, formula: Formula, setting: Setting) -> float:
        """The free monomer of a formula [mM]; 0 without such a surfactant."""
        doses = np.array([line.percent for line in formula.lines])
        return self._at([line.item for line in formula.lines], doses)[0]

    def tangent(self, pool: Pool, doses: Vector) -> tuple[float, Vector]:
        """Return the free monomer at doses [mM] and its slope per % of each dose, shape (n,)."""
        value, slopes = self._at(pool.items, doses)
        slopes[np.abs(slopes) <= ROUND_OFF * np.abs(slopes).max(initial=0.0)] = 0.0
        return value, slopes

    def _at(self, items: Iterable[Ingredient], doses: Vector) -> tuple[float, Vector]:
        """Return value and slopes; the same substance of several materials is one component."""
        known: dict[tuple[str, Charge, Interval], int] = {}
        unknown = np.zeros(len(doses))
        entries = []
        for position, item in enumerate(items):
            for p in parts(item):
                if p.cmc is not None:
                    row = known.setdefault((p.inci, p.charge, p.cmc), len(known))
                    entries.append((row, position, at_dilution(p.moles, self.dilution)))
                elif p.charge == self.of:
                    unknown[position] += at_dilution(p.moles, self.dilution)
        per_dose = np.zeros((len(known), len(doses)))
        for row, position, amount in entries:
            per_dose[row, position] += amount
        found = self._balance(list(known), per_dose @ np.maximum(doses, 0.0))
        counted = np.array([charge == self.of for _, charge, _ in known], bool)
        value = float(found.monomer[counted].sum() + unknown @ doses)
        return value, found.slopes[counted].sum(axis=0) @ per_dose + unknown

    def _balance(self, known: list[tuple[str, Charge, Interval]], amounts: Vector) -> Micelles:
        # Partners that hold on to one another hold less of this charge, so their own parameters go to the other end.
        betas = {
            p: float(getattr(b.spread, self.level if self.of in p else OTHER[self.level])) for p, b in BETAS.items()
        }
        cmcs = [float(getattr(cmc, self.level)) for _, _, cmc in known]
        return micelles(amounts.tolist(), cmcs, matrix([charge for _, charge, _ in known], betas))
