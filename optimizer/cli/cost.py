"""`tenside cost`: what a batch costs, its price, and the packs to buy for a plan."""

from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import AFTER, For, Given, SubjectName, app, command


@command(app, AFTER)
def cost(
    subject: SubjectName,
    against: For = "",
    size: Annotated[str, typer.Option(help="What is made: '5 kg', '3 L' (with --density), '20 bottles'.")] = "",
    bottles: Annotated[int, typer.Option(help="Bottles that must come out.", min=0)] = 0,
    bottle: Annotated[str, typer.Option(help="Content of a bottle in ml, or such as '250 g'.")] = "",
    density: Annotated[float | None, typer.Option(help="Measured density of the product, g/ml.")] = None,
    loss: Annotated[float | None, typer.Option(help="Part that does not reach the bottles, %.", min=0, max=99)] = None,
    costs: Annotated[
        str, typer.Option(help="Costs file, or the name of a shipped one such as refill (see 'tenside schema costs').")
    ] = "",
    plan: Annotated[int, typer.Option(help="Batches to buy packs for.", min=0, max=100_000)] = 0,
    margin: Annotated[float | None, typer.Option(help="Margin, % of the price without VAT.", min=0, max=99.9)] = None,
    markup: Annotated[float | None, typer.Option(help="Mark-up, % of the cost.", min=0, max=10_000)] = None,
    out: Annotated[Path | None, typer.Option(help="Also write the figures as a workbook (.xlsx).")] = None,
    given: Given = Given(),
) -> Answer[Any]:
    """Cost of a batch per kg, per kg of active matter and per bottle; its price; the packs to buy."""
    from optimizer.answers.papers import cost_for, write_costs
    from optimizer.answers.writing import BOOK, refuse_misnamed

    if out is not None:
        refuse_misnamed(out, BOOK, "--out ")
    found = given.subject(subject, against=against)
    costing = cost_for(
        found, called=subject, size=size, bottles=bottles, bottle=bottle,
        density=density, loss=loss, costs=costs, plan=plan, margin=margin, markup=markup,
    )  # fmt: skip
    if out is not None:
        write_costs(out, costing)
    return Answer("cost", costing).by(found.brief.library.called)
