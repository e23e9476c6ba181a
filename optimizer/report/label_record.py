"""A label as JSON."""

from optimizer.data.cautions import cautions_of
from optimizer.data.library import Library
from optimizer.labelling.allergens import Allergen
from optimizer.labelling.content import Content
from optimizer.labelling.label import Label, Met
from optimizer.labelling.substances import Amount
from optimizer.report.record import CautionRecord, Figure, Record, caution_records


class CarrierRecord(Record):
    """A raw material that brings a substance."""

    id: str
    percent: float
    """% w/w of the product, as supplied."""
    share: tuple[float, float, float]
    """The substance's low, typical and high share of it [%]."""


class SubstanceRecord(Record):
    """One substance, in the order of print [% w/w of the product]."""

    inci: str
    cas: str
    low: float
    typical: float
    high: float
    functions: list[str]
    colourant: bool
    by_product: bool
    """True if it comes in as a by-product of raw materials only."""
    contained_in: list[CarrierRecord]


class SwapRecord(Record):
    """Two substances whose order depends on the lot; `first` is printed first."""

    first: str
    second: str
    neighbours: bool


class AllergenRecord(Record):
    """A fragrance allergen [% w/w of the product]."""

    name: str
    low: float
    typical: float
    high: float
    named_above: float
    verdict: str
    """certain, possible (the range straddles the threshold) or below."""
    list: str
    """Id of the list that it stands on; empty if it is on none."""
    printed: bool
    """Whether the list of ingredients gained its name."""
    listed_as: str
    """Name under which it stands in the list of ingredients anyway; empty if it does not."""


class OriginRecord(Record):
    """Natural-origin content [%]."""

    low: float
    declared: float
    high: float


class CeilingRecord(Record):
    """A ceiling that applies and what is reached at the high end of every share [%]."""

    id: str
    kind: str
    basis: str
    percent: float
    reached: float
    exceeded: bool
    jurisdiction: str
    as_of: str
    source: str


class ContentRecord(Record):
    """Nominal content, in the unit of the label and in grams; null where density or e mark is missing."""

    nominal: float
    unit: str
    density_g_per_ml: Figure
    fill_g: Figure
    tolerable_error: Figure
    few_below: Figure
    few_below_g: Figure
    none_below: Figure
    none_below_g: Figure
    e_mark: bool


class LabelRecord(Record):
    """The output of `tenside label --json`."""

    name: str
    basis: str
    """plan (something is not in yet), formula (whole) or made."""
    use: str
    market: str
    ingredients: str
    """The list as it is printed."""
    not_in_yet_percent: float
    not_in_yet: list[str]
    substances: list[SubstanceRecord]
    either_side_of_1_percent: list[str]
    swaps: list[SwapRecord]
    allergens: list[AllergenRecord]
    ask: list[str]
    natural_with_water: OriginRecord
    natural_without_water: OriginRecord | None
    ceilings: list[CeilingRecord]
    content: ContentRecord | None
    cautions: list[CautionRecord]


def label_record(label: Label, library: Library) -> LabelRecord:
    """Return a label as a record."""
    printed = {a.name for a in label.named}
    return LabelRecord(
        name=label.name,
        basis=label.basis,
        use=label.use,
        market=label.market,
        ingredients=label.line,
        not_in_yet_percent=label.formula.held_back,
        not_in_yet=list(label.pending),
        substances=[_substance(a) for a in label.amounts],
        either_side_of_1_percent=list(label.doubtful_line),
        swaps=[SwapRecord.model_validate(s) for s in label.swaps],
        allergens=[_allergen(a, printed=a.name in printed) for a in label.allergens],
        ask=list(label.wishes),
        natural_with_water=OriginRecord.model_validate(label.natural),
        natural_without_water=label.natural_dry and OriginRecord.model_validate(label.natural_dry),
        ceilings=[_ceiling(m) for m in label.ceilings],
        content=label.content and _content(label.content),
        cautions=caution_records(cautions_of(label.formula, library)),
    )


def _substance(amount: Amount) -> SubstanceRecord:
    return SubstanceRecord(
        inci=amount.inci,
        cas=amount.cas,
        low=amount.low,
        typical=amount.typical,
        high=amount.high,
        functions=list(amount.jobs),
        colourant=amount.colourant,
        by_product=amount.by_product,
        contained_in=[CarrierRecord(id=c.material.id, percent=c.percent, share=c.share) for c in amount.carriers],
    )


def _allergen(allergen: Allergen, *, printed: bool) -> AllergenRecord:
    return AllergenRecord(
        name=allergen.name,
        low=allergen.low,
        typical=allergen.typical,
        high=allergen.high,
        named_above=allergen.threshold,
        verdict=allergen.verdict,
        list=allergen.on.id if allergen.on else "",
        printed=printed,
        listed_as=allergen.listed_as,
    )


def _ceiling(met: Met) -> CeilingRecord:
    c = met.ceiling
    return CeilingRecord(
        id=c.id,
        kind=c.kind,
        basis=c.basis,
        percent=c.percent,
        reached=met.reached,
        exceeded=met.exceeded,
        jurisdiction=c.jurisdiction,
        as_of=c.as_of,
        source=c.source,
    )


def _content(content: Content) -> ContentRecord:
    return ContentRecord(
        nominal=content.nominal,
        unit=content.unit,
        density_g_per_ml=content.density,
        fill_g=content.grams(content.nominal),
        tolerable_error=content.error,
        few_below=content.few_below,
        few_below_g=content.grams(content.few_below),
        none_below=content.none_below,
        none_below_g=content.grams(content.none_below),
        e_mark=content.e_mark,
    )
