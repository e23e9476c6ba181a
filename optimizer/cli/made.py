"""`tenside made`: what a batch really became, and the next master formula."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.batch import BatchFile
from optimizer.cli.common import BENCH, Files, app, command

if TYPE_CHECKING:
    from optimizer.bench.batch import Batch


@command(app, BENCH)
def made(
    path: BatchFile,
    master: Annotated[Path | None, typer.Option(help="Write the next master formula as a table (.csv).")] = None,
    files: Files = Files(),
) -> Answer[Any]:
    """Work out the formula that was really made, hold it against plan and brief, propose the next master formula."""
    from optimizer.answers.bench import batch_of, made_of, write_master
    from optimizer.files import refuse_existing

    if master is not None:
        refuse_existing(master)
    found = files.batch(path)
    done = made_of(found)
    answer = Answer("made", done, 4 if done.serious else 0).by(found.brief.library.called)
    if master is not None:
        write_master(master, done)
        answer.closing = f"\nNext: {_next(str(master), batch_of(found), done.master.formula.held_back)}"
    return answer


def _next(table: str, batch: "Batch", held_back: float) -> str:
    """Return the command that lays the next batch file: as large as this one, for its bottles and its scale."""
    options = [f"--for {batch.brief}", f"--size {batch.size_g:.12g}g", f"--held {held_back:g}"]
    options.append(f"--scale {batch.scale.step_g:g}")
    for name, value in (("bottle", batch.bottle_ml), ("density", batch.density_g_per_ml), ("loss", batch.loss_percent)):
        options += [f"--{name} {value:g}"] if value else []
    return " ".join(["tenside batch", table, *options, "--out NEXT.toml"])
