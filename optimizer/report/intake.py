"""What was taken in from a maker's own tables."""

from __future__ import annotations

from pathlib import Path

from optimizer.intake.formula_sheet import TakenFormula
from optimizer.intake.price_list import TakenPrices
from optimizer.report.document import Columns, Document, Listing, Row, Strong, Table, figures
from optimizer.report.record import Record


class TakenLineRecord(Record):
    """One dose as it was taken in."""

    material: str
    percent: float
    """% w/w as supplied."""
    written: str
    """The name in the sheet."""
    row: int


class TakenFormulaRecord(Record):
    """A formula sheet that was taken in."""

    lines: list[TakenLineRecord]
    held_back: float
    """Part that the brief keeps free [%]."""
    to_effect: list[str]
    """Materials that the sheet adds to effect, without a dose."""
    assumed: list[str]
    written_to: str
    """The formula file; empty if none was asked for."""


class TakenPriceRecord(Record):
    """One price."""

    row: int
    material: str
    written: str
    supplier: str
    price_per_kg: float
    pack_kg: float | None
    currency: str


class LeftOutRecord(Record):
    """A line that was not taken."""

    row: int
    written: str
    reason: str


class TakenPricesRecord(Record):
    """A price list that was taken in."""

    lines: list[TakenPriceRecord]
    left_out: list[LeftOutRecord]
    assumed: list[str]
    written_to: str


def formula_record(taken: TakenFormula, out: Path | None) -> TakenFormulaRecord:
    """Return a taken formula as a record."""
    return TakenFormulaRecord.model_validate(
        {**vars(taken), "lines": list(taken.lines), "to_effect": list(taken.to_effect), "assumed": list(taken.assumed),
         "written_to": str(out or "")}
    )  # fmt: skip


def prices_record(taken: TakenPrices, out: Path | None) -> TakenPricesRecord:
    """Return taken prices as a record."""
    left = [LeftOutRecord(row=row, written=name, reason=why) for row, name, why in taken.left_out]
    return TakenPricesRecord.model_validate(
        {"lines": list(taken.lines), "left_out": left, "assumed": list(taken.assumed), "written_to": str(out or "")}
    )


def formula_document(taken: TakenFormula, source: Path, out: Path | None, brief: str) -> Document:
    """Return what became of a formula sheet."""
    rows: list[Row] = [(line.material, line.percent, line.written, line.row) for line in taken.lines]
    if taken.held_back:
        rows.append(("kept free", taken.held_back, "", None))
    rows.append(Strong(("total", sum(line.percent for line in taken.lines) + taken.held_back, "", None)))
    columns: Columns = ("material", *figures("%"), "in the sheet", *figures("row"))
    table = Table("Formula, % w/w as supplied", columns, tuple(rows))
    verdict = f"Written to {out}." if out else "Nothing was written: add --out FILE.csv."
    following = [f"tenside check {out or 'FILE.csv'} {brief or 'SCENARIO'}"]
    return Document(
        f"Formula from {source.name}", verdict, (), (table, _assumed(taken.assumed), Listing("Next", tuple(following)))
    )


def prices_document(taken: TakenPrices, source: Path, out: Path | None) -> Document:
    """Return what became of a price list."""
    rows = tuple(
        (line.material, line.price_per_kg, line.currency, line.pack_kg, line.supplier, line.written, line.row)
        for line in taken.lines
    )
    columns: Columns = (
        "material", *figures("per kg", digits=2), "currency", *figures("pack kg", digits=3),
        "supplier", "in the list", *figures("row"),
    )  # fmt: skip
    table = Table("Prices taken", columns, rows)
    left = tuple(f"row {row}, {name}: {why}" for row, name, why in taken.left_out)
    verdict = f"{len(rows)} prices taken, {len(left)} lines left out."
    verdict += f" Written to {out}." if out else " Nothing was written: add --out shelf.csv."
    sections = (table, _assumed(taken.assumed), *((Listing("Left out", left),) if left else ()))
    return Document(f"Prices from {source.name}", verdict, (), sections)


def _assumed(assumed: tuple[str, ...]) -> Listing:
    return Listing("What was assumed", assumed or ("Nothing: everything was written out.",))
