"""The cautions that any answer carries, and those of its materials."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.formula import Formula
from optimizer.library import Library
from optimizer.units import USED

ALWAYS = (
    "A candidate for the bench, computed from planning data: not a safety assessment, a stability test or proof of "
    "preservation. Viscosity, clarity, foam and mildness are not predicted; measure them on your lots.",
    "Before anyone else uses it: a qualified safety assessor, a challenge test, a stability test in the real bottle, "
    "and the law in force where it is made and sold.",
)
"""Own words; basis: Regulation (EC) No 1223/2009, Articles 8 to 13 (from memory), and common practice."""


@dataclass(frozen=True)
class Caution:
    """A caution and the materials it comes from; none for those that always apply."""

    text: str
    materials: tuple[str, ...] = ()


def cautions_of(formula: Formula | None, library: Library) -> tuple[Caution, ...]:
    """Return the general cautions and those of the used and the later materials, in the library's order."""
    found = [Caution(text) for text in ALWAYS]
    if formula is None:
        return tuple(found)
    materials = [line.item.material for line in formula.lines if line.percent > USED]
    materials += [item.material for item in formula.later if item.material not in materials]
    for key, text in library.cautions.items():
        names = tuple(sorted(m.name for m in materials if key in m.cautions))
        if names:
            found.append(Caution(text, names))
    return tuple(found)
