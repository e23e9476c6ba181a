"""`tenside pack-up | unpack`: the working folder with its records as one zip, and back."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.answers.days import day_of
from optimizer.cli.common import AFTER, Html, Json, Markdown, Pdf, app, print_json, show

if TYPE_CHECKING:
    from optimizer.records.packing import Packed


@app.command("pack-up", rich_help_panel=AFTER)
def pack_up(
    folder: Annotated[Path, typer.Argument(help="The working folder: briefs, shelf, batches, records.")] = Path(),
    out: Annotated[Path | None, typer.Option(help="The zip to write; else beside the folder, dated.")] = None,
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Pack a working folder with its records into one zip, to put away or to carry to another machine."""
    from optimizer.records.packing import pack

    here = folder.resolve()
    packed = pack(folder, out or here.with_name(f"{here.name}-{day_of('')}.zip"))
    _told(packed, f"Packed into {packed.zip}.", f"tenside unpack {packed.zip} NEW-FOLDER", json, markdown, html, pdf)


@app.command(rich_help_panel=AFTER)
def unpack(
    packed: Annotated[Path, typer.Argument(help="A zip that 'tenside pack-up' wrote.")],
    folder: Annotated[Path, typer.Argument(help="The folder to make; it must not exist.")],
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Put a packed working folder back, every file checked; whole or not at all."""
    from optimizer.records.packing import unpack as put_back

    done = put_back(packed, folder)
    _told(done, f"Put back into {done.folder}.", f"tenside list {done.folder}", json, markdown, html, pdf)


def _told(
    packed: "Packed", verdict: str, step: str, json: bool, markdown: bool, html: Path | None, pdf: Path | None
) -> None:
    if json:
        print_json(packed)
    else:
        from optimizer.report.records import packed_document

        show(packed_document(packed, verdict, step), markdown, html, pdf)
