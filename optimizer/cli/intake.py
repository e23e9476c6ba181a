"""`tenside import`: a maker's own formula sheet or price list."""

from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import FACTS, Libraries, Own, app, command
from optimizer.errors import UsageError

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
    from optimizer.answers.intake import take_formula

    return take_formula(table, brief=brief, out=out, words=_decisions(words), libraries=library, own=own)


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
    from optimizer.answers.intake import take_prices

    return take_prices(
        table, out=out, currency=currency, density=density, words=_decisions(words), libraries=library, own=own
    )


def _decisions(words: list[str] | None) -> dict[str, str]:
    """Return --as options: what is meant, by name."""
    found = {}
    for word in words or []:
        name, sign, target = word.rpartition("=")
        if not sign or not name.strip():
            raise UsageError(f'--as {word}: write "their name=material-id".')
        found[name.strip()] = target.strip()
    return found
