"""What was taken in from a maker's own tables."""

from __future__ import annotations

from optimizer.immutable import result, seen, untold
from optimizer.intake.formula_sheet import TakenFormula, TakenLine
from optimizer.intake.onto_shelf import ShelfPrice
from optimizer.intake.price_list import LeftOut, TakenPrice, TakenPrices
from optimizer.report.document import Columns, Document, Listing, Row, Strong, Table, figures
from optimizer.shell import quoted


@result
class FormulaTaken:
    """A formula sheet that was taken in: the output of `tenside import formula --json`."""

    FORMAT = 1
    taken: TakenFormula = untold()
    source: str = untold()
    """Name of the sheet."""
    brief: str = untold()
    """The scenario that it is held against; empty if none was named."""
    lines: tuple[TakenLine, ...] = seen("taken.lines")
    held_back: float = seen("taken.held_back")
    """Part that the brief keeps free [%]."""
    to_effect: tuple[str, ...] = seen("taken.to_effect")
    """Materials that the sheet adds to effect, without a dose."""
    assumed: tuple[str, ...] = seen("taken.assumed")
    written_to: str
    """The formula file; empty if none was asked for."""


@result
class PricesTaken:
    """A price list that was taken in: the output of `tenside import prices --json`."""

    FORMAT = 1
    taken: TakenPrices = untold()
    source: str = untold()
    """Name of the list."""
    lines: tuple[TakenPrice, ...] = seen("taken.lines")
    left_out: tuple[LeftOut, ...] = seen("taken.left_out")
    assumed: tuple[str, ...] = seen("taken.assumed")
    written_to: str


def formula_document(found: FormulaTaken) -> Document:
    """Return what became of a formula sheet."""
    taken, out = found.taken, found.written_to
    rows: list[Row] = [(line.material, line.percent, line.written, line.row) for line in taken.lines]
    if taken.held_back:
        rows.append(("kept free", taken.held_back, "", None))
    rows.append(Strong(("total", sum(line.percent for line in taken.lines) + taken.held_back, "", None)))
    columns: Columns = ("material", *figures("%"), "in the sheet", *figures("row"))
    table = Table("Formula, % w/w as supplied", columns, tuple(rows))
    verdict = f"Written to {out}." if out else "Nothing was written: add --out FILE.csv."
    verdict = f"{taken.alarm} {verdict}".strip()
    following = [f"tenside check {quoted(out or 'FILE.csv')} {quoted(found.brief or 'SCENARIO')}"]
    return Document(
        f"Formula from {found.source}", verdict, (), (table, _assumed(taken.assumed), Listing("Next", tuple(following)))
    )


def prices_document(found: PricesTaken) -> Document:
    """Return what became of a price list."""
    taken, out = found.taken, found.written_to
    rows = tuple(
        (line.material, line.price_per_kg, line.currency, line.pack_kg, line.supplier, line.written, line.row)
        for line in taken.lines
    )
    columns: Columns = (
        "material", *figures("per kg", digits=2), "currency", *figures("pack kg", digits=3),
        "supplier", "in the list", *figures("row"),
    )  # fmt: skip
    table = Table("Prices taken", columns, rows)
    left = tuple(f"row {left.row}, {left.written}: {left.reason}" for left in taken.left_out)
    verdict = f"{len(rows)} prices taken, {len(left)} lines left out."
    verdict += f" Written to {out}." if out else " Nothing was written: add --out shelf.csv."
    sections = (table, _assumed(taken.assumed), Listing("Left out", left))
    return Document(f"Prices from {found.source}", verdict, (), sections)


def shelf_document(found: PricesTaken, prices: tuple[ShelfPrice, ...]) -> Document:
    """Return what the prices of a list do to a shelf, before they are written."""
    rows = tuple(
        (p.taken.material, p.was, p.taken.price_per_kg, p.taken.currency, _becomes(p), p.taken.pack_kg,
         p.taken.supplier, p.taken.written, p.taken.row)
        for p in prices
    )  # fmt: skip
    columns: Columns = (
        "material", *figures("was", "per kg", digits=4), "currency", "on the shelf", *figures("pack kg", digits=3),
        "supplier", "in the list", *figures("row"),
    )  # fmt: skip
    left = tuple(f"row {left.row}, {left.written}: {left.reason}" for left in found.taken.left_out)
    said = f"{len(found.taken.lines)} prices read, {len(left)} lines left out; nothing is written yet."
    foreign = tuple(
        f"Row {p.taken.row}, {p.taken.written}: its price is in {p.taken.currency}, the shelf's in {p.held}. No rate "
        "is assumed: products that count in the other one will stop until it is converted."
        for p in prices
        if p.foreign
    )
    listed = (Listing("Another currency", foreign), Listing("Left out", left), _assumed(found.taken.assumed))
    sections = (Table("Prices", columns, rows), *listed)
    return Document("A price list", said, (), sections)


def _becomes(price: ShelfPrice) -> str:
    if price.line is None:
        return "a new line"
    return f"as in row {price.line.row}" if price.same else f"changes row {price.line.row}"


def _assumed(assumed: tuple[str, ...]) -> Listing:
    return Listing("What was assumed", assumed or ("Nothing: everything was written out.",))
