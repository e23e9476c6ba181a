"""`tenside import`: a maker's own formula sheet or price list."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import FACTS, Libraries, Own, app, command, read_shipped
from optimizer.errors import UsageError

if TYPE_CHECKING:
    from optimizer.data.library import Library

Table = Annotated[Path, typer.Argument(help="CSV or XLSX, with columns in any order.")]
Out = Annotated[Path | None, typer.Option(help="File to write; it must not exist.")]
Words = Annotated[
    list[str] | None, typer.Option("--as", help='What a name means: --as "my mild base=decyl-glucoside". Repeatable.')
]

import_app = typer.Typer(no_args_is_help=True, help="Take in a formula sheet or a price list that you already keep.")
app.add_typer(import_app, name="import", rich_help_panel=FACTS)


@command(import_app, name="formula")
def import_formula(
    table: Table,
    brief: Annotated[str, typer.Option("--for", help="Scenario whose materials and free part are meant.")] = "",
    out: Out = None,
    words: Words = None,
    library: Libraries = None,
    own: Own = None,
) -> Answer[Any]:
    """Turn a formula sheet into a formula file, and say what was assumed."""
    from optimizer.data.workbook import write_rows
    from optimizer.intake.formula_sheet import read_formula_sheet
    from optimizer.report.intake import FormulaTaken

    if brief:
        from optimizer.brief.brief import load_brief
        from optimizer.brief.scenario import find_scenario

        loaded = load_brief(find_scenario(brief), libraries=library)
        known, held_back = loaded.library, loaded.pool.held_back
    else:
        known, held_back = read_shipped(library, own), 0.0
    taken = read_formula_sheet(table, known, held_back=held_back, own=_decisions(words, known))
    if out:
        rows = [(line.material, round(line.percent, 6), line.written) for line in taken.lines]
        write_rows(out, [("material", "percent", "as written"), *rows])
    return Answer(
        "import formula",
        FormulaTaken(taken=taken, written_to=str(out or "")),
        0,
        taken=taken,
        source=table,
        out=out,
        brief=brief,
    )


@command(import_app, name="prices")
def import_prices(
    table: Table,
    out: Out = None,
    currency: Annotated[str, typer.Option(help="Currency where the list names none, such as EUR.")] = "",
    density: Annotated[float | None, typer.Option(help="g per ml, for packs sold by volume; none is assumed.")] = None,
    words: Words = None,
    library: Libraries = None,
    own: Own = None,
) -> Answer[Any]:
    """Turn a price list into a shelf, and say what was left out and why."""
    from optimizer.data.workbook import write_rows
    from optimizer.intake.price_list import read_price_list, shelf_rows
    from optimizer.report.intake import PricesTaken

    known = read_shipped(library, own)
    said = _decisions(words, known)
    taken = read_price_list(table, known, currency=currency.upper(), density_g_per_ml=density, own=said)
    if out:
        write_rows(out, shelf_rows(taken))
    return Answer(
        "import prices", PricesTaken(taken=taken, written_to=str(out or "")), 0, taken=taken, source=table, out=out
    )


def _decisions(words: list[str] | None, library: "Library") -> dict[str, str]:
    """Return --as options as ids by name."""
    from optimizer.data.names import material_of

    found = {}
    for word in words or []:
        name, sign, target = word.rpartition("=")
        if not sign or not name.strip():
            raise UsageError(f'--as {word}: write "their name=material-id".')
        try:
            found[name.strip()] = material_of(target.strip(), library.materials)
        except UsageError as error:
            raise UsageError(f"--as {word}: {error}") from None
    return found
