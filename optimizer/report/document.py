"""A report as plain data: facts and tables that every renderer shows in its own way."""

from __future__ import annotations

from dataclasses import field, replace
from math import nan
from typing import Literal

from optimizer.immutable import immutable


@immutable
class Table:
    """A table with a heading; `right` names the columns that hold numbers."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: frozenset[int] = frozenset()
    note: str = ""
    strong: frozenset[int] = frozenset()
    """Rows that are set apart, such as a total."""


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
    """A report: a title, a few facts and sections in reading order; a document among them is a chapter."""

    title: str
    verdict: str
    facts: tuple[tuple[str, str], ...] = ()
    sections: tuple[Section | Document, ...] = field(default=())
    good: bool = True
    """False if the verdict is bad news."""

    def chapter(self) -> Document:
        """Return the document as a part of another one that tells its cautions."""
        kept = (s for s in self.sections if not (isinstance(s, Listing) and s.kind == "caution"))
        return replace(self, sections=tuple(kept))
