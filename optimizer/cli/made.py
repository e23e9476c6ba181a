"""`tenside made`: what a batch really became, and the next master formula."""

from pathlib import Path
from typing import Annotated

import typer

from optimizer.cli.batch import BatchFile, batch_subject
from optimizer.cli.common import (
    BENCH,
    Html,
    Json,
    Libraries,
    Markdown,
    ShelfFile,
    app,
    print_json,
    quiet_solvers,
    say,
    show,
)
from optimizer.errors import fault


@app.command(rich_help_panel=BENCH)
def made(
    path: BatchFile,
    master: Annotated[Path | None, typer.Option(help="Write the next master formula as a table (.csv).")] = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
    html: Html = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Work out the formula that was really made, hold it against plan and brief, propose the next master formula."""
    from optimizer.bench.reconcile import reconcile

    if master is not None and master.exists():
        raise fault(str(master), "", "the file exists and would be lost.", "Name another file or move this one.")
    found, batch = batch_subject(path, shelf, library)
    with quiet_solvers():
        done = reconcile(found.brief, batch, found.formula, found.setting)
    if master is not None:
        from optimizer.bench.plan import formula_table
        from optimizer.files import write_atomic

        write_atomic(master, formula_table(done.master.formula))
    if json:
        from optimizer.report.made_record import made_record

        print_json(made_record(done))
    else:
        from optimizer.report.made import made_document

        show(made_document(done), markdown, html)
        if master is not None:
            held = f" --held {done.master.formula.held_back:g}" if done.master.formula.held_back else ""
            say(f"\nNext: tenside batch {master} --for {batch.brief} --size {batch.size_g:g}g{held} --out NEXT.toml")
    raise typer.Exit(4 if done.serious else 0)
