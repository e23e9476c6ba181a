"""The files that go along with an answer: refused before anything is worked out, then written as their names end."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.errors import UsageError

if TYPE_CHECKING:
    from optimizer.bench.card import Card
    from optimizer.bench.weigh import WeighSheet
    from optimizer.report.document import Document

PAGE, PAPER, BOOK, PICTURE = (".html", ".htm"), (".pdf",), (".xlsx",), (".png",)
"""How the names of reports end: for the screen, for paper, for figures, as one picture."""


def targets_of(kind: str, *asked: tuple[Path | None, tuple[str, ...]]) -> tuple[Path, ...]:
    """Return the reports that are asked for.

    Args:
        kind: What they are; see `files.report_mark`.
        asked: Each with how its name may end.

    Raises:
        UsageError: If a name ends otherwise.
        DataError: If a file is there that is no such report, or was changed since.
    """
    from optimizer.files import refuse_unless_report

    for path, endings in asked:
        if path is not None:
            refuse_misnamed(path, endings)
            refuse_unless_report(path, kind)
    return tuple(path for path, _ in asked if path is not None)


def refuse_misnamed(path: Path, endings: tuple[str, ...], option: str = "") -> None:
    """Refuse a file whose name ends in another way; the option that names it is told, if it is given.

    Raises:
        UsageError: If it does.
    """
    if path.suffix.lower() not in endings:
        raise UsageError(f"{option}{path.name}: the name must end in {endings[0]}.")


def save(document: Document, path: Path) -> None:
    """Write a document as a page, as a PDF or as a workbook, as the file's name ends."""
    from optimizer.files import write_report

    if path.suffix.lower() in PAPER:
        from optimizer.report.formats.pdf import document_pdf

        content = document_pdf(document)
    elif path.suffix.lower() in BOOK:
        from optimizer.report.formats.workbook import workbook

        content = workbook(document, path)
    else:
        from optimizer.report.formats.page import page

        content = page(document).encode("utf-8")
    write_report(path, content, document.kind)


def write_sheet(sheet: WeighSheet, paths: Iterable[Path], *, short: bool = False) -> None:
    """Write a weigh sheet to be filled in; on paper as one page, if it is to be short."""
    from optimizer.files import write_report
    from optimizer.report.weigh import SHEET, one_page, weigh_form

    for path in paths:
        if short and path.suffix.lower() in PAPER:
            write_report(path, one_page(sheet), SHEET)
        else:
            save(weigh_form(sheet), path)


def write_card(card: Card, paths: Iterable[Path]) -> None:
    """Write a card as one page of paper or as a picture of it."""
    from optimizer.files import write_report
    from optimizer.report.card import CARD, card_pdf
    from optimizer.report.formats.paper import png_of

    paths = tuple(paths)
    page = card_pdf(card) if paths else b""
    for path in paths:
        write_report(path, page if path.suffix.lower() in PAPER else png_of(page), CARD)
