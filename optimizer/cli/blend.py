"""`tenside blend`: the best formula of a brief."""

from pathlib import Path
from typing import Annotated, Any

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
    goal_of,
    print_json,
    quiet_solvers,
    show,
)
from optimizer.errors import UsageError


@app.command(rich_help_panel=FORMULA)
def blend(
    scenario: ScenarioName,
    changes: Changes = None,
    objective: Annotated[
        str, typer.Option(help="'minimise MEASURE' or 'maximise MEASURE' instead of the brief's own.")
    ] = "",
    shelf: ShelfFile = None,
    library: Libraries = None,
    solver: Annotated[
        str,
        typer.Option(help="Any solver that PuLP finds, such as PULP_CBC_CMD; the answer is certified all the same."),
    ] = "",
    time_limit: Annotated[float, typer.Option(help="Seconds for each integer program.", min=0.1)] = 60.0,
    export: Annotated[Path | None, typer.Option(help="Also write the model, as .lp or .mps (one pH setting).")] = None,
    html: Html = None,
    markdown: Markdown = False,
    exact: Annotated[bool, typer.Option("--exact", help="Check the optimum again in rational arithmetic.")] = False,
    json: Json = False,
) -> None:
    """Find the best percentages that keep every rule, prove them and say what each limit costs."""
    from optimizer.solve.best import linear_part, solve

    with quiet_solvers():
        brief = brief_of(scenario, changes, shelf, library, goal_of(objective))
        result = solve(brief, time_limit=time_limit, solver=solver, weighable=True, exact=exact)
        explanation = None
        if result.ending == "infeasible":
            from optimizer.studies.explain import explain

            # Only what linear programs can tell is ever found impossible.
            explanation = explain(linear_part(brief), time_limit=time_limit)
        chemistry = None
        if result.weighable is not None:
            from optimizer.assessment.chemistry import chemistry_of

            chemistry = chemistry_of(brief, result.weighable, result.setting)
        if export:
            _export(export, brief, result)
    if json:
        from optimizer.report.jsonout import blend_record

        print_json(blend_record(result, explanation, chemistry))
    else:
        from optimizer.report.blend import blend_document

        show(blend_document(result, explanation, chemistry), markdown, html)
    raise typer.Exit(result.exit_code)


def _export(path: Path, brief: Any, result: Any) -> None:
    """Write the case that the answer comes from, or the first one."""
    from optimizer.engine import pulp_path
    from optimizer.model.model import cases, objective_vector

    found = cases(brief.modelled, brief.acidity, brief.pool)
    target = result.ph.target if result.ph else None
    case = next((c for c in found if any(s.target == target for s in c.settings)), found[0])
    sign, name = brief.scenario.objective.goals[0]
    measure = brief.measure(name)
    if measure.ratio:
        raise UsageError("--export: a mean as the objective is not linear; export a brief that minimises cost.")
    vector, _ = objective_vector(measure, brief.pool, sign)
    pulp_path.export(path, case.model, case.model.spread(vector), case.upper, brief.scenario.name)
    aside(f"wrote {path}")
