"""Is a wash with water in it preserved at all?"""

from __future__ import annotations

from collections.abc import Hashable
from math import inf, isnan, nan
from typing import ClassVar, Literal

from pydantic import Field

from optimizer.data.facts import Material, Percent, Ph
from optimizer.data.formula import Formula
from optimizer.data.pool import Ingredient, Pool
from optimizer.rules.base import Rule
from optimizer.rules.row import Row, Setting
from optimizer.units import KEPT, USED, listed, number

PRESERVATIVE = "preservative"
UNKNOWN_LOW = 0.1
"""Low use taken for a preservative of which the library knows none [%]; an editable default, no source."""


class Preserved(Rule):
    """At least one low use of preservatives that act at the pH, in a product in which microbes can grow.

    Equation: sum_i x_i / l_i >= 1 over the preservatives i whose window covers the pH setting, with l_i the low use of
    the library [% as supplied]; doses of several add up by parts of their low use. Asked of products with more than
    10 % water between pH 3 and 10. It says that something is there, never that it is enough: strains, micelles, oils
    and packaging decide, and only a challenge test shows it. Every brief has it as a caution; nobody needs to state
    it, and `unpreserved` with a reason switches it off. Source: microbiologically low-risk products of ISO 29621 (pH
    at most 3 or at least 10), from memory; 10 % water and adding up by parts are common practice, no source.
    """

    kind: Literal["preserved"] = "preserved"
    figures: ClassVar[tuple[str, ...]] = ("use",)
    at_least: float = Field(default=1.0, ge=0)
    """Low uses of preservatives together."""
    water: Percent = 10.0
    """Most water [%] of a product that needs no preservative."""
    acid: Ph = 3.0
    """Up to this pH a product needs none."""
    alkaline: Ph = 10.0
    """From this pH on a product needs none."""
    dry: bool = False
    """Filled in by the tool: the formula that is changed holds so little water, and must go on doing so."""
    unit: ClassVar[str] = "low uses"
    step: ClassVar[float] = 0.1
    gives: ClassVar[bool] = False
    by_lots: ClassVar[bool] = False
    has_price: ClassVar[bool] = False
    at_ph: ClassVar[bool] = True

    @property
    def name(self) -> str:
        """What is measured."""
        return "preservatives that act at the pH"

    @property
    def limits(self) -> tuple[float, float]:
        """At least so many low uses."""
        return self.at_least, inf

    def safe(self, setting: Setting) -> bool:
        """Return whether nothing grows at any pH of a setting."""
        low, high = setting.low, setting.high
        return (high is not None and high <= self.acid) or (low is not None and low >= self.alkaline)

    def ph_key(self, pool: Pool, setting: Setting) -> Hashable:
        """Which preservatives act, and whether any is needed."""
        return None if self.safe(setting) else tuple(acts(i.material, setting) for i in _preservatives(pool))

    def edges(self, pool: Pool) -> tuple[float, ...]:
        """Edges of the preservatives' windows."""
        return tuple(e for i in _preservatives(pool) for e in i.material.ph_stable or ())

    def amount(self, item: Ingredient, setting: Setting) -> float:
        """Low uses that one % of dose brings at a setting."""
        return 1 / low_use(item.material) if acts(item.material, setting) else 0.0

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """One row: what acts, or how little water there is; none at a pH at which nothing grows."""
        if self.dry:
            return (Row(self.id, "high", pool.vector(lambda i: i.water), high=self.water),)
        if self.safe(setting) or self.at_least == 0:
            return ()
        return (Row(self.id, "low", pool.vector(lambda i: self.amount(i, setting)), low=self.at_least),)

    def value(self, formula: Formula, setting: Setting) -> float:
        """Low uses of what acts; NaN for a product that needs none."""
        if self.safe(setting) or self._water(formula) <= self.water + KEPT:
            return nan
        return formula.total(lambda i: self.amount(i, setting))

    def _water(self, formula: Formula) -> float:
        return formula.total(lambda i: i.water)

    def no_worse(self, formula: Formula, setting: Setting) -> Preserved:
        """Return the rule as far as a formula keeps it: what the tool changes must not be protected less."""
        if self._water(formula) <= self.water + KEPT:
            return self.model_copy(update={"dry": True})
        if self.safe(setting):
            return self
        here = self.value(formula, setting)
        # What the last digits of a dose decide is no protection lost.
        return self.model_copy(update={"at_least": min(self.at_least, here * (1 - KEPT))})

    def reason(self, formula: Formula, setting: Setting) -> str:
        """Return why a formula is not preserved, in words; empty if it is, or needs not be."""
        value = self.value(formula, setting)
        if isnan(value) or value >= self.at_least - KEPT:
            return ""
        ph = "" if setting.target is None else f" at pH {number(setting.target, 2)}"
        wet = f"{number(self._water(formula), 0)} % water{ph}"
        here = [x for x in formula.lines if x.percent > USED and PRESERVATIVE in x.item.material.functions]
        if not here:
            return f"{wet} and no preservative"
        doubts = []
        for line in here:
            material, window = line.item.material, line.item.material.ph_stable
            if window is not None and not acts(material, setting):
                doubts.append(f"{material.name} acts at pH {number(window[0])} to {number(window[1])} only")
            else:
                low = f"its low use is {number(low_use(material))} %"
                if material.use is None:
                    low = f"the library knows no low use of it, {number(UNKNOWN_LOW)} % is taken"
                doubts.append(f"{material.name} stands at {number(line.percent, 3)} %, {low}")
        return f"{wet} and too little that protects: {listed(doubts)}"

    def idle(self, value: float) -> bool:
        """A product that needs none has nothing to say."""
        return isnan(value)

    def reading(self) -> str:
        """One sentence."""
        if self.dry:
            return self.sourced(f"at most {number(self.water)} % water, as long as there is no preservative")
        return self.sourced(f"{self.name} at least {number(self.at_least, 2)} times their low use")


class Unpreserved(Preserved):
    """The other side of it, by which a change is found that leaves a wash without: some water, too little that acts."""

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """Less than the low uses asked for and more than a little water; nothing fits where microbes cannot grow."""
        acting = pool.vector(lambda i: self.amount(i, setting))
        if self.safe(setting):
            return (Row(self.id, "low", 0 * acting, low=1.0),)
        little = Row(self.id, "high", acting, high=self.at_least - self.step / 10)
        return little, Row(self.id, "low", pool.vector(lambda i: i.water), low=self.water)


def acts(material: Material, setting: Setting) -> bool:
    """Return whether a material is a preservative that acts at every pH of a setting; an unknown window allows any."""
    if PRESERVATIVE not in material.functions:
        return False
    low, high = material.ph_stable or (-inf, inf)
    if setting.low is None or setting.high is None:
        return True
    return low <= setting.low + KEPT and setting.high <= high + KEPT


def low_use(material: Material) -> float:
    """Return the low use of a preservative [% as supplied]."""
    return material.use[0] if material.use is not None and material.use[0] > 0 else UNKNOWN_LOW


def _preservatives(pool: Pool) -> list[Ingredient]:
    found = pool.once("preservatives", lambda: [i for i in pool.items if PRESERVATIVE in i.material.functions])
    return list(found)
