"""Briefs small enough to be worked out with a pencil. All figures are made up."""

from __future__ import annotations

from typing import Any

from tests.support.briefs import aqua, material, substance
from tests.support.oracle import Case, Table


def surfactant(name: str, share: float, charge: str = "anionic", **facts: Any) -> Table:
    """Return a surfactant in water at a sharp share [% w/w]."""
    parts = [substance(name.upper(), share, charge=charge, surfactant=True, family="kin")]
    return material(name, [*parts, substance("Aqua", 100 - share, "water")], **facts)


def rated(name: str, share: float, mildness: float, charge: str = "anionic", **facts: Any) -> Table:
    """Return a surfactant with a rating of mildness."""
    ratings = {"mildness": {"low": 0, "typical": mildness, "high": 100, "basis": "invented"}}
    return surfactant(name, share, charge, ratings=ratings, **facts)


def dose(name: str, of: str, **limits: float) -> Table:
    """Return a rule on the dose of one material."""
    return {"id": name, "kind": "dose", "of": [of], **limits}


def pencil(*rules: Table, materials: tuple[Table, ...] = (), **scenario: Any) -> Case:
    """Return a brief of two surfactants at one price."""
    stock = materials or (surfactant("aa", 50), surfactant("cc", 50, "nonionic"))
    shelf = [{"material": m["id"], "price_per_kg": 2.0} for m in stock]
    table = {"name": "pencil", "rule": list(rules), **scenario}
    return {"materials": [aqua(), *stock], "shelf": shelf, "scenario": table}


AA, CC = rated("aa", 50, 20), rated("cc", 25, 80, "nonionic")
RULES: tuple[Table, ...] = (
    {"id": "act", "kind": "active", "at_least": 10, "at_most": 12},
    {"id": "mild", "kind": "rating", "rating": "mildness", "at_least": 50},
    {"id": "cap", "kind": "dose", "of": ["aa"], "at_most": 11},
)


def rated_pencil(*rules: Table, stock: tuple[Table, ...] = (AA, CC), **scenario: Any) -> Case:
    """Return a brief of two surfactants that are rated for mildness, the second one dearer by 1 per kg."""
    shelf = [{"material": m["id"], "price_per_kg": 2.0 + n} for n, m in enumerate(stock)]
    table = {"name": "pencil", "rule": list(rules or RULES), **scenario}
    return {"materials": [aqua(), *stock], "shelf": shelf, "scenario": table}


SURFACTANT: dict[str, Any] = {"charge": "anionic", "surfactant": True, "family": "kin"}


def one(name: str = "mm", **facts: Any) -> Table:
    """Return a surfactant of half water."""
    parts = [substance("M", 50, **SURFACTANT), substance("Aqua", 50, "water")]
    return material(name, parts, **facts)
