"""`tenside substitute`: the closest formula without a material."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import FORMULA, Changes, Libraries, ShelfFile, app, brief_of, changes_of, command
from optimizer.errors import UsageError

if TYPE_CHECKING:
    from optimizer.answers.answer import Answer
    from optimizer.brief.scenario import Scenario
    from optimizer.studies.substitute import Substituted, Wish


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
) -> Answer[Any]:
    """Find the closest formula without a material that is out, limited or withdrawn, and rank the stand-ins.

    Of a batch file it says how the batch goes on from what is weighed in already, in grams.
    """
    from optimizer.answers import questions
    from optimizer.bench.batch import is_batch
    from optimizer.studies.substitute import Wish

    if is_batch(Path(scenario)):
        if formula is not None:
            raise UsageError("substitute: a batch file brings its own formula; leave --formula out.")
        wish = Wish(0.0, free, active_band, charge_band, offered)
        return _in_the_middle(material, Path(scenario), left, wish, changes, shelf, library)
    brief = brief_of(scenario, changes, shelf, library)
    wish = Wish(_left(left, brief.scenario), free, active_band, charge_band, offered)
    return questions.substitute(material, brief, formula=formula, wish=wish)


def _in_the_middle(
    material: str,
    path: Path,
    left: str,
    wish: "Wish",
    changes: list[str] | None,
    shelf: Path | None,
    libraries: list[Path] | None,
) -> "Answer[Substituted]":
    """Return how a batch goes on without a material."""
    from optimizer.answers.bench import batch_subject, go_on_without

    return go_on_without(material, batch_subject(path, shelf, libraries, changes_of(changes)), left, wish)


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
