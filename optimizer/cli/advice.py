"""`tenside advice`: what a bench chemist would say to a formula."""

from optimizer.cli.common import (
    BENCH,
    Changes,
    For,
    Html,
    Json,
    Libraries,
    Markdown,
    ShelfFile,
    SubjectName,
    app,
    changes_of,
    print_json,
    quiet_solvers,
    show,
)


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
    from optimizer.assessment.advice import Situation
    from optimizer.cli.subject import subject_of

    with quiet_solvers():
        found = subject_of(subject, against=against, changes=changes_of(changes), shelf=shelf, libraries=library)
    situation = Situation(found.formula, found.setting, found.brief)
    from optimizer.report.advice import advice_document, advice_record

    if json:
        print_json(advice_record(found.name, situation, found.notes))
    else:
        show(advice_document(found.name, situation, found.notes), markdown, html)
