"""The formula card: one product on one page, as planned or as made."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from optimizer.bench.batch import Batch, PlannedLine
from optimizer.bench.order import EMPTY, Lots
from optimizer.bench.steps import NONE_UNFIT, PhaseStep, Unfit, finishing, parts_of
from optimizer.data.cautions import ALWAYS, PAPER, Caution, cautions_from
from optimizer.data.facts import Material
from optimizer.data.library import Library
from optimizer.immutable import immutable, result, seen, told, told_as, untold
from optimizer.rules.row import Setting
from optimizer.units import USED


@immutable
class CardLine:
    """One dose of the card."""

    material: Material = untold()
    percent: float
    id: str = seen("material.id")
    name: str = seen("material.name")
    inci: str = seen("material.inci")


@immutable
class CardPart:
    """One phase of the card, and what is done in short."""

    title: str
    lines: tuple[tuple[Material, float], ...] = untold()
    doses: tuple[CardLine, ...] = seen("as_told", key="lines")
    method: tuple[str, ...]
    see: tuple[str, ...] = untold(default=())
    """What is usually seen; common practice."""

    @property
    def as_told(self) -> tuple[CardLine, ...]:
        """The doses [% w/w as supplied]."""
        return tuple(CardLine(material, percent) for material, percent in self.lines)


@result
class Card:
    """What stands on the card: the output of `tenside card --json`."""

    FORMAT = 1
    title: str
    state: str
    """'planned' or 'as made'."""
    batch: str
    master: str
    """Name and version of the formula; may be empty."""
    day: str = told_as("date")
    """Date that it shows."""
    ph_low: float | None = seen("setting.low")
    ph_target: float | None = seen("setting.target")
    ph_high: float | None = seen("setting.high")
    parts: tuple[CardPart, ...]
    held_back: float = told_as("held_back_percent")
    """Part kept free [%]."""
    later: tuple[Material, ...] = untold()
    """What that is for."""
    setting: Setting = untold()
    """Target pH and its window; for a card of a batch as made with the pH that was read."""
    ph_read: float | None
    """PH that was read last."""
    cautions: tuple[Caution, ...] = untold()
    """Those that matter at the bench."""
    alarms: tuple[Caution, ...] = untold()
    """What is said before anything else, and on what it rests."""
    cautions_told: tuple[Caution, ...] = seen("every_caution", key="cautions")

    @told
    def total_percent(self) -> float:
        """Sum of the doses and the part held back, without what arithmetic leaves."""
        return round(self.total, 9)

    @property
    def every_caution(self) -> tuple[Caution, ...]:
        """What is said first, those that always apply, and the card's."""
        return (*self.alarms, *map(Caution, ALWAYS), *self.cautions)

    @property
    def total(self) -> float:
        """Sum of the doses and the part held back [%]."""
        return sum(p for part in self.parts for _, p in part.lines) + self.held_back


def formula_card(
    title: str,
    doses: Mapping[str, float],
    library: Library,
    setting: Setting,
    *,
    held_back: float = 0.0,
    later: Iterable[Material] = (),
    state: str = "planned",
    batch: str = "",
    master: str = "",
    day: str = "",
    ph_read: float | None = None,
    alarms: tuple[Caution, ...] = (),
    lots: Lots = EMPTY,
    unfit: Unfit = NONE_UNFIT,
) -> Card:
    """Return the card of a formula.

    Args:
        title: Name of the product.
        doses: By id [% as supplied]; with `held_back` they sum to 100.
        library: Facts, and the texts of cautions.
        setting: Target pH and window.
        held_back: Part kept free [%].
        later: What it is for; nothing once the batch is made.
        state: 'planned' or 'as made'.
        batch: Batch number.
        master: Master formula and version.
        day: Date.
        ph_read: pH that was read last.
        alarms: What is said before anything else, and on what it rests.
        lots: What the maker has of the materials, by id.
        unfit: Of `later` what is no way to thicken it, by id, and why.
    """
    doses = {n: p for n, p in doses.items() if p > USED}
    known = {n: library.by_id[n] for n in doses}
    later = tuple(later)
    asked = Batch.model_construct(
        batch=batch,
        brief="",
        size_g=100.0,
        line=tuple(PlannedLine.model_construct(material=n, percent=p) for n, p in doses.items()),
        held_back_percent=held_back,
        ph_low=setting.low,
        ph_target=setting.target,
        ph_high=setting.high,
    )
    *steps, _ = parts_of(asked, known, later, lots, unfit)
    steps.append(finishing("With water, what was kept back among it, make it up to 100 % of what was planned."))
    parts = tuple(_part(p, known, doses) for p in steps)
    cautions = tuple(c for key, c in cautions_from([*known.values(), *later], library).items() if key not in PAPER)
    return Card(
        title=title,
        state=state,
        batch=batch,
        master=master,
        day=day,
        parts=parts,
        held_back=held_back,
        later=tuple(m for m in later if m.id not in unfit),
        setting=setting,
        ph_read=ph_read,
        cautions=cautions,
        alarms=alarms,
    )


def _part(part: PhaseStep, known: Mapping[str, Material], doses: Mapping[str, float]) -> CardPart:
    heat = (f"{part.temperature[0].upper()}{part.temperature[1:]}.",) if part.temperature else ()
    wait = (f"Wait: {part.wait}.",) if part.wait else ()
    method = (*part.do, *heat, *wait)
    return CardPart(part.title, tuple((known[n], doses[n]) for n in part.materials), method, part.see)
