"""`tenside card --share`: the card for somebody else, as page, paper, picture and file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.answers.answer import Answer
from optimizer.cli.common import aside
from optimizer.errors import UsageError, nearest

if TYPE_CHECKING:
    from optimizer.answers.subject import Subject
    from optimizer.bench.card import Card
    from optimizer.bench.shared_card import SharedCard


def sizes_of(text: str) -> tuple[float, ...]:
    """Return the batches that grams are given for, such as '100 g, 1 kg' [g].

    Raises:
        UsageError: If one of them is no mass, or there are more than four.
    """
    from optimizer.bench.amount import option

    found = []
    for part in filter(None, (p.strip() for p in text.split(","))):
        amount = option(part, "--sizes")
        if amount.unit != "g":
            raise UsageError(f"--sizes '{part}': write masses, such as '100 g, 1 kg'.")
        found.append(amount.value)
    if len(found) > 4:
        raise UsageError("--sizes: at most four batches have room on the card.")
    return tuple(found)


def share(
    found: Subject,
    card: Card,
    *,
    sizes: str,
    shown: str,
    instead: bool,
    pdf: Path | None,
    png: Path | None,
    table: Path | None,
) -> Answer[SharedCard]:
    """Return the card to share, and write it as PDF, picture and file where they are named."""
    from optimizer.answers.share import ASKED, shared_card
    from optimizer.bench.shared_card import SIZES_G
    from optimizer.files import write_atomic, write_report
    from optimizer.report.card import CARD
    from optimizer.report.document_pdf import document_pdf
    from optimizer.report.shared_card import screen_png, shared_csv, shared_document

    asked = [word for word in (w.strip() for w in shown.split(",")) if word]
    for word in asked:
        if word not in ASKED:
            raise UsageError(f"--with '{word}': {nearest(word, ASKED)}")
    told = shared_card(
        card, found.brief, found.formula, sizes_g=sizes_of(sizes) or SIZES_G, show=asked, batch=found.batch,
        instead=instead, tell=_tell,
    )  # fmt: skip
    if pdf is not None:
        write_report(pdf, document_pdf(shared_document(told)), CARD)
    if png is not None:
        write_report(png, screen_png(told), CARD)
    if table is not None:
        write_atomic(table, shared_csv(told))
    for path in filter(None, (pdf, png, table)):
        aside(f"wrote {path}")
    return Answer("card --share", told)


def _tell(name: str) -> None:
    import sys

    if sys.stderr.isatty():
        aside(f"what to use instead of {name} ...")
