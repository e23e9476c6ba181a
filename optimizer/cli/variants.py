"""`tenside variants`: small changes to a locked base."""

from pathlib import Path
from typing import Annotated

import typer

from optimizer.cli.common import (
    FORMULA,
    Html,
    Json,
    Libraries,
    Markdown,
    Pdf,
    ShelfFile,
    app,
    print_json,
    quiet_solvers,
    show,
)
from optimizer.errors import UsageError


@app.command(rich_help_panel=FORMULA)
def variants(
    file: Annotated[Path, typer.Argument(help="TOML file of variants: swaps and doses.")],
    base: Annotated[
        str, typer.Option(help="Scenario, formula or batch file that stays locked, instead of the file's own.")
    ] = "",
    against: Annotated[str, typer.Option("--for", help="Scenario that a formula as base is held against.")] = "",
    changed: Annotated[
        float | None, typer.Option(help="Largest share that may differ from the base, %.", min=0, max=100)
    ] = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Hold variants of a locked base against its brief and show what differs, label and allergens included."""
    from optimizer.brief.scenario import beside
    from optimizer.cli.subject import subject_of
    from optimizer.report.variants import variants_document
    from optimizer.studies.variants import read_variants, varied

    wanted = read_variants(file)
    if changed is not None:
        wanted = wanted.model_copy(update={"changed_at_most": changed})
    if not (base or wanted.base):
        raise UsageError('variants: name the base, with --base or as base = "..." in the file.')
    named = base or (str(beside(file, wanted.base, "base")) if Path(wanted.base).suffix else wanted.base)
    with quiet_solvers():
        subject = subject_of(named, against=against, shelf=shelf, libraries=library)
        found = varied(
            subject.name, subject.formula, subject.scenario, wanted, where=str(file), shelf=shelf, libraries=library
        )
    if json:
        print_json(found)
    else:
        show(variants_document(found), markdown, html, pdf)
    raise typer.Exit(0 if all(not o.too_much and not o.newly_broken for o in found.outcomes) else 4)
