"""Documents as Markdown."""

from __future__ import annotations

from optimizer.report.document import Document, Sketch, Table
from optimizer.report.formats.escape import printable, shown


def markdown(document: Document, level: int = 1) -> str:
    """Return a document as Markdown text whose title is a heading of that level; cells are escaped."""
    parts = [f"{'#' * level} {_escaped(document.title)}", f"**{_escaped(document.verdict)}**"]
    if document.facts:
        parts.append("\n".join(f"- {_escaped(name)}: {_escaped(value)}" for name, value in document.facts))
    for section in document.plain:
        if isinstance(section, Document):
            parts.append(markdown(section, level + 1).rstrip())
            continue
        if isinstance(section, Sketch) and not section.lines:
            continue
        if section.title:
            parts.append(f"{'#' * level}# {_escaped(section.title)}")
        if isinstance(section, Table):
            parts.append(_table(section))
            if section.note:
                parts.append(_escaped(section.note))
        elif isinstance(section, Sketch):
            fence = "```"
            while any(fence in line for line in section.lines):
                fence += "`"
            parts.append("\n".join([f"{fence}text", *map(printable, section.lines), fence]))
        else:
            parts.append("\n".join(f"- {_escaped(item)}" for item in section.items))
    return "\n\n".join(parts) + "\n"


def _table(table: Table) -> str:
    heads = " | ".join(_escaped(c.name) for c in table.heads)
    rule = " | ".join("---:" if c.right else "---" for c in table.heads)
    cells = [list(row) for row in table.told()]
    for row, note in zip(cells, table.notes_in_line(), strict=True):
        row[table.lead] += f": {note}" if note else ""
    rows = [" | ".join(map(_escaped, row)) for row in cells]
    return "\n".join(f"| {line} |" for line in (heads, rule, *rows))


SPECIAL = {"&": "&amp;", "<": "&lt;", ">": "&gt;", **{c: f"\\{c}" for c in "\\|*_`[]#~"}}
"""What Markdown or HTML would read as more than text."""


def _escaped(text: str) -> str:
    return "".join(SPECIAL.get(c, c) for c in shown(text))
