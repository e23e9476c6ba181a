"""`tenside blend`: the best formula of a brief."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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
    answer = questions.blend(brief, time_limit=time_limit, solver=solver, exact=exact, ranges=ranges)
    if export:
        questions.export_model(export, brief, answer.found)
        aside(f"wrote {export}")
    altered = any((changes, objective, measured.readings, measured.want, measured.at_ph))
    answer.following = _following(scenario, answer.found, altered)
    return answer


def _following(scenario: str, result: "Result", altered: bool) -> str:
    """Return what a maker does now."""
    if result.formula is None:
        return "change one of the limits below in the brief, then ask again" if result.ending == "infeasible" else ""
    size = "" if result.brief.scenario.batch_kg else " --size 5kg"
    batch = f"tenside batch {scenario}{size} --out batch.toml"
    return f"write what you changed into the brief, then {batch}" if altered else batch
