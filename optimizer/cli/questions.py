"""`tenside check | why | compare`: questions about formulas and materials."""

from pathlib import Path
from typing import Annotated

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
    brief_of,
    print_json,
    quiet_solvers,
    show,
)
from optimizer.errors import UsageError


@app.command(rich_help_panel=FORMULA)
def check(
    formula: Annotated[Path, typer.Argument(help="Table of material and percent (or grams), or a blend's JSON.")],
    scenario: ScenarioName,
    shelf: ShelfFile = None,
    library: Libraries = None,
    html: Html = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Hold a formula against a brief: what it breaks, what mending costs, the nearest that keeps all."""
    from optimizer.assessment.chemistry import chemistry_of
    from optimizer.brief.scenario import find_scenario
    from optimizer.solve.existing import read_given
    from optimizer.studies.check import check as run_check

    path = find_scenario(scenario)
    with quiet_solvers():
        brief, given = read_given(formula, path, shelf=shelf, libraries=library)
        checked = run_check(brief, given.doses, given.held_back, given.notes)
        chemistry = chemistry_of(checked.brief, checked.formula, checked.setting)
    if json:
        from optimizer.report.jsonout import check_record

        print_json(check_record(checked, chemistry))
    else:
        from optimizer.report.studies import check_document

        show(check_document(checked, chemistry), markdown, html)
    raise typer.Exit(4 if checked.broken else 0)


@app.command(rich_help_panel=FORMULA)
def why(
    material: Annotated[str, typer.Argument(help="Id of a material (see 'tenside library list').")],
    scenario: ScenarioName,
    at: Annotated[
        float, typer.Option(help="Dose to which an unused material is forced, % as supplied.", min=0.001, max=100)
    ] = 1.0,
    changes: Changes = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
    html: Html = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Say why a material is in the best formula or out of it, and what would change that."""
    from optimizer.studies.why import why as run_why

    with quiet_solvers():
        brief = brief_of(scenario, changes, shelf, library)
        answer = run_why(brief, material, at)
    if json:
        from optimizer.report.jsonout import why_record

        print_json(why_record(answer))
    else:
        from optimizer.report.studies import why_document

        show(why_document(answer), markdown, html)


@app.command(rich_help_panel=FORMULA)
def compare(
    columns: Annotated[
        list[str], typer.Argument(help="Scenarios (file or name) and formulas (.csv, .xlsx, .json), two or more.")
    ],
    against: Annotated[
        str, typer.Option(help="Scenario whose rules and prices measure the formulas; else the first scenario named.")
    ] = "",
    shelf: ShelfFile = None,
    library: Libraries = None,
    html: Html = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Lay scenarios and formulas side by side and split the change of cost by its causes."""
    from optimizer.cli.columns import sides_of
    from optimizer.studies.compare import compare as run_compare

    if len(columns) < 2:
        raise UsageError("compare needs two or more columns.")
    with quiet_solvers():
        comparison = run_compare(sides_of(columns, against, shelf=shelf, libraries=library))
    if json:
        from optimizer.report.jsonout import compare_record

        print_json(compare_record(comparison))
    else:
        from optimizer.report.studies import compare_document

        show(compare_document(comparison), markdown, html)
