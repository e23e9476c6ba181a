"""`tenside page`: everything about one formula as a page to read and print."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.cli.common import (
    AFTER,
    Changes,
    For,
    Json,
    Libraries,
    ShelfFile,
    app,
    aside,
    brief_of,
    changes_of,
    new_report,
    print_json,
    quiet_solvers,
    save,
    say,
)
from optimizer.errors import UsageError, nearest

if TYPE_CHECKING:
    from optimizer.answers.subject import Subject
    from optimizer.bench.batch import Batch
    from optimizer.brief.brief import Brief
    from optimizer.report.document import Document

STUDIES = ("frontier", "leeway")
LOSS = 0.03
"""How much worse the objective may be in the room to move, as a share of the best."""


@app.command(rich_help_panel=AFTER)
def page(
    subject: Annotated[
        str, typer.Argument(help="A scenario (file or shipped name), a formula (.csv, .xlsx, .json) or a batch file.")
    ],
    out: Annotated[Path, typer.Option(help="The file: .html to read and print, .pdf to file.", callback=new_report)],
    against: For = "",
    studies: Annotated[
        str,
        typer.Option(
            "--with",
            help="Also 'frontier' (cost against mildness) and 'leeway' (room to move at a loss of 3 %), by commas.",
        ),
    ] = "",
    changes: Changes = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
    json: Json = False,
) -> None:
    """Write a formula with its pictures, rules, pH and cautions as one page that needs no other file and no network."""
    from optimizer.answers.subject import TABLES
    from optimizer.bench.batch import is_batch

    wanted = _studies(studies)
    path = Path(subject)
    with quiet_solvers():
        if path.suffix.lower() in TABLES or is_batch(path):
            document, code = _given(subject, against, wanted, changes, shelf, library)
        else:
            document, code = _blend(subject, wanted, changes, shelf, library)
    save(document, out)
    if json:
        from optimizer.report.page import page_record

        print_json(page_record(document, out.name))
    else:
        say(f"{document.title}: {document.verdict}\nwrote {out}")
    raise typer.Exit(code)


def _studies(text: str) -> list[str]:
    wanted = [name.strip() for name in text.split(",") if name.strip()]
    for name in wanted:
        if name not in STUDIES:
            raise UsageError(f"--with {text}: there is no '{name}' here. {nearest(name, STUDIES)}")
    return wanted


def _blend(
    name: str, wanted: list[str], changes: list[str] | None, shelf: Path | None, libraries: list[Path] | None
) -> "tuple[Document, int]":
    """Return the best formula of a scenario, or what clashes."""
    from optimizer.answers.questions import blend

    brief = brief_of(name, changes, shelf, libraries)
    answer = blend(brief)
    best = answer.found.objective if answer.found.formula else None
    return answer.document(_chapters(brief, wanted, best)), answer.exit_code


def _given(
    name: str,
    against: str,
    wanted: list[str],
    changes: list[str] | None,
    shelf: Path | None,
    libraries: list[Path] | None,
) -> "tuple[Document, int]":
    """Return a formula that exists, held against its brief."""
    from optimizer.answers.subject import subject_of
    from optimizer.assessment.chemistry import chemistry_of
    from optimizer.report.studies import given_document
    from optimizer.solve.linear import provenance_of
    from optimizer.studies.check import check

    subject = subject_of(name, against=against, changes=changes_of(changes), shelf=shelf, libraries=libraries)
    brief, formula = subject.brief, subject.formula
    if subject.batch is not None and subject.batch.begun:
        return _made(subject, subject.batch, wanted)
    notes = tuple(n for n in subject.notes if n not in brief.assumptions)
    checked = check(brief, formula.doses, formula.held_back, notes)
    more = _studied(brief, wanted)
    chemistry = chemistry_of(checked.brief, formula, subject.setting)
    document = given_document(subject.name, checked, subject.setting, chemistry, provenance_of(brief), more)
    return document, 4 if checked.broken else 0


def _made(subject: "Subject", batch: "Batch", wanted: list[str]) -> "tuple[Document, int]":
    """Return a batch that was begun as it was really made."""
    from optimizer.assessment.chemistry import chemistry_of
    from optimizer.bench.reconcile import reconcile
    from optimizer.report.made import made_page
    from optimizer.rules.row import Setting
    from optimizer.solve.linear import provenance_of

    brief = subject.brief
    done = reconcile(brief, batch, subject.formula, subject.setting)
    at = subject.setting if done.ph is None else Setting(done.ph, done.ph, done.ph)
    chemistry = chemistry_of(brief, done.formula, at)
    document = made_page(done, subject.setting, chemistry, provenance_of(brief), _studied(brief, wanted))
    return document, 4 if done.serious else 0


def _studied(brief: "Brief", wanted: list[str]) -> "tuple[Document, ...]":
    """Return the studies that were asked for of a formula that exists; they are about its brief."""
    from optimizer.solve.best import solve

    best = solve(brief) if wanted else None
    return _chapters(brief, wanted, best.objective if best and best.formula else None)


def _chapters(brief: "Brief", wanted: list[str], best: float | None) -> "tuple[Document, ...]":
    """Return the studies that were asked for, as chapters; none if the brief has no formula."""
    if wanted and best is None:
        aside(f"no {' and no '.join(wanted)}: the brief has no formula")
    if best is None:
        return ()
    from optimizer.answers.questions import frontier, leeway

    chapters: list[Document] = []
    if "frontier" in wanted:
        chapters.append(frontier(brief).document().chapter())
    if "leeway" in wanted:
        chapters.append(leeway(brief, loss=LOSS * abs(best)).document().chapter())
    return tuple(chapters)
