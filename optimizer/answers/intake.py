"""A maker's own tables through the door: a formula sheet becomes a formula file, a price list a shelf.

A page shows a file that it is sent as lines (`sent_lines`), which are read as the file would be (`typed.as_table`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Literal

from optimizer.answers.answer import Answer
from optimizer.answers.stock import change_shelf, stocked_brief
from optimizer.data.library import Library, chosen_library
from optimizer.data.names import material_of
from optimizer.data.sheet import is_workbook, text_of_others
from optimizer.data.shelf import Shelf, read_shelf
from optimizer.data.workbook import write_rows
from optimizer.errors import UsageError, fault
from optimizer.files import found_at
from optimizer.intake.formula_sheet import formula_rows, read_formula_sheet
from optimizer.intake.onto_shelf import ShelfPrice, onto_shelf
from optimizer.intake.price_list import price_rows, read_price_list, shelf_rows
from optimizer.intake.typed import lines_of
from optimizer.report.intake import FormulaTaken, PricesTaken

TABLES = (".csv", ".txt", ".tsv", ".xlsx", ".xlsm")
"""Endings of files that are read as tables."""


def sent_lines(name: str, content: bytes, of: Literal["formula", "prices"]) -> str:
    """Return a table that was sent as the lines that it is read from.

    Args:
        name: What its file is called.
        content: Of the file.
        of: What is looked for in it.

    Raises:
        DataError: If it is no table, or a workbook in which nothing of it is found.
    """
    ending = Path(name).suffix.lower()
    if ending not in TABLES:
        raise fault(name, "", f"no table is read from {name}.", "Save it as CSV or XLSX and send that.")
    with TemporaryDirectory() as place:
        path = Path(place) / f"sent{ending}"
        path.write_bytes(content)
        if not is_workbook(path):
            return text_of_others(path)
        return lines_of(formula_rows(path) if of == "formula" else price_rows(path))


def take_formula(
    table: Path,
    *,
    brief: str = "",
    out: Path | None = None,
    words: Mapping[str, str] | None = None,
    libraries: Sequence[Path] | None = None,
    own: Sequence[Path] | None = None,
) -> Answer[FormulaTaken]:
    """Turn a formula sheet into a formula file, and say what was assumed.

    Args:
        table: The sheet (.csv, .xlsx), its columns in any order.
        brief: Scenario whose materials and free part are meant.
        out: File to write; it must not exist.
        words: What names mean: a material, as a maker calls it, by the sheet's name for it.
        libraries: Library files instead of the shipped ones.
        own: Library files on top of them, where no brief is named.

    Raises:
        UsageError: If a word means no material.
        DataError: If the sheet cannot be read as meant.
    """
    if brief:
        loaded = stocked_brief(brief, libraries=libraries)
        known, held_back = loaded.library, loaded.pool.held_back
    else:
        known, held_back = chosen_library(libraries, own), 0.0
    taken = read_formula_sheet(table, known, held_back=held_back, own=_meant(words, known))
    if out:
        rows = [(line.material, round(line.percent, 6), line.written) for line in taken.lines]
        write_rows(out, [("material", "percent", "as written"), *rows])
    return Answer(
        "import formula", FormulaTaken(taken=taken, source=table.name, brief=brief, written_to=str(out or ""))
    )


def take_prices(
    table: Path,
    *,
    out: Path | None = None,
    currency: str = "",
    density: float | None = None,
    words: Mapping[str, str] | None = None,
    libraries: Sequence[Path] | None = None,
    own: Sequence[Path] | None = None,
) -> Answer[PricesTaken]:
    """Turn a price list into a shelf, and say what was left out and why.

    Args:
        table: The list (.csv, .xlsx), its columns in any order.
        out: File to write; it must not exist.
        currency: Currency where the list names none.
        density: Of packs that are sold by volume [g/ml]; none is assumed.
        words: What names mean: a material, as a maker calls it, by the list's name for it.
        libraries: Library files instead of the shipped ones.
        own: Library files on top of them.

    Raises:
        UsageError: If a word means no material.
        DataError: If the list cannot be read as meant.
    """
    known = chosen_library(libraries, own)
    meant = _meant(words, known)
    taken = read_price_list(table, known, currency=currency.upper(), density_g_per_ml=density, own=meant)
    if out:
        write_rows(out, shelf_rows(taken))
    return Answer("import prices", PricesTaken(taken=taken, source=table.name, written_to=str(out or "")))


def prices_onto_shelf(found: PricesTaken, shelf: Path, own: Sequence[Path] | None = None) -> tuple[ShelfPrice, ...]:
    """Return what the prices of a list do to a shelf; nothing is written.

    Args:
        found: The list as it was read.
        shelf: The shelf; if there is none yet, every price is a new line.
        own: Library files on top of the shipped ones.
    """
    held = read_shelf(shelf) if found_at(shelf) else Shelf(where=str(shelf), lines=())
    return onto_shelf(found.taken.lines, held, chosen_library(own=own).materials)


def keep_prices(prices: Iterable[ShelfPrice], shelf: Path, on: str) -> int:
    """Write the prices of a list that are news onto a shelf, all or none; return how many lines that were.

    Raises:
        DataError: If the shelf is a workbook or cannot be written; then it stays.
    """
    changes = [price.change(on) for price in prices if not price.same]
    if changes:
        change_shelf(shelf, *changes)
    return len(changes)


def _meant(words: Mapping[str, str] | None, library: Library) -> dict[str, str]:
    """Return ids by what the table calls them."""
    found = {}
    for name, target in (words or {}).items():
        try:
            found[name] = material_of(target, library.materials)
        except UsageError as error:
            raise UsageError(f"--as {name}={target}: {error}") from None
    return found
