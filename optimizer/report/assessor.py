"""The pack for the safety assessor: tables of the label's figures with their sources, as XLSX or CSV."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from optimizer.data.sheet import neutral
from optimizer.errors import UsageError
from optimizer.files import write_bytes_atomic
from optimizer.labelling.label import Label
from optimizer.labelling.substances import Amount
from optimizer.report.escape import printable
from optimizer.report.label import BASES, carried, ceiling_words
from optimizer.units import listed, number

Cell = str | float
Sheet = tuple[tuple[str, ...], list[tuple[Cell, ...]]]
SUFFIXES = (".xlsx", ".csv")
DIGITS = 6
MEASURED = "Active matter as measured on the lot; the rest: "
WARNING = (
    "Planning data for a qualified safety assessor, who decides: check lots, certificates and every text in force. The "
    "list is as added, before acid and alkali react."
)


def check_name(path: Path) -> None:
    """Refuse a file name of another kind before anything is computed.

    Raises:
        UsageError: If the name does not end in .xlsx or .csv.
    """
    if path.suffix.lower() not in SUFFIXES:
        raise UsageError(f"--assessor {path.name}: the name must end in .xlsx or .csv.")


def write_pack(path: Path, label: Label) -> None:
    """Write the pack: all tables as sheets of a workbook, or the substances alone as CSV.

    Raises:
        UsageError: If the name does not end in .xlsx or .csv.
        DataError: If the file exists or cannot be written.
    """
    check_name(path)
    tables = {
        "substances": _substances(label),
        "allergens": _allergens(label),
        "raw materials": _materials(label),
        "about": _about(label),
    }
    content = _xlsx(tables) if path.suffix.lower() == ".xlsx" else _csv(tables["substances"])
    write_bytes_atomic(path, content)


def _substances(label: Label) -> Sheet:
    heads = (
        "INCI", "CAS", "% low", "% typical", "% high", "function", "contained in", "ceilings that apply", "sources",
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = []
    for amount in label.amounts:
        met = [m for m in label.ceilings if amount.inci in m.ceiling.substances]
        words = "; ".join(f"{ceiling_words(m)}{' EXCEEDED' if m.exceeded else ''}" for m in met)
        figures = (round(amount.low, DIGITS), round(amount.typical, DIGITS), round(amount.high, DIGITS))
        texts = (listed(amount.jobs), carried(amount), words, _sources(label, amount))
        rows.append((amount.inci, amount.cas, *figures, *texts))
    return heads, rows


def _sources(label: Label, amount: Amount) -> str:
    said = [
        f"{MEASURED if c.measured else ''}{_told(label, *c.material.backed('substances'))}" for c in amount.carriers
    ]
    met = [m.ceiling for m in label.ceilings if amount.inci in m.ceiling.substances]
    return " | ".join(dict.fromkeys([*said, *(_told(label, c.source, c.confidence) for c in met)]))


def _told(label: Label, source: str, confidence: str) -> str:
    return f"{label.sources.get(source, source)} ({confidence})"


def _allergens(label: Label) -> Sheet:
    heads = ("allergen", "% low", "% typical", "% high", "named above %", "verdict", "list", "contained in", "sources")
    rows: list[tuple[Cell, ...]] = []
    for a in label.allergens:
        figures = (round(a.low, DIGITS), round(a.typical, DIGITS), round(a.high, DIGITS), a.threshold)
        held = "; ".join(
            f"{s.material.name} {number(s.percent)} % of the product, holds {number(s.content[0])}-"
            f"{number(s.content[2])} %"
            for s in a.sources
        )
        said = " | ".join(dict.fromkeys(_told(label, s.source, s.confidence) for s in a.sources))
        rows.append((a.name, *figures, a.verdict, a.on.called if a.on else "none known here", held, said))
    return heads, rows


def _materials(label: Label) -> Sheet:
    heads = ("id", "raw material", "% of the product", "INCI", "function", "source", "confidence")
    rows: list[tuple[Cell, ...]] = []
    for p in sorted(label.parts, key=lambda p: (-p.percent, p.material.id)):
        m = p.material
        source, confidence = m.backed("substances")
        said = f"{MEASURED if p.measured else ''}{label.sources.get(source, source)}"
        rows.append((m.id, m.name, round(p.percent, DIGITS), m.inci, m.function, said, confidence))
    return heads, rows


def _about(label: Label) -> Sheet:
    rows: list[tuple[Cell, ...]] = [
        ("product", label.name),
        ("basis", BASES[label.basis]),
        ("use", f"{label.use}, {label.market}"),
        ("not in yet, %", round(label.formula.held_back, DIGITS)),
        ("may still come in", listed(label.pending, "or")),
        ("list", label.line),
        ("note", WARNING),
    ]
    rows += [("ask", wish) for wish in label.wishes]
    rows += [
        (f"list of allergens, {a.called}", f"{a.jurisdiction}, {a.as_of}. {a.note} {label.sources.get(a.source, '')}")
        for a in label.lists
    ]
    return ("what", "value"), rows


def _safe(cell: Cell) -> Cell:
    """Return a cell that no spreadsheet takes for a formula, without control characters."""
    if not isinstance(cell, str):
        return cell
    return neutral(printable(cell).strip())


def _csv(sheet: Sheet) -> bytes:
    heads, rows = sheet
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(heads)
    writer.writerows([_safe(c) for c in row] for row in rows)
    return text.getvalue().encode("utf-8")


def _xlsx(tables: dict[str, Sheet]) -> bytes:
    from openpyxl import Workbook
    from openpyxl.styles import Alignment, Font

    book = Workbook()
    book.remove(book.active)
    for title, (heads, rows) in tables.items():
        sheet = book.create_sheet(title)
        sheet.append(list(heads))
        for row in rows:
            sheet.append([_safe(c) for c in row])
        for column in sheet.columns:
            longest = max(len(str(c.value or "")) for c in column)
            sheet.column_dimensions[column[0].column_letter].width = min(max(10, longest + 2), 60)
            for cell in column:
                cell.alignment = Alignment(wrap_text=True, vertical="top")
            column[0].font = Font(bold=True)
        sheet.freeze_panes = "B2"
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()
