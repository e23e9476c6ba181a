"""`tenside made`: what a batch really became, and the next master formula."""

from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.batch import BatchFile
from optimizer.cli.common import BENCH, Files, app, command


@command(app, BENCH)
def made(
    path: BatchFile,
    master: Annotated[Path | None, typer.Option(help="Write the next master formula as a table (.csv).")] = None,
    files: Files = Files(),
) -> Answer[Any]:
    """Work out the formula that was really made, hold it against plan and brief, propose the next master formula."""
    from optimizer.answers.bench import batch_of, made_of, stage_now, write_master
    from optimizer.answers.following import after_bench, after_made
    from optimizer.files import refuse_existing

    if master is not None:
        refuse_existing(master)
    found = files.batch(path)
    done = made_of(found)
    answer = Answer("made", done, 4 if done.serious else 0).by(found.brief.library.called)
    answer.following = after_bench(stage_now(found), batch_of(found), str(path)) if done.to_come else ""
    if master is not None:
        write_master(master, done)
        answer.closing = f"\nNext: {after_made(master, batch_of(found), done)}"
    return answer
