"""`tenside page`: everything about one formula as a page to read and print."""

from pathlib import Path
from typing import Annotated

import typer

from optimizer.answers.writing import save
from optimizer.cli.common import (
    AFTER,
    Changes,
    For,
    Json,
    Libraries,
    ShelfFile,
    app,
    aside,
    changes_of,
    new_report,
    print_json,
    quiet_solvers,
    say,
)
from optimizer.errors import UsageError, nearest


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
    from optimizer.answers.page import whole
    from optimizer.immutable import replace

    wanted = _studies(studies)
    with quiet_solvers():
        found = whole(
            subject, against=against, studies=wanted, changes=changes_of(changes), shelf=shelf, libraries=library
        )
    if found.left_out:
        aside(f"no {' and no '.join(found.left_out)}: the brief has no formula")
    document = found.document
    save(document, out)
    if json:
        print_json(replace(found, file=out.name))
    else:
        say(f"{document.title}: {document.verdict}\nwrote {out}")
    raise typer.Exit(found.exit_code)


def _studies(text: str) -> tuple[str, ...]:
    from optimizer.answers.page import STUDIES

    wanted = tuple(name.strip() for name in text.split(",") if name.strip())
    for name in wanted:
        if name not in STUDIES:
            raise UsageError(f"--with {text}: there is no '{name}' here. {nearest(name, STUDIES)}")
    return wanted
