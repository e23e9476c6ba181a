"""`tenside substitute`: the closest formula without a material."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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
    changes_of,
    print_json,
    quiet_solvers,
    show,
)
from optimizer.errors import UsageError

if TYPE_CHECKING:
    from optimizer.brief.scenario import Scenario


@app.command(rich_help_panel=FORMULA)
def substitute(
    material: Annotated[str, typer.Argument(help="Id of what is missing (see 'tenside library list').")],
    scenario: ScenarioName,
    formula: Annotated[
        Path | None, typer.Option(help="Start from this table of material and percent, not from the brief's best.")
    ] = None,
    left: Annotated[
        str, typer.Option(help="What is left: '1.5 %' of the product, or '2 kg' for a brief with batch_kg.")
    ] = "0 %",
    free: Annotated[bool, typer.Option("--free", help="Let every dose move; the sum of the changes is least.")] = False,
    active_band: Annotated[
        float, typer.Option(help="Half-width within which active matter is kept, % of the product.", min=0, max=100)
    ] = 0.05,
    charge_band: Annotated[
        float, typer.Option(help="Half-width within which the share of each charge is kept, points.", min=0, max=100)
    ] = 2.0,
    offered: Annotated[
        float | None,
        typer.Option(help="Dose of a stand-in that somebody offers, % as supplied, instead of equal grams.", min=0),
    ] = None,
    changes: Changes = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
    html: Html = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Find the closest formula without a material that is out, limited or withdrawn, and rank the stand-ins."""
    from dataclasses import replace

    from optimizer.brief.brief import load_brief, widened
    from optimizer.brief.scenario import find_scenario
    from optimizer.solve.existing import read_given
    from optimizer.studies.substitute import Wish, stand_ins
    from optimizer.studies.substitute import substitute as run_substitute

    path, asked = find_scenario(scenario), changes_of(changes)
    with quiet_solvers():
        given = None
        if formula is None:
            brief = load_brief(path, changes=asked, shelf=shelf, libraries=library)
        else:
            brief, given = read_given(formula, path, changes=asked, shelf=shelf, libraries=library)
        also = [*stand_ins(brief, material), *(given.doses if given else ())]
        wide = widened(brief, also)
        wide = replace(wide, pool=replace(wide.pool, held_back=brief.pool.held_back))
        wish = Wish(_left(left, brief.scenario), free, active_band, charge_band, offered)
        done = run_substitute(brief, wide, material, wish, given.doses if given else None, given.notes if given else ())
    if json:
        from optimizer.report.substitute import substitute_record

        print_json(substitute_record(done))
    else:
        from optimizer.report.substitute import substitute_document

        show(substitute_document(done), markdown, html)
    raise typer.Exit(0 if done.answer is not None else 4)


def _left(text: str, scenario: "Scenario") -> float:
    """Return what is left in % of the product."""
    from optimizer.data.sheet import number_of

    figure = text.strip().lower()
    unit = "kg" if figure.endswith("kg") else "%"
    try:
        value = number_of(figure.removesuffix(unit).strip())
    except ValueError:
        raise UsageError(f"--left '{text}': write '1.5 %' of the product or '2 kg'.") from None
    if value < 0:
        raise UsageError(f"--left '{text}': it is below 0.")
    if unit == "%":
        return value
    if not scenario.batch_kg:
        raise UsageError(f"--left '{text}': the brief has no batch_kg; add --set batch_kg=KG, or give a percent.")
    return 100 * value / scenario.batch_kg
