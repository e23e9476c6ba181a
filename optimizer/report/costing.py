"""The cost of a batch as a document, as JSON and as tables of a workbook."""

from __future__ import annotations

from math import isfinite, isnan

from optimizer.bench.costing import Costing, Price
from optimizer.bench.packs import Buying
from optimizer.report.cautions import alarm_listing, rests_listing
from optimizer.report.document import Columns, Document, Listing, Row, Sketch, Strong, Table, figures
from optimizer.report.joint import packs_columns
from optimizer.units import listed, number


def cost_document(costing: Costing) -> Document:
    """Return what the batch costs, what drives it, its price, and what to buy."""
    money = costing.currency
    told = f"{costing.per_kg:.2f} {money} per kg that is sold"
    if costing.materials_alone:
        told += ", materials alone"
    if costing.per_bottle is not None:
        told = f"{costing.per_bottle:.2f} {money} per bottle, {told}"
    sections: list[Table | Listing | Sketch] = [alarm_listing(costing.alarms), _parts(costing), _lines(costing)]
    if costing.price:
        sections.append(_price(costing.price, money))
    if costing.plan:
        sections += [_buying(costing.plan, money), _stock(costing.plan), _cash(costing.plan, costing)]
    notes = [*costing.notes, *_held_back_notes(costing)]
    if any(line.price == 0 for line in costing.lines):
        free = listed(sorted(line.name for line in costing.lines if line.price == 0))
        notes.append(f"Without a price, and counted as free of charge: {free}.")
    notes.append("Materials count at their cheapest price per kg on the shelf, whatever packs they come in.")
    notes.append("Amounts count as they are written: with or without the tax on purchases, as your own books do.")
    sections.append(Listing("Assumed", tuple(n[:1].upper() + n[1:] for n in notes)))
    sections.append(rests_listing(costing.alarms))
    good = not (costing.plan and costing.plan.short)
    verdict = f"{told}." if good else f"{told}; some of what the plan needs is nowhere to be had."
    return Document(f"Cost: {costing.name}", verdict, _facts(costing), sections, good=good)


def _facts(costing: Costing) -> list[tuple[str, str]]:
    size, money = costing.size, costing.currency
    made = f"{number(size.made_g / 1000, 3)} kg made, {number(size.filled_g / 1000, 3)} kg after the loss"
    if size.bottles and size.fill_g:
        ml = f"{number(size.bottle_ml, 1)} ml, " if size.bottle_ml else ""
        made += f", {size.bottles} bottles of {ml}{number(size.fill_g, 1)} g"
    facts = [("batch", made)]
    if size.density:
        facts.append(("density", f"{number(size.density, 4)} g/ml, as stated"))
    low, typical, high = costing.active_percent
    span = "" if high - low < 0.005 else f" ({number(low, 2)} to {number(high, 2)} as lots differ)"
    facts.append(("active matter", f"{number(typical, 2)} %{span}"))
    facts.append(("materials per kg of product", f"{costing.materials_per_kg:.3f} {money}"))
    if costing.materials_per_kg_active is not None and costing.per_kg_active is not None:
        ends = costing.actives_range
        reach = f", {ends[0]:.2f} to {ends[1]:.2f} as lots and the shelf's prices differ" if ends else ""
        facts.append(("materials per kg of active matter", f"{costing.materials_per_kg_active:.2f} {money}{reach}"))
    if costing.per_kg_active is not None and not costing.materials_alone:
        facts.append(("all costs per kg of active matter", f"{costing.per_kg_active:.2f} {money}"))
    if costing.totals[1] - costing.totals[0] > 0.005:
        ends = costing.totals
        facts.append(("batch at other shelf prices", f"{ends[0]:.2f} (cheapest) to {ends[1]:.2f} (dearest) {money}"))
    return facts


def _parts(costing: Costing) -> Table:
    size = costing.size
    kg, bottles = size.sold_g / 1000, size.bottles
    columns: Columns = (
        "part", "", *figures("batch", form=".2f"),
        *figures("per kg sold", *(("per bottle",) if bottles else ()), form=".3f"),
        *figures("share", form=".1f", unit=" %"),
    )  # fmt: skip
    rows = [
        (p.what, p.detail, p.cost, p.cost / kg, *((p.cost / bottles,) if bottles else ()), 100 * p.share)
        for p in costing.parts
    ]
    each = () if costing.per_bottle is None else (costing.per_bottle,)
    whole = Strong(("together", "", costing.total, costing.per_kg, *each, "100 %"))
    return Table(f"What the batch costs, {costing.currency}", columns, (*rows, whole))


def _lines(costing: Costing) -> Table:
    rows: list[Row] = [
        (x.name, x.percent, x.grams, _price_range(x.price, x.prices), x.cost, 100 * x.share, x.point)
        for x in costing.lines
    ]
    held = costing.held_cost[0]
    whole = costing.materials_per_kg * costing.size.made_g / 1000
    if costing.held_percent:
        grams = costing.held_percent * costing.size.made_g / 100
        rows.append(("kept free", costing.held_percent, grams, None, held, 100 * held / whole if whole else None, None))
    rows.append(Strong(("together", 100.0, costing.size.made_g, None, whole, "100 %", None)))
    columns: Columns = (
        "material", *figures("%", form=".2f"), *figures("g", form=".1f"), *figures(f"{costing.currency} per kg"),
        *figures("batch", form=".3f"), *figures("share", form=".1f", unit=" %"),
        *figures("one point more", form="+.4f"),
    )  # fmt: skip
    note = (
        "Share: if its price rises by 10 %, the materials cost a tenth of the share more. One point more: what "
        "1 % of the product more of it, in place of water, adds to the cost of one kg."
    )
    return Table("What drives the materials, dearest first", columns, tuple(rows), note)


def _price_range(price: float, ends: tuple[float, float]) -> str:
    return f"{price:.2f}" if ends[1] - price < 0.005 else f"{price:.2f} (to {ends[1]:.2f})"


def _price(price: Price, money: str) -> Table:
    rows: list[Row] = [
        (f"cost of a {price.per}", price.cost),
        ("price without VAT", price.net),
        Strong((f"price with {number(price.vat_percent, 2)} % VAT", price.gross)),
        ("margin, part of the price without VAT", _percent(price.margin_percent)),
        ("mark-up, on the cost", _percent(price.markup_percent)),
    ]
    if price.per_100_ml is not None and price.per_litre is not None:
        rows += [("per 100 ml, with VAT", price.per_100_ml), ("per litre, with VAT", price.per_litre)]
    note = "A margin of 50 % is a mark-up of 100 %: the first is counted on the price, the second on the cost."
    return Table(f"Price of a {price.per}", ("", *figures(money, form=".2f")), tuple(rows), note)


def _percent(value: float) -> str:
    return f"{value:.1f} %" if isfinite(value) else "none"


def _buying(plan: Buying, money: str) -> Table:
    rows: list[Row] = []
    for need in plan.needs:
        for p in need.purchases:
            rows.append((need.name, p.supplier, "by weight" if isnan(p.packs) else p.packs, p.kg, p.cost))
        if need.short:
            rows.append((need.name, "nobody sells it", None, f"{need.short:.3f} short", None))
    rows.append(Strong(("together", "", None, None, plan.spent)))
    columns = packs_columns(money, 3)
    batches = "1 batch" if plan.batches == 1 else f"{plan.batches} batches"
    note = "The cheapest whole packs that cover what the shelf lacks: no other purchase costs less."
    return Table(f"To buy for {batches}", columns, tuple(rows), note)


def _stock(plan: Buying) -> Table:
    columns: Columns = (
        "material", *figures("needed kg", form=".3f"), *figures("on the shelf kg", "bought kg", digits=3),
        *figures("left kg", form=".3f"),
    )  # fmt: skip
    note = "Needed: all batches, with what is lost in making them."
    needs = sorted(plan.needs, key=lambda n: (-n.need, n.material))
    rows = tuple((n.name, n.need, n.stock, n.bought, n.left) for n in needs)
    return Table("Stock before and after", columns, rows, note)


def _cash(plan: Buying, costing: Costing) -> Table:
    money = costing.currency
    rows = (
        ("cash spent on packs now", plan.spent),
        ("materials by use, at the cheapest price per kg", plan.by_use),
        ("of it from what lies on the shelf", plan.from_stock),
        ("worth of what is left of the packs bought", plan.left_over),
        ("all costs of the plan, by use", plan.batches * costing.total),
    )
    return Table(f"By use, and in cash, {money}", ("", *figures(money, form=".2f")), rows)


def _held_back_notes(costing: Costing) -> list[str]:
    if not costing.held_percent:
        return []
    low, high = costing.held_cost
    most = (
        f" (at most {high:.2f} {costing.currency} if all of it were the dearest that it is for)" if high > low else ""
    )
    bought = " The plan buys nothing for it." if costing.plan else ""
    return [f"the {number(costing.held_percent, 2)} % kept free count as water{most}.{bought}"]


def cost_sheets(costing: Costing) -> list[Table]:
    """Return the cost of a batch as tables of figures for a workbook."""
    size, money = costing.size, costing.currency
    kg = size.sold_g / 1000
    parts = tuple(
        (p.what, p.detail, p.cost, p.cost / kg, p.cost / size.bottles if size.bottles else None, p.share)
        for p in costing.parts
    )
    lines = tuple(
        (x.id, x.name, x.percent, x.grams, x.price, x.prices[1], x.cost, x.share, x.point) for x in costing.lines
    )
    heads = ("id", "material", "%", "g", f"{money} per kg", "dearest per kg", "batch", "share", "one point more")
    return [
        Table("cost", ("figure", "value"), tuple(_figures(costing))),
        Table("parts", ("part", "detail", "batch", "per kg sold", "per bottle", "share"), parts),
        Table("materials", heads, lines),
        *(_buying_sheets(costing.plan, money) if costing.plan else ()),
    ]


def _figures(costing: Costing) -> list[Row]:
    """Return the single figures of a costing, and those of its price."""
    size = costing.size
    facts: list[Row] = [
        ("product", costing.name),
        ("currency", costing.currency),
        ("made g", size.made_g),
        ("loss %", size.loss_percent),
        ("sold g", size.sold_g),
        ("bottles", size.bottles),
        ("fill g", size.fill_g),
        ("bottle ml", size.bottle_ml),
        ("density g/ml", size.density),
        ("active matter %", costing.active_percent[1]),
        ("total", costing.total),
        ("per kg sold", costing.per_kg),
        ("per kg of active matter", costing.per_kg_active),
        ("per bottle", costing.per_bottle),
    ]
    if costing.price:
        p = costing.price
        facts += [
            ("price without VAT", p.net),
            ("VAT %", p.vat_percent),
            ("price with VAT", p.gross),
            ("margin % of price", p.margin_percent),
            ("mark-up % of cost", p.markup_percent),
            ("per litre with VAT", p.per_litre),
        ]
    return facts


def _buying_sheets(plan: Buying, money: str) -> tuple[Table, Table]:
    """Return the packs of a plan, and what becomes of the stock."""
    buy = tuple(
        (n.material, p.supplier, None if isnan(p.packs) else p.packs, p.kg, p.cost)
        for n in plan.needs
        for p in n.purchases
    )
    stock = tuple((n.material, n.need, n.stock, n.bought, n.left, n.short, n.by_use, n.spent) for n in plan.needs)
    columns = ("material", "need kg", "stock kg", "bought kg", "left kg", "short kg", "by use", "spent")
    return Table("buy", ("material", "supplier", "packs", "kg", money), buy), Table("stock", columns, stock)
