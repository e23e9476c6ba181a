"""The formula card on exactly one page: text shrinks to a least size, then what is left out is told on the page."""

from __future__ import annotations

from bisect import bisect_left
from typing import Any

from optimizer.bench.card import Card
from optimizer.report.card import CARD, caution_texts, facts_of, held_text, percent_text
from optimizer.report.pages import boxed, fonts, height_of, paragraph, pdf_of, room, style

LARGEST, SMALLEST, SHRINK = 10.0, 6.5, 0.25
"""Sizes of the text that are tried, largest first [pt]."""
LEVELS = (
    "",
    "INCI names",
    "details of the method",
    "the method (see the weigh sheet)",
    "cautions in full (see the weigh sheet)",
)
"""What is left out, one more at each level, before a dose is."""


def card_pdf(card: Card) -> bytes:
    """Return the card as a PDF of one page."""
    fonts()
    flowables = fitted(card)
    running = f"batch {card.batch} - {card.title}" if card.batch else card.title
    return pdf_of(flowables, title=card.title, running=running, kind=CARD)


def fitted(card: Card) -> list[Any]:
    """Return the card's flowables at the largest size at which they fit one page, leaving out as little as possible."""
    width, height = room()
    count = sum(len(part.lines) for part in card.parts)
    sizes = [SMALLEST + k * SHRINK for k in range(round((LARGEST - SMALLEST) / SHRINK) + 1)]

    def fits(size: float, level: int, lines: int) -> bool:
        return height_of(_laid(card, size, level, lines, width), width) <= height - 2

    for level in range(len(LEVELS)):
        if fits(SMALLEST, level, count):
            size = sizes[bisect_left(sizes, True, key=lambda s: not fits(s, level, count)) - 1]
            return _laid(card, size, level, count, width)
    last = len(LEVELS) - 1
    lines = bisect_left(range(count), True, key=lambda n: not fits(SMALLEST, last, n)) - 1
    return _laid(card, SMALLEST, last, max(lines, 0), width)


def _laid(card: Card, size: float, level: int, lines: int, width: float) -> list[Any]:
    from reportlab.platypus import HRFlowable, Spacer

    flowables = [paragraph(card.title, style(1.7 * size, bold=True, after=0.4 * size)), _facts(card, size, width)]
    flowables += [Spacer(1, 0.5 * size), _formula(card, size, level, lines, width)]
    if level < 3:
        flowables.append(_heading("Method", size))
        for k, part in enumerate(card.parts, 1):
            told = part.method if level < 2 else part.method[:1]
            flowables.append(paragraph(" ".join(told), style(size, after=0.2 * size), f"{k}. {part.title}."))
    cautions = caution_texts(card)
    if level == len(LEVELS) - 1:
        cautions = cautions[:2]
    flowables.append(_heading("Cautions", size))
    flowables += [boxed(paragraph(text, style(0.9 * size)), width) for text in cautions]
    left = [words for words in LEVELS[1 : level + 1] if words]
    if level >= 3:
        left.remove(LEVELS[2])
    count = sum(len(part.lines) for part in card.parts)
    if lines < count:
        left.append(f"{count - lines} doses, the smallest: the formula above is not whole")
    if left:
        flowables += [HRFlowable(width="100%", thickness=0.5, color="black", spaceBefore=3)]
        flowables.append(paragraph(f"{'; '.join(left)}.", style(max(0.85 * size, 6.0)), "Left out for room:"))
    return flowables


def _heading(text: str, size: float) -> Any:
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    kind = ParagraphStyle("head", parent=style(1.1 * size, bold=True), spaceBefore=0.7 * size, spaceAfter=0.2 * size)
    return Paragraph(text, kind)


def _facts(card: Card, size: float, width: float) -> Any:
    from reportlab.platypus import Table

    cells = [[paragraph(k, style(size)), paragraph(v, style(size, bold=True))] for k, v in facts_of(card)]
    table = Table(cells, colWidths=[0.16 * width, 0.84 * width])
    table.setStyle(
        [
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("TOPPADDING", (0, 0), (-1, -1), 0.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 0.5),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ]
    )
    return table


def _formula(card: Card, size: float, level: int, lines: int, width: float) -> Any:
    from reportlab.lib.colors import black, grey
    from reportlab.platypus import Table

    shown = _largest(card, lines)
    inci = level < 1
    heads = ["step", "material", *(["INCI"] if inci else []), "%"]
    rows: list[list[Any]] = [[paragraph(h, style(0.9 * size, bold=True, right=h == "%")) for h in heads]]
    firsts = []
    for k, part in enumerate(card.parts, 1):
        first = True
        for material, percent in part.lines:
            if (material.id, percent) not in shown:
                continue
            if first:
                firsts.append(len(rows))
            name = paragraph(material.name, style(size, bold=True))
            cells = [paragraph(str(k) if first else "", style(size)), name]
            cells += [paragraph(material.inci, style(0.85 * size))] if inci else []
            rows.append([*cells, paragraph(percent_text(card, percent), style(size, right=True))])
            first = False
    blank = [""] if inci else []
    if card.held_back:
        told = paragraph(held_text(card), style(size))
        rows.append(["", told, *blank, paragraph(percent_text(card, card.held_back), style(size, right=True))])
    total = paragraph(percent_text(card, card.total), style(size, bold=True, right=True))
    rows.append(["", paragraph("total", style(size, bold=True)), *blank, total])
    shares = (0.07, 0.42, 0.38, 0.13) if inci else (0.07, 0.8, 0.13)
    table = Table(rows, colWidths=[s * width for s in shares])
    table.setStyle(
        [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 2),
            ("RIGHTPADDING", (0, 0), (-1, -1), 2),
            ("TOPPADDING", (0, 0), (-1, -1), 0.12 * size),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 0.22 * size),
            ("LINEBELOW", (0, 0), (-1, 0), 0.8, black),
            ("LINEABOVE", (0, -1), (-1, -1), 0.8, black),
            *(("LINEABOVE", (0, r), (-1, r), 0.4, grey) for r in firsts if r > 1),
        ]
    )
    return table


def _largest(card: Card, lines: int) -> set[tuple[str, float]]:
    """Return the ids and doses of the largest lines."""
    every = [(m.id, p) for part in card.parts for m, p in part.lines]
    return set(sorted(every, key=lambda line: (-line[1], line[0]))[:lines])
