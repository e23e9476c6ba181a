"""`tenside advice`: what a bench chemist would say to a formula."""

from optimizer.cli.common import (
    BENCH,
    Changes,
    For,
    Html,
    Json,
    Libraries,
    Markdown,
    Pdf,
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
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Advise the bench: how to thicken, how much salt is in, how to keep it clear, what to mind."""
    from optimizer.answers.subject import subject_of
    from optimizer.assessment.advice import Situation

    with quiet_solvers():
        found = subject_of(subject, against=against, changes=changes_of(changes), shelf=shelf, libraries=library)
    from optimizer.report.advice import Advised, advice_document

    advised = Advised(found.name, Situation(found.formula, found.setting, found.brief), found.notes)
    if json:
        print_json(advised)
    else:
        show(advice_document(advised), markdown, html, pdf)
