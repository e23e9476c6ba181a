"""What is left of the stock, as a document."""

from __future__ import annotations

from datetime import date

from optimizer.records.stock import Holding, StockLeft
from optimizer.report.document import Columns, Document, Listing, Row, Section, Table, figures
from optimizer.units import listed, number


def stock_document(stock: StockLeft) -> Document:
    """Return what is left of each material, what runs low first."""
    low = [h for h in stock.materials if h.low]
    verdict = f"Runs low: {listed([h.name for h in low])}." if low else "Nothing runs low."
    facts = [("shelf", stock.shelf), ("records", stock.store or "none"), ("as of", stock.on.isoformat())]
    sections: tuple[Section, ...] = (
        Listing("Buy", tuple(_buy(h, stock.on) for h in low)),
        _table(stock),
        Listing("How it is counted", stock.notes),
    )
    return Document("Stock", verdict, facts, sections, good=not low)


def _table(stock: StockLeft) -> Table:
    """Return what is left of each material; a column of which nothing is known is left out."""
    known: list[tuple[Columns, list[str | float | None]]] = [
        (("material",), [h.name for h in stock.materials]),
        (figures("left kg", digits=3), [h.left_kg for h in stock.materials]),
        (figures("used kg", digits=3), [h.used_kg or None for h in stock.materials]),
        (("counted",), [_day(h.counted_on) for h in stock.materials]),
        (figures("kg a week", digits=2), [h.per_week_kg for h in stock.materials]),
        (("lasts until",), [_day(h.lasts_until) for h in stock.materials]),
        (("buy by",), [_day(h.buy_by) for h in stock.materials]),
        (figures("per kg", form=".2f"), [h.price_per_kg for h in stock.materials]),
        (("price of",), [_day(h.priced_on) for h in stock.materials]),
    ]
    shown = [(head, cells) for head, cells in known if any(cell not in (None, "") for cell in cells)]
    columns = tuple(column for head, _ in shown for column in head)
    rows: list[Row] = [tuple(cells[i] for _, cells in shown) for i in range(len(stock.materials))]
    note = "Lasts: at the pace told below." if "lasts until" in columns else ""
    return Table("Stock, what runs low first", columns, tuple(rows), note)


def _day(day: date | None) -> str:
    return "" if day is None else day.isoformat()


def _buy(h: Holding, on: date) -> str:
    """Return why and when to buy a material that runs low."""
    said = f"{h.name}: {number(h.left_kg, 3)} kg left"
    if h.short_kg > 0:
        said += f", and {number(h.short_kg, 3)} kg more were used than counted"
    if h.per_week_kg:
        said += f", {number(h.per_week_kg, 2)} kg a week go"
    if h.buy_by is not None:
        said += f"; buy by {h.buy_by.isoformat()}" if h.buy_by > on else "; buy now"
    return said + "."
