"""`tenside substitute`: the closest formula without a material."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import FORMULA, Bands, Given, app, command
from optimizer.errors import UsageError
from optimizer.immutable import replace

if TYPE_CHECKING:
    from optimizer.brief.scenario import Scenario


@command(app, FORMULA)
def substitute(
    material: Annotated[str, typer.Argument(help="Id, name or everyday word of what is missing.")],
    scenario: Annotated[str, typer.Argument(help="A scenario file, the name of a shipped one, or a batch file.")],
    formula: Annotated[
        Path | None, typer.Option(help="Start from this table of material and percent, not from the brief's best.")
    ] = None,
    left: Annotated[
        str, typer.Option(help="What is left: '1.5 %' of the product, '2 kg' with batch_kg, '50 g' of a batch file.")
    ] = "0 %",
    bands: Bands = Bands(),
    offered: Annotated[
        float | None,
        typer.Option(help="Dose of a stand-in that somebody offers, % as supplied, instead of equal grams.", min=0),
    ] = None,
    change_plan: Annotated[
        bool, typer.Option("--change-plan", help="Of a batch file: make it the plan in the file, from now on.")
    ] = False,
    given: Given = Given(),
) -> Answer[Any]:
    """Find the closest formula without a material that is out, limited or withdrawn, and rank the stand-ins.

    Of a batch file it says how the batch goes on from what is weighed in already, in grams.
    """
    from optimizer.answers import questions
    from optimizer.bench.batch import is_batch
    from optimizer.studies.substituted import SwapWish

    wish = SwapWish(offered=offered, **vars(bands))
    if is_batch(Path(scenario)):
        if formula is not None:
            raise UsageError("substitute: a batch file brings its own formula; leave --formula out.")
        from optimizer.answers.bench import change_plan_without, go_on_without

        go_on = change_plan_without if change_plan else go_on_without
        return go_on(material, given.batch(Path(scenario)), left, wish)
    if change_plan:
        raise UsageError("substitute: --change-plan needs a batch file; a brief stays as it is.")
    brief = given.brief(scenario)
    return questions.substitute(material, brief, formula=formula, wish=replace(wish, left=_left(left, brief.scenario)))


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
