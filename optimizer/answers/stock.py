"""What is left on the shelf: what stands there less what kept batches used of it since it was counted."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.errors import DataError
from optimizer.immutable import immutable
from optimizer.units import AS_TYPED

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from optimizer.data.facts import Material
    from optimizer.data.shelf import ShelfLine
    from optimizer.records.lots import Use


@immutable
class Stock:
    """One line of a shelf with what is left of it."""

    line: ShelfLine
    material: str
    """Id in the library; what stands on the shelf, if that is not known."""
    name: str
    used_kg: float
    """By kept batches since the line was counted."""
    left_kg: float | None
    """None if the shelf states no stock."""
    last_kg: float
    """The most that one kept batch took."""

    @property
    def low(self) -> bool:
        """Whether less is left than one batch took."""
        return self.left_kg is not None and self.left_kg < max(self.last_kg, AS_TYPED)


def shelves_in(folder: Path) -> tuple[Path, ...]:
    """Return the shelves that the briefs of a folder name, and `shelf.csv` or `shelf.xlsx`, if they lie there."""
    from optimizer.files import is_file, read_toml, resolved

    named = ["shelf.csv", "shelf.xlsx"]
    for path in sorted(folder.glob("*.toml")):
        try:
            shelf = read_toml(path).get("shelf")
        except DataError:
            continue
        named += [shelf] if isinstance(shelf, str) else []
    inside = resolved(folder)
    there = (folder / name for name in dict.fromkeys(named))
    return tuple(p for p in there if is_file(p) and resolved(p).is_relative_to(inside))


def stock_of(shelf: Path, materials: Iterable[Material], store: Path) -> tuple[Stock, ...]:
    """Return the lines of a shelf with what is left.

    A line with a lot is charged with that lot alone, a line without one with all lots of its material that no other
    line names. A line with a day in the column 'counted on' is charged from that day on, others with every kept batch.

    Args:
        shelf: The shelf.
        materials: Known materials.
        store: The records; none are charged if they are not there.

    Raises:
        DataError: If shelf or records cannot be used.
    """
    from optimizer.data.pool import names_of
    from optimizer.data.shelf import read_shelf
    from optimizer.records.lots import uses
    from optimizer.records.store import open_store

    known = {m.id: m for m in materials}
    names = names_of(known.values())
    lines = read_shelf(shelf).lines
    found: tuple[Use, ...] = ()
    if store.exists():
        with open_store(store) as opened:
            found = uses(opened)
    lots = {(_id(line, names), line.lot) for line in lines if line.lot}
    return tuple(_stock(line, _id(line, names), known, found, lots) for line in lines)


def _id(line: ShelfLine, names: Mapping[str, Iterable[str]]) -> str:
    found = list(names.get(line.material.casefold(), ()))
    return found[0] if len(found) == 1 else line.material


def _stock(
    line: ShelfLine, material: str, known: Mapping[str, Material], uses: Iterable[Use], lots: set[tuple[str, str]]
) -> Stock:
    def mine(use: Use) -> bool:
        of_line = use.lot == line.lot if line.lot else (material, use.lot) not in lots
        return use.material == material and of_line and (not line.counted_on or use.on >= line.counted_on)

    by_batch: dict[str, float] = {}
    for use in filter(mine, uses):
        by_batch[use.batch] = by_batch.get(use.batch, 0.0) + use.grams / 1000
    used = sum(by_batch.values())
    left = None if line.stock_kg is None else max(0.0, line.stock_kg - used)
    name = known[material].name if material in known else line.material
    return Stock(line, material, name, used, left, max(by_batch.values(), default=0.0))
