"""The card to share, with what to use instead of each material: asked of the brief, told for others."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from optimizer.bench.card import Card
from optimizer.bench.shared_card import SIZES_G, Instead, SharedCard, shared_lines, shared_steps
from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution, cautions_from
from optimizer.data.formula import Formula
from optimizer.data.purchase import lines_of
from optimizer.immutable import replace
from optimizer.units import listed, number

if TYPE_CHECKING:
    from optimizer.answers.questions import Tell
    from optimizer.bench.batch import Batch, Observation
    from optimizer.studies.substitute import Substituted

REPLACED = ("surfactant", "humectant", "chelator", "solubiliser")
"""Functions of which the card says what to use instead. A preservative is never swapped by a card: another system has
another window, other partners and another challenge test."""
ASKED = ("prices", "suppliers", "lots", "remarks")
"""What stays out unless it is asked for."""


def shared_card(
    card: Card,
    brief: Brief,
    formula: Formula,
    *,
    sizes_g: Sequence[float] = SIZES_G,
    show: Iterable[str] = (),
    batch: Batch | None = None,
    instead: bool = True,
    tell: Tell | None = None,
) -> SharedCard:
    """Return a formula as somebody else can make it.

    Args:
        card: Its card.
        brief: The brief that it keeps, and that what is used instead must keep.
        formula: Its doses.
        sizes_g: Batches that grams are given for [g].
        show: Which of `ASKED` is shown as well.
        batch: The batch that it comes from, for lots and remarks.
        instead: Whether to work out what to use instead of a missing material.
        tell: Told the name of each material before that is worked out.
    """
    show = frozenset(show)
    sold: dict[str, list[str]] = {}
    items = {line.item.id: line.item for line in formula.lines}
    for name, line in lines_of(brief.shelf.lines if brief.shelf else (), items):
        if line.supplier and line.supplier not in sold.setdefault(name, []):
            sold[name].append(line.supplier)
    lots: dict[str, list[str]] = {}
    for weight in batch.weighed if batch else ():
        if weight.lot and weight.lot not in lots.setdefault(weight.material, []):
            lots[weight.material].append(weight.lot)
    lines = shared_lines(
        card,
        prices={name: item.price for name, item in items.items()} if "prices" in show else None,
        suppliers=sold if "suppliers" in show else None,
        lots=lots if "lots" in show else None,
    )
    remarks = tuple(map(_remark, batch.observation)) if batch and "remarks" in show else ()
    if "lots" not in show and "remarks" not in show:
        card = replace(card, batch="", master="", day="")
    card = replace(card, cautions=_every_caution(card, brief))
    return SharedCard(
        title=card.title,
        card=card,
        sizes_g=tuple(sizes_g),
        lines=lines,
        steps=shared_steps(card),
        instead=tuple(_instead(brief, formula, tell)) if instead else (),
        money=brief.scenario.currency,
        remarks=remarks,
        kept_out=tuple(word for word in ASKED if word not in show),
    )


def _every_caution(card: Card, brief: Brief) -> tuple[Caution, ...]:
    """Return the cautions for label and purchase as well: who makes it from the card has no other paper."""
    materials = [material for part in card.parts for material, _ in part.lines]
    return tuple(cautions_from([*materials, *card.later], brief.library).values())


def _remark(seen: Observation) -> str:
    value = "" if seen.value is None else f" {number(seen.value)} {seen.unit}".rstrip()
    return f"{seen.what}:{value}{' ' if seen.text else ''}{seen.text}"


def _instead(brief: Brief, formula: Formula, tell: Tell | None) -> Iterable[Instead]:
    """Yield what takes the place of each material, most first; the first in the order of `substitute`."""
    from optimizer.studies.substitute import substitute, with_stand_ins

    doses = formula.doses
    lines = [line for line in formula.lines if line.item.material.function in REPLACED]
    for line in sorted(lines, key=lambda line: (-line.percent, line.item.id)):
        name = line.item.id
        if tell is not None:
            tell(line.item.material.name)
        wide = with_stand_ins(brief, name, doses)
        yield _chosen(substitute(brief, wide, name, doses=dict(doses), first_only=True))


def _chosen(found: Substituted) -> Instead:
    missing = found.missing.material.name
    first = next((s for s in found.standins if s.formula is not None), None)
    if first is None or first.formula is None:
        return Instead(
            missing, "", float("nan"), why_not=listed(list(found.conflict)) or "nothing of its kind is known"
        )
    known = {line.item.id: line.item.material.name for line in first.formula.lines}
    also = tuple((known.get(i, i), first.formula.dose(i)) for i in first.also)
    return Instead(missing, first.material.name, first.dose, also)
