"""`tenside blend`: the best formula of a brief."""

from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import (
    FORMULA,
    Changes,
    FromTrials,
    Given,
    Libraries,
    ScenarioName,
    ShelfFile,
    TimeLimit,
    app,
    aside,
    command,
)


@command(app, FORMULA)
def blend(
    scenario: ScenarioName,
    changes: Changes = None,
    objective: Annotated[
        str, typer.Option(help="'minimise MEASURE' or 'maximise MEASURE' instead of the brief's own.")
    ] = "",
    shelf: ShelfFile = None,
    library: Libraries = None,
    measured: FromTrials = FromTrials(),
    solver: Annotated[
        str,
        typer.Option(help="Any solver that PuLP finds, such as PULP_CBC_CMD; the answer is certified all the same."),
    ] = "",
    time_limit: TimeLimit = 60.0,
    export: Annotated[Path | None, typer.Option(help="Also write the model, as .lp or .mps (one pH setting).")] = None,
    exact: Annotated[bool, typer.Option("--exact", help="Check the optimum again in rational arithmetic.")] = False,
    ranges: Annotated[
        bool, typer.Option("--ranges", help="Also say how far each limit may move until another choice is better.")
    ] = False,
) -> Answer[Any]:
    """Find the best percentages that keep every rule, prove them and say what each limit costs."""
    from optimizer.answers import questions

    goal = questions.goal_changes(objective)
    brief = Given(changes, shelf, library).brief(scenario, [] if measured.readings else goal)
    brief = measured.put_into(brief, aim=objective.strip())
    altered = any((changes, objective, measured.readings, measured.want, measured.at_ph))
    answer = questions.blend(
        brief, time_limit=time_limit, solver=solver, exact=exact, ranges=ranges, name=scenario, altered=altered
    )
    if export:
        questions.export_model(export, brief, answer.found)
        aside(f"wrote {export}")
    return answer
