"""`tenside frontier | leeway`: what one measure costs in another, and how far doses may move."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import FORMULA, FromTrials, Given, ScenarioName, app, aside, command, quiet_solvers

Picture = Annotated[Path | None, typer.Option("--picture", help="Also draw it, as .svg, .png or .pdf.")]


@command(app, FORMULA)
def frontier(
    scenario: ScenarioName,
    best: Annotated[
        str | None,
        typer.Option(
            help="What is best at each point: 'minimise MEASURE' or 'maximise MEASURE'; else what it seeks. Beside a "
            "sum a mean or a share always stands across."
        ),
    ] = None,
    against: Annotated[
        str | None, typer.Option(help="What is traded against it, written the same way; else mildness, or cost.")
    ] = None,
    by: Annotated[str, typer.Option(help="A family of curves, one per value: RULE.LIMIT=VALUE,VALUE,...")] = "",
    measured: FromTrials = FromTrials(),
    given: Given = Given(),
    picture: Picture = None,
) -> Answer[Any]:
    """Trace the trade-off of two measures: every break and what one more point costs."""
    from optimizer.answers import tradeoff
    from optimizer.brief.brief import Brief
    from optimizer.report.formats.picture_file import refuse_undrawable

    def read(more: tradeoff.Changes, axes: tuple[str, ...]) -> Brief:
        return measured.put_into(given.brief(scenario, more), shown=axes)

    if picture:
        refuse_undrawable(picture)
    with quiet_solvers(), _telling() as told:
        answer = tradeoff.traded(read, best=best, against=against, by=by, tell=told)
    if picture and answer.exit_code == 0:
        tradeoff.draw(answer, picture)
    elif picture:
        aside(f"--picture: there is no curve to draw, so {picture} was not written.")
    return answer


@command(app, FORMULA)
def leeway(
    scenario: ScenarioName,
    loss: Annotated[float, typer.Option(help="How much worse the objective may be, in its own unit.", min=0)] = 0.05,
    others: Annotated[
        int, typer.Option(help="Also this many formulas within the loss, as different as possible.", min=0)
    ] = 0,
    measured: FromTrials = FromTrials(),
    given: Given = Given(),
    picture: Picture = None,
) -> Answer[Any]:
    """Say how far each dose may move at a stated loss, and which materials no good formula uses."""
    from optimizer.answers import questions, tradeoff
    from optimizer.report.formats.picture_file import refuse_undrawable

    if picture:
        refuse_undrawable(picture)
    answer = questions.leeway(measured.put_into(given.brief(scenario)), loss=loss, others=others)
    if picture:
        tradeoff.draw(answer, picture)
    return answer


@contextmanager
def _telling() -> "Iterator[Callable[[str], None] | None]":
    """Tell on stderr how far a long trade-off has come, while it is a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console

    with Console(stderr=True).status("tracing the trade-off") as status:
        yield lambda text: status.update(f"tracing the trade-off: {text}")
