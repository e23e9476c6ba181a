"""`tenside check | why | compare`: questions about formulas and materials."""

from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import FORMULA, Files, FromTrials, Given, Rest, ScenarioName, app, command


@command(app, FORMULA)
def check(
    formula: Annotated[Path, typer.Argument(help="Table of material and percent (or grams), or a blend's JSON.")],
    scenario: ScenarioName,
    rest: Rest = "",
    measured: FromTrials = FromTrials(),
    files: Files = Files(),
) -> Answer[Any]:
    """Hold a formula against a brief: what it breaks, what mending costs, the nearest that keeps all."""
    from optimizer.answers import questions

    return questions.check(formula, measured.put_into(files.brief(scenario)), rest=rest)


@command(app, FORMULA)
def why(
    material: Annotated[str, typer.Argument(help="Id, name or everyday word of a material.")],
    scenario: ScenarioName,
    at: Annotated[
        float, typer.Option(help="Dose to which an unused material is forced, % as supplied.", min=0.001, max=100)
    ] = 1.0,
    given: Given = Given(),
) -> Answer[Any]:
    """Say why a material is in the best formula or out of it, and what would change that."""
    from optimizer.answers import questions

    return questions.why(material, given.brief(scenario), at=at)


@command(app, FORMULA)
def compare(
    columns: Annotated[
        list[str], typer.Argument(help="Scenarios (file or name) and formulas (.csv, .xlsx, .json), two or more.")
    ],
    against: Annotated[
        str, typer.Option(help="Scenario whose rules and prices measure the formulas; else the first scenario named.")
    ] = "",
    files: Files = Files(),
) -> Answer[Any]:
    """Lay scenarios and formulas side by side and split the change of cost by its causes."""
    from optimizer.answers import questions

    return questions.compare(*columns, against=against, shelf_file=files.shelf, library_files=files.library)
