"""Printed pages: a font that knows most scripts, numbered pages that carry the batch, pictures of them.

The font lies in `fonts/` with its licence. Same input, same bytes: no date stands in the file.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

from optimizer.files import report_mark
from optimizer.report.formats.escape import escaped, printable, shown

BODY, STRONG = "Sheet", "Sheet-Bold"
MARGIN = 40.0
"""Margin on every side [pt]."""
PADDING = 6.0
"""What a frame of reportlab keeps free inside its margins [pt]."""
LONG = 500
"""Letters up to which a paragraph fits any page."""
DOTS_PER_INCH = 150


@cache
def fonts() -> None:
    """Register the fonts, once."""
    from reportlab.pdfbase.pdfmetrics import registerFont, registerFontFamily
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(__file__).parent / "fonts"
    registerFont(TTFont(BODY, folder / "DejaVuSans.ttf"))
    registerFont(TTFont(STRONG, folder / "DejaVuSans-Bold.ttf"))
    registerFontFamily(BODY, normal=BODY, bold=STRONG, italic=BODY, boldItalic=STRONG)


def style(
    size: float,
    *,
    bold: bool = False,
    right: bool = False,
    indent: float = 0.0,
    after: float = 0.0,
) -> Any:
    """Return a paragraph style of a size [pt]; words may be broken at hyphens, and long ones are, never cut off."""
    from reportlab.lib.styles import ParagraphStyle

    return ParagraphStyle(
        "sheet",
        fontName=STRONG if bold else BODY,
        fontSize=size,
        leading=1.25 * size,
        alignment=2 if right else 0,
        leftIndent=indent,
        spaceAfter=after,
        splitLongWords=1,
        bulletFontName=BODY,
        bulletFontSize=size,
        embeddedHyphenation=1,
    )


def paragraph(text: str, kind: Any, lead: str = "", bullet: str = "") -> Any:
    """Return a paragraph of plain text, with bold words before it, or a sign in its margin."""
    from reportlab.platypus import Paragraph

    bold = f"<b>{escaped(lead)}</b> " if lead else ""
    return Paragraph(bold + escaped(shown(text)), kind, bulletText=bullet or None)


def as_typed(lines: tuple[str, ...], width: float, size: float = 8.0) -> list[Any]:
    """Return lines whose signs stand below one another, each on a grid; what is too long goes on in the next line."""
    from reportlab.graphics.shapes import Drawing, String

    step = 0.61 * size
    most = int(width / step)
    laid = []
    for line in map(printable, lines):
        for start in range(0, max(len(line), 1), most):
            words = re.finditer(r"\S*\w\S*|\S", line[start : start + most])
            signs = [String(w.start() * step, 0.3 * size, w[0], fontName=BODY, fontSize=size) for w in words]
            laid.append(Drawing(width, 1.25 * size, *signs))
    return laid


def too_tall(cells: Iterable[tuple[Any, float]]) -> bool:
    """Return whether a paragraph of a width needs most of a page or more, so that it must be split."""
    high = 0.8 * room()[1]
    parts = ((part, width) for cell, width in cells for part in (cell if isinstance(cell, list) else [cell]))
    return any(
        len(part.getPlainText()) > LONG and part.wrap(width - 2 * PADDING, high)[1] > high
        for part, width in parts
        if hasattr(part, "getPlainText")
    )


def split_table(rows: list[list[Any]], widths: list[float], looks: list[Any], heads: int = 0) -> Any:
    """Return a table that goes on over pages, even inside a row that fits no page; heads are repeated."""
    from reportlab.platypus import LongTable

    inside = too_tall((cell, width) for row in rows for cell, width in zip(row, widths, strict=True))
    table = LongTable(rows, colWidths=widths, repeatRows=heads, splitInRow=inside, hAlign="LEFT")
    table.setStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), *looks])
    return table


def width_of(text: str, font: str, size: float) -> float:
    """Return the width of a line of text [pt]."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(text, font, size))


def boxed(inner: Any, width: float) -> Any:
    """Return a caution: framed, with a broad left edge, so that it is seen without colour."""
    from reportlab.lib.colors import black
    from reportlab.platypus import Table

    table = Table([[inner]], colWidths=[width], spaceBefore=3, spaceAfter=3, splitInRow=too_tall([(inner, width)]))
    table.setStyle(
        [
            ("BOX", (0, 0), (-1, -1), 0.8, black),
            ("LINEBEFORE", (0, 0), (0, -1), 3, black),
            ("TOPPADDING", (0, 0), (-1, -1), 2.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 3.5),
            ("LEFTPADDING", (0, 0), (-1, -1), 7),
        ]
    )
    return table


def tick_box(size: float) -> Any:
    """Return an empty square to tick [pt]."""
    from reportlab.graphics.shapes import Drawing, Rect
    from reportlab.lib.colors import black

    drawing = Drawing(size, size)
    drawing.add(Rect(0.5, 0.5, size - 1, size - 1, strokeColor=black, strokeWidth=1, fillColor=None))
    return drawing


def shrunk(flowables: list[Any], width: float, height: float, scale: float) -> Any:
    """Return flowables, laid out for a larger frame, as one that is as large as a frame [pt]."""
    from reportlab.platypus import Flowable, Frame

    class Shrunk(Flowable):  # type: ignore[misc]
        """All of them, in smaller letters."""

        def wrap(self, *_: float) -> tuple[float, float]:
            return width, height

        def draw(self) -> None:
            self.canv.scale(scale, scale)
            Frame(0, 0, width / scale, height / scale, 0, 0, 0, 0).addFromList(flowables, self.canv)

    return Shrunk()


def shortened(text: str, font: str, size: float, width: float) -> str:
    """Return a text cut to a width [pt], with dots where something is missing."""
    if width_of(text, font, size) <= width:
        return text
    while text and width_of(f"{text} ...", font, size) > width:
        text = text[:-1]
    return f"{text.rstrip()} ..."


def pdf_of(flowables: list[Any], *, title: str, running: str, kind: str) -> bytes:
    """Return flowables as an A4 PDF; every page carries the running head and 'page n of m'.

    Args:
        flowables: What stands on the pages, in order.
        title: Title of the file.
        running: What stands below every page.
        kind: What it is; see `files.report_mark`.
    """
    from reportlab.lib.pagesizes import A4
    from reportlab.pdfgen.canvas import Canvas
    from reportlab.platypus import SimpleDocTemplate

    fonts()
    width = A4[0]

    class Numbered(Canvas):  # type: ignore[misc]
        """A canvas that knows how many pages there are before it prints their numbers."""

        def __init__(self, *args: Any, **kwargs: Any) -> None:
            super().__init__(*args, **{**kwargs, "invariant": 1})
            self.pages: list[dict[str, Any]] = []

        def showPage(self) -> None:  # noqa: N802
            self.pages.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            for number, page in enumerate(self.pages, 1):
                self.__dict__.update(page)
                self.setFont(BODY, 8)
                told = f"page {number} of {len(self.pages)}"
                self.drawRightString(width - MARGIN, 22, told)
                self.drawString(MARGIN, 22, shortened(running, BODY, 8, width - 2 * MARGIN - 90))
                self.line(MARGIN, 33, width - MARGIN, 33)
                super().showPage()
            super().save()

    stream = BytesIO()
    document = SimpleDocTemplate(
        stream,
        pagesize=A4,
        leftMargin=MARGIN - PADDING,
        rightMargin=MARGIN - PADDING,
        topMargin=MARGIN - PADDING,
        bottomMargin=MARGIN - PADDING,
        title=title,
        author="",
        keywords=report_mark(kind),
        invariant=1,
    )
    document.build(flowables, canvasmaker=Numbered)
    return stream.getvalue()


def room() -> tuple[float, float]:
    """Return width and height of what fits between the margins of an A4 page [pt]."""
    from reportlab.lib.pagesizes import A4

    return A4[0] - 2 * MARGIN, A4[1] - 2 * MARGIN


def height_of(flowables: list[Any], width: float) -> float:
    """Return the height that flowables take one below the other [pt]."""
    total = 0.0
    for flowable in flowables:
        total += flowable.wrap(width, 1e6)[1] + flowable.getSpaceBefore() + flowable.getSpaceAfter()
    return total


def png_of(pdf: bytes, page: int = 0) -> bytes:
    """Return one page of a PDF as a PNG."""
    from pypdfium2 import PdfDocument

    document = PdfDocument(pdf)
    try:
        image = document[page].render(scale=DOTS_PER_INCH / 72).to_pil()
    finally:
        document.close()
    stream = BytesIO()
    image.save(stream, format="PNG", optimize=True)
    return stream.getvalue()


def page_count(pdf: bytes) -> int:
    """Return the number of pages of a PDF."""
    from pypdfium2 import PdfDocument

    document = PdfDocument(pdf)
    try:
        return len(document)
    finally:
        document.close()
