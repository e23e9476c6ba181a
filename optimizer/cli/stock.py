"""`tenside stock`: what is left of the materials, what runs low, and when to buy."""

from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.answers.days import day_of
from optimizer.cli.common import AFTER, Libraries, On, app, command
from optimizer.cli.records import StoreFile

ShelfOrBrief = Annotated[str, typer.Argument(metavar="SHELF", help="A shelf (.csv, .xlsx), or a brief that has one.")]


@command(app, AFTER)
def stock(
    shelf: ShelfOrBrief,
    on: On = "",
    store: StoreFile = None,
    library: Libraries = None,
) -> Answer[Any]:
    """Stock as it was counted, less what kept batches used since; what runs low, and when to buy."""
    from optimizer.answers.stock import stock_of

    return Answer("stock", stock_of(shelf, on=day_of(on), store=store, libraries=library))
