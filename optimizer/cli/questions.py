"""`tenside check | why | compare`: questions about formulas and materials."""

from pathlib import Path
from typing import Annotated

import typer

from optimizer.cli.common import (
    FORMULA,
    AtPh,
    Changes,
    Html,
    Json,
    Libraries,
    Markdown,
    Pdf,
    Readings,
    Rest,
    ScenarioName,
    ShelfFile,
    Sure,
    Want,
    app,
    brief_of,
    quiet_solvers,
    tell,
    with_readings,
)


@app.command(rich_help_panel=FORMULA)
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
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Hold a formula against a brief: what it breaks, what mending costs, the nearest that keeps all."""
    from optimizer.answers import questions

    with quiet_solvers():
        brief = with_readings(brief_of(scenario, None, shelf, library), readings, want, sure, at_ph)
        answer = questions.check(formula, brief, rest=rest)
    tell(answer, json, markdown, html, pdf)


@app.command(rich_help_panel=FORMULA)
def why(
    material: Annotated[str, typer.Argument(help="Id, name or everyday word of a material.")],
    scenario: ScenarioName,
    at: Annotated[
        float, typer.Option(help="Dose to which an unused material is forced, % as supplied.", min=0.001, max=100)
    ] = 1.0,
    changes: Changes = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Say why a material is in the best formula or out of it, and what would change that."""
    from optimizer.answers import questions

    with quiet_solvers():
        brief = brief_of(scenario, changes, shelf, library)
        answer = questions.why(material, brief, at=at)
    tell(answer, json, markdown, html, pdf)


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
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Lay scenarios and formulas side by side and split the change of cost by its causes."""
    from optimizer.answers import questions

    with quiet_solvers():
        answer = questions.compare(*columns, against=against, shelf_file=shelf, library_files=library)
    tell(answer, json, markdown, html, pdf)
