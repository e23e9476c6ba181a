"""The card to share: a formula as somebody else can make it, without what is nobody else's business."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import nan

from optimizer.bench.card import Card
from optimizer.data.cautions import Caution
from optimizer.data.facts import Material
from optimizer.immutable import Figure, immutable, result, seen, told, told_as, untold
from optimizer.rules.row import Setting

SIZES_G = (100.0, 500.0, 1000.0)
"""Batches that grams are given for if nobody says otherwise: a beaker to try, a bottle or two, a litre or so [g]."""
PURPOSES: Mapping[str, str] = {
    "solvent": "carries everything else",
    "humectant": "holds water, softens the feel",
    "chelator": "binds what hard water and metals bring; helps the preservative",
    "preservative": "keeps microbes from growing in the bottle",
    "preservative booster": "helps the preservative",
    "perfume": "scent",
    "essential oil": "scent",
    "solubiliser": "keeps perfume or oil clear in the water",
    "thickener": "gives body",
    "suspending agent": "keeps particles afloat",
    "hydrotrope": "keeps the blend clear, and thinner",
    "salt": "thickens some surfactant blends",
    "ph adjuster": "sets the pH",
    "conditioner": "leaves hair and skin smoother to the touch",
    "emollient": "softens the feel after rinsing",
    "oil": "softens the feel after rinsing; takes down foam",
    "extract": "named on the label; adds little else",
    "pearliser": "makes it pearly",
    "opacifier": "makes it white",
    "foam booster": "makes foam denser",
}
"""What a function is there for, in a maker's words; common practice, no source."""
CLEANSERS: Mapping[str, str] = {
    "anionic": "cleans and foams: the main cleanser",
    "amphoteric": "cleans gently beside the anionic one, steadies foam",
    "nonionic": "cleans gently, little charge",
    "cationic": "conditions; seldom goes with anionics",
}
"""The same for surfactants, by charge."""


@immutable
class SharedLine:
    """One material."""

    material: Material = untold()
    id: str = seen("material.id")
    name: str = seen("material.name")
    inci: str = seen("material.inci")
    percent: float
    """% w/w as supplied."""
    there_for: str
    """What it is there for, in plain words."""
    price: Figure = told_as("price_per_kg", default=nan)
    """Only if prices were asked for."""
    suppliers: tuple[str, ...] = ()
    """Only if suppliers were asked for."""
    lots: tuple[str, ...] = ()
    """Only if lots were asked for."""


@immutable
class SharedStep:
    """One step: what goes in, what is done, what one sees."""

    title: str
    materials: tuple[str, ...]
    """Ids."""
    do: tuple[str, ...]
    see: tuple[str, ...]
    """What is usually seen; common practice."""


@immutable
class Instead:
    """What to use where a material cannot be had; computed, and every rule of the brief kept."""

    missing: str
    """Name of what is missing."""
    use: str
    """Name of what takes its place; empty if nothing known does."""
    percent: Figure
    """Its dose [% w/w as supplied], at equal active matter of the whole."""
    also: tuple[tuple[str, float], ...] = untold(default=())
    """Other doses that change with it, and to what [%]."""
    also_to: dict[str, float] = seen("as_doses", key="also")
    why_not: str = ""
    """What stops others; empty if something takes its place."""
    handling: str = ""
    """How what takes its place is handled."""
    materials: tuple[Material, ...] = untold(default=())
    """All that the formula then holds."""

    @property
    def as_doses(self) -> dict[str, float]:
        """Other doses that change with it [% by name]."""
        return dict(self.also)


@result
class SharedCard:
    """What somebody else needs to make the formula: the output of `tenside card --json --share`."""

    FORMAT = 1
    title: str
    card: Card = untold()
    sizes_g: tuple[float, ...]
    """Batches that grams are given for [g]."""
    lines: tuple[SharedLine, ...]
    steps: tuple[SharedStep, ...]
    held_back: float = seen("card.held_back", key="held_back_percent")
    setting: Setting = seen("card.setting", key="ph")
    instead: tuple[Instead, ...] = ()
    money: str = untold(default="")
    remarks: tuple[str, ...] = ()
    """Only if remarks were asked for."""
    kept_out: tuple[str, ...] = ()
    """Kinds of facts of the maker that were not asked for and stay out."""

    @told
    def grams(self) -> dict[str, tuple[float, ...]]:
        """Grams of each material for each batch, by id."""
        return {line.material.id: tuple(line.percent * g / 100 for g in self.sizes_g) for line in self.lines}

    @told
    def cautions(self) -> tuple[Caution, ...]:
        """What is said first, those that always apply, and the card's."""
        return self.card.every_caution


def there_for(material: Material, alongside: frozenset[str]) -> str:
    """Return what a material is there for in a formula, in plain words.

    Args:
        material: The material.
        alongside: Functions that the formula has besides; a solubiliser is one only where there is scent or oil.
    """
    main = CLEANSERS.get(material.charge or "", "cleans") if material.function == "surfactant" else ""
    words = [main or PURPOSES.get(material.function, material.function)]
    if "solubiliser" in material.also and alongside & {"perfume", "essential oil", "oil"}:
        words.append(PURPOSES["solubiliser"])
    words += [PURPOSES[f] for f in material.also if f in PURPOSES and f not in ("solubiliser", "solvent")]
    return "; ".join(dict.fromkeys(words))


def shared_lines(
    card: Card,
    *,
    prices: Mapping[str, float] | None = None,
    suppliers: Mapping[str, Sequence[str]] | None = None,
    lots: Mapping[str, Sequence[str]] | None = None,
) -> tuple[SharedLine, ...]:
    """Return the doses of a card in the order of addition, with what they are there for.

    Args:
        card: The card.
        prices: Per kg by id, if they are to be shown.
        suppliers: By id, if they are to be shown.
        lots: By id, if they are to be shown.
    """
    doses = [dose for part in card.parts for dose in part.lines]
    functions = frozenset(f for material, _ in doses for f in material.functions)
    return tuple(
        SharedLine(
            material,
            percent,
            there_for(material, functions),
            (prices or {}).get(material.id, nan),
            tuple((suppliers or {}).get(material.id, ())),
            tuple((lots or {}).get(material.id, ())),
        )
        for material, percent in doses
    )


def shared_steps(card: Card) -> tuple[SharedStep, ...]:
    """Return the steps of a card with what one sees at each."""
    return tuple(SharedStep(p.title, tuple(m.id for m, _ in p.lines), p.method, p.see) for p in card.parts)
