"""`tenside list`: which briefs there are."""

from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import FACTS, app, command


@command(app, FACTS, "list")
def list_briefs(
    folder: Annotated[Path, typer.Argument(help="Folder of your own briefs; those right below it count too.")] = Path(),
) -> Answer[Any]:
    """List the briefs of a folder and the shipped ones, with what they are."""
    from optimizer.brief.listing import briefs_of

    return Answer("list", briefs_of(folder))
