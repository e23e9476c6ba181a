"""`tenside stock`: what is left of the materials, what runs low, and when to buy."""

from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.answers.days import day_of
from optimizer.answers.kept import DEFAULT
from optimizer.cli.common import AFTER, Libraries, On, app, command
from optimizer.cli.records import StoreFile

TABLES = (".csv", ".xlsx")
ShelfOrBrief = Annotated[str, typer.Argument(metavar="SHELF", help="A shelf (.csv, .xlsx), or a brief that has one.")]


@command(app, AFTER)
def stock(
    shelf: ShelfOrBrief,
    on: On = "",
    store: StoreFile = None,
    library: Libraries = None,
) -> Answer[Any]:
    """Stock as it was counted, less what kept batches used since; what runs low, and when to buy."""
    from datetime import date

    from optimizer.cli.common import brief_of, read_shipped
    from optimizer.data.shelf import read_shelf
    from optimizer.errors import fault
    from optimizer.records.stock import stock_left
    from optimizer.records.store import open_store

    if Path(shelf).suffix.lower() in TABLES:
        held, materials = read_shelf(Path(shelf)), read_shipped(library).materials
    else:
        brief = brief_of(shelf, None, None, library, counted=True)
        if brief.shelf is None:
            raise fault(shelf, "shelf", "the brief names no shelf.", "Name the shelf's file itself.")
        held, materials = brief.shelf, brief.library.materials
    day = date.fromisoformat(day_of(on))
    path = store or Path(shelf).parent / DEFAULT
    if store is None and not path.is_file():
        found = stock_left(held, materials, None, day)
    else:
        with open_store(path) as opened:
            found = stock_left(held, materials, opened, day)
    return Answer("stock", found)
