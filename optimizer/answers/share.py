"""The card to share, with what to use instead of each material: asked of the brief, told for others."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.answers.answer import Answer
from optimizer.answers.subject import Subject
from optimizer.answers.writing import PAPER, PICTURE
from optimizer.bench.amount import option
from optimizer.bench.batch import Batch, Observation
from optimizer.bench.card import Card
from optimizer.bench.shared_card import SIZES_G, Instead, SharedCard, shared_lines, shared_steps
from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution, cautions_from
from optimizer.data.formula import Formula
from optimizer.data.purchase import lines_of
from optimizer.errors import UsageError, nearest
from optimizer.files import write_atomic, write_report
from optimizer.immutable import replace
from optimizer.report.card import CARD
from optimizer.report.formats.pdf import document_pdf
from optimizer.report.shared_card import screen_png, shared_csv, shared_document
from optimizer.studies.substitute import substitute, with_stand_ins
from optimizer.studies.substituted import Substituted
from optimizer.units import listed, number

if TYPE_CHECKING:
    from optimizer.answers.questions import Tell


REPLACED = ("surfactant", "humectant", "chelator", "solubiliser")
"""Functions of which the card says what to use instead. A preservative is never swapped by a card: another system has
another window, other partners and another challenge test."""
ASKED = ("prices", "suppliers", "lots", "remarks")
"""What stays out unless it is asked for."""


def sizes_of(text: str) -> tuple[float, ...]:
    """Return the batches that grams are given for, such as '100 g, 1 kg' [g]; the usual ones if none is named.

    Raises:
        UsageError: If one of them is no mass, or there are more than four.
    """
    found = []
    for part in _words(text):
        amount = option(part, "--sizes")
        if amount.unit != "g":
            raise UsageError(f"--sizes '{part}': write masses, such as '100 g, 1 kg'.")
        found.append(amount.value)
    if len(found) > 4:
        raise UsageError("--sizes: at most four batches have room on the card.")
    return tuple(found) or SIZES_G


def _words(text: str) -> list[str]:
    return [word for word in (w.strip() for w in text.split(",")) if word]


def share_card(
    found: Subject,
    card: Card,
    *,
    sizes_g: Sequence[float] = SIZES_G,
    show: str = "",
    instead: bool = True,
    files: Iterable[Path] = (),
    tell: Tell | None = None,
) -> Answer[SharedCard]:
    """Return the card to share, and write it to files: on paper, as a picture for a screen, or as a table.

    Args:
        found: What it is about.
        card: Its card.
        sizes_g: Batches that grams are given for [g].
        show: What is shown as well, words of `ASKED` joined by commas.
        instead: Whether to work out what to use instead of a missing material.
        files: Where it is written, as each name ends.
        tell: Told the name of each material before that is worked out.

    Raises:
        UsageError: If there is nothing of such a name to show.
    """
    asked = _words(show)
    for word in asked:
        if word not in ASKED:
            raise UsageError(f"--with '{word}': {nearest(word, ASKED)}")
    told = shared_card(
        card, found.brief, found.formula, sizes_g=sizes_g, show=asked, batch=found.batch, instead=instead, tell=tell
    )
    for path in files:
        if path.suffix.lower() in PAPER:
            write_report(path, document_pdf(shared_document(told)), CARD)
        elif path.suffix.lower() in PICTURE:
            write_report(path, screen_png(told), CARD)
        else:
            write_atomic(path, shared_csv(told))
    return Answer("card --share", told)


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
    items = {line.item.id: line.item for line in formula.lines}
    sold = ((name, line.supplier) for name, line in lines_of(brief.shelf.lines if brief.shelf else (), items))
    lots = ((weight.material, weight.lot) for weight in (batch.weighed if batch else ()))
    lines = shared_lines(
        card,
        prices={name: item.price for name, item in items.items()} if "prices" in show else None,
        suppliers=_each_once(sold) if "suppliers" in show else None,
        lots=_each_once(lots) if "lots" in show else None,
    )
    remarks = tuple(map(_remark, batch.observation)) if batch and "remarks" in show else ()
    if "lots" not in show and "remarks" not in show:
        card = replace(card, batch="", master="", day="")
    swaps = tuple(_instead(brief, formula, card.setting.target, tell)) if instead else ()
    card = replace(card, cautions=_every_caution(card, brief, swaps))
    return SharedCard(
        title=card.title,
        card=card,
        sizes_g=tuple(sizes_g),
        lines=lines,
        steps=shared_steps(card),
        instead=swaps,
        money=brief.scenario.currency,
        remarks=remarks,
        kept_out=tuple(word for word in ASKED if word not in show),
    )


def _each_once(pairs: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    """Return what is named of each material, each word once, in the order in which they come."""
    found: dict[str, dict[str, None]] = {}
    for name, word in pairs:
        if word:
            found.setdefault(name, {})[word] = None
    return {name: list(words) for name, words in found.items()}


def _every_caution(card: Card, brief: Brief, swaps: Iterable[Instead]) -> tuple[Caution, ...]:
    """Return the cautions for label and purchase as well, and of what it says to use instead.

    Who makes it from the card has no other paper.
    """
    materials = [material for part in card.parts for material, _ in part.lines]
    offered = [material for swap in swaps for material in swap.materials]
    return tuple(cautions_from([*materials, *card.later, *offered], brief.library).values())


def _remark(seen: Observation) -> str:
    value = "" if seen.value is None else f" {number(seen.value)} {seen.unit}".rstrip()
    return f"{seen.what}:{value}{' ' if seen.text else ''}{seen.text}"


def _instead(brief: Brief, formula: Formula, at: float | None, tell: Tell | None) -> Iterable[Instead]:
    """Yield what takes the place of each material, most first; the first in the order of `substitute`."""
    doses = formula.doses
    lines = [line for line in formula.lines if line.item.material.function in REPLACED]
    for line in sorted(lines, key=lambda line: (-line.percent, line.item.id)):
        name = line.item.id
        if tell is not None:
            tell(line.item.material.name)
        wide = with_stand_ins(brief, name, doses)
        yield _chosen(substitute(brief, wide, name, doses=dict(doses), at=at, first_only=True))


def _chosen(found: Substituted) -> Instead:
    missing = found.missing.material.name
    first = next((s for s in found.standins if s.formula is not None), None)
    if first is None or first.formula is None:
        return Instead(
            missing, "", float("nan"), why_not=listed(list(found.conflict)) or "nothing of its kind is known"
        )
    known = {line.item.id: line.item.material.name for line in first.formula.lines}
    also = tuple((known.get(i, i), first.formula.dose(i)) for i in first.also)
    return Instead(
        missing, first.material.name, first.dose, also, handling=first.material.handling, materials=first.brought
    )
