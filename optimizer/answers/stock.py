"""What is left on the shelf: what stands there less what kept batches used of it since it was counted."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.errors import DataError
from optimizer.immutable import immutable
from optimizer.units import AS_TYPED

if TYPE_CHECKING:
    from collections.abc import Iterable

    from optimizer.data.facts import Material
    from optimizer.data.shelf import ShelfLine


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
    """The most that was used on one day [kg]."""

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
    """Return the lines of a shelf with what is left, charged as `tenside stock` does.

    Args:
        shelf: The shelf.
        materials: Known materials.
        store: The records; nothing is charged if they are not there.

    Raises:
        DataError: If shelf or records cannot be used.
    """
    from optimizer.data.pool import names_of
    from optimizer.data.shelf import read_shelf
    from optimizer.records.stock import Used, largest_use, lessened, used_in
    from optimizer.records.store import open_store

    known = {m.id: m for m in materials}
    names, read = names_of(list(known.values())), read_shelf(shelf)
    used: tuple[Used, ...] = ()
    if store.exists():
        with open_store(store) as opened:
            used = used_in(opened)
    left, taken = lessened(read, known.values(), used)
    found = []
    for before, line in zip(read.lines, left.lines, strict=True):
        ids = names.get(before.material.casefold(), set())
        material = min(ids) if ids else before.material
        name = known[material].name if material in known else before.material
        most = largest_use(used, material)
        found.append(Stock(before, material, name, taken.get(before.row, 0.0), line.stock_kg, most))
    return tuple(found)
