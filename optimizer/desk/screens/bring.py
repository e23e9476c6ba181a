"""A formula of one's own brought in: its lines are read, what was assumed is told, then it is kept as a file."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from optimizer.answers.beginning import OWN, library_in
from optimizer.answers.intake import take_formula
from optimizer.answers.stock import stocked_brief
from optimizer.data.library import Library
from optimizer.desk.asked import Asked
from optimizer.desk.brought import (
    as_seen,
    bringing,
    in_names,
    names_asked,
    reading_button,
    readings,
    row_by_row,
    seen,
    taken_in,
    words_said,
)
from optimizer.desk.frame import button, choice, field, report
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, path_to, tag
from optimizer.desk.screen import TABLE, Page, RefusedError, Screen
from optimizer.errors import DataError
from optimizer.immutable import replace
from optimizer.intake.typed import as_table
from optimizer.intake.unclear import UnclearError
from optimizer.report.document import Document
from optimizer.report.intake import FormulaTaken, formula_document
from optimizer.units import file_stem

SCREEN = Screen()
HINT = (
    "A material and its per cent on each line, such as 'Glycerin; 2,5', or grams; one line may be 'to 100'. "
    "Lines copied from a spreadsheet are read, too, with their headings."
)
TAKEN = ("shelf",)
"""What no formula may be called, because the folder looks for something else under it."""


def act(asked: Asked) -> Outcome | None:
    """Read the lines; keep the formula if that is what was shown."""
    lines = taken_in(asked, "formula")
    if not asked.text("keep-it"):
        return None
    out = _file(asked)
    try:
        if not as_seen(asked, _taken(asked, lines).taken):
            return None
        written = _taken(asked, lines, out)
    except DataError as error:
        if isinstance(error, UnclearError) or not out.exists():
            return None  # the page tells it
        raise RefusedError({"called": f"There is a file {out.name} here. Choose another name."}) from None
    to = path_to("own", next(name for name, path in asked.folder.formulas() if path == out))
    about = f"?for={asked.text('for')}" if asked.text("for") else ""
    return asked.done(f"{to}{about}", f"Kept: {len(written.taken.lines)} materials in {out.name}.")


def _brief(asked: Asked) -> Path | None:
    return asked.folder.brief(asked.text("for")) if asked.text("for") else None


def _file(asked: Asked) -> Path:
    """Return the file that the formula gets, beside the brief that it is for."""
    stem = file_stem(asked.text("called"))
    if not stem or stem in TAKEN:
        raise RefusedError({"called": "Give the formula a name of its own, such as 'My hand wash'."})
    brief = _brief(asked)
    return (brief.parent if brief else asked.folder.path) / f"{stem}.csv"


def _known(asked: Asked) -> Library:
    brief = _brief(asked)
    return stocked_brief(brief).library if brief else library_in(asked.folder.path)


def _shown(found: FormulaTaken) -> Document:
    return replace(formula_document(found), verdict="So it was read; nothing is kept yet.")


def _taken(asked: Asked, lines: str, out: Path | None = None) -> FormulaTaken:
    """Return what the lines are read as; written where a file is named."""
    known, brief = _known(asked), _brief(asked)
    own = [] if brief else list(asked.folder.path.glob(OWN))
    with as_table(lines) as table:
        words = words_said(asked, known)
        return take_formula(table, brief=str(brief or ""), out=out, words=words, own=own).found


@SCREEN.at("/bring", act=act, rights="formula", longest=TABLE)
def bring(asked: Asked) -> Page:
    """Ask for a formula, and show what was read of it."""
    briefs = [("", "none yet"), *asked.folder.products()]
    wanted = choice(asked, "for", "For which product", briefs, value=asked.query.get("for", ""))
    body = bringing(asked, "/bring", "bring", HINT, wanted, *_read(asked))
    said = "What you make already, held against a product: what it keeps, what it breaks, what it costs."
    return Page("A formula of your own", markup(tag("p", said, class_="soft"), body), back=("/", "Bench"),
                status=422 if asked.problems else 200)  # fmt: skip


def _read(asked: Asked) -> Iterator[Html | None]:
    """Yield what was read of the lines, or what is wrong with them; before anything is typed the button alone."""
    lines = "" if {"sheet", "lines"} & asked.problems.keys() else taken_in(asked, "formula") if asked.typed else ""
    if not lines:
        yield reading_button(asked)
        return
    known = _known(asked)
    try:
        found = _taken(asked, lines)
    except RefusedError as refused:
        asked.problems |= refused.problems
        yield reading_button(asked)
        yield names_asked(asked, (), known)
    except DataError as error:
        asked.problems["lines"] = row_by_row(error, known)
        yield reading_button(asked)
        yield readings(asked.problems["lines"])
        yield names_asked(asked, getattr(error, "names", ()), known)
    else:
        yield reading_button(asked)
        yield names_asked(asked, (), known)
        yield report(in_names(_shown(found), known), "read-", known.by_id)
        yield seen(found.taken)
        yield field(asked, "called", "What is it called?", need=True)
        yield tag("p", button("Keep it as a file", name="keep-it", value="yes"), class_="buttons")
