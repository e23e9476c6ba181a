"""Documents on a terminal: fits the width, readable without colour, NO_COLOR honoured.

Plain text laid out here, not with rich: a blend must answer in little more than the time its
libraries take to load, and rich alone costs a third of that (DEVELOPERS.md, convention on start-up).
"""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
from collections.abc import Iterable, Mapping
from typing import IO
from unicodedata import east_asian_width

from optimizer.report.document import Document, Listing, Sketch, Strong, Table
from optimizer.report.formats.escape import printable, shown

STYLES = {"bold": "1", "dim": "2", "good": "32", "bad": "1;31", "head": "36", "warn": "33"}
NARROWEST = 12
"""No text column is squeezed below this many characters."""
LONGEST_WORD = 30
"""Words up to here are kept whole where other columns can still give way."""


def show(document: Document, stream: IO[str] | None = None, width: int | None = None) -> None:
    """Print a document to a stream, by default stdout at the terminal's width."""
    stream = stream or sys.stdout
    columns = width or max(60, min(shutil.get_terminal_size((100, 40)).columns, 120))
    stream.write("\n".join(lines(document, columns, colour=_colours(stream))) + "\n")


def lines(document: Document, width: int, *, colour: bool = False) -> list[str]:
    """Return a document as lines no wider than `width`."""
    paint = _painted if colour else _plain
    out = ["", *(paint(line, "bold") for line in _wrapped(document.title, width))]
    out += [paint(line, "good" if document.good else "bad") for line in _wrapped(document.verdict, width)]
    label = max((len(name) for name, _ in document.facts), default=0)
    for name, value in document.facts:
        for number, part in enumerate(_wrapped(value, width - label - 2)):
            out.append(f"{paint(printable(name).ljust(label) if number == 0 else ' ' * label, 'dim')}  {part}")
    for section in document.plain:
        if isinstance(section, Document):
            out += lines(section, width, colour=colour)[:-1]
            continue
        if isinstance(section, Sketch) and not section.lines:
            continue
        if section.title:
            *above, last = _wrapped(section.title, width)
            out += ["", *(paint(line, "head") for line in above), paint(f"{last} ".ljust(width, "·")[:width], "head")]
        if isinstance(section, Table):
            out += _table(section, width, paint)
        elif isinstance(section, Sketch):
            out += [printable(line)[:width] for line in section.lines]
            out += [paint(line, "dim") for line in _wrapped(section.note, width)] if section.note else []
        else:
            out += _listing(section, width, paint)
    return [*out, ""]


def _table(table: Table, width: int, paint: object) -> list[str]:
    assert callable(paint)
    heads = table.heads
    cells = [tuple(map(shown, row)) for row in (tuple(h.name for h in heads), *table.told())]
    widths = [max(map(_cells, column)) for column in zip(*cells, strict=True)]
    room = width - 2 * (len(widths) - 1)
    texts, figures = ([c for c, head in enumerate(heads) if head.right is right] for right in (False, True))
    bodies, columns = list(zip(*cells[1:], strict=True)), list(zip(*cells, strict=True))
    _narrow(widths, room, {c: max(NARROWEST, min(LONGEST_WORD, _longest(columns[c]))) for c in texts})
    _narrow(widths, room, dict.fromkeys(texts, NARROWEST))
    # Where that is not enough, heads of figures are cut between words, then texts of short words; figures never.
    _narrow(widths, room, {c: max(_longest([cells[0][c]]), *map(_cells, bodies[c])) for c in figures} if bodies else {})
    _narrow(widths, room, {c: min(NARROWEST, _longest(columns[c])) for c in texts})
    _narrow(widths, room, dict.fromkeys(texts, NARROWEST // 2))
    out = []
    styles = ["dim", *("bold" if isinstance(row, Strong) else "" for row in table.rows)]
    indent = " " * sum(w + 2 for w in widths[: table.lead])
    for style, row, note in zip(styles, cells, ("", *table.notes_in_line()), strict=True):
        parts = [
            _to_the_right(cell, width) if head.right else _wrapped(cell, width, least=1)
            for head, width, cell in zip(heads, widths, row, strict=True)
        ]
        for k in range(max(len(p) for p in parts)):
            texts_k = [(p[k] if k < len(p) else "") for p in parts]
            line = "  ".join(t + " " * (w - _cells(t)) for t, w in zip(texts_k, widths, strict=True)).rstrip()
            out.append(paint(line, style))
        out += [indent + paint(line, "dim") for line in _wrapped(note, width - len(indent)) if note]
    if table.note:
        out += [paint(line, "dim") for line in _wrapped(table.note, width)]
    return out


def _narrow(widths: list[int], room: int, least: Mapping[int, int]) -> None:
    """Take from the widest of some columns, down to their least, until all fit."""
    while sum(widths) > room and any(widths[c] > least[c] for c in least):
        widest = max((c for c in least if widths[c] > least[c]), key=lambda c: widths[c])
        widths[widest] -= 1


def _longest(texts: Iterable[str]) -> int:
    """Return the width of the longest word."""
    return max((_cells(word) for text in texts for word in text.split()), default=0)


def _to_the_right(cell: str, width: int) -> list[str]:
    """Return a figure in one line, a head of figures in lines between its words, at the right of a width."""
    parts = [cell] if _cells(cell) <= width else textwrap.wrap(cell, width, break_long_words=False)
    return [" " * (width - _cells(part)) + part for part in parts]


def _listing(listing: Listing, width: int, paint: object) -> list[str]:
    assert callable(paint)
    mark = "!" if listing.kind == "caution" else "-"
    out = []
    for item in listing.items:
        first, *rest = _wrapped(item, width - 2)
        out.append(f"{paint(mark, 'warn' if listing.kind == 'caution' else 'dim')} {first}")
        out += [f"  {line}" for line in rest]
    return out


def _wrapped(text: str, width: int, *, least: int = NARROWEST) -> list[str]:
    """Return the lines of a text, no shorter than the least; signs of per cent and degrees stay with their figure."""
    held = shown(text).replace(" %", "\N{NO-BREAK SPACE}%").replace(" °C", "\N{NO-BREAK SPACE}°C")
    lines = textwrap.wrap(held, max(width, least), break_on_hyphens=True) or [""]
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines]


def _cells(text: str) -> int:
    """Return how many terminal cells a text takes."""
    return len(text) if text.isascii() else sum(2 if east_asian_width(c) in "WF" else 1 for c in text)


def _colours(stream: IO[str]) -> bool:
    return stream.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"


def _painted(text: str, style: str) -> str:
    return f"\x1b[{STYLES[style]}m{text}\x1b[0m" if style else text


def _plain(text: str, style: str) -> str:
    return text
