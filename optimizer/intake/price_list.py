"""A price list in any sensible shape becomes lines of a shelf; what was left out is told with its reason."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from optimizer.bench.amount import amount_of, mass_of
from optimizer.data.library import Library
from optimizer.data.sheet import heading_of, number_of, read_rows, text_of
from optimizer.errors import DataError, fault
from optimizer.immutable import immutable
from optimizer.intake.names import Names
from optimizer.units import listed, number

HEADINGS: Mapping[str, tuple[str, ...]] = {
    "material": (
        "material", "raw material", "ingredient", "item", "product", "article", "description", "inci", "inci name",
        "name", "rohstoff", "artikel", "produkt", "prodotto", "produit", "designation", "denomination",
    ),
    "supplier": ("supplier", "vendor", "source", "from", "lieferant", "fornitore", "fournisseur"),
    "price": ("price", "pack price", "unit price", "net price", "cost", "preis", "prezzo", "prix", "price per pack"),
    "price_per_kg": ("price per kg", "price kg", "cost per kg", "per kg", "preis kg", "prezzo kg", "prix kg"),
    "pack": ("pack", "pack size", "size", "unit", "package", "container", "gebinde", "packung", "formato",
             "conditionnement", "quantity", "content", "contents", "weight"),
    "pack_kg": ("pack kg", "pack size kg", "size kg", "kg", "weight kg"),
    "pack_g": ("pack g", "pack size g", "size g", "g", "weight g", "grams"),
    "currency": ("currency", "cur", "waehrung", "wahrung", "valuta", "devise"),
}  # fmt: skip
"""Headings that are recognised, by field."""

SIGNS = {"€": "EUR", "£": "GBP", "$": "USD"}
LARGEST_SEARCH = 40


@immutable
class TakenPrice:
    """One price."""

    row: int
    material: str
    written: str
    supplier: str
    price_per_kg: float
    pack_kg: float | None
    currency: str


@immutable
class LeftOut:
    """A line that was not taken."""

    row: int
    written: str
    reason: str


@immutable
class TakenPrices:
    """A price list that was taken in."""

    lines: tuple[TakenPrice, ...]
    """In file order."""
    left_out: tuple[LeftOut, ...]
    """Row, name and reason of every line that was not taken."""
    assumed: tuple[str, ...]
    """What was assumed, in sentences."""


def read_price_list(
    path: Path,
    library: Library,
    *,
    currency: str = "",
    density_g_per_ml: float | None = None,
    own: Mapping[str, str] | None = None,
) -> TakenPrices:
    """Read a price list as a supplier sends it.

    Args:
        path: CSV or XLSX.
        library: For the names.
        currency: Currency where neither heading nor cell says it.
        density_g_per_ml: For packs in ml or L; none is assumed.
        own: Material ids by the list's own words.

    Raises:
        DataError: If there is no line of headings with materials and prices, or no line could be taken.
    """
    table = read_rows(path)
    fields, begin, said = _header(path, table)
    assumed = [f"Rows above row {table[begin - 1][0]} were taken as titles."] if begin > 1 else []
    names, lines = Names(library.materials, own), list[TakenPrice]()
    left: list[LeftOut] = []
    for row, cells in table[begin:]:
        found = {f: text_of(cells[at]) if at < len(cells) else "" for f, at in fields.items()}
        if not found["material"] or not any(found.get(f) for f in ("price", "price_per_kg")):
            continue
        meant = names.meaning(found["material"])
        if not meant.id:
            known = listed(meant.candidates[:4], "or")
            reason = (
                f'could be {known}; say which with --as "{found["material"]}=ID"' if known else "not in the library"
            )
            left.append(LeftOut(row, found["material"], reason))
            continue
        try:
            lines.append(_line(row, meant.id, found, said or currency, density_g_per_ml))
        except DataError as error:
            left.append(LeftOut(row, found["material"], " ".join(f"{p.what} {p.step}" for p in error.problems)))
            continue
        if meant.how:
            assumed.append(f"Row {row}: '{found['material']}' is {meant.id}, {meant.how}.")
    if not lines:
        reasons = "; ".join(f"row {one.row}, '{one.written}': {one.reason}" for one in left[:5])
        step = "Name materials by their INCI, or say what they are with --as."
        raise fault(str(path), "", f"no line could be taken{': ' + reasons if reasons else ''}.", step)
    without = [line.row for line in lines if not line.currency]
    if without:
        assumed.append(f"No currency is written (first in row {without[0]}): the brief's own will be taken.")
    return TakenPrices(tuple(lines), tuple(left), tuple(assumed))


def _header(path: Path, table: list[tuple[int, list[Any]]]) -> tuple[dict[str, int], int, str]:
    """Return column by field, where the lines begin, and the currency that a heading of prices names."""
    wanted = {heading_of(h): field for field, names in HEADINGS.items() for h in names}
    for at, (_, cells) in enumerate(table[:LARGEST_SEARCH]):
        fields: dict[str, int] = {}
        for position, cell in enumerate(cells):
            text = text_of(cell)
            tried = (heading_of(text), heading_of(re.sub(r"\([^)]*\)", "", text)))
            field = next((wanted[h] for h in tried if h in wanted), None)
            if field and field not in fields:
                fields[field] = position
        if "material" in fields and {"price", "price_per_kg"} & fields.keys():
            heads = [text_of(cells[fields[f]]) for f in ("price", "price_per_kg") if f in fields]
            return fields, at + 1, next((c for c in map(_currency, heads) if c), "")
    step = "Head the columns 'material', 'price' and 'pack size', or 'price per kg'."
    raise fault(str(path), "", "no line of headings with materials and prices was found.", step)


def _line(row: int, material: str, found: Mapping[str, str], currency: str, density: float | None) -> TakenPrice:
    written, supplier = found["material"], found.get("supplier", "")
    pack = _pack(found, density)
    text = found.get("price_per_kg") or found.get("price", "")
    per = re.search(r"(?:/|\bper\b)\s*(\d*[.,]?\d*\s*(?:kg|g))\b", text, re.IGNORECASE)
    try:
        price = number_of(text[: per.start()] if per else text)
    except ValueError as error:
        raise fault("", "", f"the price '{text}' {error}.", "Write digits only.") from None
    if price < 0:
        raise fault("", "", f"the price {text} is below 0.", "Correct it.")
    if found.get("price_per_kg"):
        per_kg = price
    elif per:
        per_kg = price * 1000 / amount_of(per[1] if per[1][0].isdigit() else f"1 {per[1]}").grams()
    elif pack:
        per_kg = price / pack
    else:
        raise fault("", "", "this is the price of a pack of unknown size.", "Give the pack's mass, such as '5 kg'.")
    own = found.get("currency", "").upper()
    return TakenPrice(
        row, material, written, supplier, per_kg, pack, SIGNS.get(own, own) or _currency(text) or currency
    )


def _pack(found: Mapping[str, str], density: float | None) -> float | None:
    """Return the pack's mass [kg]; None if the list does not say."""
    for field, factor in (("pack_kg", 1.0), ("pack_g", 0.001)):
        if found.get(field):
            try:
                return number_of(re.sub(r"(?i)\s*k?g\s*$", "", found[field])) * factor or None
            except ValueError as error:
                raise fault("", "", f"the pack size '{found[field]}' {error}.", "Write digits only.") from None
    if not found.get("pack"):
        return None
    text = found["pack"]
    many = re.fullmatch(r"\s*(\d+)\s*[x×]\s*(.+)", text)
    amount = amount_of(many[2] if many else text)
    count = int(many[1]) if many else 1
    if amount.unit == "ml":
        return count * mass_of(amount.value, density, text) / 1000
    return count * amount.grams() / 1000


def _currency(text: str) -> str:
    for sign, name in SIGNS.items():
        if sign in text or re.search(rf"\b{name}\b", text, re.IGNORECASE):
            return name
    return ""


def shelf_rows(taken: TakenPrices) -> list[list[str | float | None]]:
    """Return the lines as rows of a shelf, headings first."""
    head: list[str | float | None] = ["Material", "Supplier", "Pack kg", "Price per kg", "Currency", "As written"]
    rows: list[list[str | float | None]] = [
        [t.material, t.supplier, t.pack_kg, float(number(t.price_per_kg, 6)), t.currency, t.written]
        for t in taken.lines
    ]
    return [head, *rows]
