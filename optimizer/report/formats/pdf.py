"""Documents as an A4 PDF to print, to file, to send along: numbered pages, headings of tables on every page."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Any

from optimizer.report.document import Document, Listing, Section, Sketch, Strong, Table
from optimizer.report.formats.drawings import drawings_of
from optimizer.report.formats.escape import printable, shown
from optimizer.report.formats.paper import (
    BODY,
    STRONG,
    as_typed,
    boxed,
    fonts,
    height_of,
    paragraph,
    pdf_of,
    room,
    shrunk,
    split_table,
    style,
    tick_box,
    width_of,
)

SIZES = (8.5, 8.0, 7.5, 7.0, 6.5)
"""Sizes of the letters of a table that are tried before its columns are parted [pt]."""
GAP = 8.0
"""Free space between two columns [pt]."""
WORD = 160.0
"""Most room that a single word may claim for its column; a longer one is broken [pt]."""
ROOM = {"tick": 8.0, "write": 64.0}
"""Least room to tick and to write in [pt]."""
LINES = 7
"""Lines of a cell above which its column asks for more room, up to that of a long word."""
SMALLEST = 6.0
"""Letters of tables on a page of their own, at least [pt]."""
NEEDED = 70.0
"""Room below a heading without which it goes on the next page [pt]."""


BROKEN = re.compile(r"[^\w-]*[^\W\d_]+(-[^\W\d_]+)+[^\w-]*")
"""Words that may be broken at their hyphens: those without figures."""


def document_pdf(document: Document) -> bytes:
    """Return a document as a PDF."""
    return _paged(document, _flowables(document, room()[0]))


def one_page_pdf(document: Document) -> bytes:
    """Return a document as a PDF of one page, in letters as large as `fits` finds room for, never larger than usual."""
    width, height = room()
    scales = [1 - k / 40 for k in range(40) if 1 - k / 40 > SMALLEST / SIZES[0]]
    scale = next((s for s in scales if fits(document, s)), SMALLEST / SIZES[0])
    return _paged(document, [shrunk(_unbroken(document, width / scale), width, height - 1, scale)])


def fits(document: Document, scale: float = SMALLEST / SIZES[0]) -> bool:
    """Return whether a document fits one page, by itself in the smallest letters that are read."""
    width, height = room()
    return height_of(_unbroken(document, width / scale), width / scale) <= (height - 2) / scale


def _paged(document: Document, flowables: list[Any]) -> bytes:
    running = printable(document.running or document.title)
    return pdf_of(flowables, title=printable(document.title), running=running, kind=document.kind)


def _flowables(document: Document, width: float) -> list[Any]:
    fonts()
    title = paragraph(document.title, style(16, bold=True, after=5))
    return [title, *_opening(document, width), *_sections(document, 1, width)]


def _unbroken(document: Document, width: float) -> list[Any]:
    """Return a document without the places where a page may end, and without what keeps parts on one page."""
    from reportlab.platypus import CondPageBreak, KeepTogether

    found: list[Any] = []
    for part in _flowables(document, width):
        if isinstance(part, KeepTogether):
            found += part._content
        elif not isinstance(part, CondPageBreak):
            found.append(part)
    return found


def _opening(document: Document, width: float) -> Iterator[Any]:
    """Yield verdict and facts; bad news is framed, so that it is seen without colour."""
    from reportlab.platypus import Spacer

    if document.verdict:
        told = paragraph(document.verdict, style(10.5, bold=True, after=4))
        yield told if document.good else boxed(told, width)
    if document.facts:
        names = min(max(width_of(name, BODY, 9) for name, _ in document.facts) + GAP + 1, 0.35 * width)
        cells = [[paragraph(name, style(9)), paragraph(value, style(9))] for name, value in document.facts]
        plain = [("LEFTPADDING", (0, 0), (0, -1), 0), ("TOPPADDING", (0, 0), (-1, -1), 1)]
        yield split_table(cells, [names, width - names], [*plain, ("BOTTOMPADDING", (0, 0), (-1, -1), 1)])
        yield Spacer(1, 2)


def _sections(document: Document, level: int, width: float) -> Iterator[Any]:
    from reportlab.platypus import CondPageBreak, KeepTogether

    for section in document.plain:
        head = _heading(section.title, level) if section.title else []
        if isinstance(section, Sketch) and section.drawing is not None:
            first, *others = drawings_of(section.drawing, width, room()[1])
            yield KeepTogether([*head, first])
            yield from others
            yield from _note(section.note)
            continue
        if section.title or not (isinstance(section, Table) and section.blank):  # what is blank is kept together
            yield CondPageBreak(_needed(section, width))
        yield from head
        if isinstance(section, Document):
            yield from _opening(section, width)
            yield from _sections(section, level + 1, width)
        else:
            yield from _section(section, width)


def _needed(section: Section | Document, width: float) -> float:
    """Return the room below a heading without which it is on the next page; cautions stay with what they are about."""
    told, after = 0.0, NEEDED
    for part in section.plain if isinstance(section, Document) else ():
        if isinstance(part, Listing) and part.kind == "caution":
            told += height_of(list(_section(part, width)), width)
        else:
            after = 1.75 * NEEDED if told and isinstance(part, Table) else NEEDED
            break
    return min(told + after, room()[1] / 2)


def _heading(title: str, level: int) -> list[Any]:
    from reportlab.platypus import HRFlowable, Spacer

    if level > 1:
        return [Spacer(1, 6), paragraph(title, style(10.5, bold=True, after=2))]
    rule = HRFlowable(width="100%", thickness=0.6, color="black", spaceAfter=3)
    return [Spacer(1, 10), paragraph(title, style(12.5, bold=True, after=2)), rule]


def _section(section: Section, width: float) -> Iterator[Any]:
    from reportlab.platypus import KeepTogether

    if isinstance(section, Table):
        laid = _table(section, width)
        yield from ([KeepTogether(list(laid))] if section.blank else laid)
    elif isinstance(section, Sketch):
        yield from as_typed(section.lines, width)
        yield from _note(section.note)
    elif section.kind == "caution":
        yield from (boxed(paragraph(item, style(9), "Caution."), width) for item in section.items)
    else:
        yield from (paragraph(item, style(9, indent=11, after=2.5), bullet="\u2013") for item in section.items)


def _note(text: str) -> list[Any]:
    return [paragraph(text, style(8, after=3))] if text else []


def _table(table: Table, width: float) -> Iterator[Any]:
    """Yield a table; one that is too wide even in small letters is parted, its first column repeated."""
    from reportlab.platypus import Spacer

    every = range(len(table.heads))
    for size in SIZES:
        widths = _fitted(table, every, size, width)
        if widths is not None:
            yield _laid(table, every, size, widths)
            break
    else:
        for number, part in enumerate(_parts(table, SIZES[0], width)):
            if number:
                yield Spacer(1, 6)
            fit = _fitted(table, part, SIZES[0], width)
            yield _laid(table, part, SIZES[0], fit or [width / len(part)] * len(part))
    yield Spacer(1, 2)
    yield from _note(table.note)


def _parts(table: Table, size: float, width: float) -> Iterator[list[int]]:
    """Yield the columns of each part."""
    part = [0]
    for column in range(1, len(table.heads)):
        if len(part) > 1 and _fitted(table, [*part, column], size, width) is None:
            yield part
            part = [0]
        part.append(column)
    yield part


def _fitted(table: Table, columns: Sequence[int], size: float, width: float) -> list[float] | None:
    """Return widths at which no word is broken needlessly and no figure at all; None if there is no room for them."""
    least, most = [], []
    heads, told = table.heads, table.told()
    for c in columns:
        more = _larger(table, c)
        cells = [(heads[c].name, STRONG, size)]
        if heads[c].kind != "tick":
            strong = [more > 0 or isinstance(row, Strong) for row in table.rows]
            cells += [(t[c], STRONG if s else BODY, size + more) for t, s in zip(told, strong, strict=True)]
        whole = max(width_of(_joined(text), font, points) for text, font, points in cells)
        word = max(
            (width_of(w, font, points) for text, font, points in cells for w in _words(_joined(text))), default=0.0
        )
        figures = max((width_of(_joined(text), font, points) for text, font, points in cells[1:]), default=0.0)
        word = max(min(word, WORD), figures) if heads[c].right else min(max(word, whole / LINES), WORD)
        word = max(word, ROOM.get(heads[c].kind, 0.0))
        least.append(word + GAP + 0.5)
        most.append(max(whole, word) + GAP + 0.5)
    spare = width - sum(least)
    if spare < 0:
        return None
    wish = sum(most) - sum(least)
    share = min(1.0, spare / wish) if wish else 0.0
    widths = [low + share * (high - low) for low, high in zip(least, most, strict=True)]
    texts = [k for k, c in enumerate(columns) if heads[c].kind in (("write",) if table.blank else ("text", "name"))]
    left = width - sum(widths)
    claimed = sum(most[k] for k in texts)
    for k in texts:  # what is free goes to the texts, so that figures stand in a line at the right
        widths[k] += left * most[k] / claimed
    return widths


def _larger(table: Table, column: int) -> float:
    """Return how much larger than others the letters of a column are [pt]; those that are read while weighing are."""
    return {"big": 2.5, "name": 1.0}.get(table.heads[column].kind, 0.0)


def _laid(table: Table, columns: Sequence[int], size: float, widths: list[float]) -> Any:
    from reportlab.lib.colors import black, lightgrey
    from reportlab.platypus import Spacer

    heads = table.heads

    def cell(text: str, c: int, notes: Sequence[str], *, bold: bool) -> Any:
        if heads[c].kind == "tick":
            return tick_box(size + 3) if text else ""
        if heads[c].kind == "write" and not text:
            return Spacer(1, 1.15 * size)
        more = _larger(table, c)
        kind = style(size + more, bold=bold or more > 0, right=heads[c].right)
        below = notes if c == table.lead else ()
        under = [paragraph(n.removeprefix("! "), style(size - 1), "!" if n.startswith("! ") else "") for n in below]
        words = paragraph(_joined(text), kind)
        return [words, *under] if under else words

    strong = [isinstance(row, Strong) for row in table.rows]
    rows = [[paragraph(_joined(heads[c].name), style(size, bold=True, right=heads[c].right)) for c in columns]]
    for told, notes, bold in zip(table.told(), table.notes(), strong, strict=True):
        rows.append([cell(told[c], c, notes, bold=bold) for c in columns])
    written = [k for k, c in enumerate(columns) if heads[c].kind == "write"]
    looks = [
        ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
        ("LINEBELOW", (0, 1), (-1, -1), 0.4, lightgrey),
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, black),
        *(("LINEABOVE", (0, k), (-1, k), 0.8, black) for k, set_apart in enumerate(strong, 1) if set_apart),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), GAP),
        ("RIGHTPADDING", (-1, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 1.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
        *(("BOX", (k, r), (k, r), 0.6, black) for k in written for r in range(1, len(rows))),
        *(("LEFTPADDING", (k, 0), (k, -1), 4) for k in written),
    ]
    if table.form:
        looks += [("TOPPADDING", (0, 1), (-1, -1), 4), ("BOTTOMPADDING", (0, 1), (-1, -1), 6)]
    return split_table(rows, widths, looks, heads=1)


def _words(text: str) -> Iterator[str]:
    """Yield the parts of a text that stay in one line."""
    for word in text.split(" "):
        yield from word.split("-") if BROKEN.fullmatch(word) else [word]


def _joined(text: str) -> str:
    """Return a text whose signs of units stay with their figures."""
    return shown(text).replace(" %", "\u00a0%").replace(" °C", "\u00a0°C")
