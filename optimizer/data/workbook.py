"""The one writer of workbooks, and of tables as CSV: numbers as numbers, and no text that a spreadsheet would run."""

import csv
import io
from collections.abc import Iterable, Iterator
from itertools import chain, islice, zip_longest
from math import isfinite
from pathlib import Path
from typing import IO, Any, Literal

from optimizer.data.sheet import neutral, writable
from optimizer.errors import fault
from optimizer.files import write_bytes_atomic, writing
from optimizer.immutable import immutable

Cell = str | float | None
Look = Literal["plain", "head", "title", "strong", "framed", "spread"]
WIDEST = 60
"""No column is wider [letters]; longer texts are broken."""
LOOKED_AT = 1000
"""Rows that say how wide columns are."""


class CellFormula(str):
    """A formula of our own, which a spreadsheet may run."""


@immutable
class SheetRow:
    """A row that does not look like those of a table; a spread one lets its last text run over what is right of it."""

    cells: tuple[Cell, ...]
    look: Look = "plain"


@immutable
class Sheet:
    """One sheet.

    Attributes:
        name: Its name.
        rows: Its rows; a table begins with its headings.
        widths: Widths of columns [letters]; as their contents ask if there are none.
        head: The row that stays in sight and is repeated on every printed page.
        foot: What stands below every printed page, which then is as wide as the sheet; empty for a table.
    """

    name: str
    rows: Iterable[tuple[Cell, ...] | SheetRow]
    widths: tuple[float, ...] = ()
    head: int = 1
    foot: str = ""


def write_rows(path: Path, rows: Iterable[Iterable[str | float | None]], title: str = "table") -> None:
    """Write a table as CSV or XLSX, by the name's ending; texts are neutralised, nothing is overwritten.

    Raises:
        DataError: If the ending is neither, the file exists or cannot be written.
    """
    ending = path.suffix.lower()
    if ending == ".csv":
        text = io.StringIO(newline="")
        cells = ([neutral(c) if isinstance(c, str) else c for c in row] for row in rows)
        csv.writer(text, lineterminator="\n").writerows(cells)
        write_bytes_atomic(path, text.getvalue().encode("utf-8"))
    elif ending == ".xlsx":
        write_bytes_atomic(path, book_bytes(path, [Sheet(title, map(tuple, rows))]))
    else:
        raise fault(str(path), "", f"'{ending}' is not a table that is written.", "Name a .csv or .xlsx file.")


def book_bytes(path: Path, sheets: Iterable[Sheet], mark: str = "") -> bytes:
    """Return sheets as an XLSX file that is to lie at a path.

    Raises:
        DataError: If it cannot be made; rows wait in a file of their own until they are saved.
    """
    content = io.BytesIO()
    with writing(path):
        write_book(content, sheets, mark)
    return content.getvalue()


def write_book(target: Path | IO[bytes], sheets: Iterable[Sheet], mark: str = "") -> None:
    """Write sheets as an XLSX file, row by row.

    Args:
        target: The file.
        sheets: From first to last.
        mark: What the file carries as a report; see `files.report_mark`.
    """
    from openpyxl import Workbook
    from openpyxl.packaging.custom import StringProperty
    from openpyxl.utils import get_column_letter

    book = Workbook(write_only=True)
    for sheet in sheets:
        page = book.create_sheet(sheet.name)
        rows = iter(sheet.rows)
        first = list(islice(rows, LOOKED_AT))
        for k, width in enumerate(sheet.widths or _widths(first), 1):
            page.column_dimensions[get_column_letter(k)].width = width
        page.freeze_panes = f"{'A' if sheet.foot else 'B'}{sheet.head + 1}"
        if sheet.foot:
            _printed(page, sheet)
        for number, row in enumerate(chain(first, rows), 1):
            page.append(list(_laid(page, number, row, sheet.head, len(sheet.widths))))
    if mark:
        book.custom_doc_props.append(StringProperty(name="mark", value=mark))
    book.save(target)


def _widths(rows: list[tuple[Cell, ...] | SheetRow]) -> list[float]:
    columns = zip_longest(*(row.cells if isinstance(row, SheetRow) else row for row in rows))
    longest = (max(len(cell) if isinstance(cell, str) else 8 for cell in column) for column in columns)
    return [min(max(10, width + 2), WIDEST) for width in longest]


def _printed(page: Any, sheet: Sheet) -> None:
    """Let a sheet be printed on pages as wide as it is."""
    page.print_title_rows = f"{sheet.head}:{sheet.head}"
    page.page_setup.orientation, page.page_setup.paperSize = "landscape", 9  # A4
    page.page_setup.fitToWidth, page.page_setup.fitToHeight = 1, 0
    page.sheet_properties.pageSetUpPr.fitToPage = True
    page.oddFooter.left.text = sheet.foot.replace("&", "&&")
    page.oddFooter.right.text = "page &P of &N"


def _laid(page: Any, number: int, row: tuple[Cell, ...] | SheetRow, head: int, columns: int) -> Iterator[Any]:
    """Yield the cells of a row; a long text is broken inside its cell."""
    from openpyxl.utils import get_column_letter

    look, cells = (row.look, row.cells) if isinstance(row, SheetRow) else ("plain", row)
    look = "head" if number == head else look
    values = [_value(cell) for cell in cells]
    if look == "spread":
        last = get_column_letter(columns)
        page.merged_cells.add(f"{get_column_letter(len(cells))}{number}:{last}{number}")
        page.row_dimensions[number].height = 15 * (1 + len(str(cells[-1])) // 150)
    if look == "plain" and not any(isinstance(v, str) and len(v) > WIDEST - 2 for v in values):
        yield from values
    else:
        yield from (_styled(page, value, look) for value in values)


def _styled(page: Any, value: Cell, look: str) -> Any:
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Alignment, Border, Font, Side

    cell = WriteOnlyCell(page, value)
    thin = Side(style="thin")
    if look in ("head", "title", "strong"):
        cell.font = Font(bold=True, size=14 if look == "title" else 11)
    if look == "head":
        cell.border = Border(bottom=thin)
    if look == "framed":
        cell.border = Border(top=thin, bottom=thin, left=thin, right=thin)
    if look in ("plain", "framed", "spread"):
        cell.alignment = Alignment(wrap_text=True, vertical="top")
    return cell


def _value(cell: Cell) -> Cell:
    """Return a cell as a workbook holds it; what is no number that it knows is empty."""
    if isinstance(cell, CellFormula):
        return str(cell)
    if isinstance(cell, str):
        return neutral(writable(cell))
    return cell if cell is None or isfinite(cell) else None
