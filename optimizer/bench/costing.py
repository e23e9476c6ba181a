"""What a batch costs, per kg, per kg of active matter and per bottle; what drives it; the price that follows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import fsum
from typing import Literal, get_args

from optimizer.bench.costs import Costs, Freight, Packaging, Sale
from optimizer.bench.packs import Buying, buying
from optimizer.bench.size import Size
from optimizer.data.cautions import Caution
from optimizer.data.formula import Formula
from optimizer.data.pool import Ingredient
from optimizer.data.purchase import lines_of, on_tap
from optimizer.data.shelf import Shelf
from optimizer.errors import fault
from optimizer.immutable import Figure, immutable, result, told
from optimizer.units import AS_TYPED

Span = tuple[float, float]
"""Low and high end."""
End = Literal["low", "typical", "high"]
ENDS: tuple[End, ...] = get_args(End)
"""Of the shares that lots may have."""
PartName = Literal["materials", "loss", "packaging", "labour", "freight", "overhead"]


@immutable
class CostLine:
    """One material of the product, dearest first."""

    id: str
    name: str
    percent: float
    """Dose [% w/w as supplied]."""
    price: float
    """Cheapest price per kg on the shelf."""
    prices: Span
    """Cheapest and dearest."""
    grams: float
    """In the batch [g]."""
    cost: float
    """In the batch."""
    share: float
    """Part of the cost of the materials [0 to 1]."""
    point: float
    """What one percentage point more of it, in place of water, adds to the cost of one kg of product."""


@immutable
class CostPart:
    """One part of what the batch costs."""

    what: PartName
    detail: str
    cost: float
    share: float
    """Part of the total [0 to 1]."""


@immutable
class Price:
    """A price per bottle, or per kg if nothing is bottled."""

    per: str
    """What it is for: 'bottle' or 'kg'."""
    cost: float
    """What that costs."""
    net: float
    """Without VAT."""
    gross: float
    """With VAT."""
    vat_percent: float
    margin_percent: Figure
    """Part of the price without VAT: (net - cost) / net."""
    markup_percent: Figure
    """On the cost: (net - cost) / cost."""
    per_100_ml: float | None
    """Price with VAT; None if no volume is known."""

    @told
    def per_litre(self) -> float | None:
        """Price of a litre with VAT."""
        return None if self.per_100_ml is None else 10 * self.per_100_ml


@result
class Costing:
    """What a batch costs: the output of `tenside cost --json`."""

    FORMAT = 1
    name: str
    currency: str
    size: Size
    lines: tuple[CostLine, ...]
    """Dearest first."""
    held_percent: float
    """Part kept free for what is added later, counted as water [%]."""
    held_cost: Span
    """As water, and if all of it were the dearest of what it is for. Every other figure takes it as water."""
    parts: tuple[CostPart, ...]
    """Materials in what is sold, loss, packaging, labour, freight, overhead."""
    total: float
    """Sum of the parts."""
    totals: Span
    """With every material at its cheapest and its dearest shelf price."""
    active_percent: tuple[float, float, float]
    """Surfactant active matter, low, typical, high as lots differ [% w/w]."""
    materials_per_kg: float
    """Per kg of product made."""
    materials_per_kg_active: float | None
    """The same per kg of surfactant active matter; None without any."""
    actives_range: Span | None
    """Its ends over the shares that lots may have and over the shelf's prices."""
    per_kg: float
    """Total per kg that is sold."""
    per_bottle: float | None
    """Total per bottle; None if nothing is bottled."""
    price: Price | None = None
    plan: Buying | None = None
    notes: tuple[str, ...] = ()
    alarms: tuple[Caution, ...] = ()
    """What is said of the formula before anything else, such as that nothing preserves it."""

    @property
    def materials_alone(self) -> bool:
        """Whether nothing but materials is counted, whole or lost."""
        return all(part.what in ("materials", "loss") for part in self.parts)

    @told
    def per_kg_active(self) -> float | None:
        """Total per kg of active matter that is sold."""
        return self.per_kg / (self.active_percent[1] / 100) if self.active_percent[1] else None


def cost_of_batch(
    formula: Formula,
    size: Size,
    *,
    name: str = "product",
    currency: str = "EUR",
    costs: Costs | None = None,
    costs_file: str = "costs",
    shelf: Shelf | None = None,
    water_price: float = 0.0,
    batches: int = 0,
    notes: tuple[str, ...] = (),
) -> Costing:
    """Cost a batch: sum of dose x price, and what the costs file adds.

    Money of the batch = materials + packaging x bottles + hours x wage + freight + overhead; what is lost, and what
    fills no whole bottle, is borne by what is sold. Materials count at their cheapest price per kg on the shelf,
    whatever packs they come in; what must be bought in packs is told apart (`plan`).

    Args:
        formula: Doses as supplied [% w/w].
        size: What is made.
        name: Of the product.
        currency: Of every price.
        costs: What comes on top of the materials.
        costs_file: Where they stand, for messages.
        shelf: Where the spread of prices, the stock and the packs are read from.
        water_price: Price of the part held back, counted as water [per kg].
        batches: Batches of a plan; 0 for none.
        notes: Assumptions to hand on.

    Raises:
        DataError: If the costs are in another currency, or know no packaging for this bottle.
    """
    costs = costs or Costs()
    _refuse_currency(costs, currency, costs_file)
    kg = size.made_g / 1000
    items = {line.item.id: line.item for line in formula.lines}
    uses = {line.item.id: line.percent / 100 * kg for line in formula.lines}
    held = formula.held_back / 100 * kg
    dearest = max([water_price, *(i.price for i in formula.later if i.price == i.price)])
    held_cost = (held * water_price, held * dearest)
    materials = fsum(uses[name] * item.price for name, item in items.items()) + held_cost[0]
    lines = _lines(formula, size, shelf, water_price, materials)
    packaging = costs.packed(size.bottle_ml, costs_file) if size.bottles else ()
    alone = costs.without_own(size.bottle_ml) if size.bottles else ""
    spent = list(_parts(formula, size, costs, packaging, materials, max(1, batches)))
    total = fsum(cost for _, _, cost in spent)
    ends = [fsum(line.grams / 1000 * line.prices[e] for line in lines) + held_cost[0] for e in (0, 1)]
    totals = (total - materials + ends[0], total - materials + ends[1])
    low, active, high = (_active(formula, end) for end in ENDS)
    per_kg_made = materials / kg
    per_kg = total / (size.sold_g / 1000)
    per_bottle = total / size.bottles if size.bottles else None
    return Costing(
        name=name,
        currency=currency,
        size=size,
        lines=lines,
        held_percent=formula.held_back,
        held_cost=held_cost,
        parts=tuple(CostPart(*part, part[-1] / total if total else 0.0) for part in spent),
        total=total,
        totals=totals,
        active_percent=(low, active, high),
        materials_per_kg=per_kg_made,
        materials_per_kg_active=per_kg_made / (active / 100) if active else None,
        actives_range=(ends[0] / kg / (high / 100), ends[1] / kg / (low / 100)) if low else None,
        per_kg=per_kg,
        per_bottle=per_bottle,
        price=price_of(per_bottle if per_bottle is not None else per_kg, costs.sale, size),
        plan=buying(uses, items, shelf, batches) if batches else None,
        notes=(*notes, f"{alone}.") if alone else notes,
    )


def _refuse_currency(costs: Costs, currency: str, costs_file: str) -> None:
    """Refuse costs in another currency than the brief's.

    Raises:
        DataError: If they are.
    """
    if costs.currency and costs.currency != currency:
        what = f"the costs are in {costs.currency}, the brief is in {currency}."
        raise fault(costs_file, "currency", what, "Convert them; no rate is assumed.")


def _lines(
    formula: Formula, size: Size, shelf: Shelf | None, water_price: float, materials: float
) -> tuple[CostLine, ...]:
    """Return what each material costs, dearest first, of a batch whose materials cost so much together."""
    spread = _spread({line.item.id: line.item for line in formula.lines}, shelf)
    found = []
    for line in formula.lines:
        item, cost = line.item, line.percent / 100 * (size.made_g / 1000) * line.item.price
        found.append(
            CostLine(
                item.id,
                item.material.name,
                line.percent,
                item.price,
                spread[item.id],
                line.percent * size.made_g / 100,
                cost,
                cost / materials if materials else 0.0,
                (item.price - water_price) / 100,
            )
        )
    return tuple(sorted(found, key=lambda line: (-line.cost, line.id)))


def _spread(items: Mapping[str, Ingredient], shelf: Shelf | None) -> dict[str, Span]:
    """Return the cheapest and the dearest price per kg that the shelf lists, by id."""
    found: dict[str, list[float]] = {name: [item.price] for name, item in items.items()}
    for name, line in lines_of(shelf.lines, items) if shelf else ():
        found[name].append(line.price_per_kg or 0.0)
    return {name: (min(prices), max(prices)) for name, prices in found.items()}


def _active(formula: Formula, end: End) -> float:
    """Return the surfactant active matter of the product at one end of what lots may have [% w/w]."""
    return formula.total(lambda item: sum(getattr(s, end) for s in item.material.substances if s.surfactant) / 100)


def _parts(
    formula: Formula, size: Size, costs: Costs, packaging: tuple[Packaging, ...], materials: float, batches: int
) -> Iterator[tuple[PartName, str, float]]:
    """Yield each part of what a batch costs: what it is, its detail, its cost."""
    sold = size.sold_g / size.made_g
    rest = f"; {size.rest_g:.0f} g fill no whole bottle" if size.rest_g >= 0.5 else ""
    yield "materials", f"in {size.sold_g / 1000:.4g} kg that is sold", materials * sold
    if sold < 1 - AS_TYPED:
        yield "loss", f"{size.loss_percent:.3g} % of the batch{rest}", materials * (1 - sold)
    for piece in packaging:
        yield "packaging", piece.what, piece.price * piece.pieces_per_bottle * (size.bottles or 0)
    hours, wage = costs.labour.hours_per_batch, costs.labour.price_per_hour
    if hours * wage:
        yield "labour", f"{hours:g} h at {wage:g}", hours * wage
    for freight in costs.freight:
        yield "freight", freight.what, freight_of(freight, formula, size.made_g / 1000, batches)
    if costs.overhead.per_batch:
        yield "overhead", "per batch", costs.overhead.per_batch


def freight_of(freight: Freight, formula: Formula, made_kg: float, batches: int = 1) -> float:
    """Return what a batch bears of a freight.

    Per order: amount / batches. Otherwise amount / covers_kg x kg of the materials that came with it.
    """
    if freight.covers_kg is None:
        return freight.amount / batches
    chosen = freight.materials
    percent = fsum(
        line.percent for line in formula.lines if (line.item.id in chosen if chosen else not on_tap(line.item))
    )
    return freight.amount / freight.covers_kg * percent / 100 * made_kg


def price_of(cost: float, sale: Sale, size: Size) -> Price | None:
    """Return the price of a bottle (or a kg) from its cost; None if no way to make it is stated.

    A margin is a part of the price, a mark-up a part of the cost: margin = mark-up / (1 + mark-up).
    """
    if not sale.stated:
        return None
    vat = 1 + sale.vat_percent / 100
    if sale.margin_percent is not None:
        net = cost / (1 - sale.margin_percent / 100)
    elif sale.markup_percent is not None:
        net = cost * (1 + sale.markup_percent / 100)
    else:
        net = (sale.price or 0.0) / vat
    gross = net * vat
    ml = size.bottle_ml if size.bottles else 1000 / size.density if size.density else None
    return Price(
        "bottle" if size.bottles else "kg",
        cost,
        net,
        gross,
        sale.vat_percent,
        100 * (net - cost) / net if net else float("-inf"),
        100 * (net - cost) / cost if cost else float("inf"),
        gross / ml * 100 if ml else None,
    )
