"""Generated briefs for the benchmarks: any number of materials, one linear program, fixed seeds."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

from optimizer.brief.brief import Brief, make_brief
from optimizer.brief.scenario import scenario_from
from optimizer.data.facts import Material, Substance
from optimizer.data.library import Library, read_library
from optimizer.data.shelf import Shelf, ShelfLine

LIBRARY = Path(__file__).parent / "frozen" / "library"
SEED = 20
CHARGES = ("anionic", "amphoteric", "nonionic")
FUNCTIONS = ("surfactant", "humectant", "chelator", "preservative", "perfume", "solubiliser")

RULES: list[dict[str, Any]] = [
    {"kind": "active", "at_least": 9, "at_most": 12},
    {"kind": "rating", "rating": "mildness", "at_least": 52},
    {"kind": "rating", "rating": "flash_foam", "at_least": 55},
    {"kind": "rating", "rating": "foam_density", "at_least": 45},
    {"kind": "load", "at_most": 7},
    {"kind": "share", "id": "anionic", "of": {"charges": ["anionic"]}, "at_least": 15, "at_most": 60},
    {"kind": "share", "id": "amphoteric", "of": {"charges": ["amphoteric"]}, "at_least": 20},
    {"kind": "share", "id": "alkyl-sulfates", "of": {"families": ["alkyl sulfate"]}, "at_most": 10},
    {"kind": "ratio", "at_most": 2.5},
    {"kind": "water", "at_least": 55},
    {"kind": "salt", "at_most": 1.5},
    {"kind": "natural", "at_least": 80},
    {"kind": "dose", "id": "humectant", "of": {"functions": ["humectant"]}, "at_least": 2, "at_most": 4},
    {"kind": "dose", "id": "chelator", "of": {"functions": ["chelator"]}, "at_least": 0.1, "at_most": 0.2},
    {"kind": "dose", "id": "perfume", "of": {"lipids": ["perfume"]}, "at_least": 0.3, "at_most": 0.5},
    {"kind": "dose", "id": "preservative", "of": {"functions": ["preservative"]}, "at_least": 0.5, "at_most": 1.5},
    {"kind": "solubiliser", "at_least": 3},
]
"""A realistic linear brief; with the total and the legal levels about twenty rules."""


def brief_of(
    size: int, seed: int = SEED, rules: list[dict[str, Any]] = RULES, lines: tuple[ShelfLine, ...] = ()
) -> Brief:
    """Return the brief with `size` candidates: frozen materials, then variations of them; prices drawn or given."""
    frozen = read_library([LIBRARY])
    draw = random.Random(seed)
    materials = _materials(frozen, size, draw)
    library = frozen.model_copy(update={"materials": materials, "exclusions": ()})
    lines = lines or tuple(
        ShelfLine(row=row, material=m.id, price_per_kg=round(draw.uniform(1.5, 12), 4), currency="EUR")
        for row, m in enumerate(materials, 2)
        if m.id != "aqua"
    )
    scenario = scenario_from(
        {
            "name": f"{size} candidates",
            "ph": {"low": 5.3, "high": 5.7, "tolerance": 0.2},
            "held_back": {"percent": 3.0},
            "rule": [{"id": str(r.get("rating", r["kind"])).replace("_", "-"), **r} for r in rules],
        },
        "benchmark",
    )
    return make_brief(scenario, library, Shelf(where="generated", lines=lines))


def _materials(library: Library, size: int, draw: random.Random) -> tuple[Material, ...]:
    """Return water and `size - 1` others: first one of each function and charge, then at random."""
    usable = [
        m
        for m in library.materials
        if m.id != "aqua" and m.functions.intersection(FUNCTIONS) and "isothiazolinone" in m.free_from
    ]
    draw.shuffle(usable)
    needed = [next(m for m in usable if f in m.functions) for f in FUNCTIONS]
    needed += [next(m for m in usable if m.charge == c and m.surfactant_matter > 0) for c in CHARGES]
    first = list(dict.fromkeys([m.id for m in needed] + [m.id for m in usable]))
    chosen = [library.by_id["aqua"], *(library.by_id[name] for name in first[: size - 1])]
    surfactants = [m for m in usable if m.surfactant_matter > 0]
    while len(chosen) < size:
        chosen.append(_varied(draw.choice(surfactants), len(chosen), draw))
    return tuple(sorted(chosen, key=lambda m: m.id))


def _varied(material: Material, number: int, draw: random.Random) -> Material:
    """Return a material with slightly less of every substance but water, under a new id."""

    def scaled(substance: Substance, factor: float) -> Substance:
        share = tuple(x * factor for x in (substance.low, substance.typical, substance.high))
        return substance.model_copy(update={"share": share})

    factor = draw.uniform(0.9, 1.0)
    substances = tuple(s if s.inci == "Aqua" else scaled(s, factor) for s in material.substances)
    return material.model_copy(update={"id": f"{material.id}-{number}", "substances": substances})
