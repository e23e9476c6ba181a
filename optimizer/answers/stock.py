"""The shelves of a working folder through the door, with what is left on them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.errors import DataError
from optimizer.immutable import immutable

if TYPE_CHECKING:
    from optimizer.brief.brief import Brief
    from optimizer.data.shelf import ShelfChange, ShelfLine
    from optimizer.records.stock import StockLeft


def with_stock_left(brief: Brief) -> Brief:
    """Return a brief whose shelf holds what is left of it; where there are no records the same brief.

    Raises:
        DataError: If the records cannot be read.
    """
    from optimizer.files import found_at

    path = records_of(Path(brief.where))
    if path is None or brief.shelf is None or not found_at(path):
        return brief
    from optimizer.records.stock import brief_with_less

    return brief_with_less(brief, path)


def records_of(scenario: Path) -> Path | None:
    """Return the records that the bench's defaults beside a file name, else those beside it; None without any."""
    from optimizer.brief.defaults import bench_defaults
    from optimizer.brief.scenario import beside
    from optimizer.records import STORE

    defaults = bench_defaults(scenario)
    if defaults.records:
        return beside(Path(defaults.where), defaults.records, "records")
    path = scenario.parent / STORE
    return path if path.is_file() else None


def stocked_brief(
    name: str | Path,
    changes: Iterable[tuple[str, str]] = (),
    *,
    shelf: Path | None = None,
    libraries: Iterable[Path] | None = None,
    rates: Mapping[str, float] | None = None,
) -> Brief:
    """Return a brief by its file or shipped name, with what-ifs, its shelf less what kept batches used.

    Raises:
        DataError: With every problem of the files at once.
    """
    from optimizer.brief.brief import load_brief
    from optimizer.brief.scenario import find_scenario

    path = find_scenario(str(name))
    return with_stock_left(load_brief(path, changes=changes, shelf=shelf, libraries=libraries, rates=rates))


def stock_of(name: str, *, on: str, store: Path | None = None, libraries: Iterable[Path] | None = None) -> StockLeft:
    """Return what is left of each material, and what runs low.

    Args:
        name: A shelf (.csv, .xlsx), or a brief that has one.
        on: The day (ISO 8601).
        store: The records; else those of `records_of`.
        libraries: Library files instead of the shipped ones.

    Raises:
        DataError: If shelf or records cannot be used, or the brief names no shelf.
    """
    from optimizer.brief.brief import load_brief
    from optimizer.brief.scenario import find_scenario
    from optimizer.data.library import chosen_library
    from optimizer.data.shelf import read_shelf
    from optimizer.errors import fault
    from optimizer.records.stock import stock_left
    from optimizer.records.store import open_store

    if Path(name).suffix.lower() in (".csv", ".xlsx"):
        held, materials = read_shelf(Path(name)), chosen_library(libraries).materials
    else:
        brief = load_brief(find_scenario(name), libraries=libraries)
        if brief.shelf is None:
            raise fault(name, "shelf", "the brief names no shelf.", "Name the shelf's file itself.")
        held, materials = brief.shelf, brief.library.materials
    path, day = store or records_of(Path(name)), date.fromisoformat(on)
    if path is None or (store is None and not path.is_file()):
        return stock_left(held, materials, None, day)
    with open_store(path) as opened:
        return stock_left(held, materials, opened, day)


def change_shelf(path: Path, *changes: ShelfChange) -> None:
    """Change lines of a shelf, all or none; what it was is laid aside, so that it can be put back.

    Raises:
        DataError: If it cannot be; then the shelf stays.
    """
    from optimizer.answers.keeping import lay_aside
    from optimizer.data.shelf import change_shelf as change

    change(path, changes, lay_aside)


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
    stock: StockLeft


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
        records: The records, unless the bench's defaults name others; nothing is taken off if they are not there.
        on: The day (ISO 8601).

    Raises:
        DataError: If shelf or records cannot be used.
    """
    from optimizer.data.library import chosen_library
    from optimizer.data.names import names_of
    from optimizer.data.shelf import read_shelf
    from optimizer.records.stock import lessened, stock_left, used_in
    from optimizer.records.store import open_store

    records = records_of(path) or records
    materials = chosen_library(own=path.parent.glob("materials.toml")).materials
    shelf, day = read_shelf(path), date.fromisoformat(on)
    if records.exists():
        with open_store(records) as store:
            used = used_in(store, shelf, materials)
            stock, (less, _) = stock_left(shelf, materials, store, day), lessened(shelf, materials, used)
    else:
        stock, less = stock_left(shelf, materials, None, day), shelf
    ids, called = names_of(list(materials)), {m.id: m.name for m in materials}
    names = {ln.row: called.get(min(ids.get(ln.material.casefold(), {""})), ln.material) for ln in shelf.lines}
    left = {line.row: line.stock_kg for line in less.lines if line.stock_kg is not None}
    return ShelfLeft(path, shelf.lines, names, left, stock)
