"""`tenside check | why | compare`: questions about formulas and materials."""

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
    Rest,
    ScenarioName,
    ShelfFile,
    Sure,
    Want,
    app,
    brief_of,
    command,
    with_readings,
)


@command(app, FORMULA)
def check(
    formula: Annotated[Path, typer.Argument(help="Table of material and percent (or grams), or a blend's JSON.")],
    scenario: ScenarioName,
    rest: Rest = "",
    readings: Readings = None,
    want: Want = None,
    sure: Sure = 90.0,
    at_ph: AtPh = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
) -> Answer[Any]:
    """Hold a formula against a brief: what it breaks, what mending costs, the nearest that keeps all."""
    from optimizer.answers import questions

    brief = with_readings(brief_of(scenario, None, shelf, library), readings, want, sure, at_ph)
    return questions.check(formula, brief, rest=rest)


@command(app, FORMULA)
def why(
    material: Annotated[str, typer.Argument(help="Id, name or everyday word of a material.")],
    scenario: ScenarioName,
    at: Annotated[
        float, typer.Option(help="Dose to which an unused material is forced, % as supplied.", min=0.001, max=100)
    ] = 1.0,
    changes: Changes = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
) -> Answer[Any]:
    """Say why a material is in the best formula or out of it, and what would change that."""
    from optimizer.answers import questions

    return questions.why(material, brief_of(scenario, changes, shelf, library), at=at)


@command(app, FORMULA)
def compare(
    columns: Annotated[
        list[str], typer.Argument(help="Scenarios (file or name) and formulas (.csv, .xlsx, .json), two or more.")
    ],
    against: Annotated[
        str, typer.Option(help="Scenario whose rules and prices measure the formulas; else the first scenario named.")
    ] = "",
    shelf: ShelfFile = None,
    library: Libraries = None,
) -> Answer[Any]:
    """Lay scenarios and formulas side by side and split the change of cost by its causes."""
    from optimizer.answers import questions

    return questions.compare(*columns, against=against, shelf_file=shelf, library_files=library)
