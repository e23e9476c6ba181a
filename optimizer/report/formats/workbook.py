"""Tables and documents as a workbook: figures as numbers, sums that are computed anew from what is typed in."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import takewhile
from pathlib import Path

from optimizer.data.workbook import Cell, CellFormula, Look, Sheet, SheetRow, book_bytes, write_rows
from optimizer.files import report_mark, write_bytes_atomic
from optimizer.report.document import Cell as Shown
from optimizer.report.document import Column, Document, Listing, Strong, Sum, Table
from optimizer.report.formats.escape import printable, shown

DIGITS = 9
"""Decimals of figures; what is beyond is rounding."""
WIDTHS = {"tick": 6, "text": 34, "name": 34, "figure": 6, "big": 11, "write": 14, "key": 26, "note": 50}
"""Widths of columns by what they hold [letters]."""
LEAST = 8
"""Columns that a sheet has at least, so that sentences have room; they begin in the third."""


def write_workbook(path: Path, tables: Sequence[Table]) -> None:
    """Write tables as the sheets of an XLSX file; as CSV, if the name ends so, the first one alone.

    Raises:
        DataError: If the name ends otherwise, the file exists or cannot be written.
    """
    if path.suffix.lower() != ".xlsx":
        write_rows(path, _rows(tables[0]))
    else:
        write_bytes_atomic(path, book_bytes(path, [Sheet(t.title, _rows(t)) for t in tables]))


def workbook(document: Document, path: Path) -> bytes:
    """Return a document as a workbook of one sheet that is to lie at a path.

    The headings of its broadest table stay in sight and count for all tables with the same ones.
    """
    columns = max((t.columns for t in _tables(document)), key=len, default=())
    heads = Table("", columns, ()).every
    opening = list(takewhile(lambda s: isinstance(s, Listing) and not s.title, document.sections))
    lines = list(_opening(document, "title"))
    _add(lines, replace(document, sections=tuple(opening)), heads, 0)
    lines.append(_names(heads))
    _add(lines, replace(document, sections=document.sections[len(opening) :]), heads, head := len(lines))
    widths = [max(len(c.name) + 2, WIDTHS[c.kind]) for c in heads]
    widths += [WIDTHS["write"]] * (LEAST - len(widths))
    foot = printable(document.running or document.title)
    sheet = Sheet(document.kind, lines, tuple(widths), head, foot)
    return book_bytes(path, [sheet], report_mark(document.kind))


def _tables(document: Document) -> Iterator[Table]:
    """Yield tables with lines; what is only filled in by hand is left to paper."""
    for section in document.sections:
        if isinstance(section, Document):
            yield from _tables(section)
        elif isinstance(section, Table) and not section.blank:
            yield section


def _names(columns: Sequence[Column]) -> SheetRow:
    return SheetRow(tuple(shown(c.name) or ("done" if c.kind == "tick" else None) for c in columns), "head")


def _opening(document: Document, look: Look) -> Iterator[SheetRow]:
    yield SheetRow((shown(document.title),), look)
    for name, value in (*((("", document.verdict),) if document.verdict else ()), *document.facts):
        yield SheetRow((shown(name) or None, None, shown(value)), "spread")


def _items(listing: Listing) -> Iterator[SheetRow]:
    lead = "CAUTION: " if listing.kind == "caution" else ""
    return (SheetRow((None, None, f"{lead}{shown(item)}"), "spread") for item in listing.items)


def _add(lines: list[SheetRow], document: Document, heads: Sequence[Column], head: int) -> None:
    """Add the sections of a document below the headings that stay in sight."""
    for section in document.sections:
        if isinstance(section, Table) and section.blank:
            continue
        if isinstance(section, Document):
            lines += _opening(section, "strong")
            _add(lines, section, heads, head)
            continue
        if section.title:
            lines.append(SheetRow((shown(section.title),), "strong"))
        if isinstance(section, Table):
            lines += [] if section.every == heads else [_names(section.every)]
            for row in section.rows:
                look: Look = "strong" if isinstance(row, Strong) else "framed"
                cells = enumerate(zip(section.every, row, strict=True))
                lines.append(SheetRow(tuple(_cell(*one, k, head + 1, len(lines)) for k, one in cells), look))
        elif isinstance(section, Listing):
            lines += _items(section)
        note = "" if isinstance(section, Listing) else section.note
        lines += _items(Listing("", (note,))) if note else []


def _rows(table: Table) -> Iterator[tuple[Cell, ...]]:
    """Yield a table's headings and its rows, figures as numbers."""
    yield tuple(column.name for column in table.every)
    yield from (tuple(map(_cell, table.every, row)) for row in table.rows)


def _cell(column: Column, cell: Shown, place: int = 0, first: int = 0, last: int = 0) -> Cell:
    """Return a cell as a number if it is one; a sum is that of the rows from the first to the last."""
    if isinstance(cell, Sum):
        letter = chr(ord("A") + place)
        return CellFormula(f"=SUM({letter}{first}:{letter}{last})")
    if isinstance(cell, tuple) and cell and all(isinstance(part, (int, float)) for part in cell):
        return sum(part for part in cell if not isinstance(part, str))
    if isinstance(cell, (str, tuple)):
        return shown(column.text(cell)).strip() or None
    return round(cell, DIGITS) if isinstance(cell, float) else cell
