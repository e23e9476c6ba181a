"""The weigh sheet as a workbook that sums what is typed in; no cell of data is ever read as a formula."""

from __future__ import annotations

from io import BytesIO
from typing import Any

from optimizer.bench.weigh import WeighSheet
from optimizer.data.sheet import neutral
from optimizer.report.weigh import (
    PLAN,
    after_of,
    again_text,
    caution_texts,
    facts_of,
    head_of,
    hints,
    remark,
)

HEADS = ("done", "no.", "material", "id", "%", "weigh, g", "lot", "weighed, g", "how")
WIDTHS = (6, 5, 34, 26, 8, 11, 14, 12, 70)
LETTERS = "ABCDEFGHI"


def weigh_xlsx(sheet: WeighSheet) -> bytes:
    """Return the sheet as a workbook."""
    from openpyxl import Workbook
    from openpyxl.styles import Alignment, Border, Font, Side

    book = Workbook()
    page: Any = book.active
    page.title = "weigh sheet"
    bold, wrapped, thin = Font(bold=True), Alignment(wrap_text=True, vertical="top"), Side(style="thin")
    page.append([_plain(f"Weigh sheet: {sheet.batch.product or 'batch'}")])
    page["A1"].font = Font(bold=True, size=14)
    for name, value in [*facts_of(sheet), *(("note", n) for n in sheet.notes), ("caution", PLAN)]:
        page.append([_plain(name), None, _plain(value)])
        row = page.max_row
        page.merge_cells(start_row=row, start_column=3, end_row=row, end_column=9)
        page.cell(row, 3).alignment = wrapped
        page.row_dimensions[row].height = 15 * (1 + len(value) // 150)
    page.append([])
    page.append(HEADS)
    head = page.max_row
    for cell in page[head]:
        cell.font = bold
        cell.border = Border(bottom=thin)
    first = head + 1
    for step in sheet.steps:
        page.append([_plain(head_of(step))])
        page.cell(page.max_row, 1).font = bold
        for line in step.lines:
            how = " ".join(filter(None, [hints(line), remark(sheet, line)]))
            weighed = sum(g for _, g in line.weighed) if line.weighed else None
            lots = ", ".join(lot for lot, _ in line.weighed if lot)
            material = line.material
            cells = [None, line.number, _plain(material.name), material.id, line.percent, line.grams]
            page.append([*cells, _plain(lots) or None, weighed, _plain(how)])
            for cell in page[page.max_row]:
                cell.alignment = wrapped
                cell.border = Border(top=thin, bottom=thin, left=thin, right=thin)
        for text in [t for _, t in after_of(step)]:
            _told(page, text, wrapped)
        for text in [*caution_texts(step), *filter(None, [again_text(step)])]:
            _told(page, f"CAUTION: {text}", wrapped)
    page.append([])
    last = page.max_row - 1
    page.append([None, None, "sum", None, f"=SUM(E{first}:E{last})", f"=SUM(F{first}:F{last})", None,
                 f"=SUM(H{first}:H{last})", "the part held back is not in the sum"])  # fmt: skip
    for cell in page[page.max_row]:
        cell.font = bold
    for letter, width in zip(LETTERS, WIDTHS, strict=True):
        page.column_dimensions[letter].width = width
    page.freeze_panes = f"A{first}"
    page.print_title_rows = f"{head}:{head}"
    page.page_setup.orientation, page.page_setup.paperSize = "landscape", page.PAPERSIZE_A4
    page.page_setup.fitToWidth, page.page_setup.fitToHeight = 1, 0
    page.sheet_properties.pageSetUpPr.fitToPage = True
    page.oddFooter.left.text = f"batch {sheet.batch.batch}".replace("&", "&&")
    page.oddFooter.right.text = "page &P of &N"
    stream = BytesIO()
    book.save(stream)
    return stream.getvalue()


def _told(page: Any, text: str, wrapped: Any) -> None:
    """Add a sentence over the columns from the material on."""
    page.append([None, None, _plain(text)])
    row = page.max_row
    page.merge_cells(start_row=row, start_column=3, end_row=row, end_column=9)
    page.cell(row, 3).alignment = wrapped
    page.row_dimensions[row].height = 15 * (1 + len(text) // 150)


def _plain(text: str) -> str:
    """Return a text that no spreadsheet reads as a formula, without characters that a workbook cannot hold."""
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    return neutral(str(ILLEGAL_CHARACTERS_RE.sub("", text)))
