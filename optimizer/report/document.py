"""A report as plain data: facts and tables that every renderer shows in its own way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import isnan, nan
from typing import Literal

from optimizer.immutable import immutable
from optimizer.units import number

REPORT = "report"


Cell = str | float | tuple[str | float, ...] | None
"""A text, a figure, what makes up both, or nothing; a figure that is not known (NaN) is nothing as well."""
Row = tuple[Cell, ...]


class Strong(Row):
    """A row that is set apart, such as a total."""


class Sum(float):
    """The sum of the column above it; a workbook computes it anew."""


Kind = Literal["text", "name", "figure", "big", "tick", "write", "note", "key"]


@immutable
class Column:
    """A column of a table: its name, what it holds and how its figures are written.

    Attributes:
        name: Its heading.
        kind: The name of a row is a text that is set apart. Figures, also those in big letters, stand at the right.
            Ticks and what is written in by hand have boxes.
            Notes stand below the words of their row, in a workbook in a column of their own; keys only in a workbook.
        digits: Most decimals of a figure, see `units.number`.
        form: How a figure is formatted instead, such as '.2f'.
        unit: What follows each figure.
    """

    name: str
    kind: Kind = "text"
    digits: int = 4
    form: str = ""
    unit: str = ""

    @property
    def right(self) -> bool:
        """Whether cells stand at the right."""
        return self.kind in ("figure", "big")

    def text(self, cell: Cell) -> str:
        """Return a cell in words."""
        if isinstance(cell, str):
            return cell
        if isinstance(cell, tuple):
            return (" " if self.kind == "note" else " + ").join(map(self.text, cell))
        if self.kind == "tick":
            return "[ ]"
        if cell is None or isnan(cell):
            return ""
        form = self.form.replace(".", "z.")  # no minus before what rounds to nothing
        return f"{cell:{form}}{self.unit}" if form else f"{number(cell, self.digits)}{self.unit}"


Columns = tuple[Column | str, ...]
"""Columns of a table; one that is only named holds text."""


def figures(*names: str, digits: int = 4, form: str = "", unit: str = "") -> tuple[Column, ...]:
    """Return columns of figures that are written alike."""
    return tuple(Column(name, "figure", digits, form, unit) for name in names)


@immutable
class Table:
    """A table with a heading."""

    title: str
    columns: Columns
    rows: tuple[Row, ...]
    note: str = ""
    detail: bool = False
    """Whether pages fold it away, and terminal, Markdown and paper leave it out."""

    @property
    def every(self) -> tuple[Column, ...]:
        """All columns."""
        return tuple(Column(c) if isinstance(c, str) else c for c in self.columns)

    @property
    def heads(self) -> tuple[Column, ...]:
        """The columns that are shown beside one another."""
        return tuple(c for c in self.every if c.kind not in ("note", "key"))

    @property
    def form(self) -> bool:
        """Whether something is to be ticked or written in."""
        return any(c.kind in ("tick", "write") for c in self.heads)

    @property
    def lead(self) -> int:
        """Which of them names a row; its notes stand below it."""
        return next((k for k, c in enumerate(self.heads) if c.kind == "name"), 0)

    @property
    def blank(self) -> bool:
        """Whether all of it is to be written in."""
        return all(c.kind == "write" for c in self.heads)

    def told(self) -> list[tuple[str, ...]]:
        """Return the rows in words, as they are shown beside one another."""
        every = self.every
        shown = [c.kind not in ("note", "key") for c in every]
        return [tuple(c.text(cell) for c, cell, s in zip(every, row, shown, strict=True) if s) for row in self.rows]

    def notes(self) -> list[list[str]]:
        """Return what stands below the words of each row."""
        found = []
        for row in self.rows:
            cells = [cell for c, cell in zip(self.every, row, strict=True) if c.kind == "note"]
            parts = [part for cell in cells for part in (cell if isinstance(cell, tuple) else (cell,))]
            found.append([str(part) for part in parts if part])
        return found

    def notes_in_line(self) -> list[str]:
        """Return the same as sentences in one line for each row."""
        return [" ".join(f"{note.removesuffix('.')}." for note in notes) for notes in self.notes()]


def filled(*tables: Table) -> tuple[Table, ...]:
    """Return tables but those without rows, whose headings alone would say nothing."""
    return tuple(table for table in tables if table.rows)


@immutable
class Listing:
    """Sentences under a heading; without one they belong to the section before."""

    title: str
    items: tuple[str, ...]
    kind: Literal["plain", "caution"] = "plain"


@immutable
class Bar:
    """A named span on an axis, with its figures in words.

    Attributes:
        label: What it is.
        low: Where it begins; NaN if there is nothing to draw.
        high: Where it ends.
        told: Its figures in words.
        mark: A point on it; NaN if none.
        hatched: Drawn hatched instead of filled, for what differs in kind.
    """

    label: str
    low: float
    high: float
    told: str
    mark: float = nan
    hatched: bool = False


@immutable
class Bars:
    """Spans on one axis, one below the other.

    Attributes:
        axis: What the axis shows, with its unit.
        rows: From top to bottom.
        ends: First and last value of the axis.
        band: Part of the axis that is set apart in every row, and what it is.
        line: Value that is marked in every row, and what it is.
    """

    axis: str
    rows: tuple[Bar, ...]
    ends: tuple[float, float]
    band: tuple[float, float, str] | None = None
    line: tuple[float, str] | None = None


@immutable
class Curve:
    """A line through points, with those that are marked."""

    label: str
    points: tuple[tuple[float, float], ...]
    marks: tuple[tuple[float, float], ...] = ()


@immutable
class Curves:
    """Lines over two axes, each with its unit."""

    x: str
    y: str
    lines: tuple[Curve, ...]


@immutable
class Sketch:
    """A picture: in characters, shown as they are, and as a drawing for renderers that can draw.

    Without characters it is shown only by those; its figures stand in words or in a table near it too.
    """

    title: str
    lines: tuple[str, ...] = ()
    note: str = ""
    drawing: Bars | Curves | None = None


Section = Table | Listing | Sketch


@immutable
class Document:
    """A report: a title, a few facts and sections in reading order; a document among them is a chapter.

    A listing without items is left out.
    """

    title: str
    verdict: str
    facts: Sequence[tuple[str, str]] = ()
    sections: Sequence[Section | Document] = ()
    good: bool = True
    """False if the verdict is bad news."""
    running: str = ""
    """What stands on every page of paper; the title, if it is empty."""
    kind: str = REPORT
    """What a file calls itself that shows it; see `files.report_mark`."""

    def __post_init__(self) -> None:
        shown = (s for s in self.sections if not isinstance(s, Listing) or s.items)
        vars(self).update(facts=tuple(self.facts), sections=tuple(shown))

    @property
    def plain(self) -> tuple[Section | Document, ...]:
        """The sections that are shown where nothing can be folded away."""
        return tuple(s for s in self.sections if not (isinstance(s, Table) and s.detail))

    def chapter(self) -> Document:
        """Return the document as a part of another one that tells its cautions."""
        return replace(
            self, sections=[s for s in self.sections if not (isinstance(s, Listing) and s.kind == "caution")]
        )
