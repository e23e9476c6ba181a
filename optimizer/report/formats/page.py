"""Documents as one self-contained HTML page: to read on any screen, to print, to send along.

No script, no network, no other file. Structure, contrast and keyboard use follow the Web Content Accessibility
Guidelines (WCAG) 2.2, level AA; tests hold the page to them in a browser.
"""

from __future__ import annotations

import hashlib
import re
from base64 import b64encode
from collections.abc import Iterator
from pathlib import Path
from unicodedata import bidirectional

from optimizer import __version__
from optimizer.files import report_mark
from optimizer.report.document import Column, Document, Listing, Section, Sketch, Strong, Table
from optimizer.report.formats.escape import escaped, printable, shown
from optimizer.report.formats.pictures import drawn

STYLE = Path(__file__).with_name("page.css")
"""The look of every page, also of the desk's."""
LONG = 24
"""Rows above which a table is folded, except the first of a page."""
CLASSES = {"figure": "n", "big": "n big", "tick": "tick", "write": "write"}
"""What columns are called in `page.css`."""
BOX = '<span class="box"></span><span class="unseen">to tick</span>'
NUMBERED = re.compile(r"\d+\. ")
"""How an item begins that has a number of its own, and needs no other mark."""
NARROW = 3
"""Columns that fit the narrowest screen; wider tables can be scrolled by themselves."""


def page(document: Document) -> str:
    """Return a document as a whole HTML page."""
    style = _style(document.running)
    allowed = b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")
    policy = f"default-src 'none'; style-src 'sha256-{allowed}'; img-src data:; base-uri 'none'; form-action 'none'"
    body = "\n".join(_body(document))
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="generator" content="tenside {__version__}">
<meta name="mark" content="{report_mark(document.kind)}">
<link rel="icon" href="data:,">
<title>{escaped(document.title)}</title>
<style>{style}</style>
</head>
<body>
{body}
</body>
</html>
"""


def piece(document: Document, key: str = "s") -> str:
    """Return what follows a document's title as a part of another page; `key` begins every id in it."""
    parts = [*_opening(document)]
    for number, section in enumerate(document.sections, 1):
        parts += _section(section, f"{key}{number}", 2, fold=number > 1, region=False)
    return "\n".join(parts)


def _style(running: str) -> str:
    """Return the style of a page; with words that stand on each printed one also that of what is filled in by hand."""
    style = STYLE.read_text(encoding="utf-8")
    if not running:
        return style
    # Everything but letters, digits and spaces is written as its code, which a space ends.
    told = re.sub(r"[^A-Za-z0-9 ]", lambda m: f"\\{ord(m[0]):06x} ", running)
    return style + STYLE.with_name("form.css").read_text(encoding="utf-8").replace("RUNNING", told)


def _body(document: Document) -> Iterator[str]:
    yield '<a class="skip" href="#main">Skip to the report</a>'
    yield "<header>"
    yield f"<h1{_turned(document.title)}>{_words(document.title)}</h1>"
    yield from _opening(document)
    listed = [n for n, s in enumerate(document.sections, 1) if isinstance(s, Listing) and s.kind == "caution"]
    if listed:  # the last: what comes before them is seen at once
        yield f'<p><a href="#s{listed[-1]}">Read the cautions</a> before you weigh anything.</p>'
    yield "</header>"
    if len(document.sections) > 2:
        yield '<nav aria-label="Contents"><ul>'
        for number, section in enumerate(document.sections, 1):
            if not section.title:
                continue
            yield f'<li><a href="#s{number}">{_words(section.title)}</a></li>'
        yield "</ul></nav>"
    yield '<main id="main" tabindex="-1">'
    for number, section in enumerate(document.sections, 1):
        yield from _section(section, f"s{number}", 2, fold=number > 1)
    yield "</main>"
    yield f"<footer><p>Made with tenside {__version__}: a plan for the bench, nothing that was measured.</p></footer>"


def _opening(document: Document) -> Iterator[str]:
    """Yield verdict and facts."""
    kind = "verdict" if document.good else "verdict bad"
    if document.verdict:
        yield f'<p class="{kind}"{_turned(document.verdict)}>{_words(document.verdict)}</p>'
    if document.facts:
        yield "<dl>"
        for name, value in document.facts:
            yield f"<dt>{_words(name)}</dt><dd{_turned(value)}>{_words(value)}</dd>"
        yield "</dl>"


def _section(section: Section | Document, key: str, level: int, *, fold: bool, region: bool = True) -> Iterator[str]:
    """Yield a section under a heading of the given level; `key` begins every id in it.

    One without a title belongs to the section before. As a region it is a place of the page that readers jump to.
    """
    kind = ' class="cautions"' if isinstance(section, Listing) and section.kind == "caution" else ""
    named = f' aria-labelledby="{key}h"' if section.title and region else ""
    yield f'<section id="{key}"{named}{kind}>'
    if section.title:
        yield f'<h{level} id="{key}h"{_turned(section.title)}>{_words(section.title)}</h{level}>'
    if isinstance(section, Document):
        yield from _opening(section)
        for number, part in enumerate(section.sections, 1):
            yield from _section(part, f"{key}-{number}", min(level + 1, 6), fold=True, region=region)
    elif isinstance(section, Table):
        yield from _table(section, key, fold=section.detail or (fold and len(section.rows) > LONG and not section.form))
    elif isinstance(section, Sketch):
        yield from _figure(section, key)
    else:
        numbered = bool(section.items) and all(map(NUMBERED.match, section.items))
        yield '<ul class="numbered">' if numbered else "<ul>"
        yield from (f"<li{_turned(item)}>{_words(item)}</li>" for item in section.items)
        yield "</ul>"
    yield "</section>"


def _table(table: Table, key: str, *, fold: bool) -> Iterator[str]:
    if fold:
        yield f"<details><summary>All {len(table.rows)} rows</summary>"
    wide = len(table.columns) > NARROW
    if wide:
        named = f'aria-labelledby="{key}h"' if table.title else 'aria-label="table"'
        yield f'<div class="wide" role="group" tabindex="0" {named}>'
    title = f'<span class="unseen">{_words(table.title)}. </span>' if table.title else ""
    form = ' class="form"' if table.form else ""
    # On a narrow screen the rows of a wide table are laid out below one another: roles say that it still is a table.
    yield f"<table{form}{_role(wide, 'table')}><caption>{title}{_words(table.note)}</caption>"
    heads = table.heads
    names = (f'<th scope="col"{_number(c)}>{_words(c.name)}</th>' if c.name else "<td></td>" for c in heads)
    yield f"<thead><tr>{''.join(names)}</tr></thead>"
    yield "<tbody>"
    for row, told, notes in zip(table.rows, table.told(), table.notes(), strict=True):
        cells: list[str] = []
        for k, (column, cell) in enumerate(zip(heads, told, strict=True)):
            tag, scope = ("th", ' scope="row"') if k == table.lead and not table.blank else ("td", "")
            below = "".join(f'<p class="note"{_turned(n)}>{_words(n)}</p>' for n in notes if k == table.lead)
            words = BOX if column.kind == "tick" and cell else _words(cell)
            named = f' data-of="{_words(column.name)}"' if wide and tag == "td" and column.name else ""
            role = _role(wide, "rowheader" if scope else "cell")
            cells.append(f"<{tag}{scope}{_number(column)}{_turned(cell)}{named}{role}>{words}{below}</{tag}>")
        strong = ' class="strong"' if isinstance(row, Strong) else ""
        yield f"<tr{strong}{_role(wide, 'row')}>{''.join(cells)}</tr>"
    yield "</tbody></table>"
    if wide:
        yield "</div>"
    if fold:
        yield "</details>"


def _role(wide: bool, role: str) -> str:
    return f' role="{role}"' if wide else ""


def _figure(sketch: Sketch, key: str) -> Iterator[str]:
    yield "<figure>"
    if sketch.drawing is not None:
        yield drawn(sketch, f"{key}p")
    else:
        text = "&#10;".join(map(escaped, sketch.lines))
        yield f'<pre tabindex="0" role="img" aria-label="{escaped(sketch.title)}">{text}</pre>'
    if sketch.note:
        yield f"<figcaption>{_words(sketch.note)}</figcaption>"
    yield "</figure>"


def _number(column: Column) -> str:
    kind = CLASSES.get(column.kind)
    return f' class="{kind}"' if kind else ""


def _words(text: str) -> str:
    """Return a text for the page, a percent sign kept with its figure."""
    return escaped(shown(text)).replace(" %", "&nbsp;%")


def _turned(text: str) -> str:
    """Return the attribute that lets a text run in its own direction, if it holds letters that run leftwards."""
    if text.isascii():
        return ""
    return ' dir="auto"' if any(bidirectional(c) in ("R", "AL") for c in printable(text)) else ""
