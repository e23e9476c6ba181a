"""CMC of what is sold: a chain cut is a mixture of homologues, not the pure C12 compound.

The CMC of a cut is the ideal mixture (Clint) of its homologues, each from its family's straight line of log10 CMC
against chain length. That line is published for C8 to C16; longer chains are counted as C16, and for the high end as
C14, because their line bends and they crystallise out. Limits: pure water without salt near 25 °C. The salt that
technical materials carry lowers the CMC of ionics, so a product lies lower; technical figures deserve one significant
digit.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Literal

from optimizer.chemistry.constants import CMCS, Backed
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.micelle import clint, homologue
from optimizer.errors import fault, nearest
from optimizer.immutable import immutable

LONGEST = {"low": 16, "typical": 16, "high": 14}
"""Chain that longer ones count as, at each end; 16 is the end of the straight line, 14 an assumption."""
PER_CARBON, END = 14.027, {"acid": 31.998, "alcohol": 18.015}
"""Molar mass of CH2 and of what a saturated feed holds besides its chain [g/mol]; computed from the formulas."""
WORST: tuple[Backed, ...] = ("published", "derived", "from memory", "assumption")
"""Best first."""


@immutable
class Cut:
    """A chain distribution as bought.

    Attributes:
        percent: % by weight of the feed, by carbon atoms of the chain.
        feed: What the percentages are of; the moles of chains stay the same in the surfactant.
        source: Where the distribution comes from.
        backed: How well.
    """

    percent: Mapping[int, float]
    feed: Literal["acid", "alcohol"]
    source: str
    backed: Backed

    @property
    def moles(self) -> dict[int, float]:
        """Mole fraction of each chain."""
        amounts = {n: p / (PER_CARBON * n + END[self.feed]) for n, p in self.percent.items()}
        return {n: a / sum(amounts.values()) for n, a in amounts.items()}


_SHEETS = "source believed to be data sheets of fatty alcohols and acids"

CUTS = {
    "C12": Cut({12: 100}, "alcohol", "taken as one chain, as the name says", "assumption"),
    "C12-14": Cut({12: 72, 14: 27, 16: 1}, "alcohol", f"mid-cut alcohol; {_SHEETS}", "from memory"),
    "C12-16": Cut({12: 67, 14: 26, 16: 7}, "alcohol", f"{_SHEETS}", "from memory"),
    "C12-18": Cut({12: 54, 14: 21, 16: 11, 18: 14}, "alcohol", f"topped coconut alcohol; {_SHEETS}", "from memory"),
    "C14-16": Cut({14: 65, 16: 35}, "alcohol", "alpha olefin; source believed to be supplier data", "from memory"),
    "C8-10": Cut({8: 50, 10: 50}, "alcohol", "even split assumed; sold between 40:60 and 60:40", "assumption"),
    "C8-16": Cut(
        {8: 30, 10: 30, 12: 25, 14: 10, 16: 5}, "alcohol", "wide cut of glucosides, assumed make-up", "assumption"
    ),
    "coco": Cut(
        {8: 7, 10: 6, 12: 48, 14: 19, 16: 9, 18: 11},
        "acid",
        "coconut fatty acids; source believed to be the Codex Alimentarius standard for named vegetable oils",
        "from memory",
    ),
}
"""Chain distributions by name."""


@immutable
class TechnicalCmc:
    """CMC of a cut.

    Attributes:
        millimolar: Low, typical, high [mmol/L].
        source: Of the family's figure and of the cut.
        backed: The weaker of both.
    """

    millimolar: Interval
    source: str
    backed: Backed


@cache
def cmc_of(family: str, cut: str) -> TechnicalCmc:
    """Return the CMC of a chain cut of a family.

    Args:
        family: Key of `CMCS`.
        cut: Key of `CUTS`.

    Raises:
        DataError: If there is no such family or cut.
    """
    if family not in CMCS:
        raise fault("micelle", "family", f"there is no CMC of '{family}'.", nearest(family, CMCS))
    if cut not in CUTS:
        raise fault("micelle", "cut", f"there is no chain cut '{cut}'.", nearest(cut, CUTS))
    known, chains = CMCS[family], CUTS[cut]

    def mixed(level: str) -> float:
        pure = getattr(known.millimolar, level)
        cmcs = [homologue(pure, known.carbons, known.step, min(n, LONGEST[level])) for n in chains.moles]
        return clint(list(chains.moles.values()), cmcs)

    backed = max(known.backed, chains.backed, key=WORST.index)
    source = f"{known.source}; cut {cut}: {chains.source}"
    return TechnicalCmc(Interval(mixed("low"), mixed("typical"), mixed("high")), source, backed)
