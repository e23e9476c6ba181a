"""`tenside cost`: what a batch costs, its price, and the packs to buy for a plan."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.cli.common import (
    AFTER,
    Changes,
    For,
    Html,
    Json,
    Libraries,
    Markdown,
    Pdf,
    ShelfFile,
    SubjectName,
    app,
    changes_of,
    first,
    print_json,
    quiet_solvers,
    show,
)
from optimizer.errors import UsageError

if TYPE_CHECKING:
    from optimizer.answers.subject import Subject
    from optimizer.bench.amount import Amount
    from optimizer.bench.costs import Costs
    from optimizer.bench.size import Size
    from optimizer.data.formula import Formula


@app.command(rich_help_panel=AFTER)
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
    changes: Changes = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Cost of a batch per kg, per kg of active matter and per bottle; its price; the packs to buy."""
    from optimizer.answers.subject import subject_of
    from optimizer.bench.costing import cost_of_batch
    from optimizer.brief.defaults import bench_defaults

    if out is not None and out.suffix.lower() != ".xlsx":
        raise UsageError(f"--out {out.name}: the name must end in .xlsx.")
    with quiet_solvers():
        found = subject_of(subject, against=against, changes=changes_of(changes), shelf=shelf, libraries=library)
    bench = bench_defaults(found.scenario)
    taken: list[str] = []
    if not costs and bench.costs and not (found.batch and found.batch.costs):
        inside = Path(bench.where).parent / bench.costs
        costs, taken = str(inside) if Path(bench.costs).suffix else bench.costs, ["costs"]
    if found.batch is None:
        if not size and not bottles:
            size, taken = bench.size, [*taken, "size"]
        if not bottle and bench.bottle_ml and (first(density, bench.density_g_per_ml) is not None):
            bottle, taken = f"{bench.bottle_ml:g}", [*taken, "bottle_ml"]
        taken += [n for n, v in (("density_g_per_ml", density), ("loss_percent", loss)) if v is None]
        density, loss = first(density, bench.density_g_per_ml), first(loss, bench.loss_percent)
    known = _costs_of(found, costs, margin, markup)
    formula, finished, told = _as_made(found)
    made, assumed = _size_of(found, known, size, bottles, bottle, density, loss)
    if finished is not None and not (size or bottles or bottle) and density is None and loss is None:
        made = finished
    brief = found.brief
    water = brief.pool.index.get("aqua")
    costing = cost_of_batch(
        formula,
        made,
        name=found.name,
        currency=brief.scenario.currency,
        costs=known,
        costs_file=costs or subject,
        shelf=brief.shelf,
        water_price=brief.pool.items[water].price if water is not None else 0.0,
        batches=plan,
        notes=(*found.notes, *told, *assumed, *(f"{said}." for said in bench.told(*taken))),
    )
    from optimizer.report.costing import cost_document, cost_sheets

    if out is not None:
        from optimizer.report.workbook import write_workbook

        write_workbook(out, cost_sheets(costing))
    if json:
        print_json(costing)
    else:
        show(cost_document(costing), markdown, html, pdf)


def _as_made(subject: "Subject") -> tuple["Formula", "Size | None", tuple[str, ...]]:
    """Return a finished batch as it was made, with its size; everything else as planned, without one."""
    from optimizer.bench.made import went_in
    from optimizer.bench.reconcile import formula_made
    from optimizer.bench.size import size_made

    batch = subject.batch
    if batch is None or not batch.begun:
        return subject.formula, None, ()
    if batch.finish.mass_g is None:
        return subject.formula, None, ("costed as planned: the finished mass is not noted yet.",)
    went = went_in(batch, subject.brief.library.by_id)
    told = ("costed as made, with the acid, thickener and water that are noted.", *(f"{note}." for note in went.notes))
    return formula_made(subject.brief, batch, went.percent), size_made(batch, went.mass_g), told


def _costs_of(subject: "Subject", name: str, margin: float | None, markup: float | None) -> "Costs":
    """Return the costs file, or the batch file's own table, with the price as asked on the command line."""
    from optimizer.bench.costs import Costs, Sale, read_costs

    if margin is not None and markup is not None:
        raise UsageError("--margin is a part of the price, --markup a part of the cost: state one of them.")
    own = subject.batch.costs if subject.batch else None
    costs = read_costs(name, subject.brief.library.by_id) if name else own or Costs()
    if margin is None and markup is None:
        return costs
    sale = Sale(margin_percent=margin, markup_percent=markup, vat_percent=costs.sale.vat_percent)
    return costs.model_copy(update={"sale": sale})


def _size_of(
    subject: "Subject", costs: "Costs", size: str, bottles: int, bottle: str, density: float | None, loss: float | None
) -> tuple["Size", tuple[str, ...]]:
    """Return the size of the batch: the command line goes before the batch file, which goes before the costs file."""
    from optimizer.bench.amount import Amount, option
    from optimizer.bench.size import size_of

    batch = subject.batch
    notes: tuple[str, ...] = ()
    if size and bottles:
        raise UsageError("--size and --bottles: state one of them.")
    density = density if density is not None else batch.density_g_per_ml if batch else None
    content = _content(bottle)
    if content is None and batch and batch.bottle_ml:
        if density is None:
            notes = ("bottles are not counted: the batch file states no density_g_per_ml.",)
        else:
            content = Amount(batch.bottle_ml, "ml", f"{batch.bottle_ml:g} ml")
    if size or bottles:
        amount = option(size, "--size") if size else Amount(bottles, "bottles", f"{bottles} bottles")
    elif batch:
        amount = Amount(batch.size_g, "g", f"{batch.size_g:g} g")
    elif costs.by_batch:
        raise UsageError("labour, overhead and freight per order belong to a batch: state --size or --bottles.")
    else:
        kg = subject.brief.scenario.batch_kg or 1.0
        amount = Amount(1000 * kg, "g", f"{kg:g} kg")
        notes = (f"no size was stated; {kg:g} kg are costed.",)
    if amount.unit == "bottles" and content is None:
        raise UsageError("a number of bottles needs the content of one: --bottle 250 --density 1.02.")
    if loss is None:
        loss = batch.loss_percent if batch and "loss_percent" in batch.model_fields_set else costs.loss_percent
    return size_of(amount, content, density, loss), notes


def _content(bottle: str) -> "Amount | None":
    """Return the content of a bottle; a bare number is in ml, as bottles are sold."""
    from optimizer.bench.amount import option

    bare = bottle.strip().replace(".", "", 1).isdigit()
    return option(f"{bottle} ml" if bare else bottle, "--bottle") if bottle else None
