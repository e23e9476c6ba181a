"""The formula card in words, as a document and as JSON."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Container

from optimizer.bench.card import Card
from optimizer.data.cautions import ALWAYS
from optimizer.report.cautions import alarm_listing, rests_listing
from optimizer.report.document import Column, Document, Listing, Row, Section, Strong, Table, figures
from optimizer.report.formats.pdf import fits, one_page_pdf
from optimizer.units import is_whole, listed, number

CARD = "card"
"""What its files call themselves; see `files.report_mark`."""
LEVELS = (
    "",
    "INCI names",
    "details of the method",
    "the method (see the weigh sheet)",
    "cautions in full (see the weigh sheet)",
)
"""What is left out on paper, one more at each level, before a dose is."""
INCI, DETAILS, METHOD, CAUTIONS = range(1, len(LEVELS))


def _facts(card: Card) -> list[tuple[str, str]]:
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


def card_document(card: Card) -> Document:
    """Return the card for a screen."""
    facts = _facts(card)[1:]
    first, rests = alarm_listing(card.alarms), rests_listing(card.alarms)
    sections: tuple[Section, ...] = (first, _formula(card), _method(card), rests, _cautions(card))
    return Document(card.title, f"Formula card, {card.state}.", facts, sections)


def card_page(card: Card, level: int = 0, most: int | None = None) -> Document:
    """Return the card for paper.

    Args:
        card: The card.
        level: How much of it is left out, see `LEVELS`.
        most: Doses that are shown, the largest ones; all if None.
    """
    left = [words for words in LEVELS[1 : level + 1] if level < METHOD or words != LEVELS[DETAILS]]
    every = sorted((-p, m.id) for part in card.parts for m, p in part.lines)
    shown = {(name, -minus) for minus, name in every[:most]}
    if len(shown) < len(every):
        left.append(f"{len(every) - len(shown)} doses, the smallest: the formula above is not whole")
    sections: list[Section] = [
        alarm_listing(card.alarms),
        _formula(card, shown, inci=level < INCI),
        *([_method(card, 1 if level >= DETAILS else None)] if level < METHOD else []),
        rests_listing(card.alarms),
        _cautions(card, 2 if level >= CAUTIONS else None),
        Listing("Left out for room", (f"{'; '.join(left)}.",) if left else ()),
    ]
    running = f"batch {card.batch} - {card.title}" if card.batch else card.title
    return Document(card.title, "", tuple(_facts(card)), sections, running=running, kind=CARD)


def card_pdf(card: Card) -> bytes:
    """Return the card as a PDF of one page."""
    return one_page_pdf(fitted(card))


def fitted(card: Card) -> Document:
    """Return the card as it fits one page, leaving out as little as possible: whole doses last."""
    for level in range(len(LEVELS)):
        if fits(page := card_page(card, level)):
            return page
    count = sum(len(part.lines) for part in card.parts)
    most = bisect_left(range(count), True, key=lambda n: not fits(card_page(card, CAUTIONS, n))) - 1
    return card_page(card, CAUTIONS, max(most, 0))


def _formula(card: Card, shown: Container[tuple[str, float]] | None = None, *, inci: bool = False) -> Table:
    """Return the doses, by phase, with two decimals, with three if any of them is on no grid of 0.01 %."""
    fine = any(not is_whole(100 * p) for part in card.parts for _, p in part.lines)
    rows: list[Row] = []
    for k, part in enumerate(card.parts, 1):
        lines = [(m, p) for m, p in part.lines if shown is None or (m.id, p) in shown]
        rows += [("" if n else str(k), m.name, *((m.inci,) if inci else ()), p) for n, (m, p) in enumerate(lines)]
    blank = ("",) if inci else ()
    if card.held_back:
        names = [m.name for m in card.later]
        rows.append(("", f"held back for {listed(names, 'or')}" if names else "held back", *blank, card.held_back))
    rows.append(Strong(("", "total", *blank, card.total)))
    percent = figures("%", form=f".{3 if fine else 2}f")
    return Table(
        "Formula",
        ("step", Column("material", "text" if shown is None else "name"), *(("INCI",) if inci else ()), *percent),
        tuple(rows),
    )


def _method(card: Card, most: int | None = None) -> Listing:
    steps = (f"{k}. {part.title}: {' '.join(part.method[:most])}" for k, part in enumerate(card.parts, 1))
    return Listing("Method", tuple(steps))


def _cautions(card: Card, most: int | None = None) -> Listing:
    """Return the cautions with the materials that they come from; the general ones first."""
    return Listing("Cautions", (*ALWAYS, *(c.words for c in card.cautions))[:most], "caution")
