"""The cost of a batch as its JSON record."""

from optimizer.report.joint import PurchaseRecord
from optimizer.report.record import Figure, Record


class SizeRecord(Record):
    """How much is made and where it goes [g]; null bottles if nothing is bottled."""

    made_g: float
    loss_percent: float
    filled_g: float
    """Made less the loss."""
    sold_g: float
    """In full bottles, or all that is filled."""
    rest_g: float
    """What fills no whole bottle."""
    bottles: int | None
    fill_g: float | None
    bottle_ml: float | None
    density: float | None
    """As stated [g/ml]; null if nobody measured it."""


class CostLineRecord(Record):
    """One material of the product, dearest first."""

    id: str
    name: str
    percent: float
    price: float
    """Cheapest price per kg on the shelf."""
    prices: tuple[float, float]
    """Cheapest and dearest."""
    grams: float
    cost: float
    share: float
    """Part of the cost of the materials [0 to 1]."""
    point: float
    """What one percentage point more of it, in place of water, adds to the cost of one kg of product."""


class PartRecord(Record):
    """One part of what the batch costs."""

    what: str
    detail: str
    cost: float
    share: float
    """Part of the total [0 to 1]."""


class PriceRecord(Record):
    """A price per bottle, or per kg if nothing is bottled."""

    per: str
    cost: float
    net: float
    """Without VAT."""
    gross: float
    """With VAT."""
    vat_percent: float
    margin_percent: Figure
    """Part of the price without VAT."""
    markup_percent: Figure
    """On the cost."""
    per_100_ml: Figure
    per_litre: Figure


class NeedRecord(Record):
    """One material of a plan [kg]."""

    material: str
    name: str
    need: float
    """What all batches use, loss included."""
    stock: float
    bought: float
    left: float
    short: float
    """What nobody on the shelf sells."""
    by_use: float
    """Need at the cheapest price per kg."""
    spent: float
    purchases: list[PurchaseRecord]


class BuyingRecord(Record):
    """What to buy for a plan: cash and cost by use."""

    batches: int
    needs: list[NeedRecord]
    spent: float
    by_use: float
    from_stock: float
    left_over: float


class CostRecord(Record):
    """The output of `tenside cost --json`."""

    name: str
    currency: str
    size: SizeRecord
    lines: list[CostLineRecord]
    held_percent: float
    """Part kept free for what is added later, counted as water [%]."""
    held_cost: tuple[float, float]
    """As water, and if all of it were the dearest of what it is for."""
    parts: list[PartRecord]
    total: float
    totals: tuple[float, float]
    """With every material at its cheapest and its dearest shelf price."""
    active_percent: tuple[float, float, float]
    """Surfactant active matter, low, typical, high as lots differ [% w/w]."""
    materials_per_kg: float
    """Per kg of product made."""
    materials_per_kg_active: float | None
    actives_range: tuple[float, float] | None
    per_kg: float
    """Total per kg that is sold."""
    per_kg_active: float | None
    """Total per kg of active matter that is sold."""
    per_bottle: float | None
    price: PriceRecord | None
    plan: BuyingRecord | None
    notes: list[str]
