"""Documents on a terminal: fits the width, readable without colour; NO_COLOR is honoured by rich."""

from __future__ import annotations

from typing import IO

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.rule import Rule as Line
from rich.table import Table as Grid
from rich.text import Text

from optimizer.report.document import Document, Listing, Table


def show(document: Document, stream: IO[str] | None = None, width: int | None = None) -> None:
    """Print a document."""
    console = Console(file=stream, width=width, highlight=False, soft_wrap=False)
    console.print()
    console.print(Text(document.title, style="bold"))
    console.print(Text(document.verdict, style="green" if document.good else "bold red"))
    if document.facts:
        facts = Grid(box=None, show_header=False, padding=(0, 2, 0, 0))
        facts.add_column(style="dim", no_wrap=True)
        facts.add_column()
        for name, value in document.facts:
            facts.add_row(name, Text(value))
        console.print(facts)
    for section in document.sections:
        console.print()
        console.print(Line(Text(section.title), align="left", characters="─", style="cyan"))
        if isinstance(section, Table):
            _table(console, section)
        else:
            _listing(console, section)
    console.print()


def _table(console: Console, table: Table) -> None:
    grid = Grid(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1), header_style="dim")
    for position, name in enumerate(table.columns):
        if position in table.right:
            grid.add_column(name, justify="right", no_wrap=True)
        else:
            grid.add_column(name, overflow="fold")
    for number, row in enumerate(table.rows):
        style = "bold" if number in table.strong else None
        grid.add_row(*(Text(cell) for cell in row), style=style)
    console.print(grid)
    if table.note:
        console.print(Padding(Text(table.note, style="dim"), (0, 0)))


def _listing(console: Console, listing: Listing) -> None:
    mark = "!" if listing.kind == "caution" else "·"
    grid = Grid(box=None, show_header=False, padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True, style="yellow" if listing.kind == "caution" else "dim")
    grid.add_column()
    for item in listing.items:
        grid.add_row(mark, Text(item))
    console.print(grid)
