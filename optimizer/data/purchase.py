"""What the shelf offers and holds of each material, and packs that are bought."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from math import inf

from optimizer.data.names import names_of
from optimizer.data.pool import Ingredient
from optimizer.data.shelf import ShelfLine
from optimizer.immutable import Figure, immutable
from optimizer.units import KEPT


@immutable
class Purchase:
    """Packs of one shelf line; null packs are sold by weight."""

    material: str
    supplier: str
    packs: Figure
    """Whole packs; NaN for what is sold by weight."""
    kg: float
    """Their mass [kg]."""
    cost: float
    """What they cost."""


def on_tap(item: Ingredient) -> bool:
    """Whether the material is water, which can always be had by weight."""
    return item.material.function == "solvent"


def lines_of(
    lines: Iterable[ShelfLine], items: Mapping[str, Ingredient], *, priced: bool = True
) -> list[tuple[str, ShelfLine]]:
    """Return the shelf's lines of the candidates with their material's id; only those with a price, if `priced`."""
    names = names_of([item.material for item in items.values()])
    found = [(names.get(line.material.casefold(), set()), line) for line in lines]
    return [(min(ids), line) for ids, line in found if ids and (line.price_per_kg is not None or not priced)]


def stock_of(lines: Iterable[ShelfLine], items: Mapping[str, Ingredient]) -> dict[str, float]:
    """Return what the shelf holds of each candidate whose stock it states [kg].

    All lines of a material count together, those without a price too; a line with an empty cell adds nothing.
    """
    stock: dict[str, float] = {}
    for name, line in lines_of(lines, items, priced=False):
        if line.stock_kg is not None:
            stock[name] = stock.get(name, 0.0) + line.stock_kg
    return stock


def short_of(
    lines: Iterable[ShelfLine], items: Mapping[str, Ingredient], needed: Mapping[str, float]
) -> Iterator[tuple[str, float, float]]:
    """Yield name, what is needed and what the shelf holds [kg] of each material of which it states less than that."""
    stock = stock_of(lines, items)
    for name, kg in needed.items():
        there = stock.get(name, inf)
        if there < kg * (1 - KEPT):
            yield items[name].material.name, kg, there
