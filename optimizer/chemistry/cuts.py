"""CMC of what is sold: a chain cut is a mixture of homologues, not the pure C12 compound.

The CMC of a cut is the ideal mixture (Clint) of its homologues, each with its own published figure where there is one,
else by its family's straight line of log10 CMC against chain length. Figures are published for C8 to C16; longer chains
are counted as C16, and for the high end as C14, because the line bends and they crystallise out. The low end is that of
the heaviest lot of the cut and the lowest figures, the high end that of the lightest lot and the highest. Limits: pure
water without salt near 25 °C. The salt that technical materials carry lowers the CMC of ionics, so a product lies
lower; technical figures deserve one significant digit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from functools import cache
from typing import Literal

from optimizer.chemistry.constants import CMCS, Backed
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.micelle import clint
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
        source: Where the distribution and its lots come from.
        backed: How well.
        heavy: The lot with the longest chains, as `percent`; none if lots do not differ.
        light: The lot with the shortest.
    """

    percent: Mapping[int, float]
    feed: Literal["acid", "alcohol"]
    source: str
    backed: Backed
    heavy: Mapping[int, float] = field(default_factory=dict)
    light: Mapping[int, float] = field(default_factory=dict)

    @property
    def moles(self) -> dict[int, float]:
        """Mole fraction of each chain."""
        return self.lot(self.percent)

    def lot(self, percent: Mapping[int, float]) -> dict[int, float]:
        """Return the mole fraction of each chain of a lot."""
        amounts = {n: p / (PER_CARBON * n + END[self.feed]) for n, p in percent.items()}
        return {n: a / sum(amounts.values()) for n, a in amounts.items()}


_SHEETS = "source believed to be data sheets of fatty alcohols and acids"
_CODEX = "ranges of coconut oil in Codex Alimentarius CXS 210-1999 as two public pages print them (names withheld)"
"""C8 4.6 to 10, C10 5 to 8, C12 45.1 to 53.2, C14 16.8 to 21, C16 7.5 to 10.2, C18 with its unsaturated ones 8 to
16.5 % by weight of the acids."""

CUTS = {
    "C12": Cut({12: 100}, "alcohol", "one chain, as the INCI name says; lots may hold others", "derived"),
    "C12-14": Cut(
        {12: 72, 14: 27, 16: 1},
        "alcohol",
        f"its C12 and C14, computed from the {_CODEX}; a rest of C16 from memory",
        "derived",
        heavy={12: 68, 14: 30, 16: 2},
        light={12: 76, 14: 24},
    ),
    "C12-16": Cut(
        {12: 67, 14: 26, 16: 7},
        "alcohol",
        f"{_SHEETS}",
        "from memory",
        heavy={12: 64, 14: 27, 16: 9},
        light={12: 70, 14: 25, 16: 5},
    ),
    "C12-18": Cut(
        {12: 54, 14: 21, 16: 11, 18: 14},
        "alcohol",
        f"topped coconut alcohol, computed from the {_CODEX}",
        "derived",
        heavy={12: 50, 14: 20, 16: 12, 18: 18},
        light={12: 60, 14: 21, 16: 9, 18: 10},
    ),
    "C14-16": Cut(
        {14: 65, 16: 35},
        "alcohol",
        "alpha olefin; source believed to be supplier data",
        "from memory",
        heavy={14: 60, 16: 40},
        light={14: 70, 16: 30},
    ),
    "C8-10": Cut(
        {8: 50, 10: 50},
        "alcohol",
        f"its C8 and C10, computed from the {_CODEX}",
        "derived",
        heavy={8: 38, 10: 62},
        light={8: 64, 10: 36},
    ),
    "C8-16": Cut(
        {8: 30, 10: 30, 12: 25, 14: 10, 16: 5},
        "alcohol",
        "wide cut of glucosides, assumed make-up",
        "assumption",
        heavy={8: 25, 10: 28, 12: 28, 14: 12, 16: 7},
        light={8: 35, 10: 32, 12: 22, 14: 8, 16: 3},
    ),
    "coco": Cut(
        {8: 7, 10: 6, 12: 48, 14: 19, 16: 9, 18: 11},
        "acid",
        _CODEX,
        "derived",
        heavy={8: 5, 10: 5, 12: 46, 14: 20, 16: 10, 18: 14},
        light={8: 9, 10: 7, 12: 50, 14: 18, 16: 8, 18: 8},
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


def refuse_unknown(family: str, cut: str) -> None:
    """Refuse a family or a chain cut that no table here holds.

    Raises:
        DataError: If there is no such family or cut.
    """
    if family not in CMCS:
        raise fault("micelle", "family", f"there is no CMC of '{family}'.", nearest(family, CMCS))
    if cut not in CUTS:
        raise fault("micelle", "cut", f"there is no chain cut '{cut}'.", nearest(cut, CUTS))


@cache
def cmc_of(family: str, cut: str) -> TechnicalCmc:
    """Return the CMC of a chain cut of a family.

    Args:
        family: Key of `CMCS`.
        cut: Key of `CUTS`.

    Raises:
        DataError: If there is no such family or cut.
    """
    refuse_unknown(family, cut)
    known, chains = CMCS[family], CUTS[cut]

    def mixed(level: str) -> float:
        lot = chains.lot({"low": chains.heavy, "high": chains.light}.get(level) or chains.percent)
        return clint(list(lot.values()), [getattr(known.of(min(n, LONGEST[level])), level) for n in lot])

    backed = max(known.backed, chains.backed, key=WORST.index)
    source = f"{known.source}; cut {cut}: {chains.source}"
    return TechnicalCmc(Interval(mixed("low"), mixed("typical"), mixed("high")), source, backed)
