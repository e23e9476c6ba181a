"""A report as plain data: facts and tables that every renderer shows in its own way."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal


@dataclass(frozen=True)
class Table:
    """A table with a heading; `right` names the columns that hold numbers."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: frozenset[int] = frozenset()
    note: str = ""
    strong: frozenset[int] = frozenset()
    """Rows that are set apart, such as a total."""


@dataclass(frozen=True)
class Listing:
    """Sentences under a heading; without one they belong to the section before."""

    title: str
    items: tuple[str, ...]
    kind: Literal["plain", "caution"] = "plain"


@dataclass(frozen=True)
class Sketch:
    """A drawing in characters, shown as it is."""

    title: str
    lines: tuple[str, ...]
    note: str = ""


@dataclass(frozen=True)
class Document:
    """A report: a title, a few facts and sections in reading order."""

    title: str
    verdict: str
    facts: tuple[tuple[str, str], ...] = ()
    sections: tuple[Table | Listing | Sketch, ...] = field(default=())
    good: bool = True
    """False if the verdict is bad news."""
