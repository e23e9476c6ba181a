"""`tenside list`: which briefs there are."""

from pathlib import Path
from typing import Annotated

import typer

from optimizer.cli.common import FACTS, Html, Json, Markdown, Pdf, app, print_json, show


@app.command("list", rich_help_panel=FACTS)
def list_briefs(
    folder: Annotated[Path, typer.Argument(help="Folder of your own briefs; those right below it count too.")] = Path(),
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """List the briefs of a folder and the shipped ones, with what they are."""
    from optimizer.brief.listing import briefs_of
    from optimizer.report.reference import briefs_document

    found = briefs_of(folder)
    if json:
        print_json(found)
    else:
        show(briefs_document(found), markdown, html, pdf)
