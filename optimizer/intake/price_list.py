"""A price list in any sensible shape becomes lines of a shelf; what was left out is told with its reason."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from optimizer.bench.amount import UNITS, amount_of, mass_of
from optimizer.data.library import Library
from optimizer.data.names import Meant, Names
from optimizer.data.sheet import heading_of, number_of, read_sheets, text_of
from optimizer.errors import DataError, Problem, fault
from optimizer.immutable import immutable, untold
from optimizer.intake.figures import Mark, decimal_mark, settled
from optimizer.intake.unclear import Unclear, UnclearError
from optimizer.units import listed, number

HEADINGS: Mapping[str, tuple[str, ...]] = {
    "material": (
        "material", "raw material", "ingredient", "item", "product", "article", "description", "inci", "inci name",
        "name", "rohstoff", "artikel", "produkt", "prodotto", "produit", "designation", "denomination",
        "bezeichnung", "artikelbezeichnung", "denominazione",
    ),
    "supplier": ("supplier", "vendor", "source", "from", "lieferant", "fornitore", "fournisseur"),
    "price": ("price", "net price", "price net", "cost", "preis", "prezzo", "prix", "nettopreis", "preis netto"),
    "pack_price": ("pack price", "price per pack", "price pack", "price per unit", "pack cost"),
    "unit_price": ("unit price", "einzelpreis", "stuckpreis", "price each"),
    "gross": ("gross price", "price gross", "price incl vat", "price inc vat", "price including vat", "price with vat",
              "bruttopreis", "preis brutto", "price incl tax", "prix ttc", "prezzo iva inclusa", "preis inkl mwst"),
    "per": ("per", "price per", "price unit", "price basis", "basis", "unit of price", "preiseinheit", "je", "uom",
            "unit"),
    "price_per_kg": ("price per kg", "price kg", "cost per kg", "per kg", "preis kg", "prezzo kg", "prix kg"),
    "pack": ("pack", "pack size", "size", "package", "container", "gebinde", "packung", "formato",
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
    unclear: tuple[Unclear, ...] = untold(default=())
    """Names among the lines left out that are not certain."""


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
    table, head = _headed(path)
    fields, begin = head.fields, head.begin
    assumed = [f"Rows above row {table[begin - 1][0]} were taken as titles."] if begin > 1 else []
    figures = [at for f, at in fields.items() if f not in ("material", "supplier", "currency")]
    mark = decimal_mark(c for _, row in table[begin:] for at in figures if isinstance(c := _at(row, at), str))
    names, lines = Names(library.materials, own), list[TakenPrice]()
    left, unclear = list[LeftOut](), list[Unclear]()
    for row, found in _written(table[begin:], fields):
        meant = names.meaning(found["material"])
        if not any(found.get(f) for f in PRICES):
            if meant.id or found.get("pack") or found.get("pack_kg") or found.get("pack_g"):
                left.append(LeftOut(row, found["material"], "it has no price."))
            continue  # a title among the lines
        if not meant.id:
            unclear.append(Unclear(row, found["material"], meant.candidates))
            left.append(LeftOut(row, found["material"], _unclear(found["material"], meant)))
            continue
        try:
            lines.append(_line(row, meant.id, found, mark, head.currency or currency, density_g_per_ml, head.bases))
        except (ValueError, DataError) as error:
            left.append(LeftOut(row, found["material"], _reason(error)))
            continue
        if meant.how:
            assumed.append(f"Row {row}: '{found['material']}' is {meant.id}, {meant.how}.")
    if not lines:
        raise _none_taken(path, left, unclear)
    without = [line.row for line in lines if not line.currency]
    if without:
        assumed.append(f"No currency is written (first in row {without[0]}): the brief's own will be taken.")
    return TakenPrices(tuple(lines), tuple(left), tuple(assumed), tuple(unclear))


def _written(table: list[tuple[int, list[Any]]], fields: Mapping[str, int]) -> Iterator[tuple[int, dict[str, str]]]:
    """Yield the number of each line that names a material, and its texts by field."""
    for row, cells in table:
        found = {f: text_of(cells[at]) if at < len(cells) else "" for f, at in fields.items()}
        if found["material"]:
            yield row, found


def _reason(error: ValueError | DataError) -> str:
    """Return why a line could not be taken."""
    if isinstance(error, DataError):
        return " ".join(f"{p.what} {p.step}" for p in error.problems)
    return f"the line {error}."


def _none_taken(path: Path, left: list[LeftOut], unclear: list[Unclear]) -> UnclearError:
    reasons = "; ".join(f"row {one.row}, '{one.written}': {one.reason.rstrip('.')}" for one in left[:5])
    step = "Name materials by their INCI, or say what they are with --as."
    what = f"no line could be taken{': ' + reasons if reasons else ''}."
    return UnclearError([Problem(str(path), "", what, step)], unclear)


def price_rows(path: Path) -> list[tuple[int, list[Any]]]:
    """Return the rows that a price list is read from, with their numbers."""
    return _headed(path)[0]


def _unclear(name: str, meant: Meant) -> str:
    known = listed(meant.candidates[:4], "or")
    return f'could be {known}; say which with --as "{name}=ID"' if known else "not in the library"


def _at(row: list[Any], position: int) -> Any:
    return row[position] if position < len(row) else None


@immutable
class Head:
    """What the headings of a list say.

    Attributes:
        fields: Column by field.
        begin: Where the lines begin.
        currency: What headings of prices name.
        bases: By field what each price is of, such as '100 g'.
    """

    fields: dict[str, int]
    begin: int
    currency: str
    bases: dict[str, str]


def _headed(path: Path) -> tuple[list[tuple[int, list[Any]]], Head]:
    """Return the first sheet with headings of materials and prices, and what they say.

    Raises:
        DataError: If there is none, or its prices cannot be understood.
    """
    for _, rows in read_sheets(path):
        head = _header(path, rows)
        if head is not None:
            return rows, head
    step = "Head the columns 'material', 'price' and 'pack size', or 'price per kg'."
    raise fault(str(path), "", "no line of headings with materials and prices was found.", step)


def _header(path: Path, table: list[tuple[int, list[Any]]]) -> Head | None:
    """Return the headings of a sheet, None if it has none; of net and gross prices the net ones count.

    Raises:
        DataError: If all prices include the tax, or it is not said what a price is of.
    """
    wanted = {heading_of(h): field for field, names in HEADINGS.items() for h in names}
    for at, (row, cells) in enumerate(table[:LARGEST_SEARCH]):
        fields: dict[str, int] = {}
        for position, cell in enumerate(cells):
            field = _field(text_of(cell), wanted)
            if field and field not in fields:
                fields[field] = position
        if "material" not in fields or not {*PRICES, "gross"} & fields.keys():
            continue
        where = f"{path}, row {row}"
        if not set(PRICES) & fields.keys():
            heading = text_of(cells[fields["gross"]])
            step = "Add a column of net prices, such as 'net price'."
            raise fault(where, f"'{heading}'", "these prices include the tax, costs are counted without.", step)
        price = next(f for f in PRICES if f in fields)
        heading = text_of(cells[fields[price]])
        bases = {f: basis_of(text_of(cells[fields[f]]), where) for f in PRICES[1:] if f in fields}
        if price == "unit_price" and not bases[price] and "per" not in fields:
            step = "Head it 'price per pack' or 'price per kg'."
            raise fault(where, f"'{heading}'", "of a kg or of a pack? The list does not say.", step)
        heads = [text_of(cells[fields[f]]) for f in PRICES if f in fields]
        return Head(fields, at + 1, next((c for c in map(_currency, heads) if c), ""), bases)
    return None


def _field(text: str, wanted: Mapping[str, str]) -> str | None:
    """Return the field of a heading; what it says in brackets of tax or of a basis is heard."""
    bare = re.sub(r"[(\[][^)\]]*[)\]]", " ", text)
    plain = re.sub(r"\b(in|EUR|GBP|USD)\b|[€£$]", " ", _BASIS.sub(" ", bare), flags=re.IGNORECASE)
    tried = (text, bare, _BASIS.sub(" ", bare), plain)
    field = next((wanted[h] for h in map(heading_of, tried) if h in wanted), None)
    if field in PRICES and _GROSS.search(text) and not _NET.search(text):
        return "gross"
    return field


_GROSS = re.compile(r"\b(incl|inc|including|with|gross|brutto|inkl|ttc|inclusa|compresa)\b", re.IGNORECASE)
_NET = re.compile(r"\b(excl|ex|excluding|without|net|netto|zzgl|ohne|ht|esclusa)\b", re.IGNORECASE)
_BASIS = re.compile(r"(?:/|\b(?:per|je|pro|al|par)\b)\s*(\d[\d.,]*)?\s*([a-zA-Z]+)", re.IGNORECASE)
PIECES = (
    "pack", "packs", "each", "piece", "pieces", "pc", "unit", "bottle", "container", "canister", "drum", "bag", "can",
)  # fmt: skip
PRICES = ("price_per_kg", "price", "pack_price", "unit_price")
"""Fields of prices, the plainest first."""


def basis_of(heading: str, where: str) -> str:
    """Return what the prices under a heading are of, such as '100 g' or '1 lb'; empty for a pack or if it is not said.

    Raises:
        DataError: If it is said, but is no measure.
    """
    found = _BASIS.search(heading)
    if found is None or found[2].casefold() in PIECES or _currency(found[2]):
        return ""
    if found[2].casefold() not in UNITS:
        step = "Head it 'price per kg' or 'price per pack'."
        raise fault(where, f"'{heading}'", f"'{found[2]}' is no measure that is read.", step)
    return f"{found[1] or 1} {found[2]}"


def _line(
    row: int,
    material: str,
    written: Mapping[str, str],
    mark: Mark,
    currency: str,
    density: float | None,
    bases: Mapping[str, str],
) -> TakenPrice:
    """Return a line with the price per kg that all its prices agree on; `mark` is the list's own decimal mark.

    Raises:
        ValueError: If a figure can be read two ways.
        DataError: If its price or pack cannot be understood.
    """
    found = {f: settled(x, mark) if x[:1].isdigit() or f in PRICES else x for f, x in written.items()}
    pack = _pack(found, density)
    prices = {f: _per_kg(f, found, bases.get(f, ""), pack, density) for f in PRICES if found.get(f)}
    known = {f: p for f, p in prices.items() if p is not None}
    if not known:
        raise fault("", "", "this is the price of a pack of unknown size.", "Give the pack's mass, such as '5 kg'.")
    if max(known.values()) - min(known.values()) > AGREE * max(known.values()):
        told = listed([f"{number(p, 2)} per kg" for p in known.values()])
        raise fault("", "", f"its prices contradict each other: {told}.", "Leave one column.")
    said, text = found.get("currency", "").upper(), next(found[f] for f in PRICES if found.get(f))
    money = SIGNS.get(said, said) or _currency(text) or currency
    return TakenPrice(
        row, material, found["material"], found.get("supplier", ""), next(iter(known.values())), pack, money
    )


AGREE = 0.03
"""Prices of one line that differ by less [share] are one price, rounded; common practice, no source."""


def _per_kg(
    field: str, found: Mapping[str, str], basis: str, pack: float | None, density: float | None
) -> float | None:
    """Return one of the prices of a line per kg; None if it is that of a pack of unknown size."""
    text = found[field]
    own = re.search(r"(?:/|\bper\b)\s*(\d*[.,]?\d*\s*[a-zA-Z]+)\b", text, re.IGNORECASE)
    try:
        price = number_of(text[: own.start()] if own else text)
    except ValueError as error:
        raise fault("", "", f"the price '{text}' {error}.", "Write digits only.") from None
    if price < 0:
        raise fault("", "", f"the price {text} is below 0.", "Correct it.")
    per = own[1] if own else basis or found.get("per", "")
    if field == "price_per_kg" and not own:
        return price
    if field == "unit_price" and not per:
        return None  # of a kg or of a pack: another column tells the price
    if per and per.casefold().strip(" .") not in PIECES:
        return price / _mass_kg(per if re.match(r"\s*[\d.,]", per) else f"1 {per}", density)
    return price / pack if pack else None


def _mass_kg(text: str, density: float | None) -> float:
    """Return the mass of an amount [kg]; a volume by its density."""
    amount = amount_of(text)
    return mass_of(amount.value, density, text) / 1000 if amount.unit == "ml" else amount.grams() / 1000


_MANY = re.compile(r"\s*(\d+)\s*[x×*]\s*(\d.*)|\s*(\d.*?)\s*[x×*]\s*(\d+)\s*")
"""Several in one: '4 x 5 kg' or '5 kg x 4'."""
_HOLDS = re.compile(r"\s*(\d[\d.,' ]*\s*[a-zA-Z]+)\.?(\s+[^\d]*)?")
"""An amount, perhaps with words behind it: '5 kg canister'."""


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
    if not re.search(r"\d", text):
        raise fault("", "", f"'{text}' is no pack size.", "Give the pack's mass, such as '5 kg'.")
    many = _MANY.fullmatch(text)
    count = int(many[1] or many[4]) if many else 1
    one = (many[2] or many[3]) if many else text
    holds = _HOLDS.fullmatch(one)
    return count * _mass_kg(holds[1] if holds else one, density)


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
