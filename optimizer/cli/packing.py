"""`tenside pack-up | unpack`: the working folder with its records as one zip, and back."""

from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import AFTER, app, command


@command(app, AFTER, "pack-up")
def pack_up(
    folder: Annotated[Path, typer.Argument(help="The working folder: briefs, shelf, batches, records.")] = Path(),
    out: Annotated[Path | None, typer.Option(help="The zip to write; else beside the folder, dated.")] = None,
) -> Answer[Any]:
    """Pack a working folder with its records into one zip, to put away or to carry to another machine."""
    from optimizer.answers import kept

    return kept.pack_up(folder, out)


@command(app, AFTER)
def unpack(
    packed: Annotated[Path, typer.Argument(help="A zip that 'tenside pack-up' wrote.")],
    folder: Annotated[Path, typer.Argument(help="The folder to make; it must not exist.")],
) -> Answer[Any]:
    """Put a packed working folder back, every file checked; whole or not at all."""
    from optimizer.answers import kept

    return kept.unpack(packed, folder)
