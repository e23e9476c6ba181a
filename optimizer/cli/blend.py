"""`tenside blend`: the best formula of a brief."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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
    goal_of,
    with_readings,
)

if TYPE_CHECKING:
    from optimizer.solve.result import Result


@command(app, FORMULA)
def blend(
    scenario: ScenarioName,
    changes: Changes = None,
    objective: Annotated[
        str, typer.Option(help="'minimise MEASURE' or 'maximise MEASURE' instead of the brief's own.")
    ] = "",
    shelf: ShelfFile = None,
    library: Libraries = None,
    readings: Readings = None,
    want: Want = None,
    sure: Sure = 90.0,
    at_ph: AtPh = None,
    solver: Annotated[
        str,
        typer.Option(help="Any solver that PuLP finds, such as PULP_CBC_CMD; the answer is certified all the same."),
    ] = "",
    time_limit: Annotated[float, typer.Option(help="Seconds for each integer program.", min=0.1)] = 60.0,
    export: Annotated[Path | None, typer.Option(help="Also write the model, as .lp or .mps (one pH setting).")] = None,
    exact: Annotated[bool, typer.Option("--exact", help="Check the optimum again in rational arithmetic.")] = False,
    ranges: Annotated[
        bool, typer.Option("--ranges", help="Also say how far each limit may move until another choice is better.")
    ] = False,
) -> Answer[Any]:
    """Find the best percentages that keep every rule, prove them and say what each limit costs."""
    from optimizer.answers import questions

    goal = goal_of(objective)
    brief = brief_of(scenario, changes, shelf, library, [] if readings else goal)
    brief = with_readings(brief, readings, want, sure, at_ph, aim=objective.strip())
    answer = questions.blend(brief, time_limit=time_limit, solver=solver, exact=exact, ranges=ranges)
    if export:
        questions.export_model(export, brief, answer.found)
        aside(f"wrote {export}")
    altered = any((changes, objective, shelf, library, readings, want, at_ph))
    answer.following = _following(scenario, answer.found, altered)
    return answer


def _following(scenario: str, result: "Result", altered: bool) -> str:
    """Return what a maker does now."""
    if result.formula is None:
        return "change one of the limits below in the brief, then ask again" if result.ending == "infeasible" else ""
    batch = f"tenside batch {scenario} --size 5kg --out batch.toml"
    return f"write what you changed into the brief, then {batch}" if altered else batch
