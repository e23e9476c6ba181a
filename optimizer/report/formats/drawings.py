"""Drawings for paper, from the same plain data as those of pages (`pictures`): black on white, kinds hatched."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import isnan
from typing import Any

from optimizer.report.document import Bar, Bars, Curves
from optimizer.report.formats.escape import printable, shown
from optimizer.report.formats.paper import BODY, fonts, width_of
from optimizer.report.formats.pictures import Along, ticks
from optimizer.units import number

SIZE = 8.0
"""Height of the letters [pt]."""
LINE = 1.3 * SIZE
STRIP = 8.0
"""Height of a bar [pt]."""
TRACK = 0.4
"""Part of the width that is left to the bars at least, when labels and figures stand beside them."""
HIGH = 170.0
"""Height of the plot of a curve [pt]."""
LEFT = 48.0
"""Room for the figures at the left of a curve [pt]."""
ROWS = 24
"""Bars of one picture."""
DASHES = (None, (7, 4), (2, 3), (9, 3, 2, 3))


class _Sheet:
    """Shapes placed from the top down; turned over at the end, because reportlab counts from below."""

    def __init__(self, width: float) -> None:
        self.width, self.top, self.shapes = width, 0.0, []  # type: float, float, list[Any]

    def words(self, x: float, y: float, text: str, anchor: str = "start") -> None:
        """Write a line on a baseline, kept inside the picture."""
        from reportlab.graphics.shapes import String

        long = width_of(text, BODY, SIZE)
        x -= {"start": 0.0, "middle": long / 2, "end": long}[anchor]
        self.shapes.append(String(max(0.0, min(x, self.width - long)), -y, text, fontName=BODY, fontSize=SIZE))

    def line(self, x1: float, y1: float, x2: float, y2: float, thick: float = 0.6, *, soft: bool = False) -> None:
        """Draw a straight line."""
        from reportlab.graphics.shapes import Line
        from reportlab.lib.colors import black, grey

        self.shapes.append(Line(x1, -y1, x2, -y2, strokeWidth=thick, strokeColor=grey if soft else black))

    def box(self, x: float, y: float, width: float, height: float, *, hatched: bool = False) -> None:
        """Draw a box, hatched or filled."""
        from reportlab.graphics.shapes import Rect
        from reportlab.lib.colors import HexColor, black, white

        fill = white if hatched else HexColor(0xDDDDDD)
        self.shapes.append(Rect(x, -y - height, width, height, strokeWidth=0.6, strokeColor=black, fillColor=fill))
        step = 3.5
        for k in range(int((width + height) / step) + 1 if hatched else 0):
            shift = k * step - height
            first, last = max(0.0, shift), min(width, shift + height)
            if last > first:
                self.line(x + first, y + height - first + shift, x + last, y + height - last + shift, 0.4)

    def sign(self, kind: int, x: float, y: float) -> None:
        """Draw the mark of a line: each line has a shape of its own."""
        from reportlab.graphics.shapes import Circle, Polygon, Rect
        from reportlab.lib.colors import black, white

        look = {"strokeWidth": 0.9, "strokeColor": black, "fillColor": white}
        y = -y
        made = (
            lambda: Circle(x, y, 2.6, **look),
            lambda: Rect(x - 2.4, y - 2.4, 4.8, 4.8, **look),
            lambda: Polygon([x, y + 3.2, x + 3, y - 2.4, x - 3, y - 2.4], **look),
            lambda: Polygon([x, y + 3.4, x + 3.4, y, x, y - 3.4, x - 3.4, y], **look),
        )
        self.shapes.append(made[kind % len(made)]())

    def path(self, kind: int, points: list[tuple[float, float]]) -> None:
        """Draw a line through points, dashed by its kind."""
        from reportlab.graphics.shapes import PolyLine
        from reportlab.lib.colors import black

        flat = [v for x, y in points for v in (x, -y)]
        dash = DASHES[kind % len(DASHES)]
        self.shapes.append(PolyLine(flat, strokeWidth=1.2, strokeColor=black, strokeDashArray=dash))

    def told(self, text: str, indent: float = 0.0, anchor: str = "start") -> None:
        """Write a text below what is there, in as many lines as it needs."""
        for line in _lines(text, self.width - indent):
            self.top += LINE
            self.words(self.width if anchor == "end" else indent, self.top - 0.25 * LINE, line, anchor)

    def drawing(self, most: float) -> Any:
        """Return all of it as something to put on a page, made smaller if it is higher than `most` [pt]."""
        from reportlab.graphics.shapes import Drawing, Group

        height = self.top + 4
        small = min(1.0, most / height)
        return Drawing(
            small * self.width, small * height, Group(*self.shapes, transform=(small, 0, 0, small, 0, small * height))
        )


def drawings_of(drawing: Bars | Curves, width: float, height: float) -> list[Any]:
    """Return a drawing for paper: one picture, or several on one axis where there are many bars.

    Args:
        drawing: What is to be drawn.
        width: Width of the page [pt].
        height: Height of the page [pt].
    """
    fonts()
    most = height - 40  # a heading stands above
    if isinstance(drawing, Curves):
        return [_curves(_Sheet(width), drawing).drawing(most)]
    starts = range(0, max(len(drawing.rows), 1), ROWS)
    parts = (replace(drawing, rows=drawing.rows[start : start + ROWS]) for start in starts)
    return [_bars(_Sheet(width), part).drawing(most) for part in parts]


def _bars(sheet: _Sheet, bars: Bars) -> _Sheet:
    """Draw bars between their labels and figures, or below them where those are too long."""
    scale = Along(*bars.ends)
    left = max((width_of(printable(row.label), BODY, SIZE) + 8 for row in bars.rows), default=0.0)
    right = sheet.width - max((width_of(printable(row.told), BODY, SIZE) + 8 for row in bars.rows), default=0.0)
    between = right - left >= TRACK * sheet.width
    if not between:
        left, right = 0.0, sheet.width

    def at(value: float) -> float:
        return left + (right - left) * scale(value) / 100

    for row in bars.rows:
        if between:
            sheet.words(0, sheet.top + 0.9 * STRIP, printable(row.label))
            sheet.words(sheet.width, sheet.top + 0.9 * STRIP, printable(row.told), "end")
        else:
            _above(sheet, row)
        _strip(sheet, row, bars, at)
        sheet.top += STRIP + 4
    axis = sheet.top
    sheet.line(left, axis, right, axis)
    for value in ticks(*bars.ends):
        sheet.line(at(value), axis, at(value), axis + 3)
        sheet.words(at(value), axis + 3 + SIZE, number(value), "middle")
    sheet.top += 3 + LINE
    sheet.told(bars.axis, left)
    if bars.band:
        sheet.box(left, sheet.top + 2, 18, 7, hatched=True)
        sheet.told(bars.band[2], left + 24)
    if bars.line:
        sheet.line(left + 9, sheet.top + 1, left + 9, sheet.top + LINE - 1, 2)
        sheet.told(bars.line[1], left + 24)
    return sheet


def _above(sheet: _Sheet, row: Bar) -> None:
    """Write label and figures above a bar, in one line if they fit."""
    label = _lines(row.label, sheet.width)
    sheet.told(row.label)
    if width_of(label[-1], BODY, SIZE) + width_of(printable(row.told), BODY, SIZE) + 12 <= sheet.width:
        sheet.words(sheet.width, sheet.top - 0.25 * LINE, printable(row.told), "end")
    else:
        sheet.told(row.told, anchor="end")
    sheet.top += 1


def _strip(sheet: _Sheet, row: Bar, bars: Bars, at: Callable[[float], float]) -> None:
    """Draw one bar on its track."""
    top, middle = sheet.top, sheet.top + STRIP / 2
    sheet.line(at(bars.ends[0]), middle, at(bars.ends[1]), middle, soft=True)
    if not isnan(row.low):
        left, right = at(row.low), at(row.high)
        sheet.box(left, top, right - left, STRIP, hatched=row.hatched)
        if bars.band:
            low, high = max(left, at(bars.band[0])), min(right, at(bars.band[1]))
            if high > low:
                sheet.box(low, top, high - low, STRIP, hatched=True)
    if bars.ends[0] < 0 < bars.ends[1]:
        sheet.line(at(0), top - 1, at(0), top + STRIP + 1)
    if bars.line:
        sheet.line(at(bars.line[0]), top - 1.5, at(bars.line[0]), top + STRIP + 1.5, 2)
    if not isnan(row.mark):
        sheet.sign(0, at(row.mark), middle)


def _curves(sheet: _Sheet, curves: Curves) -> _Sheet:
    points = [p for line in curves.lines for p in (*line.points, *line.marks)]
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    across, up = Along(min(xs), max(xs)), Along(max(ys), min(ys))
    sheet.told(curves.y)
    top, wide = sheet.top + 4, sheet.width - LEFT - 8

    def at(point: tuple[float, float]) -> tuple[float, float]:
        return LEFT + wide * across(point[0]) / 100, top + HIGH * up(point[1]) / 100

    for value in ticks(min(ys), max(ys), 5):
        y = at((min(xs), value))[1]
        sheet.line(LEFT, y, LEFT + wide, y, 0.4, soft=True)
        sheet.words(LEFT - 5, y + 0.35 * SIZE, number(value), "end")
    sheet.top = top + HIGH
    sheet.line(LEFT, sheet.top, LEFT + wide, sheet.top)
    for value in ticks(min(xs), max(xs), 5):
        x = at((value, min(ys)))[0]
        sheet.line(x, sheet.top, x, sheet.top + 3)
        sheet.words(x, sheet.top + 3 + SIZE, number(value), "middle")
    for kind, line in enumerate(curves.lines):
        if len(line.points) > 1:
            sheet.path(kind, [at(p) for p in line.points])
        for mark in dict.fromkeys(line.marks):
            sheet.sign(kind, *at(mark))
    sheet.top += 3 + LINE
    sheet.told(curves.x, anchor="end")
    if any(line.label for line in curves.lines):
        for kind, line in enumerate(curves.lines):
            middle = sheet.top + LINE / 2
            sheet.path(kind, [(0, middle), (30, middle)])
            sheet.sign(kind, 15, middle)
            sheet.told(line.label, 38)
    return sheet


def _lines(text: str, width: float) -> list[str]:
    from reportlab.lib.utils import simpleSplit

    return simpleSplit(shown(text), BODY, SIZE, width) or [""]
