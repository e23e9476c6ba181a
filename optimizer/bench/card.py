"""The formula card: one product on one page, as planned or as made."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from optimizer.bench.batch import Batch, PlannedLine
from optimizer.bench.steps import Part, parts_of
from optimizer.data.cautions import PAPER, Caution, cautions_from
from optimizer.data.facts import Material
from optimizer.data.library import Library
from optimizer.immutable import immutable
from optimizer.rules.row import Setting
from optimizer.units import USED


@immutable
class CardPart:
    """One phase with its doses [% w/w as supplied] and what is done, in short."""

    title: str
    lines: tuple[tuple[Material, float], ...]
    method: tuple[str, ...]


@immutable
class Card:
    """What stands on the card.

    Attributes:
        state: 'planned' or 'as made'.
        master: Name and version of the formula; may be empty.
        day: Date that it shows.
        held_back: Part kept free [%].
        later: What that is for.
        setting: Target pH and its window; for a card of a batch as made with the pH that was read.
        ph_read: pH that was read last.
        cautions: Those that matter at the bench.
    """

    title: str
    state: str
    batch: str
    master: str
    day: str
    parts: tuple[CardPart, ...]
    held_back: float
    later: tuple[Material, ...]
    setting: Setting
    ph_read: float | None
    cautions: tuple[Caution, ...]

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
    parts = tuple(_part(p, known, doses) for p in parts_of(asked, known, later) if p.blanks[:1] != ("final mass, g",))
    cautions = tuple(c for key, c in cautions_from([*known.values(), *later], library).items() if key not in PAPER)
    return Card(title, state, batch, master, day, parts, held_back, later, setting, ph_read, cautions)


def _part(part: Part, known: Mapping[str, Material], doses: Mapping[str, float]) -> CardPart:
    heat = (f"{part.temperature[0].upper()}{part.temperature[1:]}.",) if part.temperature else ()
    wait = (f"Wait: {part.wait}.",) if part.wait else ()
    method = (*part.do, *heat, *wait)
    return CardPart(part.title, tuple((known[n], doses[n]) for n in part.materials), method)
