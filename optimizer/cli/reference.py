"""`tenside start | rules | schema | library`: the working folder and what is known."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.answers.days import day_of
from optimizer.cli.common import (
    FACTS,
    Libraries,
    On,
    Own,
    app,
    command,
    print_json,
    say,
)

if TYPE_CHECKING:
    from optimizer.data.library import Library

library_app = typer.Typer(help="What is known about raw materials.", no_args_is_help=True)
app.add_typer(library_app, name="library", rich_help_panel=FACTS)


PRODUCT = "Begin your own product: hand wash, body wash, face wash or shampoo. The other answers go along with it."
"""The words are those of `brief/beginning`, written out: help waits for no import, and a test holds them together."""


@app.command(rich_help_panel=FACTS)
def start(
    folder: Annotated[Path, typer.Argument(help="Folder to lay, or with --product one in which you work already.")],
    product: Annotated[str, typer.Option(help=PRODUCT)] = "",
    name: Annotated[str, typer.Option(help="What it is called; as --product if it is left out.")] = "",
    strength: Annotated[str, typer.Option(help="How strong: light, usual or strong. Usual if it is left out.")] = "",
    mildness: Annotated[
        str, typer.Option(help="How mild: everyday, gentle or very gentle. Gentle if it is left out.")
    ] = "",
    acidity: Annotated[
        str, typer.Option("--ph", help="Which pH: like skin, mild or near neutral. Mild if it is left out.")
    ] = "",
    free: Annotated[
        list[str] | None,
        typer.Option(
            help="What must not be in: sulfate, ethoxylate, silicone, paraben, formaldehyde releaser, isothiazolinone, "
            "animal or oil. Repeatable."
        ),
    ] = None,
    without: Annotated[list[str] | None, typer.Option(help="A material that must not be in. Repeatable.")] = None,
    perfume: Annotated[str, typer.Option(help="A perfume or essential oil; none if it is left out.")] = "",
    percent: Annotated[
        str, typer.Option("--perfume-percent", help="How much of it, % of the product; 0.3 if it is left out.")
    ] = "",
    budget: Annotated[str, typer.Option(help="Most that the blend may cost per kg, without acid and thickener.")] = "",
) -> None:
    """Lay a working folder: shelf, own materials, a first brief, costs. Or begin a product by a few answers."""
    from optimizer.answers.following import after_start

    answers = {"strength": strength, "mildness": mildness, "acidity": acidity, "free": free, "without": without}
    answers |= {"name": name, "perfume": perfume, "perfume_percent": percent, "budget": budget}
    if product or any(answers.values()):
        first = _begun(folder, product, {key: said for key, said in answers.items() if said})
    else:
        first = _laid(folder)
    say(f"\nNext: {after_start(first)}")


def _laid(folder: Path) -> Path:
    """Lay a first working folder and return its brief."""
    from optimizer.answers.starter import FIRST_BRIEF, lay

    for path in lay(folder):
        say(f"wrote {path}")
    return folder / FIRST_BRIEF


def _begun(folder: Path, product: str, answers: dict[str, Any]) -> Path:
    """Begin a product by the answers of the options, as the desk's page does, and return its brief."""
    from optimizer.answers.beginning import begin_as_typed

    begun = begin_as_typed(folder, product, answers)
    for path in (*begun.laid, begun.path):
        say(f"wrote {path}")
    return begun.path


@command(app, FACTS)
def rules(
    kind: Annotated[str, typer.Argument(help="One kind of rule; all when left out.")] = "",
) -> Answer[Any]:
    """Every kind of rule: its equation, unit, fields and how it reads."""
    from optimizer.answers import known

    return known.rules(kind)


@command(app, FACTS)
def explain(
    what: Annotated[
        str, typer.Argument(help="'brief': every table with its keys; 'shelf': the columns of a shelf.")
    ] = "brief",
) -> Answer[Any]:
    """Explain the tables of a brief or the columns of a shelf: what each means, what is written, and an example."""
    from optimizer.answers import known

    return known.explain(what)


@app.command(rich_help_panel=FACTS)
def schema(
    what: Annotated[str, typer.Argument(help="One of the schemas; all when left out.")] = "",
) -> None:
    """JSON Schemas of the files that are read and of the JSON that is printed."""
    from optimizer.answers.known import schemas_of

    print_json(schemas_of(what))


@command(library_app, name="list")
def library_list(
    function: Annotated[str, typer.Option(help="Only materials with this function.")] = "",
    library: Libraries = None,
    own: Own = None,
) -> Answer[Any]:
    """List the raw materials."""
    from optimizer.answers import known

    return known.materials(_library(library, own), function)


@command(library_app, name="find")
def library_find(
    words: Annotated[str, typer.Argument(help="Part of a name, an everyday word, an abbreviation or a function.")],
    library: Libraries = None,
    own: Own = None,
) -> Answer[Any]:
    """Find raw materials by any of their names, everyday words such as 'salt' or 'CAPB', or what they are for."""
    from optimizer.answers import known

    return known.materials_called(_library(library, own), words)


@command(library_app, name="show")
def library_show(
    material: Annotated[str, typer.Argument(help="Id, name or everyday word of a material.")],
    library: Libraries = None,
    own: Own = None,
) -> Answer[Any]:
    """Show one raw material with the source of every figure."""
    from optimizer.answers import known

    return known.material(_library(library, own), material)


@command(library_app, name="check")
def library_check(on: On = "", library: Libraries = None, own: Own = None) -> Answer[Any]:
    """Check library files: doubtful figures, each doubt once with all its materials, and law that was read long ago."""
    from optimizer.answers import known

    return known.doubts(_library(library, own), day_of(on))


@command(library_app, name="evidence")
def library_evidence(library: Libraries = None, own: Own = None) -> Answer[Any]:
    """Count the figures of the library by how well they are backed: read, computed, from memory."""
    from optimizer.answers import known

    return known.evidence(_library(library, own))


@command(library_app, name="law")
def library_law(
    use: Annotated[str, typer.Option(help="'rinse-off' or 'leave-on'.")] = "rinse-off",
    library: Libraries = None,
    own: Own = None,
) -> Answer[Any]:
    """What the library holds of the law: ceilings, conditions, allergens, each with its entry, act and day."""
    from optimizer.answers import known

    return known.law(_library(library, own), use)


def _library(paths: list[Path] | None, own: list[Path] | None) -> "Library":
    from optimizer.data.library import chosen_library

    return chosen_library(paths, own)
