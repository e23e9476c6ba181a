"""Every table of a brief explained: its keys with type, default and meaning, and an example that can be read."""

from __future__ import annotations

from pydantic import BaseModel

from optimizer.brief.scenario import HeldBack, Objective, PoolChoice, Scenario
from optimizer.data.pool import Group
from optimizer.data.shelf import DATES, HEADINGS, NUMERIC, ShelfLine
from optimizer.immutable import immutable, result
from optimizer.rules import Acidity
from optimizer.rules.reference import attribute_docs, field_note

TABLES: dict[str, tuple[type[BaseModel], str, dict[str, str]]] = {
    "": (
        Scenario,
        "What the product is. These keys stand first in the file, above every table in brackets.",
        {
            "name": '"My hand wash"',
            "product": '"hand wash"',
            "use": '"rinse-off"',
            "market": '"EU"',
            "currency": '"EUR"',
            "notes": '"for the shop, spring"',
            "unpreserved": '"Sealed single doses, sterile."',
            "extends": '"common.toml"',
            "without_rules": '["perfume"]',
            "library": '["materials.toml"]',
            "only_own_library": "false",
            "shelf": '"shelf.csv"',
            "batch_kg": "5",
            "scale_step": "0.01",
        },
    ),
    "pool": (
        PoolChoice,
        "Which materials may go in. What is left out is no candidate; 'tenside why MATERIAL' says which key does it.",
        {
            "functions": '["surfactant", "humectant", "preservative"]',
            "materials": '["aqua", "decyl-glucoside", "glycerin"]',
            "inci": '["Cocamidopropyl Betaine"]',
            "surfactant_charges": '["amphoteric", "nonionic"]',
            "surfactant_families": '["betaine", "alkyl glucoside"]',
            "without_families": '["alkyl sulfate"]',
            "free_from": '["sulfate", "paraben"]',
            "vegan": "true",
            "oil_free": "true",
            "clear": "true",
            "also": '["parfum"]',
            "without": '["triethanolamine"]',
            "unpriced": "false",
        },
    ),
    "ph": (
        Acidity,
        "The pH of the product. Without this table no pH is asked for, and no window of any material counts.",
        {"low": "4.8", "high": "5.6", "tolerance": "0.2", "grid": "0.1", "source": '"brief"'},
    ),
    "held_back": (
        HeldBack,
        "Water kept free for what is added to effect at the bench: acid, thickener, evaporation.",
        {
            "percent": "4",
            "acids": '["citric-acid"]',
            "thickeners": '["sodium-chloride"]',
            "planned": "{ citric-acid = 0.15 }",
        },
    ),
    "fixed": (
        Scenario,
        "Doses that are given, by material id [% as supplied].",
        {"parfum": "0.3"},
    ),
    "objective": (
        Objective,
        "What the best formula is best at, and what decides between equally good ones.",
        {"minimise": '"cost"', "maximise": '"mildness"', "planned": "true", "then": '["maximise mildness"]'},
    ),
    "rule": (
        Group,
        "A limit; as many tables [[rule]] as there are limits. Its 'kind' says what is limited, 'at_least', 'at_most' "
        "or 'exactly' how far; 'tenside rules' explains each. 'of' says which materials it is about, by these keys:",
        {
            "materials": '["glycerin"]',
            "functions": '["humectant"]',
            "charges": '["anionic"]',
            "families": '["betaine"]',
            "inci": '["Glycerin"]',
            "lipids": '["perfume"]',
            "surfactants": "true",
            "but_not": '["glycerin"]',
            "called": '"humectants"',
        },
    ),
}
"""Class, purpose and an example of each key, by table."""
COLUMNS = {
    "material": "cocamidopropyl-betaine",
    "supplier": "quay",
    "price_per_kg": "3.60",
    "pack_price": "18.00",
    "pack_kg": "5",
    "pack_g": "250",
    "currency": "EUR",
    "stock_kg": "4.2",
    "min_packs": "2",
    "counted_on": "2026-05-04",
    "priced_on": "2026-05-04",
    "lead_days": "10",
    "lot": "L-204",
    "lot_active": "29.6",
    "lot_ph": "5.3",
    "lot_ph_at": "10",
    "titrated_mmol_per_g": "0.12",
}
"""A cell of each column of a shelf."""
OF_COLUMNS = {
    "material": "Id, name or INCI name of the material, as the library has it.",
    "pack_price": "Price of a pack, if none per kg stands beside it.",
    "pack_g": "Size of the pack in grams, if not in kg.",
}
"""What columns mean that are no fields of a line."""
UNWRITTEN = {"ph": ("kind", "id", "clear")}
"""Keys that are filled in by the tool."""


@immutable
class KeyNote:
    """One key of a table of the brief."""

    name: str
    type: str
    default: str
    meaning: str
    example: str
    """As it is written in the file."""


@immutable
class TableNote:
    """One table of the brief."""

    name: str
    """As it is written in brackets; empty for what stands above all tables."""
    purpose: str
    keys: tuple[KeyNote, ...]


@result
class BriefExplained:
    """The tables of a brief or the columns of a shelf: the output of `tenside explain --json`."""

    FORMAT = 1
    tables: tuple[TableNote, ...]


def explained() -> BriefExplained:
    """Return every table of a brief with its keys."""
    return BriefExplained(tables=tuple(_table(name) for name in TABLES))


def explained_shelf() -> BriefExplained:
    """Return the columns of a shelf."""
    docs = attribute_docs(ShelfLine)
    notes = []
    for field, cell in COLUMNS.items():
        head, *others = HEADINGS[field]
        kind = "number" if field in NUMERIC else "day" if field in DATES else "text"
        meaning = OF_COLUMNS.get(field) or " ".join(docs.get(field, "").split())
        also = f" Also headed {', '.join(others)}." if others else ""
        notes.append(KeyNote(head, kind, "required" if field == "material" else "", meaning + also, cell))
    return BriefExplained(tables=(TableNote("shelf", SHELF, tuple(notes)),))


SHELF = (
    "What you have, as a table (CSV or XLSX) beside the brief, which names it by 'shelf'. One line per material, "
    "supplier or lot; columns in any order, case and punctuation do not matter, others are left alone."
)


def _table(name: str) -> TableNote:
    model, purpose, examples = TABLES[name]
    docs = attribute_docs(model)
    if name == "fixed":
        key = KeyNote("MATERIAL", "number", "", "its dose [% as supplied]", "parfum = 0.3")
        return TableNote(name, purpose, (key,))
    keys = []
    for field, info in model.model_fields.items():
        if (name == "" and field in (*TABLES, "rule")) or field in UNWRITTEN.get(name, ()):
            continue
        note = field_note(field, info, docs)
        example = f"{field} = {examples[field]}"
        if name == "rule":
            example = f"of = {{ {example} }}"
        keys.append(KeyNote(note.name, note.type, note.default, note.meaning, example))
    return TableNote(name, purpose, tuple(keys))


def page() -> str:
    """Return `docs/brief.md`."""
    parts = [HEAD]
    for table in explained().tables:
        title = {"": "Above all tables", "rule": "`[[rule]]`"}.get(table.name, f"`[{table.name}]`")
        rows = "\n".join(
            f"| `{k.name}` | {_or(k.type)} | {_or(k.default)} | {k.meaning} | `{k.example}` |" for k in table.keys
        )
        head = "| key | what is written | if left out | meaning | example |\n| --- | --- | --- | --- | --- |"
        parts.append(f"## {title}\n\n{table.purpose}\n\n{head}\n{rows}\n")
    (shelf,) = explained_shelf().tables
    rows = "\n".join(f"| `{k.name}` | {k.type} | {k.meaning} | `{k.example}` |" for k in shelf.keys)
    head = "| column | what is written | meaning | example |\n| --- | --- | --- | --- |"
    parts.append(f"## The shelf, column by column\n\n{shelf.purpose}\n\n{head}\n{rows}\n")
    return "\n".join(parts)


def _or(text: str) -> str:
    return text.replace("|", "or")


HEAD = """# The brief, table by table

A brief is a plain text file (TOML) that says what a product must be; `tenside start FOLDER` lays a first one with
comments, `tenside list` tells those that there are. Every key may be left out but `name`. `tenside explain brief`
prints this page, `tenside explain shelf` its end; both are made from the program itself by
`python tests/make_brief_page.py`.
"""
