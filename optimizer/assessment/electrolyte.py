"""How much dissolved salt a formula holds, where it comes from, and what of the usual limit is left."""

from __future__ import annotations

from math import isnan

from optimizer.chemistry.interval import Interval
from optimizer.data.facts import Material, Substance
from optimizer.data.formula import Formula
from optimizer.data.planned import ACID_ALLOWANCE
from optimizer.immutable import immutable
from optimizer.units import USED, number

USUAL_LIMIT = 2.0
"""Most dissolved salt in all [%]; common practice, no source: most systems peak by about here."""
ORIGINS = (
    "salt in betaines and other amphoterics",
    "salt in other surfactants",
    "salt in other materials",
    "preservative salts",
    "citrate, lactate and other buffers",
    "chelator salts",
    "other salts",
    "added salt",
    "acid neutralised later",
)
"""Lines of the budget in their order."""
_KINDS = {"preservative": ORIGINS[3], "buffer": ORIGINS[4], "chelator": ORIGINS[5], "other": ORIGINS[6]}
SODIUM_CHLORIDE = 58.44
"""Molar mass [g/mol]."""
NOTHING = Interval(0.0, 0.0, 0.0)


@immutable
class SaltPart:
    """Dissolved salt of one origin."""

    origin: str
    """One of `ORIGINS`."""
    percent: Interval
    """% w/w of the product."""
    mmol_per_kg: Interval | None
    """Formula units [mmol/kg]; null if a molar mass is not known."""
    materials: tuple[str, ...]
    """Ids it comes from, sorted."""


@immutable
class Budget:
    """Dissolved salt against its limit."""

    parts: tuple[SaltPart, ...]
    """What is not zero, in the order of `ORIGINS`."""
    total: Interval
    """[% w/w of the product]."""
    mmol_per_kg: Interval | None
    """[mmol/kg]; None if a molar mass is not known."""
    limit: float
    """Most dissolved salt [%]."""
    left: Interval
    """The limit less the total [%]; below zero where it is passed."""
    unknown: tuple[str, ...] = ()
    """Ids of materials that bring salts nobody stated."""

    def percent(self, *origins: str) -> Interval:
        """Return what the named origins bring together [% w/w of the product]."""
        return _sum([p.percent for p in self.parts if p.origin in origins])

    @property
    def room(self) -> str:
        """What is left of the limit, or by how much it is passed, in words."""
        low, high = self.left.low, self.left.high
        if high < 0:
            return f"{number(-high, 2)} to {number(-low, 2)} % above {number(self.limit)} %"
        short = f"{number(-low, 2)} % above it" if low < 0 else number(low, 2)
        return f"{short} to {number(high, 2)} left of {number(self.limit)} %"


def electrolyte_of(
    formula: Formula, limit: float = USUAL_LIMIT, acid_percent: float | None = None, salt_percent: float = 0.0
) -> Budget:
    """Return the dissolved salt of a formula by origin.

    Sum of dose times share of each dissolved salt, at the low, typical and high share of the substance lists; the ends
    of the total are the sums of the ends, so they are further apart than lots are likely to be. Surfactants
    themselves are not counted. Citric and lactic acid count as the salt that they become, with the mass of the acid.

    Args:
        formula: The formula; an acid among what is added later brings an allowance.
        limit: Most dissolved salt [% w/w].
        acid_percent: Acid that was really added, as pure acid [% w/w]; it replaces the allowance.
        salt_percent: Salt that was added to the formula at the bench [% w/w].

    Source: counting betaine salt, preservative salts, citrate and added salt together against about 2 % is common
    practice, no source. Limits: plant juices, hard water and ions that surfactants shed are not counted.
    """
    found: dict[str, list[tuple[str, Interval, Interval | None]]] = {}
    unknown = []
    for line in formula.lines:
        if line.percent <= USED:
            continue
        material = line.item.material
        if not material.salt_known:
            unknown.append(material.id)
        for substance in material.substances:
            origin = _origin(material, substance)
            if origin:
                percent = Interval(
                    *(line.percent * s / 100 for s in (substance.low, substance.typical, substance.high))
                )
                found.setdefault(origin, []).append((material.id, percent, _molar(percent, substance.molar_mass)))
    later = [_allowance(formula)] if acid_percent is None else [("", Interval(*[acid_percent] * 3), None)]
    for name, percent, mmol in later:
        if percent.high > 0:
            found.setdefault(ORIGINS[8], []).append((name, percent, mmol))
    if salt_percent > 0:
        salt = Interval(*[salt_percent] * 3)
        found.setdefault(ORIGINS[7], []).append(("", salt, _molar(salt, SODIUM_CHLORIDE)))
    parts = []
    for origin in ORIGINS:
        entries = found.get(origin, [])
        if any(percent.high > 0 for _, percent, _ in entries):
            molar = [m for _, _, m in entries]
            names = tuple(sorted({n for n, _, _ in entries if n}))
            parts.append(SaltPart(origin, _sum([p for _, p, _ in entries]), _known_sum(molar), names))
    total = _sum([p.percent for p in parts])
    left = Interval(limit - total.high, limit - total.typical, limit - total.low)
    return Budget(tuple(parts), total, _known_sum([p.mmol_per_kg for p in parts]), limit, left, tuple(sorted(unknown)))


def ionic_strength_of(formula: Formula) -> Interval:
    """Return the ionic strength of a formula from its dissolved salts [mol/kg].

    Every salt counts as one of two single charges, and one without a molar mass as sodium chloride. Citrate, chelators
    and the ions that micelles shed bring more, so the strength is rather too low.
    """
    parts = electrolyte_of(formula).parts
    return _sum([p.mmol_per_kg or p.percent.mapped(lambda x: 1e4 * x / SODIUM_CHLORIDE) for p in parts]).mapped(
        lambda x: x / 1000
    )


def _origin(material: Material, substance: Substance) -> str:
    """Return the line of the budget to which a substance belongs, empty if it is no dissolved salt."""
    if substance.electrolyte:
        return _KINDS[substance.electrolyte]
    if substance.role != "salt" and material.function != "salt":
        return ""
    if material.function == "salt":
        return ORIGINS[7] if substance.role in ("active", "salt") else ""
    charges = {s.charge for s in material.substances if s.surfactant}
    if not charges:
        return ORIGINS[2]
    return ORIGINS[0] if "amphoteric" in charges else ORIGINS[1]


def _allowance(formula: Formula) -> tuple[str, Interval, Interval | None]:
    """Return the allowance for the first acid that is added later; nothing if the formula has none."""
    for item in formula.later:
        acids = [s for s in item.material.substances if s.electrolyte == "buffer"]
        if item not in formula.thickeners and acids and formula.held_back > 0:
            percent = Interval(0.0, *(min(x, formula.held_back) for x in (ACID_ALLOWANCE.typical, ACID_ALLOWANCE.high)))
            return item.id, percent, _molar(percent, acids[0].molar_mass)
    return "", NOTHING, None


def _molar(percent: Interval, molar_mass: float | None) -> Interval | None:
    """Return an amount of substance [mmol/kg] of a dose [%]: 10 000 x percent / molar mass [g/mol]."""
    if not molar_mass or isnan(molar_mass):
        return None
    return percent.mapped(lambda x: 1e4 * x / molar_mass)


def _sum(parts: list[Interval]) -> Interval:
    return Interval(sum(p.low for p in parts), sum(p.typical for p in parts), sum(p.high for p in parts))


def _known_sum(parts: list[Interval | None]) -> Interval | None:
    known = [p for p in parts if p is not None]
    return _sum(known) if len(known) == len(parts) else None
