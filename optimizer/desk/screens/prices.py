"""A supplier's price list: read, held against the shelf line by line, then written onto it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from optimizer.answers.beginning import OWN, SHELVES, library_in
from optimizer.answers.intake import keep_prices, prices_onto_shelf, take_prices
from optimizer.answers.stock import shelves_in
from optimizer.desk.asked import Asked
from optimizer.desk.brought import (
    as_seen,
    bringing,
    in_names,
    names_asked,
    reading_button,
    readings,
    row_by_row,
    seen,
    taken_in,
    words_said,
)
from optimizer.desk.frame import button, choice, field, fields, report
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.screen import TABLE, Page, RefusedError, Screen
from optimizer.desk.words import in_words
from optimizer.errors import DataError
from optimizer.intake.onto_shelf import ShelfPrice
from optimizer.intake.typed import as_table
from optimizer.report.intake import PricesTaken, shelf_document

SCREEN = Screen()
HINT = (
    "With a line of headings: the material, its price, and the pack or 'price per kg'. Lines copied from a spreadsheet "
    "are read as they are."
)


def act(asked: Asked) -> Outcome | None:
    """Read the list; write it onto the shelf if that is what was shown."""
    lines = taken_in(asked, "prices")
    if not asked.text("keep-it"):
        return None
    try:
        found, prices = _read(asked, lines)
        if not as_seen(asked, prices):
            return None
    except (DataError, RefusedError):
        return None  # the page tells it
    shelf = _shelf(asked)
    try:
        if shelf.exists():
            count = keep_prices(prices, shelf, asked.today)
        else:
            count = len(_taken(asked, lines, shelf).taken.lines)
    except DataError as error:
        raise RefusedError({"": in_words(error)}) from None
    left = f" Left out of the list: {len(found.taken.left_out)}." if found.taken.left_out else ""
    return asked.done("/shelf", f"Lines written onto {shelf.name}: {count}.{left}")


def _shelf(asked: Asked) -> Path:
    """Return the shelf that a form is about; the one to be laid where there is none."""
    shelves = shelves_in(asked.folder.path)
    if not shelves:
        return asked.folder.path / SHELVES[0]
    return next((path for path in shelves if path.name == asked.text("shelf")), shelves[0])


def _taken(asked: Asked, lines: str, out: Path | None = None) -> PricesTaken:
    """Return the list as it is read; written as a shelf where a file is named."""
    folder = asked.folder.path
    density = asked.maybe("density", "the density", least=0.5, most=2.5)
    currency = asked.text("currency").upper()
    if currency and not (len(currency) == 3 and currency.isascii() and currency.isalpha()):
        raise RefusedError({"currency": "Write it with three letters, such as EUR."})
    with as_table(lines) as table:
        return take_prices(
            table, out=out, currency=currency, density=density,
            words=words_said(asked, library_in(folder)), own=list(folder.glob(OWN)),
        ).found  # fmt: skip


def _read(asked: Asked, lines: str) -> tuple[PricesTaken, tuple[ShelfPrice, ...]]:
    found = _taken(asked, lines)
    return found, prices_onto_shelf(found, _shelf(asked), list(asked.folder.path.glob(OWN)))


@SCREEN.at("/prices", act=act, rights="formula", longest=TABLE)
def prices(asked: Asked) -> Page:
    """Ask for a price list, and show what it would do to the shelf."""
    shelves = [(path.name, path.name) for path in shelves_in(asked.folder.path)]
    read = list(_shown(asked))
    asks = fields(
        choice(asked, "shelf", "Shelf", shelves, value=asked.query.get("shelf", "")) if len(shelves) > 1 else None,
        field(asked, "currency", "Currency, where the list names none", hint="Such as EUR."),
        field(asked, "density", "Density, for packs sold by volume", figure=True, unit="g/ml", hint="None is assumed."),
    )
    said = tag("p", "What a supplier sent, written onto your shelf once you have seen what it changes.", class_="soft")
    body = markup(said, bringing(asked, "/prices", "prices", HINT, asks, *read))
    return Page("A price list", body, here="shelf", back=("/shelf", "Shelf"), status=422 if asked.problems else 200)


def _shown(asked: Asked) -> Iterator[Html | None]:
    """Yield what was read of the list, or what is wrong with it; before anything is typed the button alone."""
    yield reading_button(asked)
    if not asked.typed or {"sheet", "lines"} & asked.problems.keys():
        return
    known = library_in(asked.folder.path)
    try:
        found, moved = _read(asked, taken_in(asked, "prices"))
    except RefusedError as refused:
        asked.problems |= refused.problems
        asked.readings |= refused.readings
        yield names_asked(asked, (), known)
    except DataError as error:
        asked.problems["lines"] = row_by_row(error, known)
        yield readings(asked.problems["lines"])
        yield names_asked(asked, getattr(error, "names", ()), known)
    else:
        yield report(in_names(shelf_document(found, moved), known), "read-", known.by_id)
        yield readings(" ".join(left.reason for left in found.taken.left_out))
        yield names_asked(asked, found.taken.unclear, known)
        yield seen(moved)
        yield tag("p", button("Write it onto the shelf", name="keep-it", value="yes"), class_="buttons")
