"""Tables of figures as a workbook: numbers as numbers, no formulas, and no text that a spreadsheet would run."""

from __future__ import annotations

import io
from collections.abc import Sequence
from math import isfinite
from pathlib import Path

from optimizer.data.sheet import neutral, writable
from optimizer.errors import UsageError
from optimizer.files import write_bytes_atomic, writing
from optimizer.immutable import immutable

Cell = str | float | int | None


@immutable
class Sheet:
    """One sheet: its name, headings and rows."""

    name: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


def write_workbook(path: Path, sheets: Sequence[Sheet]) -> None:
    """Write sheets as an XLSX file.

    Raises:
        UsageError: If the name does not end in .xlsx.
        DataError: If the file exists or cannot be written.
    """
    if path.suffix.lower() != ".xlsx":
        raise UsageError(f"--out {path.name}: the name must end in .xlsx.")
    from openpyxl import Workbook
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    book = Workbook()
    book.remove(book.worksheets[0])
    for sheet in sheets:
        page = book.create_sheet(sheet.name)
        page.freeze_panes = "A2"
        for row in (sheet.columns, *sheet.rows):
            page.append([_cell(value) for value in row])
        for heading in page[1]:
            heading.font = Font(bold=True)
        for k in range(len(sheet.columns)):
            longest = max(len(str(row[k])) if isinstance(row[k], str) else 10 for row in (sheet.columns, *sheet.rows))
            page.column_dimensions[get_column_letter(k + 1)].width = min(60, longest + 2)
    stream = io.BytesIO()
    with writing(path):
        book.save(stream)
    write_bytes_atomic(path, stream.getvalue())


def _cell(value: Cell) -> Cell:
    if isinstance(value, str):
        return neutral(writable(value))
    if isinstance(value, float):
        return round(value, 9) if isfinite(value) else None
    return value
