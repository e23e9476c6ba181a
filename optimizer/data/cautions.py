"""The cautions that any answer carries, and those of its materials."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from optimizer.data.facts import Material
from optimizer.data.formula import Formula
from optimizer.data.library import Library
from optimizer.immutable import immutable, untold
from optimizer.units import USED, listed

ALWAYS = (
    "A candidate for the bench, computed from planning data: not a safety assessment, a stability test or proof of "
    "preservation. Viscosity, clarity, foam and mildness are not predicted; measure them on your lots.",
    "Before anyone else uses it: a qualified safety assessor, a challenge test, a stability test in the real bottle, "
    "and the law in force where it is made and sold.",
)
"""Own words; basis: Regulation (EC) No 1223/2009, Articles 8 to 13 (from memory), and common practice."""

PAPER = frozenset({
    "allergen", "dioxane", "acrylamide", "microplastic", "wheat", "salicylic", "salicylate", "nano", "peanut", "sprays",
    "eyes", "under-three", "under-six", "zinc", "aluminium", "vitamin-a", "sulfite", "peroxide-10", "peroxide-20",
})  # fmt: skip
"""Cautions for label and purchase, not for the bench; weigh sheet and card leave them to the blend."""


@immutable
class Caution:
    """A caution and the materials it comes from."""

    text: str
    materials: tuple[str, ...] = ()
    loud: bool = untold(default=False)
    """Whether it is said before anything else."""
    law: str = ""
    """Where a law says it: annex and entry, act, day on which it was read; empty if none does."""
    rests: str = untold(default="")
    """In short, on what an answer rests; empty for every other caution."""

    @property
    def words(self) -> str:
        """The caution with the law that says it and the materials it comes from."""
        text = f"{self.text} Law: {self.law}." if self.law else self.text
        return f"{text} ({listed(self.materials)})" if self.materials else text


def joined(cautions: Iterable[Caution]) -> tuple[Caution, ...]:
    """Return each caution once, with the materials of all that say it."""
    found: dict[str, Caution] = {}
    for one in cautions:
        so_far = found.setdefault(one.text, one)
        found[one.text] = replace(so_far, materials=tuple(sorted({*so_far.materials, *one.materials})))
    return tuple(found.values())


def cautions_from(materials: Iterable[Material], library: Library) -> dict[str, Caution]:
    """Return the cautions of materials by key, in the library's order: their own, and what law asks with substances."""
    materials = list(materials)
    found = {}
    for key, text in library.cautions.items():
        laws = [c for c in library.conditions if c.caution == key]
        names = {m.name for m in materials if key in m.every_caution or any(c.meets(m) for c in laws)}
        if names:
            places = listed(tuple(dict.fromkeys(c.place for c in laws)))
            found[key] = Caution(text, tuple(sorted(names)), law=places)
    return found


def cautions_of(formula: Formula | None, library: Library) -> tuple[Caution, ...]:
    """Return the general cautions and those of the used and the later materials, in the library's order."""
    general = tuple(map(Caution, ALWAYS))
    if formula is None:
        return general
    materials = [line.item.material for line in formula.lines if line.percent > USED]
    materials += [item.material for item in formula.later if item.material not in materials]
    return (*general, *cautions_from(materials, library).values())
