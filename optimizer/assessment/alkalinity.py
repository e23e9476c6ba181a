"""What is known of the alkalinity of each ingredient of a formula, and what that rests on."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from math import sqrt
from typing import Literal

from optimizer.chemistry.alkalinity import IONIC_STRENGTH, KINDS, USUAL_ACTIVE, Alkaline, Knowledge, know, row_of
from optimizer.chemistry.constants import WEAK
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.ph import damping, stock
from optimizer.chemistry.titration import PhLog
from optimizer.data.facts import Material, Substance
from optimizer.data.formula import Formula, Line
from optimizer.data.shelf import ShelfLine
from optimizer.immutable import immutable
from optimizer.units import USED, listed, number

Rests = Literal["titrated", "lot pH", "supplied pH", "assumed range", "formula", "nothing known", "taken as neutral"]
"""titrated and lot pH: the maker's own figures on the shelf; supplied pH and assumed range: the kind of surfactant;
formula: weak acids and bases by molecular formula and published pKa."""

READ_AT = 10.0
"""Strength of a lot's pH if neither the shelf nor the supplier names one [% in water]; common practice."""

TITRATION_SD, LEAST_SD = 0.1, 0.005
"""Standard deviation of a titration on a small balance: a part of it, and at least so many mmol/g; assumptions."""

UNKNOWN = Interval(-0.1, 0.0, 0.1)
"""Free alkali of an ingredient of which nothing is known [mmol/g]; assumption."""

STRONG, ACID_BELOW, ALKALI_ABOVE = Interval(0.0, 3.0, 10.0), 5.0, 8.0
"""The same of one that is meant to move the pH or to bind metals [mmol/g], and the supplied pH from which it is acid or
alkaline, else it may be either; assumption: citric acid takes up 15, gluconate nothing."""

BUFFER_FUNCTIONS = frozenset({"chelator", "extract", "ph adjuster"})
"""Functions whose materials may well buffer although nothing says how much."""


@immutable
class AlkalinityBasis:
    """One ingredient in the charge balance.

    Attributes:
        id: Material id.
        name: Its name.
        percent: Dose [% of the blend before acid, thickener and the like are added].
        rests_on: What its alkalinity rests on.
        words: The same in words.
        known: What chemistry is told; None if it is taken as neutral.
        supplied: PH as printed, low and high, whatever its strength.
    """

    id: str
    name: str
    percent: float
    rests_on: Rests
    words: str
    known: Alkaline | None = None
    supplied: tuple[float, float] | None = None

    @property
    def open(self) -> bool:
        """Whether a titration by the maker would tell more."""
        return self.rests_on in ("lot pH", "supplied pH", "assumed range", "nothing known")

    def takes_up(self, ph: float) -> tuple[float, float]:
        """Return the acid it takes up on the way to a pH [mmol per kg of blend] and its standard deviation."""
        if self.known is None:
            return 0.0, 0.0
        own = know((self.known,), unnamed=1e-9)
        row, _ = row_of(own.sites, ph, damping(IONIC_STRENGTH))
        return float(row @ own.mean), sqrt(max(float(row @ own.covariance @ row), 0.0))

    def if_titrated(self) -> AlkalinityBasis:
        """Return the same ingredient as if the maker had titrated it and found what is expected now."""
        if self.known is None or self.percent <= 0:
            return self
        own = know((self.known,), unnamed=1e-9)
        row, _ = row_of(own.sites, 6.0, damping(IONIC_STRENGTH / 5))
        found = float(row @ own.mean) / (10 * self.percent)
        return replace(self, rests_on="titrated", known=replace(self.known, titrated=_titrated(found)))

    @property
    def window(self) -> tuple[float, float] | None:
        """PH as printed or as read of the lot, low and high."""
        lots = self.known.of_lots if self.known else None
        return lots[:2] if lots else self.supplied

    def alone(self, water: float) -> tuple[float, float] | None:
        """Return the lowest and the highest pH of the ingredient alone, at its dose and so much water per gram."""
        if self.known is None or (self.rests_on == "formula" and self.supplied):
            return self.supplied
        own = blind(know((self.known,), unnamed=1e-9), water)
        if self.known.of_lots is None:
            return own.low, own.high
        # As printed, unless by all else that is known its lots lie beyond; then as far as lots go.
        low, high, lower, upper, _ = self.known.of_lots
        least = low if own.typical >= low else min(own.typical, max(own.low, lower))
        return least, high if own.typical <= high else max(own.typical, min(own.high, upper))


def blind(known: Knowledge, water: float = 0.0) -> Interval:
    """Return the pH of a product of which nothing was read, 10 %, middle and 90 % point."""
    nothing = PhLog(stock("citric acid anhydrous", 50.0), Interval(7.0, 7.0, 7.0), 100, known)
    return nothing.expected_ph(0.0, water)


def estimated_ph(
    bases: Iterable[AlkalinityBasis], water: float = 0.0, apart: Iterable[tuple[float, float]] = ()
) -> Interval:
    """Return the estimated pH of a mixture, never beyond the most acid and the most alkaline of what is in it.

    Args:
        bases: What is in it.
        water: Water per gram at which it is meant [g/g].
        apart: Lowest and highest pH of what is in it besides.
    """
    bases, apart = tuple(bases), tuple(apart)
    found = blind(know(known_of(bases)), water)
    ends = [*apart, *(b.window for b in bases if b.window)]
    if not _inside(found, ends):  # an ingredient alone lies at its window or beyond, and takes time to find
        ends = [*apart, *(alone for b in bases if (alone := b.alone(water)) is not None)]
    acid, base = min((e[0] for e in ends), default=0.0), max((e[1] for e in ends), default=14.0)
    return Interval(*(min(max(ph, acid), base) for ph in (found.low, found.typical, found.high)))


def _inside(ph: Interval, ends: Sequence[tuple[float, float]]) -> bool:
    return bool(ends) and min(e[0] for e in ends) <= ph.low and ph.high <= max(e[1] for e in ends)


def ingredients_of(formula: Formula) -> tuple[AlkalinityBasis, ...]:
    """Return what is known of every used ingredient, in the order of the formula; water is left out.

    Doses count in the blend as it stands before the part held back is filled. A surfactant has the assumed ranges of
    its kind (scaled to its active matter), narrowed by its supplied pH where the strength of that reading is known, in
    its place by the pH that the maker read of the lot, and by the maker's own titration if the shelf has them. Weak
    acids and bases count by molecular formula.
    """
    whole = sum(line.percent for line in formula.lines)
    used = [line for line in formula.lines if line.percent > USED and line.item.material.function != "solvent"]
    return tuple(_basis(line, 100 * line.percent / whole) for line in used)


def known_of(bases: Iterable[AlkalinityBasis]) -> tuple[Alkaline, ...]:
    """Return what chemistry is told of the ingredients."""
    return tuple(b.known for b in bases if b.known is not None)


def _basis(line: Line, percent: float) -> AlkalinityBasis:
    material, shelf = line.item.material, line.item.line
    kinds = _kinds(material)
    sites, alkali, families = _held(material, kinds)
    titrated = shelf.titrated_mmol_per_g if shelf else None
    measured = _measured(shelf, material) if shelf else None
    supplied = None if measured or titrated is not None else _supplied(material)
    said = [f"this lot's own pH {number(measured[0], 2)} at {number(measured[1], 1)} %"] if measured else []
    said += [f"supplied pH {_window(supplied)}"] if supplied else []
    rests: Rests
    if titrated is not None:
        rests, words = "titrated", [f"titrated: {number(titrated, 3)} mmol/g to pH 6", *said]
    elif kinds:
        rests = "lot pH" if measured else "supplied pH" if supplied else "assumed range"
        words = [f"taken as {listed(list(kinds))}", *said]
    elif sites or alkali.low < 0 or alkali.high > 0:
        rests, words, supplied, measured = "formula", [f"{listed(families) or 'strong'}, by formula"], None, None
    elif _moves_ph(material):
        # A pH alone, without a group that holds it, would tell next to no alkali and be sure of it.
        alkali, rests, words, supplied, measured = _strong(material), "nothing known", ["nothing known"], None, None
    elif _may_buffer(material):
        alkali, rests, words = UNKNOWN, "nothing known", [" but ".join(["nothing known", *said])]
    else:
        rests, words = "taken as neutral", ["no group known that takes up acid"]
    known = None
    if rests != "taken as neutral":
        own = None if titrated is None else _titrated(titrated)
        known = Alkaline(material.name, percent, sites, alkali, own, supplied, measured)
    return AlkalinityBasis(line.item.id, material.name, percent, rests, "; ".join(words), known, material.ph_supplied)


def _held(material: Material, kinds: Mapping[str, float]) -> tuple[dict[str, Interval], Interval, list[str]]:
    """Return sites and free alkali of a material [mmol/g], and which weak acids and bases it holds."""
    sites: dict[str, Interval] = {}
    alkali = Interval(0.0, 0.0, 0.0)
    for kind, active in kinds.items():
        assumed, scale = KINDS[kind], active / USUAL_ACTIVE[kind]
        alkali = _plus(alkali, assumed.alkali, scale)
        for site, amount in assumed.sites.items():
            sites[site] = _plus(sites.get(site), amount, scale)
    families = []
    for substance in material.substances:
        for of, per_molecule, free in _buffers(substance):
            shares = substance.low, substance.typical, substance.high
            moles = Interval(*(10 * share / (substance.molar_mass or 1.0) for share in shares))
            alkali = _plus(alkali, moles, free)
            if of:
                sites[of] = _plus(sites.get(of), moles, per_molecule)
                families.append(of)
    return sites, alkali, list(dict.fromkeys(families))


def _measured(line: ShelfLine, material: Material) -> tuple[float, float] | None:
    """Return the lot's own pH and the strength at which it was read [%]."""
    if line.lot_ph is None:
        return None
    printed = _supplied(material)
    return line.lot_ph, line.lot_ph_at or (printed[2] if printed else READ_AT)


def _titrated(value: float) -> tuple[float, float]:
    return value, max(TITRATION_SD * abs(value), LEAST_SD)


def _kinds(material: Material) -> dict[str, float]:
    """Return the surfactant active matter [% as supplied] by kind of alkalinity."""
    if material.alkalinity:
        return {material.alkalinity: material.surfactant_matter or material.active_matter}
    found: dict[str, float] = {}
    for s in material.substances:
        if s.alkalinity:
            found[s.alkalinity] = found.get(s.alkalinity, 0.0) + s.typical
    return found


def _buffers(substance: Substance) -> list[tuple[str, float, float]]:
    """Return family, moles of it and moles of free alkali per mole of a substance whose molar mass is known."""
    if substance.molar_mass is None:
        return []
    if substance.buffer:
        return [(substance.buffer.of, 1.0, substance.buffer.alkali)]
    if substance.acid:
        # The acid itself brings all its protons, a phenol's too; a salt has given the first one away.
        name, itself = substance.acid.name.lower(), abs(substance.molar_mass - substance.acid.molar_mass) < 0.5
        known = WEAK.get(name)
        held = (1 if known is None else len(known.pka)) - (0 if itself else 1)
        if known is None:  # of a maker's own library: above its pKa it has given its proton away
            return [("", 0.0, -held * substance.acid.per_molecule)]
        return [(name, substance.acid.per_molecule, -held * substance.acid.per_molecule)]
    return []


def _plus(sum_: Interval | None, more: Interval, scale: float = 1.0) -> Interval:
    one = sum_ or Interval(0.0, 0.0, 0.0)
    ends = sorted((scale * more.low, scale * more.high))
    return Interval(one.low + ends[0], one.typical + scale * more.typical, one.high + ends[1])


def _supplied(material: Material) -> tuple[float, float, float] | None:
    """Return lower and upper supplied pH and the strength at which it is read [%], if that is known."""
    if material.ph_supplied is None:
        return None
    printed = re.match(r"(\d+(?:\.\d+)?) %", material.ph_supplied_at)
    strength = float(printed.group(1)) if printed else 100.0 if material.ph_supplied_at == "as supplied" else 0.0
    return (*material.ph_supplied, strength) if 0 < strength <= 100 else None


def _window(supplied: tuple[float, float, float]) -> str:
    low, high, strength = supplied
    return f"{number(low, 1)} to {number(high, 1)} at {number(strength, 1)} %"


def _moves_ph(material: Material) -> bool:
    return bool({"chelator", "ph adjuster"} & material.functions)


def _strong(material: Material) -> Interval:
    """Return what free alkali a material may hold of which only its pH, if that, is known [mmol/g]."""
    low, high = material.ph_supplied or (ACID_BELOW, ALKALI_ABOVE)
    if low > ALKALI_ABOVE:
        return STRONG
    acid = Interval(-STRONG.high, -STRONG.typical, -STRONG.low)
    return acid if high < ACID_BELOW else Interval(acid.low, 0.0, STRONG.high)


def _may_buffer(material: Material) -> bool:
    charged = any(s.charge in ("anionic", "amphoteric") for s in material.substances)
    return charged or bool(BUFFER_FUNCTIONS & material.functions)
