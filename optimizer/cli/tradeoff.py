"""`tenside frontier | leeway`: what one measure costs in another, and how far doses may move."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import (
    FORMULA,
    AtPh,
    Changes,
    Libraries,
    Readings,
    ScenarioName,
    ShelfFile,
    Sure,
    Want,
    app,
    aside,
    brief_of,
    command,
    quiet_solvers,
    with_readings,
)
from optimizer.errors import UsageError

Picture = Annotated[Path | None, typer.Option("--picture", help="Also draw it, as .svg, .png or .pdf.")]


@command(app, FORMULA)
def frontier(
    scenario: ScenarioName,
    best: Annotated[str, typer.Option(help="What is best at each point: 'minimise MEASURE' or 'maximise MEASURE'.")] = (
        "minimise cost"
    ),
    against: Annotated[
        str, typer.Option(help="What is traded against it, written the same way.")
    ] = "maximise mildness",
    by: Annotated[str, typer.Option(help="A family of curves, one per value: RULE.LIMIT=VALUE,VALUE,...")] = "",
    readings: Readings = None,
    want: Want = None,
    sure: Sure = 90.0,
    at_ph: AtPh = None,
    changes: Changes = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
    picture: Picture = None,
) -> Answer[Any]:
    """Trace the trade-off of two measures: every break and what one more point costs."""
    from optimizer.answers import questions
    from optimizer.report.picture_file import refuse_undrawable

    if picture:
        refuse_undrawable(picture)
    key, _, values = (part.strip() for part in by.partition("="))
    if by and not values:
        raise UsageError(f"--by {by}: write RULE.LIMIT=VALUE,VALUE, such as active.at_least=9,10,11.")
    with quiet_solvers(), _telling() as told:
        axes = tuple(axis.strip().partition(" ")[2].strip() for axis in (best, against))
        measured = partial(with_readings, readings=readings, want=want, sure=sure, at_ph=at_ph, shown=axes)
        briefs = {
            f"{key} = {value.strip()}": measured(brief_of(scenario, changes, shelf, library, [(key, value.strip())]))
            for value in values.split(",")
            if by
        }
        answer = questions.frontier(
            briefs or measured(brief_of(scenario, changes, shelf, library)), best=best, against=against, tell=told
        )
    if picture and answer.exit_code == 0:
        from optimizer.report.tradeoff import draw_frontier

        draw_frontier(answer.found, picture)
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
    readings: Readings = None,
    want: Want = None,
    sure: Sure = 90.0,
    at_ph: AtPh = None,
    changes: Changes = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
    picture: Picture = None,
) -> Answer[Any]:
    """Say how far each dose may move at a stated loss, and which materials no good formula uses."""
    from optimizer.answers import questions
    from optimizer.report.picture_file import refuse_undrawable

    if picture:
        refuse_undrawable(picture)
    brief = with_readings(brief_of(scenario, changes, shelf, library), readings, want, sure, at_ph)
    answer = questions.leeway(brief, loss=loss, others=others)
    if picture:
        from optimizer.report.tradeoff import draw_leeway

        draw_leeway(answer.found, picture)
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
