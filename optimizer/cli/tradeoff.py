"""`tenside frontier | leeway`: what one measure costs in another, and how far doses may move."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Literal

import typer

from optimizer.cli.common import (
    FORMULA,
    Changes,
    Html,
    Json,
    Libraries,
    Markdown,
    ScenarioName,
    ShelfFile,
    app,
    aside,
    brief_of,
    print_json,
    quiet_solvers,
    show,
)
from optimizer.errors import UsageError, hyphened

Picture = Annotated[Path | None, typer.Option("--picture", help="Also draw it, as .svg, .png or .pdf.")]


@app.command(rich_help_panel=FORMULA)
def frontier(
    scenario: ScenarioName,
    best: Annotated[str, typer.Option(help="What is best at each point: 'minimise MEASURE' or 'maximise MEASURE'.")] = (
        "minimise cost"
    ),
    against: Annotated[
        str, typer.Option(help="What is traded against it, written the same way.")
    ] = "maximise mildness",
    by: Annotated[str, typer.Option(help="A family of curves, one per value: RULE.LIMIT=VALUE,VALUE,...")] = "",
    changes: Changes = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
    picture: Picture = None,
    html: Html = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Trace the trade-off of two measures: every break and what one more point costs."""
    from optimizer.report.picture_file import refuse_undrawable
    from optimizer.studies.frontier import frontier as trace
    from optimizer.studies.stepped import needs_steps, stepped

    if picture:
        refuse_undrawable(picture)
    key, _, values = by.partition("=")
    if by and not values:
        raise UsageError(f"--by {by}: write RULE.LIMIT=VALUE,VALUE, such as active.at_least=9,10,11.")
    curves = []
    with quiet_solvers(), _telling() as tell:
        for value in values.split(",") if by else [""]:
            more = [(key.strip(), value.strip())] if by else []
            brief = brief_of(scenario, changes, shelf, library, more)
            label = f"{key.strip()} = {value.strip()}" if by else ""
            y, x = _axis("--best", best), _axis("--against", against)
            curves.append((label, (stepped if needs_steps(brief, y[1], x[1]) else trace)(brief, y, x, tell)))
    from optimizer.report.tradeoff import draw_frontier, frontier_document, frontier_record

    found = any(c.breaks for _, c in curves)
    if picture and found:
        draw_frontier(tuple(curves), picture)
    elif picture:
        aside(f"--picture: there is no curve to draw, so {picture} was not written.")
    if json:
        print_json(frontier_record(tuple(curves)))
    else:
        show(frontier_document(tuple(curves)), markdown, html)
    raise typer.Exit(0 if found else 4)


@app.command(rich_help_panel=FORMULA)
def leeway(
    scenario: ScenarioName,
    loss: Annotated[float, typer.Option(help="How much worse the objective may be, in its own unit.", min=0)] = 0.05,
    others: Annotated[
        int, typer.Option(help="Also this many formulas within the loss, as different as possible.", min=0)
    ] = 0,
    changes: Changes = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
    picture: Picture = None,
    html: Html = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Say how far each dose may move at a stated loss, and which materials no good formula uses."""
    from optimizer.report.picture_file import refuse_undrawable
    from optimizer.studies.leeway import leeway as measure

    if picture:
        refuse_undrawable(picture)
    with quiet_solvers():
        brief = brief_of(scenario, changes, shelf, library)
        found = measure(brief, loss, alternatives=others)
    from optimizer.report.tradeoff import draw_leeway, leeway_document, leeway_record

    if picture:
        draw_leeway(found, picture)
    if json:
        print_json(leeway_record(found))
    else:
        show(leeway_document(found), markdown, html)


@contextmanager
def _telling() -> "Iterator[Callable[[str], None] | None]":
    """Tell on stderr how far a long trade-off has come, while it is a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console

    with Console(stderr=True).status("tracing the trade-off") as status:
        yield lambda text: status.update(f"tracing the trade-off: {text}")


def _axis(option: str, text: str) -> tuple[Literal[1, -1], str]:
    sense, _, measure = text.strip().partition(" ")
    if sense not in ("minimise", "maximise") or not measure:
        raise UsageError(f"{option} '{text}': write 'minimise MEASURE' or 'maximise MEASURE'.")
    return (1 if sense == "minimise" else -1), hyphened(measure.strip())
