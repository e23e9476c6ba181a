"""The formula card in words, as a document and as JSON."""

from __future__ import annotations

from optimizer.bench.card import Card
from optimizer.data.cautions import ALWAYS, Caution
from optimizer.report.document import Document, Listing, Row, Strong, Table, figures
from optimizer.report.record import CautionRecord, Record, caution_records
from optimizer.units import is_whole, listed, number

CARD = "card"
"""What its files call themselves; see `files.report_mark`."""


def percent_text(card: Card, percent: float) -> str:
    """Return a dose with two decimals, with three if any dose of the card is on no grid of 0.01 %."""
    return f"{percent:.{decimals(card)}f}"


def decimals(card: Card) -> int:
    """Return with how many decimals doses are shown."""
    return 3 if any(not is_whole(100 * p) for part in card.parts for _, p in part.lines) else 2


def facts_of(card: Card) -> list[tuple[str, str]]:
    """Return what stands at the head of the card."""
    facts = [("formula", f"{card.state}, % w/w as supplied")]
    facts += [(k, v) for k, v in (("version", card.master), ("batch", card.batch), ("date", card.day)) if v]
    setting = card.setting
    if setting.target is not None:
        window = ""
        if setting.low is not None and setting.high is not None:
            window = f", window {number(setting.low, 2)} to {number(setting.high, 2)}"
        facts.append(("target pH", f"{number(setting.target, 2)}{window}"))
    if card.ph_read is not None:
        facts.append(("pH read", number(card.ph_read, 2)))
    return facts


def held_text(card: Card) -> str:
    """Return what the part held back is for."""
    names = [m.name for m in card.later]
    return f"held back for {listed(names, 'or')}" if names else "held back"


def caution_texts(card: Card) -> list[str]:
    """Return the cautions with the materials that they come from; the general ones first."""
    return [*ALWAYS, *(c.words for c in card.cautions)]


def card_document(card: Card) -> Document:
    """Return the card for a screen."""
    rows: list[Row] = [
        (str(k) if first else "", material.name, percent)
        for k, part in enumerate(card.parts, 1)
        for first, (material, percent) in zip([True, *[False] * len(part.lines)], part.lines, strict=False)
    ]
    if card.held_back:
        rows.append(("", held_text(card), card.held_back))
    rows.append(Strong(("", "total", card.total)))
    table = Table("Formula", ("step", "material", *figures("%", form=f".{decimals(card)}f")), tuple(rows))
    method = tuple(f"{k}. {part.title}: {' '.join(part.method)}" for k, part in enumerate(card.parts, 1))
    sections = (table, Listing("Method", method), Listing("Cautions", tuple(caution_texts(card)), "caution"))
    facts = facts_of(card)
    return Document(card.title, f"Formula card, {card.state}.", tuple(facts[1:]), sections)


class CardLineRecord(Record):
    """One dose of the card."""

    id: str
    name: str
    inci: str
    percent: float


class CardPartRecord(Record):
    """One phase of the card."""

    title: str
    lines: list[CardLineRecord]
    method: list[str]


class CardRecord(Record):
    """The output of `tenside card --json`."""

    title: str
    state: str
    """'planned' or 'as made'."""
    batch: str
    master: str
    date: str
    ph_low: float | None
    ph_target: float | None
    ph_high: float | None
    ph_read: float | None
    held_back_percent: float
    total_percent: float
    parts: list[CardPartRecord]
    cautions: list[CautionRecord]


def card_record(card: Card) -> CardRecord:
    """Return the card as its JSON record."""
    return CardRecord(
        title=card.title,
        state=card.state,
        batch=card.batch,
        master=card.master,
        date=card.day,
        ph_low=card.setting.low,
        ph_target=card.setting.target,
        ph_high=card.setting.high,
        ph_read=card.ph_read,
        held_back_percent=card.held_back,
        total_percent=round(card.total, 9),
        parts=[
            CardPartRecord(
                title=part.title,
                lines=[CardLineRecord(id=m.id, name=m.name, inci=m.inci, percent=p) for m, p in part.lines],
                method=list(part.method),
            )
            for part in card.parts
        ],
        cautions=caution_records((*map(Caution, ALWAYS), *card.cautions)),
    )
