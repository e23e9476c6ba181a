"""How well the figures of a library are backed, as a document."""

from __future__ import annotations

from optimizer.data.evidence import LEVELS, MOST_ASKED, WORDS, BackedLine, Counted, Evidence
from optimizer.report.document import Columns, Document, Listing, Row, Strong, Table, figures
from optimizer.units import number

SHORT = {"supplier-typical": "supplier", "secondary page": "page", "common practice": "practice",
         "from memory": "memory", "assumption": "assumed"}  # fmt: skip
"""Levels as heads of columns."""
WHAT = (
    "Each field of each material counts once. Best first: published (read in a publication, a register or a law), "
    "computed (from such figures), supplier (a supplier's page), page (encyclopaedia, dealer, web log), practice (the "
    "trade's custom, no source), memory (believed, nobody read it again), assumed. Believed: of all, from memory or "
    "assumed."
)


def evidence_document(found: Evidence) -> Document:
    """Return how many figures stand on each level, figure by figure."""
    read = found.read
    verdict = (
        f"{read.all.figures} figures of {read.materials} materials: {number(read.all.read_percent, 0)} % published or "
        f"computed, {number(read.all.believed_percent, 0)} % from memory or assumed."
    )
    sections: list[Table | Listing] = [_table("Materials of which figures were looked up", read), _goals(found)]
    if found.unread.materials:
        sections.append(_table("Materials entered from memory as a whole, counted apart", found.unread))
    return Document("What the library rests on", verdict, sections=sections)


def _table(title: str, counted: Counted) -> Table:
    rows: list[Row] = [_row(WORDS.get(line.figure, line.figure.replace("_", " ")), line) for line in counted.by_figure]
    rows.append(Strong(_row("all", counted.all)))
    believed = figures("believed", form=".0f", unit=" %")
    columns: Columns = ("figure", *figures(*(SHORT.get(level, level) for level in LEVELS), "all", digits=0), *believed)
    return Table(title, columns, tuple(rows), WHAT)


def _row(name: str, line: BackedLine) -> tuple[str | float | None, ...]:
    return (name, *(line.levels[level] or None for level in LEVELS), line.figures, line.believed_percent)


def _goals(found: Evidence) -> Listing:
    lines = {line.figure: line for line in found.read.by_figure}
    most, least = found.most_believed_percent, found.least_read_percent
    goals = [_goal("all figures, from memory or assumed", found.read.all.believed_percent, "at most", most)]
    goals += [
        _goal(f"{WORDS[name]}, published or computed", lines[name].read_percent, "at least", least)
        for name in MOST_ASKED
        if name in lines
    ]
    placed = 100 * found.law_placed / found.law if found.law else 100.0
    goals.append(_goal(f"{found.law} texts of law with entry, act and day", placed, "at least", 100.0))
    return Listing("Goals", tuple(goals))


def _goal(what: str, reached: float, word: str, goal: float) -> str:
    kept = reached <= goal if word == "at most" else reached >= goal
    return f"{what}: {number(reached, 1)} %, {word} {number(goal)} %: {'reached' if kept else 'not reached'}"
