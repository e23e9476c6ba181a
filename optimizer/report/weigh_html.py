"""The weigh sheet as one HTML file: no network, prints well, reads without colour, everything escaped."""

from __future__ import annotations

import re

from optimizer.bench.weigh import Step, WeighLine, WeighSheet
from optimizer.files import report_mark
from optimizer.report.escape import escaped
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

STYLE = """
@page { size: A4; margin: 14mm 12mm 16mm;
  @bottom-left { content: "Batch %BATCH%"; font: 8pt sans-serif; }
  @bottom-right { content: "page " counter(page) " of " counter(pages); font: 8pt sans-serif; } }
* { box-sizing: border-box; }
body { font: 10.5pt/1.35 "Liberation Sans", Arial, sans-serif; color: #111; margin: 0 auto; max-width: 190mm;
  padding: 4mm; overflow-wrap: anywhere; }
@media print { body { max-width: none; padding: 0; } }
h1 { font-size: 17pt; margin: 0 0 2mm; }
h2 { font-size: 11.5pt; margin: 6mm 0 1.5mm; padding-bottom: 1mm; border-bottom: 1.5pt solid #111; }
section { break-inside: auto; }
h2, h2 + * { break-after: avoid; }
table { border-collapse: collapse; width: 100%; }
table.sheet > thead td { font-size: 8.5pt; padding: 0 0 2mm; border: 0; text-align: right; }
table.sheet > tbody > tr > td { padding: 0; border: 0; }
table.lines, table.blank { table-layout: fixed; margin: 0 0 1.5mm; }
table.lines tr, table.blank tr { break-inside: avoid; }
.lines th, .blank th { font-size: 8.5pt; text-align: left; font-weight: 600; padding: 1mm 1.5mm;
  border-bottom: .75pt solid #111; }
.lines td, .blank td { vertical-align: top; padding: 1.4mm 1.5mm; border-bottom: .5pt solid #888; }
.lines td.write, .blank td { border: .75pt solid #555; height: 9mm; }
.right { text-align: right; } .lines th.right { text-align: right; }
.grams { font-weight: 700; font-size: 12pt; white-space: nowrap; text-align: right; }
.box { display: inline-block; width: 4.6mm; height: 4.6mm; border: 1.1pt solid #111; }
.small { font-size: 8.8pt; color: #333; }
.flag { font-weight: 700; }
ul { margin: 0 0 1.5mm; padding-left: 5mm; } li { margin: .5mm 0; }
.caution { border: 1pt solid #111; border-left-width: 4pt; padding: 1.2mm 2mm; margin: 1.5mm 0; font-size: 9.2pt;
  break-inside: avoid; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .6mm 4mm; margin: 0; } dt { color: #333; }
dd { margin: 0; }
.sign { margin-top: 7mm; display: flex; gap: 8mm; }
.sign span { flex: 1; border-top: .75pt solid #111; padding-top: 1mm; font-size: 8.8pt; }
"""
WIDTHS = (5, 6, 37, 9, 14, 15, 14)
"""Widths of the columns of a step's lines [%]."""
BLANK_ROWS = 5


def weigh_html(sheet: WeighSheet) -> str:
    """Return the sheet as a whole HTML page."""
    batch = sheet.batch
    title = f"Weigh sheet: {batch.product or 'batch'}"
    style = STYLE.replace("%BATCH%", _css_text(batch.batch))
    facts = "".join(f"<dt>{escaped(k)}</dt><dd>{escaped(v)}</dd>" for k, v in facts_of(sheet))
    notes = "".join(f"<li>{escaped(note)}</li>" for note in sheet.notes)
    body = [
        f"<h1>{escaped(title)}</h1><dl>{facts}</dl>",
        f"<ul>{notes}</ul>" if notes else "",
        f'<p class="caution"><b>Caution.</b> {escaped(PLAN)}</p>',
        *(_step(sheet, step) for step in sheet.steps),
        '<div class="sign"><span>made by, date</span><span>checked by, date</span></div>',
    ]
    running = f"{escaped(batch.product)} - batch {escaped(batch.batch)}"
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<meta name="mark" content="{report_mark(SHEET)}">'
        f"<title>{escaped(title)} - batch {escaped(batch.batch)}</title><style>{style}</style></head><body>\n"
        f'<table class="sheet"><thead><tr><td>{running}</td></tr></thead><tbody><tr><td>\n'
        + "\n".join(filter(None, body))
        + "\n</td></tr></tbody></table>\n</body></html>\n"
    )


def _css_text(text: str) -> str:
    """Return a text for a quoted CSS string; everything but letters, digits and spaces is written as its code."""
    return re.sub(r"[^A-Za-z0-9 ]", lambda m: f"\\{ord(m[0]):06x}", text)


def _step(sheet: WeighSheet, step: Step) -> str:
    parts = [f"<h2>{escaped(head_of(step))}</h2>"]
    parts += [f'<p class="caution"><b>Caution.</b> {escaped(text)}</p>' for text in caution_texts(step)]
    if step.again:
        parts.append(f'<p class="caution"><b>Caution.</b> {escaped(again_text(step))}</p>')
    if step.lines:
        columns = "".join(f'<col style="width:{w}%">' for w in WIDTHS)
        heads = "".join(f"<th{_right(k)}>{escaped(name)}</th>" for k, name in enumerate(COLUMNS))
        rows = "".join(_row(sheet, line) for line in step.lines)
        parts.append(
            f'<table class="lines"><colgroup>{columns}</colgroup><thead><tr>{heads}</tr></thead>'
            f"<tbody>{rows}</tbody></table>"
        )
    items = "".join(
        f"<li>{escaped(text)}</li>"
        if label == "do"
        else f"<li><b>{escaped(label.capitalize())}:</b> {escaped(text)}</li>"
        for label, text in after_of(step)
    )
    parts.append(f"<ul>{items}</ul>")
    if step.part.blanks:
        heads = "".join(f"<th>{escaped(name)}</th>" for name in step.part.blanks)
        count = 1 if "final" in step.part.blanks[0] else BLANK_ROWS
        cells = "<tr>" + "<td></td>" * len(step.part.blanks) + "</tr>"
        parts.append(f'<table class="blank"><thead><tr>{heads}</tr></thead><tbody>{cells * count}</tbody></table>')
    return f"<section>{''.join(parts)}</section>"


def _right(column: int) -> str:
    return ' class="right"' if column in (1, 3, 4) else ""


def _row(sheet: WeighSheet, line: WeighLine) -> str:
    told = [f'<div class="small">{escaped(text)}</div>' for text in (line.material.inci, hints(line)) if text]
    if remark(sheet, line):
        told.append(f'<div class="small flag">! {escaped(remark(sheet, line))}</div>')
    name = f"<b>{escaped(line.material.name)}</b>{''.join(told)}"
    return (
        f'<tr><td><span class="box"></span></td><td class="right">{line.number}</td><td>{name}</td>'
        f'<td class="right">{escaped(number(line.percent))}</td>'
        f'<td class="grams">{escaped(grams_text(sheet, line.grams))}</td>'
        f'<td class="write">{escaped(lot_text(line))}</td>'
        f'<td class="write">{escaped(weighed_text(sheet, line))}</td></tr>'
    )
