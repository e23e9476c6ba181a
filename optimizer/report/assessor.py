"""The pack for the safety assessor: tables of the label's figures with their sources, as XLSX or CSV."""

from __future__ import annotations

from pathlib import Path

from optimizer.errors import UsageError
from optimizer.labelling.label import Label
from optimizer.labelling.substances import SubstanceAmount
from optimizer.report.document import Row, Table
from optimizer.report.formats.workbook import write_workbook
from optimizer.report.label import BASES, carried, ceiling_words
from optimizer.units import listed, number

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
    write_workbook(path, [_substances(label), _allergens(label), _materials(label), _about(label)])


def _substances(label: Label) -> Table:
    columns = (
        "INCI", "CAS", "% low", "% typical", "% high", "function", "contained in", "ceilings that apply", "sources",
    )  # fmt: skip
    rows: list[Row] = []
    for amount in label.amounts:
        met = [m for m in label.ceilings if amount.inci in m.ceiling.substances]
        words = "; ".join(f"{ceiling_words(m)}{' EXCEEDED' if m.exceeded else ''}" for m in met)
        figures = (round(amount.low, DIGITS), round(amount.typical, DIGITS), round(amount.high, DIGITS))
        texts = (listed(amount.jobs), carried(amount), words, _sources(label, amount))
        rows.append((amount.inci, amount.cas, *figures, *texts))
    return Table("substances", columns, tuple(rows))


def _sources(label: Label, amount: SubstanceAmount) -> str:
    said = [
        f"{MEASURED if c.measured else ''}{_basis_in_words(label, *c.material.backed('substances'))}"
        for c in amount.carriers
    ]
    met = [m.ceiling for m in label.ceilings if amount.inci in m.ceiling.substances]
    return " | ".join(dict.fromkeys([*said, *(_basis_in_words(label, c.source, c.confidence) for c in met)]))


def _basis_in_words(label: Label, source: str, confidence: str) -> str:
    return f"{label.sources.get(source, source)} ({confidence})"


def _allergens(label: Label) -> Table:
    columns = (
        "allergen", "% low", "% typical", "% high", "named above %", "verdict", "list", "contained in", "sources",
    )  # fmt: skip
    rows: list[Row] = []
    for a in label.allergens:
        figures = (round(a.low, DIGITS), round(a.typical, DIGITS), round(a.high, DIGITS), a.threshold)
        held = "; ".join(
            f"{s.material.name} {number(s.percent)} % of the product, holds {number(s.content[0])}-"
            f"{number(s.content[2])} %"
            for s in a.sources
        )
        said = " | ".join(dict.fromkeys(_basis_in_words(label, s.source, s.confidence) for s in a.sources))
        rows.append((a.name, *figures, a.verdict, a.on.called if a.on else "none known here", held, said))
    return Table("allergens", columns, tuple(rows))


def _materials(label: Label) -> Table:
    columns = ("id", "raw material", "% of the product", "INCI", "function", "source", "confidence")
    rows: list[Row] = []
    for p in sorted(label.parts, key=lambda p: (-p.percent, p.material.id)):
        m = p.material
        source, confidence = m.backed("substances")
        said = f"{MEASURED if p.measured else ''}{label.sources.get(source, source)}"
        rows.append((m.id, m.name, round(p.percent, DIGITS), m.inci, m.function, said, confidence))
    return Table("raw materials", columns, tuple(rows))


def _about(label: Label) -> Table:
    rows: list[Row] = [
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
    return Table("about", ("what", "value"), tuple(rows))
