"""`tenside advice`: what a bench chemist would say to a formula."""

from typing import Annotated

import typer

from optimizer.cli.common import (
    BENCH,
    Changes,
    Html,
    Json,
    Libraries,
    Markdown,
    ShelfFile,
    app,
    changes_of,
    print_json,
    quiet_solvers,
    show,
)

SubjectName = Annotated[str, typer.Argument(help="Scenario, batch file, or formula (.csv, .xlsx, .json of a blend).")]
For = Annotated[str, typer.Option("--for", help="Scenario that a formula is held against.")]


@app.command(rich_help_panel=BENCH)
def advice(
    subject: SubjectName,
    against: For = "",
    changes: Changes = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
    html: Html = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Advise the bench: how to thicken, how much salt is in, how to keep it clear, what to mind."""
    from optimizer.outlook.advice import Situation
    from optimizer.subject import subject_of

    with quiet_solvers():
        found = subject_of(subject, against=against, changes=changes_of(changes), shelf=shelf, libraries=library)
    situation = Situation(found.formula, found.setting, found.brief)
    from optimizer.report.advice import advice_document, advice_record

    if json:
        print_json(advice_record(found.name, situation, found.notes))
    else:
        show(advice_document(found.name, situation, found.notes), markdown, html)
