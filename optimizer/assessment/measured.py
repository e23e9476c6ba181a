"""What measured blends of others can tell of a formula: its pairs, and whole neighbours only where there are any near.

Neighbours: the plain share of the 30 nearest that stayed stable. Calibrated on ingredient sets that were left out: over
random fifths it orders them with a mean AUC of 0.74, and where the nearest blend lies within the reach, the share told
is within 0.1 of what came true (`tests/assessment/test_measured.py` repeats it). Beyond the reach nothing is told.
"""

from __future__ import annotations

from itertools import combinations
from math import hypot, nan

import numpy as np

from optimizer.data.facts import Material
from optimizer.data.formula import Formula
from optimizer.data.measured import CLEAR, SOURCE, THICKENERS, Blends, Vector, measured_blends
from optimizer.immutable import Figure, immutable, told
from optimizer.units import USED, number

REACH = 0.75
"""Distance of the nearest measured blend up to which whole neighbours are told; see `Blends.distances`."""
NEAREST = 30
"""Neighbours that are counted."""
BESIDE = "each with a cationic polymer and a thickener in it"
"""What every measured blend holds besides, whether or not a formula does."""
USUAL = {"surfactant": 14.0, "polymer": 4.0, "other": 5.5}
"""Doses that count as one whole dose of what was not measured [% as supplied]: about the highest measured of such
kinds; for perfumes, preservatives and the like that of the thickeners, an assumption."""


@immutable
class MeasuredDose:
    """One of a pair: its dose, and what was measured."""

    inci: str
    percent: float
    """In the formula [% as supplied]."""
    least: float
    """Lowest dose in the measured blends of the pair [% as supplied]."""
    most: float
    """Highest dose in them [% as supplied]."""

    @told
    def lies(self) -> str:
        """Where the dose lies: 'below', 'within' or 'above' what was measured."""
        return "below" if self.percent < self.least else "above" if self.percent > self.most else "within"

    @property
    def words(self) -> str:
        """The doses in words."""
        return (
            f"{self.inci} {number(self.percent, 2)} %, {self.lies} the {number(self.least, 1)} to "
            f"{number(self.most, 1)} % measured"
        )


@immutable
class MeasuredPair:
    """Measured blends that hold two of the formula's surfactants and polymers, among others."""

    one: MeasuredDose
    other: MeasuredDose
    blends: int
    """How many hold both."""
    stable: int
    """How many of them stayed stable."""
    clear: int
    """How many of these were clear, below 100 NTU."""

    @property
    def share(self) -> float:
        """Share that stayed stable."""
        return self.stable / self.blends

    @property
    def words(self) -> str:
        """What was counted, and how the doses compare."""
        blends = "1 measured blend" if self.blends == 1 else f"{self.blends} measured blends"
        clear = f", {self.clear} of these clear (below {number(CLEAR)} NTU)" if self.stable else ""
        return (
            f"{self.one.inci} with {self.other.inci}: of {blends} of these two, {self.stable or 'none'} stayed stable"
            f"{clear}, {BESIDE}. As supplied: {self.one.words}; {self.other.words}."
        )


@immutable
class Neighbours:
    """The measured blends nearest to a whole formula."""

    blends: int
    """How many are counted."""
    stable: int
    """How many of them stayed stable."""
    clear: int
    """How many of these were clear, below 100 NTU."""
    farthest: float
    """Distance of the farthest of them, in whole doses."""

    @property
    def words(self) -> str:
        """What was counted, in words."""
        return (
            f"Of the {self.blends} measured blends nearest to the whole formula {self.stable} stayed stable, "
            f"{self.clear} of these clear (below {number(CLEAR)} NTU), {BESIDE}."
        )


@immutable
class Measured:
    """What measured blends of others tell of a formula."""

    pairs: tuple[MeasuredPair, ...]
    """Pairs of its surfactants and polymers that were measured, the least often stable first."""
    neighbours: Neighbours | None
    """The whole formula's neighbours; null where the nearest lies beyond the reach."""
    nearest: Figure
    """Distance of the nearest measured blend, in whole doses; null if nothing of the formula was measured."""
    reach: float = REACH
    """Distance up to which whole neighbours are told."""
    source: str = SOURCE
    """Where the blends come from."""


def measured_of(formula: Formula) -> Measured:
    """Return what measured blends of others tell of a formula."""
    every = measured_blends()
    doses, rest = _doses(formula, every)
    if not doses:
        return Measured((), None, nan)
    met = (
        _pair(every, doses, *two)
        for two in combinations([n for n in every.names if n in doses and n not in THICKENERS], 2)
    )
    pairs = tuple(sorted((p for p in met if p is not None), key=lambda p: (p.share, p.one.inci, p.other.inci)))
    distances = every.distances(doses, rest)
    nearest = float(distances.min())
    return Measured(pairs, neighbours_of(every, distances) if nearest <= REACH else None, nearest)


def neighbours_of(every: Blends, distances: Vector) -> Neighbours:
    """Return the count over the nearest, the earlier of equally near ones first."""
    near = np.argsort(distances, kind="stable")[:NEAREST]
    stable, clear = int(every.stable[near].sum()), int(every.clear[near].sum())
    return Neighbours(len(near), stable, clear, float(distances[near[-1]]))


def _doses(formula: Formula, every: Blends) -> tuple[dict[str, float], float]:
    """Return doses by measured name, and the distance that everything else but water adds."""
    found: dict[str, float] = {}
    rest = []
    for line in formula.lines:
        material = line.item.material
        if line.percent <= USED or all(s.role == "water" for s in material.substances):
            continue
        name = _measured_name(material, every.names)
        if not name:
            rest.append(line.percent / USUAL[_sort(material)])
        else:
            found[name] = found.get(name, 0.0) + line.percent
    return found, hypot(*rest)


def _measured_name(material: Material, names: tuple[str, ...]) -> str:
    """Return the measured name of a material; a mixture's may be bought as its first part alone."""
    mine = frozenset(material.inci.split(" (and) "))
    parts = {name: name.split(" (and) ") for name in names}
    same = (name for name, held in parts.items() if mine == frozenset(held))
    first = (name for name, held in parts.items() if held[0] in mine and mine <= frozenset(held))
    return next(same, "") or next(first, "")


def _sort(material: Material) -> str:
    if material.surfactant_matter > 0:
        return "surfactant"
    return "polymer" if any(s.charge == "cationic" for s in material.substances) else "other"


def _pair(every: Blends, doses: dict[str, float], one: str, other: str) -> MeasuredPair | None:
    both = every.only(every.holding(one, other))
    if not len(both.stable):
        return None
    sides = [MeasuredDose(name, doses[name], *both.span(name)) for name in (one, other)]
    return MeasuredPair(sides[0], sides[1], len(both.stable), int(both.stable.sum()), int(both.clear.sum()))
