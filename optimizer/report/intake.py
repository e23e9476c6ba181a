"""What was taken in from a maker's own tables."""

from __future__ import annotations

from pathlib import Path

from optimizer.immutable import immutable, seen, untold
from optimizer.intake.formula_sheet import TakenFormula, TakenLine
from optimizer.intake.price_list import LeftOut, TakenPrice, TakenPrices
from optimizer.report.document import Document, Listing, Table
from optimizer.units import number


@immutable
class FormulaTaken:
    """A formula sheet that was taken in: the output of `tenside import formula --json`."""

    FORMAT = 1
    taken: TakenFormula = untold()
    lines: tuple[TakenLine, ...] = seen("taken.lines")
    held_back: float = seen("taken.held_back")
    """Part that the brief keeps free [%]."""
    to_effect: tuple[str, ...] = seen("taken.to_effect")
    """Materials that the sheet adds to effect, without a dose."""
    assumed: tuple[str, ...] = seen("taken.assumed")
    written_to: str
    """The formula file; empty if none was asked for."""


@immutable
class PricesTaken:
    """A price list that was taken in: the output of `tenside import prices --json`."""

    FORMAT = 1
    taken: TakenPrices = untold()
    lines: tuple[TakenPrice, ...] = seen("taken.lines")
    left_out: tuple[LeftOut, ...] = seen("taken.left_out")
    assumed: tuple[str, ...] = seen("taken.assumed")
    written_to: str


def formula_document(taken: TakenFormula, source: Path, out: Path | None, brief: str) -> Document:
    """Return what became of a formula sheet."""
    rows = [(line.material, number(line.percent, 4), line.written, str(line.row)) for line in taken.lines]
    if taken.held_back:
        rows.append(("kept free", number(taken.held_back, 4), "", ""))
    total = sum(line.percent for line in taken.lines) + taken.held_back
    rows.append(("total", number(total, 4), "", ""))
    table = Table(
        "Formula, % w/w as supplied",
        ("material", "%", "in the sheet", "row"),
        tuple(rows),
        frozenset({1, 3}),
        strong=frozenset({len(rows) - 1}),
    )
    verdict = f"Written to {out}." if out else "Nothing was written: add --out FILE.csv."
    following = [f"tenside check {out or 'FILE.csv'} {brief or 'SCENARIO'}"]
    return Document(
        f"Formula from {source.name}",
        verdict,
        (),
        (table, _assumed(taken.assumed), Listing("Next", tuple(following))),
    )


def prices_document(taken: TakenPrices, source: Path, out: Path | None) -> Document:
    """Return what became of a price list."""
    rows = tuple(
        (
            line.material,
            number(line.price_per_kg, 2),
            line.currency,
            "" if line.pack_kg is None else number(line.pack_kg, 3),
            line.supplier,
            line.written,
            str(line.row),
        )
        for line in taken.lines
    )
    table = Table(
        "Prices taken",
        ("material", "per kg", "currency", "pack kg", "supplier", "in the list", "row"),
        rows,
        frozenset({1, 3, 6}),
    )
    left = tuple(f"row {left.row}, {left.written}: {left.reason}" for left in taken.left_out)
    verdict = f"{len(rows)} prices taken, {len(left)} lines left out."
    verdict += f" Written to {out}." if out else " Nothing was written: add --out shelf.csv."
    sections = (table, _assumed(taken.assumed), *((Listing("Left out", left),) if left else ()))
    return Document(f"Prices from {source.name}", verdict, (), sections)


def _assumed(assumed: tuple[str, ...]) -> Listing:
    return Listing("What was assumed", assumed or ("Nothing: everything was written out.",))
