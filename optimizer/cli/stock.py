"""`tenside stock`: what is left of the materials, what runs low, and when to buy."""

from pathlib import Path
from typing import Annotated

import typer

from optimizer.answers.days import day_of
from optimizer.answers.kept import DEFAULT
from optimizer.cli.common import AFTER, Html, Json, Libraries, Markdown, On, Pdf, app, print_json, show
from optimizer.cli.records import StoreFile

TABLES = (".csv", ".xlsx")
ShelfOrBrief = Annotated[str, typer.Argument(metavar="SHELF", help="A shelf (.csv, .xlsx), or a brief that has one.")]


@app.command(rich_help_panel=AFTER)
def stock(
    shelf: ShelfOrBrief,
    on: On = "",
    store: StoreFile = None,
    library: Libraries = None,
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Stock as it was counted, less what kept batches used since; what runs low, and when to buy."""
    from datetime import date

    from optimizer.cli.common import brief_of, read_shipped
    from optimizer.data.shelf import read_shelf
    from optimizer.errors import fault
    from optimizer.records.stock import stock_left
    from optimizer.records.store import open_store
    from optimizer.report.stock import stock_document

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
    if json:
        print_json(found)
    else:
        show(stock_document(found), markdown, html, pdf)
