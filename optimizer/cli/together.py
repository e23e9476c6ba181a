"""`tenside together`: several products from one shelf."""

from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import FORMULA, Files, app, command
from optimizer.data.sheet import number_of
from optimizer.errors import UsageError


@command(app, FORMULA)
def together(
    products: Annotated[list[str], typer.Argument(help="Scenarios with the kg to make, such as hand-wash=40.")],
    leftover: Annotated[
        float, typer.Option(help="Share of its price at which a kg that is left over counts.", min=0, max=1)
    ] = 0.5,
    buying: Annotated[bool, typer.Option("--buy/--stock-only", help="Whether packs may be bought.")] = True,
    rate: Annotated[
        list[str] | None, typer.Option(help="Rate of another currency, such as USD=0.92. None is assumed. Repeatable.")
    ] = None,
    time_limit: Annotated[float, typer.Option(help="Seconds for the plan.", min=0.1)] = 60.0,
    files: Files = Files(),
) -> Answer[Any]:
    """Plan several products from one shelf: which uses which material, and how many packs to buy."""
    from optimizer.answers import questions

    rates = dict(_pair(r, "--rate", "USD=0.92") for r in rate or [])
    made = [_pair(text, "together", "hand-wash=40") for text in products]
    return questions.together(
        made, leftover=leftover, buying=buying, rates=rates, time_limit=time_limit, shelf_file=files.shelf,
        library_files=files.library,
    )  # fmt: skip


def _pair(text: str, option: str, example: str) -> tuple[str, float]:
    name, sign, value = text.partition("=")
    try:
        amount = number_of(value)
    except ValueError:
        amount = -1.0
    if not sign or not name or not 0 < amount < float("inf"):
        raise UsageError(f"{option}: '{text}' is not NAME=NUMBER, such as {example}.")
    return name, amount
