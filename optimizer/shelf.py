"""What this maker has: prices, packs, stock and lots, from a CSV or XLSX that people keep anyway."""

import csv
import io
import re
import zipfile
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, ValidationError

from optimizer.errors import DataError, Problem, fault, nearest
from optimizer.files import read_bytes, read_text
from optimizer.library import Frozen, Percent

MAX_ROWS = 20_000
MAX_UNPACKED = 50_000_000

HEADINGS = {
    "material": ("material", "raw material", "ingredient", "item", "id", "inci", "inci name", "name", "rohstoff"),
    "supplier": ("supplier", "vendor", "source", "from"),
    "price_per_kg": ("price per kg", "price kg", "cost per kg", "price/kg", "cost/kg", "per kg"),
    "pack_price": ("pack price", "price per pack", "price", "cost", "pack cost"),
    "pack_kg": ("pack kg", "pack size kg", "pack size", "pack", "size kg", "weight kg"),
    "currency": ("currency", "cur"),
    "stock_kg": ("stock kg", "stock", "in stock kg", "on hand kg", "on hand", "left kg"),
    "lot": ("lot", "batch", "lot number", "batch number"),
    "lot_active": ("lot active", "measured active", "active", "active matter", "active %", "lot active %", "asm"),
}
"""Headings that are recognised, by field; case, spaces and punctuation do not matter."""

NUMERIC = ("price_per_kg", "pack_price", "pack_kg", "stock_kg", "lot_active")


class ShelfLine(Frozen):
    """One line of the shelf: a material from one supplier, perhaps one lot."""

    row: int
    material: str
    supplier: str = ""
    price_per_kg: Annotated[float, Field(ge=0)] | None = None
    """Price in the line's currency per kg as supplied."""
    pack_kg: Annotated[float, Field(gt=0)] | None = None
    currency: str = ""
    stock_kg: Annotated[float, Field(ge=0)] | None = None
    lot: str = ""
    lot_active: Percent | None = None
    """Measured active matter of this lot [% w/w as supplied]."""


class Shelf(Frozen):
    """All lines, in file order."""

    where: str
    lines: tuple[ShelfLine, ...]
    columns: dict[str, str] = {}
    """The heading that each field was read from."""


def read_shelf(path: Path) -> Shelf:
    """Read a shelf; prices given per pack are divided by the pack size.

    Raises:
        DataError: With row and column of every problem.
    """
    table = _xlsx(path) if path.suffix.lower() in (".xlsx", ".xlsm") else _csv(path)
    table = [(number, row) for number, row in table if any(_text(cell) for cell in row)]
    if not table:
        raise fault(str(path), "", "the shelf is empty.", "Give it a line of headings and one line per material.")
    headings = [_text(cell) for cell in table[0][1]]
    fields, problems = _recognised(str(path), headings)
    lines = []
    for number, row in table[1:]:
        values: dict[str, Any] = {"row": number}
        for position, field in fields.items():
            text = _text(row[position]) if position < len(row) else ""
            if not text:
                continue
            if field in NUMERIC:
                try:
                    values[field] = _number(text)
                except ValueError:
                    where, key = f"{path}, row {number}", f"column '{headings[position]}'"
                    problems.append(
                        Problem(where, key, f"'{text}' is not a number.", "Write digits only, such as 12.50.")
                    )
            else:
                values[field] = text
        pack_price = values.pop("pack_price", None)
        if pack_price is not None and "price_per_kg" not in values:
            values["price_per_kg"] = pack_price / (values.get("pack_kg") or 1.0)
        try:
            lines.append(ShelfLine.model_validate(values))
        except ValidationError as error:
            problems += _faults(f"{path}, row {number}", error, fields, headings)
    if problems:
        raise DataError(problems)
    return Shelf(where=str(path), lines=tuple(lines), columns={f: headings[p] for p, f in fields.items()})


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
            message = str(found["msg"])
            what = f"{found.get('input')!r} cannot be used here: {message[:1].lower()}{message[1:]}."
            problems.append(
                Problem(where, f"column '{said.get(field, field)}'", what, "Correct the value or leave the cell empty.")
            )
    return problems


def _recognised(where: str, headings: list[str]) -> tuple[dict[int, str], list[Problem]]:
    """Return field by column position, and what stands in the way of reading the table."""
    wanted = {_plain(h): field for field, names in HEADINGS.items() for h in names}
    fields: dict[int, str] = {}
    problems = []
    for position, heading in enumerate(headings):
        field = wanted.get(_plain(re.sub(r"\((eur|gbp|usd|kg|%|€|£|\$)\)", "", heading.lower())))
        if field is None:
            continue
        if field in fields.values():
            problems.append(
                Problem(
                    f"{where}, row 1",
                    f"column '{heading}'",
                    f"a second column for {field.replace('_', ' ')}.",
                    "Keep one of the two.",
                )
            )
        fields[position] = field
    if "material" not in fields.values():
        step = nearest(headings[0] if headings else "", HEADINGS["material"])
        problems.append(Problem(f"{where}, row 1", "", "no column names the material.", f"Head one 'material'. {step}"))
    return fields, problems


def _plain(text: str) -> str:
    return re.sub(r"[^a-z0-9%]+", " ", text.lower()).strip()


def _text(cell: object) -> str:
    return "" if cell is None else str(cell).strip()


def _number(text: str) -> float:
    """Read a number as people write it: currency signs, thousands separators, a decimal comma."""
    plain = re.sub(r"[\s€£$%']|EUR|GBP|USD|kg", "", text)
    if re.fullmatch(r"-?\d{1,3}(\.\d{3})*,\d+", plain) or re.fullmatch(r"-?\d+,\d+", plain):
        plain = plain.replace(".", "").replace(",", ".")
    elif re.fullmatch(r"-?\d{1,3}(,\d{3})+\.\d+", plain):
        plain = plain.replace(",", "")
    return float(plain)


def _csv(path: Path) -> list[tuple[int, list[Any]]]:
    text = read_text(path)
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max((";", "\t", ","), key=first.count)
    try:
        reader = csv.reader(io.StringIO(text), delimiter=delimiter, strict=True)
        rows: list[tuple[int, list[Any]]] = []
        for row in reader:
            rows.append((reader.line_num, row))
            if len(rows) > MAX_ROWS:
                raise fault(str(path), "", f"more than {MAX_ROWS} rows.", "Split the file.")
        return rows
    except csv.Error as error:
        raise fault(
            str(path), "", f"this is not a readable CSV: {error}.", "Save the sheet again as CSV (UTF-8)."
        ) from None


def _xlsx(path: Path) -> list[tuple[int, list[Any]]]:
    content = read_bytes(path)
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as package:
            if sum(item.file_size for item in package.infolist()) > MAX_UNPACKED:
                raise fault(str(path), "", "the workbook unpacks to far more than its size.", "Save the sheet as CSV.")
        from openpyxl import load_workbook

        book = load_workbook(io.BytesIO(content), read_only=True, data_only=True)
        sheet = book.worksheets[0]
        rows = []
        for number, row in enumerate(sheet.iter_rows(values_only=True, max_row=MAX_ROWS + 1), 1):
            rows.append((number, list(row)))
        if len(rows) > MAX_ROWS:
            raise fault(str(path), "", f"more than {MAX_ROWS} rows.", "Split the file.")
        return rows
    except DataError:
        raise
    except Exception as error:  # openpyxl raises whatever its XML and zip layers raise
        raise fault(
            str(path),
            "",
            f"this is not a readable workbook ({type(error).__name__}).",
            "Save the sheet again as XLSX or CSV.",
        ) from None
