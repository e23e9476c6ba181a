"""The law that a library holds as a document."""

from __future__ import annotations

from optimizer.data.facts import Ceiling, Exclusion
from optimizer.data.law import AllergenTold, ConditionTold, Law
from optimizer.report.document import Document, Listing, Row, Table
from optimizer.units import listed, number

Told = Ceiling | Exclusion | ConditionTold | AllergenTold
WHERE = "where, as read"


def law_document(law: Law) -> Document:
    """Return what holds for a use, with entry, act and day of every figure."""
    told: tuple[Told, ...] = (*law.ceilings, *law.exclusions, *law.conditions, *law.allergens)
    days = sorted({t.as_of for t in told})
    counts = f"{len(law.ceilings)} ceilings, {len(law.conditions)} conditions, {len(law.allergens)} allergens"
    return Document(
        f"Law for {law.use}",
        f"{counts}, as read {listed(days)}; not the legal text.",
        sections=(
            _ceilings(law),
            _exclusions(law),
            _conditions(law),
            _allergens(law),
            Listing("Sources", tuple(f"{key}: {text}" for key, text in sorted(law.sources.items()))),
            Listing("Cautions", (law.caution,), "caution"),
        ),
    )


def _ceilings(law: Law) -> Table:
    rows: tuple[Row, ...] = tuple((listed(c.substances), most(c), meant(c), _where(c), c.note) for c in law.ceilings)
    columns = ("substances, together", "at most", "products", WHERE, "note")
    return Table("Highest doses, % of the product", columns, rows)


def _where(told: Told) -> str:
    return f"{told.jurisdiction} {told.entry}, {told.act}, {told.as_of}"


def most(told: Ceiling) -> str:
    """Return a ceiling in words."""
    if told.percent == 0:
        return "none"
    return f"{number(told.percent)} %" + ("" if told.basis == "as substance" else f" {told.basis}")


def meant(told: Ceiling) -> str:
    """Return the products that a ceiling is for, as a brief calls them."""
    every = "every use" if told.use == "any" else told.use
    those = f"{every}: {listed(told.products, 'or')}" if told.products else every
    return f"{those} but not {listed(told.but_not, 'or')}" if told.but_not else those


def _exclusions(law: Law) -> Table:
    rows: tuple[Row, ...] = tuple(
        (listed(e.one, "or"), listed(e.other, "or"), _where(e), e.note) for e in law.exclusions
    )
    return Table("Not in one product", ("one", "other", WHERE, "note"), rows)


def _conditions(law: Law) -> Table:
    rows: tuple[Row, ...] = tuple(
        (listed(c.substances) or "what is ethoxylated", c.text, _where(c)) for c in law.conditions
    )
    note = "A caution says each of them wherever a material that holds the substance is used."
    return Table("Conditions", ("substances", "what is asked", WHERE), rows, note)


def _allergens(law: Law) -> Table:
    rows: tuple[Row, ...] = tuple(
        (a.name, f"{number(a.above_percent)} %", listed(a.together), _where(a)) for a in law.allergens
    )
    columns = ("named on the label", "above", "counts together", WHERE)
    return Table("Fragrance allergens", columns, rows)
