"""The weigh sheet as a PDF to print: tick boxes, room to write, the batch number on every page."""

from __future__ import annotations

from typing import Any

from optimizer.bench.weigh import Step, WeighSheet
from optimizer.report.pages import boxed, fonts, paragraph, pdf_of, room, style, tick_box
from optimizer.report.weigh import (
    COLUMNS,
    PLAN,
    SHEET,
    after_of,
    again_text,
    caution_texts,
    facts_of,
    grams_text,
    head_of,
    hints,
    lot_text,
    remark,
    weighed_text,
)
from optimizer.units import number

SHARES = (0.05, 0.055, 0.395, 0.09, 0.13, 0.14, 0.14)
"""Widths of the columns of a step's lines, as shares of the page."""
ROWS = 5
"""Empty rows to fill in by hand."""


def weigh_pdf(sheet: WeighSheet) -> bytes:
    """Return the sheet as a PDF."""
    from reportlab.platypus import Spacer

    fonts()
    batch = sheet.batch
    title = f"Weigh sheet: {batch.product or 'batch'}"
    width = room()[0]
    flowables = [paragraph(title, style(16, bold=True, after=5)), _facts(sheet, width)]
    flowables += [paragraph(f"- {note}", style(9, after=2)) for note in sheet.notes]
    flowables += [Spacer(1, 3), boxed(paragraph(PLAN, style(8.5), "Caution."), width)]
    for step in sheet.steps:
        flowables += _step(sheet, step, width)
    flowables += [Spacer(1, 26), _signatures(width)]
    running = f"batch {batch.batch} - {batch.product}" if batch.product else f"batch {batch.batch}"
    return pdf_of(flowables, title=title, running=running, kind=SHEET)


def _facts(sheet: WeighSheet, width: float) -> Any:
    from reportlab.platypus import Table

    cells = [[paragraph(k, style(9)), paragraph(v, style(9, bold=k == "batch"))] for k, v in facts_of(sheet)]
    table = Table(cells, colWidths=[0.17 * width, 0.83 * width], hAlign="LEFT")
    table.setStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), ("TOPPADDING", (0, 0), (-1, -1), 1),
                    ("BOTTOMPADDING", (0, 0), (-1, -1), 1), ("LEFTPADDING", (0, 0), (-1, -1), 0)])  # fmt: skip
    return table


def _step(sheet: WeighSheet, step: Step, width: float) -> list[Any]:
    from reportlab.platypus import CondPageBreak, HRFlowable, KeepTogether, Spacer

    head = [paragraph(head_of(step), style(11, bold=True)), HRFlowable(width="100%", thickness=1.2, color="black")]
    cautions = [*caution_texts(step), *filter(None, [again_text(step)])]
    told = [boxed(paragraph(text, style(8.5), "Caution."), width) for text in cautions]
    lines = [_lines(sheet, step, width)] if step.lines else []
    words = [
        paragraph(text, style(9, indent=8, after=1.5), "-" if label == "do" else f"- {label.capitalize()}:")
        for label, text in after_of(step)
    ]
    blank = [Spacer(1, 3), _blank(step, width)] if step.part.blanks else []
    if not lines:
        return [Spacer(1, 9), KeepTogether([*head, *told, *words, *blank])]
    return [Spacer(1, 9), CondPageBreak(110), KeepTogether([*head, *told]), *lines, KeepTogether([*words, *blank])]


def _lines(sheet: WeighSheet, step: Step, width: float) -> Any:
    from reportlab.lib.colors import black, grey
    from reportlab.platypus import Table

    right = (1, 3, 4)
    rows: list[list[Any]] = [[paragraph(name, style(8, bold=True, right=k in right)) for k, name in enumerate(COLUMNS)]]
    for line in step.lines:
        told = [paragraph(line.material.name, style(9.5, bold=True))]
        told += [paragraph(text, style(7.5)) for text in (line.material.inci, hints(line)) if text]
        if remark(sheet, line):
            told.append(paragraph(remark(sheet, line), style(7.5), "!"))
        rows.append(
            [
                tick_box(12),
                paragraph(str(line.number), style(9, right=True)),
                told,
                paragraph(number(line.percent), style(9, right=True)),
                paragraph(grams_text(sheet, line.grams), style(11, bold=True, right=True)),
                paragraph(lot_text(line), style(8.5)),
                paragraph(weighed_text(sheet, line), style(8.5)),
            ]
        )
    table = Table(rows, colWidths=[s * width for s in SHARES], repeatRows=1, spaceBefore=3, spaceAfter=3)
    table.setStyle(
        [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LINEBELOW", (0, 0), (-1, 0), 0.8, black),
            ("LINEBELOW", (0, 1), (-1, -1), 0.4, grey),
            ("BOX", (5, 1), (5, -1), 0.6, black),
            ("BOX", (6, 1), (6, -1), 0.6, black),
            ("LINEBELOW", (5, 1), (6, -1), 0.6, black),
            ("LEFTPADDING", (0, 0), (-1, -1), 3),
            ("RIGHTPADDING", (0, 0), (-1, -1), 3),
            ("TOPPADDING", (0, 1), (-1, -1), 3),
            ("BOTTOMPADDING", (0, 1), (-1, -1), 5),
        ]
    )
    return table


def _blank(step: Step, width: float) -> Any:
    from reportlab.lib.colors import black
    from reportlab.platypus import Table

    heads = [paragraph(name, style(8, bold=True)) for name in step.part.blanks]
    count = 1 if "final" in step.part.blanks[0] else ROWS
    rows: list[list[Any]] = [heads, *([""] * len(heads) for _ in range(count))]
    table = Table(rows, colWidths=[0.2 * width] * len(heads), rowHeights=[14, *([20] * count)], hAlign="LEFT")
    table.setStyle([("GRID", (0, 1), (-1, -1), 0.6, black), ("VALIGN", (0, 0), (-1, -1), "MIDDLE")])
    return table


def _signatures(width: float) -> Any:
    from reportlab.lib.colors import black
    from reportlab.platypus import Table

    cells = [[paragraph("made by, date", style(8)), "", paragraph("checked by, date", style(8))]]
    table = Table(cells, colWidths=[0.46 * width, 0.08 * width, 0.46 * width])
    table.setStyle([("LINEABOVE", (0, 0), (0, 0), 0.8, black), ("LINEABOVE", (2, 0), (2, 0), 0.8, black)])
    return table
