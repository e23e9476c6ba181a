"""The shelves of a working folder through the door, with what is left on them."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.errors import DataError
from optimizer.immutable import immutable

if TYPE_CHECKING:
    from optimizer.brief.brief import Brief
    from optimizer.data.shelf import ShelfLine
    from optimizer.records.stock import Stock


def with_stock_left(brief: Brief) -> Brief:
    """Return a brief whose shelf holds what is left, where the bench's defaults name records; else the same brief.

    Raises:
        DataError: If the records cannot be read.
    """
    from optimizer.brief.defaults import bench_defaults
    from optimizer.brief.scenario import beside
    from optimizer.files import found_at

    defaults = bench_defaults(Path(brief.where))
    if not defaults.records or brief.shelf is None:
        return brief
    path = beside(Path(defaults.where), defaults.records, "records")
    if not found_at(path):
        return brief
    from optimizer.records.stock import brief_with_less

    return brief_with_less(brief, path)


@immutable
class ShelfLeft:
    """A shelf with what is left.

    Attributes:
        path: The file.
        lines: As they are written.
        names: What each line's material is called, by row.
        left_kg: What is left of each row that states a stock.
        stock: What is left of each material, and what runs low.
    """

    path: Path
    lines: tuple[ShelfLine, ...]
    names: dict[int, str]
    left_kg: dict[int, float]
    stock: Stock


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


def shelf_left(path: Path, records: Path, on: str) -> ShelfLeft:
    """Return a shelf with what is left of it on a day.

    Args:
        path: The shelf.
        records: The records; nothing is taken off if they are not there.
        on: The day (ISO 8601).

    Raises:
        DataError: If shelf or records cannot be used.
    """
    from optimizer.data.library import read_library
    from optimizer.data.names import names_of
    from optimizer.data.shelf import read_shelf
    from optimizer.files import shipped
    from optimizer.records.stock import lessened, stock_left, used_in
    from optimizer.records.store import open_store

    materials = read_library([shipped("library"), *sorted(path.parent.glob("materials.toml"))]).materials
    shelf, day = read_shelf(path), date.fromisoformat(on)
    if records.exists():
        with open_store(records) as store:
            stock, (less, _) = stock_left(shelf, materials, store, day), lessened(shelf, materials, used_in(store))
    else:
        stock, less = stock_left(shelf, materials, None, day), shelf
    ids, called = names_of(list(materials)), {m.id: m.name for m in materials}
    names = {ln.row: called.get(min(ids.get(ln.material.casefold(), {""})), ln.material) for ln in shelf.lines}
    left = {line.row: line.stock_kg for line in less.lines if line.stock_kg is not None}
    return ShelfLeft(path, shelf.lines, names, left, stock)
