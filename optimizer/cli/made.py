"""`tenside made`: what a batch really became, and the next master formula."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.cli.batch import BatchFile, batch_subject
from optimizer.cli.common import (
    BENCH,
    Html,
    Json,
    Libraries,
    Markdown,
    Pdf,
    ShelfFile,
    app,
    print_json,
    quiet_solvers,
    say,
    show,
)

if TYPE_CHECKING:
    from optimizer.bench.batch import Batch


@app.command(rich_help_panel=BENCH)
def made(
    path: BatchFile,
    master: Annotated[Path | None, typer.Option(help="Write the next master formula as a table (.csv).")] = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Work out the formula that was really made, hold it against plan and brief, propose the next master formula."""
    from optimizer.answers.bench import batch_of, made_of
    from optimizer.files import refuse_existing

    if master is not None:
        refuse_existing(master)
    found = batch_subject(path, shelf, library)
    with quiet_solvers():
        done = made_of(found)
    if master is not None:
        from optimizer.bench.plan import formula_table
        from optimizer.files import write_atomic

        write_atomic(master, formula_table(done.master.formula))
    if json:
        print_json(done)
    else:
        from optimizer.report.made import made_document

        show(made_document(done), markdown, html, pdf)
        if master is not None:
            say(f"\nNext: {_next(str(master), batch_of(found), done.master.formula.held_back)}")
    raise typer.Exit(4 if done.serious else 0)


def _next(table: str, batch: "Batch", held_back: float) -> str:
    """Return the command that lays the next batch file: as large as this one, for its bottles and its scale."""
    options = [f"--for {batch.brief}", f"--size {batch.size_g:.12g}g", f"--held {held_back:g}"]
    options.append(f"--scale {batch.scale.step_g:g}")
    for name, value in (("bottle", batch.bottle_ml), ("density", batch.density_g_per_ml), ("loss", batch.loss_percent)):
        options += [f"--{name} {value:g}"] if value else []
    return " ".join(["tenside batch", table, *options, "--out NEXT.toml"])
