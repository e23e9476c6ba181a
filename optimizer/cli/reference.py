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
from optimizer.errors import DataError
from optimizer.immutable import replace

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
    budget: Annotated[str, typer.Option(help="Most that the materials may cost per kg.")] = "",
) -> None:
    """Lay a working folder: shelf, own materials, a first brief, costs. Or begin a product by a few answers."""
    answers = {"strength": strength, "mildness": mildness, "acidity": acidity, "free": free, "without": without}
    answers |= {"name": name, "perfume": perfume, "perfume_percent": percent, "budget": budget}
    if product or any(answers.values()):
        first = _begun(folder, product, {key: said for key, said in answers.items() if said})
    else:
        first = _laid(folder)
    say(f"\nNext: tenside blend {first}")


def _laid(folder: Path) -> Path:
    """Lay a first working folder and return its brief."""
    from optimizer.answers.starter import FIRST_BRIEF, lay

    for path in lay(folder):
        say(f"wrote {path}")
    return folder / FIRST_BRIEF


def _begun(folder: Path, product: str, answers: dict[str, Any]) -> Path:
    """Begin a product by the answers of the options, as the desk's page does, and return its brief."""
    from optimizer.answers.beginning import begin, wanted_by

    try:
        begun = begin(folder, wanted_by(folder, product, answers))
    except DataError as error:  # told by the option that was typed
        raise DataError([replace(p, key="ph") if p.key == "acidity" else p for p in error.problems]) from None
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


SCHEMAS: dict[str, tuple[str, str]] = {
    "scenario": ("brief.scenario:Scenario", "scenario file"),
    "bench": ("brief.defaults:BenchDefaults", "bench.toml, the defaults of a bench"),
    "list": ("brief.listing:Briefs", "tenside list --json"),
    "explain": ("brief.explained:BriefExplained", "tenside explain --json"),
    "library": ("data.library:LibraryFile", "library file"),
    "material": ("data.facts:Material", "a [[material]] of a library file"),
    "library-list": ("report.reference:Materials", "tenside library list | find --json"),
    "library-show": ("report.reference:MaterialShown", "tenside library show --json"),
    "library-check": ("data.doubts:Doubts", "tenside library check --json"),
    "library-evidence": ("data.evidence:Evidence", "tenside library evidence --json"),
    "library-law": ("data.law:Law", "tenside library law --json"),
    "rules": ("report.reference:Rules", "tenside rules --json"),
    "shelf-line": ("data.shelf:ShelfLine", "a line of the shelf, once its headings are recognised"),
    "variants-file": ("studies.variants:VariantFile", "file of variants"),
    "variants": ("studies.variants:Variants", "tenside variants --json"),
    "costs": ("bench.costs:Costs", "costs file, or [costs] of a batch file"),
    "batch-file": ("bench.batch:Batch", "batch file"),
    "blend": ("report.formula_json:Blend", "tenside blend --json"),
    "check": ("report.formula_json:Check", "tenside check --json"),
    "why": ("studies.why:Why", "tenside why --json"),
    "compare": ("studies.compare:Comparison", "tenside compare --json"),
    "import-formula": ("report.intake:FormulaTaken", "tenside import formula --json"),
    "import-prices": ("report.intake:PricesTaken", "tenside import prices --json"),
    "frontier": ("report.tradeoff:Frontiers", "tenside frontier --json"),
    "leeway": ("studies.leeway:Leeway", "tenside leeway --json"),
    "substitute": ("studies.substitute:Substituted", "tenside substitute --json"),
    "restandardise": ("studies.restandardise:Restandardised", "tenside restandardise --json"),
    "robust": ("studies.robust:Robust", "tenside robust --json"),
    "range": ("report.sweep:Range", "tenside range --json"),
    "label": ("labelling.label:Label", "tenside label --json"),
    "ph": ("report.ph_json:PhTold", "tenside ph --json"),
    "together": ("report.joint:Together", "tenside together --json"),
    "records-keep": ("records.batches:Kept", "tenside records keep --json"),
    "records-master": ("records.masters:Version", "tenside records master --json"),
    "records-versions": ("records.masters:Versions", "tenside records versions --json"),
    "records-list": ("records.overview:Listed", "tenside records list --json"),
    "records-show": ("records.overview:Shown", "tenside records show | note | sample --json"),
    "records-lots": ("records.lots:LotsOf", "tenside records lots --json"),
    "records-where": ("records.lots:WhereLot", "tenside records where --json"),
    "records-tests": ("records.series:Calendar", "tenside records tests | change | result | strike --json"),
    "records-due": ("records.series:Tasks", "tenside records due --json"),
    "stock": ("records.stock:StockLeft", "tenside stock --json"),
    "records-export": ("records.exchange:Exchanged", "tenside records export | import --json"),
    "records-check": ("records.checking:Soundness", "tenside records check --json"),
    "advice": ("report.advice:Advised", "tenside advice --json"),
    "thicken": ("report.thicken:Thickened", "tenside thicken --json"),
    "cost": ("bench.costing:Costing", "tenside cost --json"),
    "batch": ("report.made:Laid", "tenside batch --json"),
    "weigh": ("bench.weigh:WeighSheet", "tenside weigh --json"),
    "weighed": ("report.made:Weighed", "tenside weighed --json"),
    "made": ("bench.reconcile:Made", "tenside made --json"),
    "card": ("bench.card:Card", "tenside card --json"),
    "shared-card": ("bench.shared_card:SharedCard", "tenside card --json --share"),
    "pack-up": ("records.packing:Packed", "tenside pack-up | unpack --json"),
    "page": ("answers.page:Whole", "tenside page --json"),
    "trials-file": ("trials.series:Series", "series file of trials"),
    "trials-plan": ("trials.plan:TrialPlan", "tenside trials plan --json"),
    "trials-sheet": ("trials.sheet:TrialSheet", "tenside trials sheet --json"),
    "trials-note": ("trials.standing:SeriesStanding", "tenside trials note --json"),
    "trials-next": ("trials.more:NextBeakers", "tenside trials next --json"),
    "trials-fit": ("trials.fitted:Fits", "tenside trials fit --json"),
    "trials-rate": ("trials.rating:Rated", "tenside trials rate --json"),
    "trials-salt": ("trials.salt:SaltCurve", "tenside trials salt --json"),
    "error": ("report.refused:Refused", "any command with --json where it cannot answer"),
}
"""What each schema describes: the class, which is loaded when its schema is asked for, and its title."""


@app.command(rich_help_panel=FACTS)
def schema(
    what: Annotated[str, typer.Argument(help="One of the schemas; all when left out.")] = "",
) -> None:
    """JSON Schemas of the files that are read and of the JSON that is printed."""
    from optimizer.answers.known import schemas_of

    print_json(schemas_of(SCHEMAS, what))


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
    from optimizer.data.doubts import doubts_in

    return Answer("library check", doubts_in(_library(library, own), day_of(on)))


@command(library_app, name="evidence")
def library_evidence(library: Libraries = None, own: Own = None) -> Answer[Any]:
    """Count the figures of the library by how well they are backed: read, computed, from memory."""
    from optimizer.data.evidence import evidence_of

    return Answer("library evidence", evidence_of(_library(library, own)))


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
