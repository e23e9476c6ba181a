"""What this maker has: prices, packs, stock and lots, from a CSV or XLSX that people keep anyway."""

import csv
import io
import re
from collections.abc import Callable, Iterable, Mapping
from datetime import date
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import Field, ValidationError

from optimizer.data.facts import Frozen, Percent
from optimizer.data.sheet import beyond, csv_rows, is_workbook, number_of, read_rows, recognised, rows_of, text_of
from optimizer.errors import DataError, Problem, fault, worded
from optimizer.files import changing, read_text, write_atomic
from optimizer.immutable import immutable

HEADINGS = {
    "material": ("material", "raw material", "ingredient", "item", "id", "inci", "inci name", "name", "rohstoff"),
    "supplier": ("supplier", "vendor", "source", "from"),
    "price_per_kg": ("price per kg", "price kg", "cost per kg", "price/kg", "cost/kg", "per kg", "kg price"),
    "pack_price": ("pack price", "price per pack", "price", "cost", "pack cost"),
    "pack_kg": ("pack kg", "pack size kg", "pack size", "pack", "size kg", "weight kg"),
    "pack_g": ("pack g", "pack size g", "size g", "weight g"),
    "currency": ("currency", "cur"),
    "stock_kg": ("stock kg", "stock", "in stock kg", "on hand kg", "on hand", "left kg"),
    "min_packs": ("min packs", "minimum packs", "from packs", "minimum order packs"),
    "counted_on": ("counted on", "counted", "count date", "stock date", "stock on", "stock as of"),
    "priced_on": ("priced on", "price date", "price of"),
    "lead_days": ("lead days", "lead time days", "delivery days"),
    "lot": ("lot", "batch", "lot number", "batch number"),
    "lot_active": (
        "lot active",
        "measured active",
        "active",
        "active matter",
        "active %",
        "lot active %",
        "asm",
        "was",
        "sal",
    ),
    "lot_ph": ("lot ph", "measured ph", "ph measured", "own ph", "ph of lot", "ph of the lot"),
    "lot_ph_at": ("lot ph at", "lot ph at %", "ph read at", "ph read at %", "ph measured at", "ph measured at %"),
    "titrated_mmol_per_g": (
        "titrated mmol/g",
        "titrated mmol per g",
        "titrated",
        "titration mmol/g",
        "acid to ph 6 mmol/g",
        "mmol acid per g to ph 6",
        "mmol acid/g",
    ),
}
"""Headings that are recognised, by field; case, spaces and punctuation do not matter."""

NUMERIC = (
    "price_per_kg",
    "pack_price",
    "pack_kg",
    "pack_g",
    "stock_kg",
    "min_packs",
    "lead_days",
    "lot_active",
    "lot_ph",
    "lot_ph_at",
    "titrated_mmol_per_g",
)
DATES = ("counted_on", "priced_on")


class ShelfLine(Frozen):
    """One line of the shelf: a material from one supplier, perhaps one lot."""

    row: int
    material: str
    supplier: str = ""
    """Who sells it."""
    price_per_kg: Annotated[float, Field(ge=0)] | None = None
    """Price in the line's currency per kg as supplied."""
    pack_kg: Annotated[float, Field(gt=0)] | None = None
    """Size of a pack [kg]."""
    currency: str = ""
    """Of the price; else the brief's."""
    stock_kg: Annotated[float, Field(ge=0)] | None = None
    """What was counted [kg]."""
    min_packs: Annotated[float, Field(ge=0)] | None = None
    """Fewest packs that are sold at this price; a lower price from more packs is a line of its own."""
    counted_on: date | None = None
    """Day on whose evening the stock was counted, such as 2026-05-04; what kept batches used later is taken off it."""
    priced_on: date | None = None
    """Day of the price."""
    lead_days: Annotated[float, Field(ge=0, le=1000)] | None = None
    """Days from order to delivery."""
    lot: str = ""
    """Number of the lot, if the line is about one."""
    lot_active: Percent | None = None
    """Measured active matter of this lot [% w/w as supplied]."""
    lot_ph: Annotated[float, Field(ge=0, le=14)] | None = None
    """The pH that you read of this lot; it goes before what the supplier prints."""
    lot_ph_at: Annotated[float, Field(gt=0, le=100)] | None = None
    """Strength at which it was read [% in water], 100 as supplied; else the supplier's, or 10."""
    titrated_mmol_per_g: Annotated[float, Field(ge=-30, le=30)] | None = None
    """Own titration: strong acid that brings 1 g, as 10 g in 90 g of water, to pH 6 [mmol/g]; below 0 for alkali."""

    @property
    def mark(self) -> str:
        """What tells that the line is still as it was read: a digest of all that it says."""
        return sha256(repr(self.model_dump(exclude={"row"})).encode()).hexdigest()[:16]


class Shelf(Frozen):
    """All lines, in file order."""

    where: str
    lines: tuple[ShelfLine, ...]
    columns: dict[str, str] = {}
    """The heading that each field was read from."""

    def converted(self, rates: Mapping[str, float], currency: str) -> Self:
        """Return the shelf with prices in other currencies converted where a rate is stated."""

        def changed(line: ShelfLine) -> ShelfLine:
            if line.currency not in rates or line.currency == currency or line.price_per_kg is None:
                return line
            price = line.price_per_kg * rates[line.currency]
            return line.model_copy(update={"price_per_kg": price, "currency": currency})

        return self.model_copy(update={"lines": tuple(changed(line) for line in self.lines)}) if rates else self


def read_shelf(path: Path) -> Shelf:
    """Read a shelf; prices given per pack are divided by the pack size.

    Raises:
        DataError: With every problem of the headings; if they have none, with row and column of every other one.
    """
    return _shelf_of(path, read_rows(path)) if is_workbook(path) else _shelf_of_text(path, read_text(path))


@lru_cache(maxsize=4)
def _shelf_of_text(path: Path, text: str) -> Shelf:
    """Return the shelf of a CSV: what was read before is not read again, a desk asks for it with every page."""
    return _shelf_of(path, rows_of(path, text))


def _shelf_of(path: Path, table: list[tuple[int, list[Any]]]) -> Shelf:
    headings = [text_of(cell) for cell in table[0][1]]
    fields, problems = recognised(str(path), headings, HEADINGS)
    if problems:
        raise DataError(problems)
    lines = []
    read_at = _read_at(str(path), _field(fields, headings, "lot_ph"))
    for number, row in table[1:]:
        where, values = f"{path}, row {number}", dict[str, Any]()
        problems += beyond(where, row, headings)[0]
        for position, field in fields.items():
            text = text_of(row[position]) if position < len(row) else ""
            if not text:
                continue
            try:
                values[field] = _value_of(field, text)
            except ValueError as error:
                key = f"column '{headings[position]}'"
                problems.append(Problem(where, key, f"'{text}' {error}.", "Write digits only, such as 12.50."))
        if "lot_ph" in values and read_at:
            values.setdefault("lot_ph_at", read_at)
        if not _priced_per_kg(values):
            key = f"column '{_field(fields, headings, 'pack_price')}'"
            step = "Give the pack size in kg or g, or a price per kg."
            problems.append(Problem(where, key, "this is the price of a pack of unknown size.", step))
        try:
            lines.append(ShelfLine.model_validate({"row": number, **values}))
        except ValidationError as error:
            problems += _faults(where, error, fields, headings)
    if problems:
        raise DataError(problems)
    return Shelf.model_construct(
        where=str(path), lines=tuple(lines), columns={f: headings[p] for p, f in fields.items()}
    )


def _value_of(field: str, text: str) -> Any:
    """Return what a cell that is not empty holds for a field.

    Raises:
        ValueError: If it is no number and should be.
    """
    if field in NUMERIC:
        return number_of(text)
    if field in DATES:
        return text.removesuffix(" 00:00:00")
    return {"€": "EUR", "£": "GBP", "$": "USD"}.get(text, text.upper()) if field == "currency" else text


def _priced_per_kg(values: dict[str, Any]) -> bool:
    """Count a line's pack in kg and its price per kg; return whether the size of a pack with a price is known."""
    if "pack_g" in values:
        values.setdefault("pack_kg", values.pop("pack_g") / 1000)
    price = values.pop("pack_price", None)
    if price is None or "price_per_kg" in values:
        return True
    known = values.get("pack_kg", 0.0) > 0
    if known:
        values["price_per_kg"] = price / values["pack_kg"] if price > 0 else price  # below 0 it is refused as written
    return bool(known)


@immutable
class ShelfChange:
    """What becomes of one line of a shelf.

    Attributes:
        values: Texts by field; every other cell stays.
        row: Number of the line in the file; None for a new one.
        mark: Of the line as it was read, so that no other one is changed in its place, such as another lot.
        gone: Whether the line is taken off.
    """

    values: Mapping[str, str]
    row: int | None = None
    mark: str = ""
    gone: bool = False


def change_shelf(path: Path, changes: Iterable[ShelfChange], aside: Callable[[Path, bytes], None]) -> None:
    """Change lines of a shelf, all or none; every other cell stays as it is, and columns are added as needed.

    Args:
        path: The shelf, a CSV.
        changes: What becomes of which line.
        aside: Told where the shelf lies and what it was, before it is written.

    Raises:
        DataError: If the file is a workbook, was changed meanwhile, or would not be a sound shelf; then it stays.
    """
    if is_workbook(path):
        what = "a workbook is changed in your spreadsheet."
        raise fault(str(path), "", what, "Save it as CSV if you want to change it here.")
    with changing(path) as place:
        before = read_text(place)
        delimiter, rows = csv_rows(path, before)
        if not rows:
            raise fault(str(path), "", "the table is empty.", "Give it a line of headings.")
        fields, problems = recognised(str(path), [text_of(h) for h in rows[0][1]], HEADINGS)
        if problems:
            raise DataError(problems)
        asked = list(changes)
        _refuse_others(path, _shelf_of(path, rows_of(path, before)), asked)
        _change(rows, {field: position for position, field in fields.items()}, asked)
        told = io.StringIO()
        csv.writer(told, delimiter=delimiter, lineterminator="\n").writerows(cells for _, cells in rows)
        _shelf_of(path, rows_of(path, told.getvalue()))  # refused before it is written
        aside(place, before.encode("utf-8"))
        write_atomic(place, told.getvalue(), overwrite=True)


def _refuse_others(path: Path, held: Shelf, changes: list[ShelfChange]) -> None:
    """Refuse changes of lines that are not, or not where, they were read."""
    marks = {line.row: line.mark for line in held.lines}
    for change in changes:
        if change.row is not None and marks.get(change.row) != change.mark:
            what = "the line was changed in the meantime; nothing was written."
            raise fault(str(path), f"row {change.row}", what, "Load the page anew.")


def _change(rows: list[tuple[int, list[Any]]], where: dict[str, int], changes: list[ShelfChange]) -> None:
    """Change numbered rows of a shelf, the first of which are headings; `where` tells where each field stands."""
    heads, by_number = rows[0][1], dict(rows[1:])
    lines = [[] if c.row is None else by_number[c.row] for c in changes]
    for change, line in zip(changes, lines, strict=True):
        if change.gone:
            rows[:] = [found for found in rows if found[1] is not line]
        elif change.row is None:
            rows.append((0, line))
        for field in change.values.keys() - where.keys():
            where[field] = len(heads)
            heads.append(HEADINGS[field][0])
        for field, text in change.values.items():
            line += [""] * (where[field] + 1 - len(line))
            line[where[field]] = text


def _read_at(where: str, heading: str) -> float | None:
    """Return the strength [% in water] that the brackets of a heading such as 'Lot pH (10 %)' name.

    Raises:
        DataError: If they say something else.
    """
    said = re.search(r"\((.*)\)", heading)
    if said is None:
        return None
    figure = re.fullmatch(r"\D*(\d+(?:[.,]\d+)?) ?%.*", said[1])
    if figure:
        return number_of(figure[1])
    if re.fullmatch("as supplied|as is|neat|undiluted|pure", said[1].strip().lower()):
        return 100.0
    what = "its brackets do not say at which strength it was read."
    raise fault(f"{where}, row 1", f"column '{heading}'", what, "Write such as 'lot pH (10 %)' or 'lot pH (neat)'.")


def _field(fields: dict[int, str], headings: list[str], field: str) -> str:
    """Return the heading that a field was read from."""
    return next((headings[p] for p, f in fields.items() if f == field), field)


def _faults(where: str, error: ValidationError, fields: dict[int, str], headings: list[str]) -> list[Problem]:
    """Return a row's validation errors with the headings that the user wrote."""
    said = {field: headings[position] for position, field in fields.items()}
    if "price_per_kg" not in said and "pack_price" in said:
        said["price_per_kg"] = said["pack_price"]
    problems = []
    for found in error.errors(include_url=False):
        field = str(found["loc"][0])
        if found["type"] == "missing":
            problems.append(
                Problem(
                    where, f"column '{said.get(field, field)}'", "the cell is empty.", "Fill it in or delete the row."
                )
            )
        else:
            what, _ = worded(found)
            problems.append(
                Problem(where, f"column '{said.get(field, field)}'", what, "Correct the value or leave the cell empty.")
            )
    return problems
