"""Drawings as SVG that is put into a page: sharp at any width, in the page's own letters and colours.

Upright places are counted in letter heights (em), places along the axis in percent of the width, so a picture fits a
telephone and a sheet of paper without its words shrinking. Nothing is told by colour alone: spans carry their figures
in words, kinds differ by hatching, lines by their dashes and marks. The same input gives the same bytes.
"""

from __future__ import annotations

from math import floor, isnan, log10
from textwrap import wrap

from optimizer.immutable import immutable
from optimizer.report.document import Bar, Bars, Curve, Curves, Sketch
from optimizer.report.formats.escape import escaped, printable, shown
from optimizer.units import ROUND_OFF, number, whole_down, whole_up

LETTERS = 40
"""Letters of a line that fit the narrowest screen (320 px)."""
LINE = 1.35
"""Height of a line [em]."""
STRIP = 1.0
"""Height of a bar [em]."""
LEFT, WIDE, HIGH = 14.0, 82.0, 17.0
"""Plot of a curve: its left edge and width [% of the picture], its height [em]."""
DASHES = ("none", "7 4", "2 3", "9 3 2 3")
MARKS = ("M-3.5 0a3.5 3.5 0 1 0 7 0a3.5 3.5 0 1 0-7 0", "M-3-3h6v6h-6z", "M0-4 4 3H-4z", "M0-4.5 4.5 0 0 4.5-4.5 0z")


@immutable
class Along:
    """Places along an axis [%] of values between its ends; what lies outside is put on the end."""

    first: float
    last: float

    def __call__(self, value: float) -> float:
        """Return the place of a value."""
        share = (value - self.first) / (self.last - self.first) if self.last != self.first else 0.5
        return 100 * min(max(share, 0.0), 1.0)


def drawn(sketch: Sketch, key: str) -> str:
    """Return a sketch's drawing as an SVG element.

    Args:
        sketch: A sketch that has a drawing.
        key: Letters that begin every id inside, different for each picture of a page.
    """
    return laid(sketch, key)[1]


def laid(sketch: Sketch, key: str) -> tuple[float, str]:
    """Return the height [em] of a sketch's drawing, and the drawing itself (see `drawn`)."""
    drawing = sketch.drawing
    assert drawing is not None
    height, parts, told = _bars(drawing, key) if isinstance(drawing, Bars) else _curves(drawing)
    head = f'<svg class="picture" role="img" aria-labelledby="{key}t {key}d" width="100%" height="{_n(height)}em">'
    names = f'<title id="{key}t">{escaped(sketch.title)}</title><desc id="{key}d">{escaped(told)}</desc>'
    return height, "\n".join([head, names, *parts, "</svg>"])


def ticks(first: float, last: float, most: int = 6) -> list[float]:
    """Return round values between two ends, at most `most` and one more, in steps of 1, 2 or 5."""
    span = last - first
    if not span > 0:
        return [first]
    raw = span / most
    power = 10 ** floor(log10(raw))
    step = next(s * power for s in (1, 2, 5, 10) if s * power >= raw * (1 - ROUND_OFF))
    return [k * step for k in range(whole_up(first / step), whole_down(last / step) + 1)]


def _bars(bars: Bars, key: str) -> tuple[float, list[str], str]:
    """Return height [em], elements and a description in words."""
    at = Along(*bars.ends)
    parts = [
        f'<defs><pattern id="{key}h" width="6" height="6" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><path class="hatch" d="M3 0v6"/></pattern></defs>'
    ]
    top = 0.0
    for row in bars.rows:
        lines, beside = _label(row)
        for k, line in enumerate(lines):
            parts.append(_text(0, top + 1, line, "start"))
            if beside and k == len(lines) - 1:
                parts.append(_text(100, top + 1, row.told, "end", "figure"))
            top += LINE
        if not beside:
            for line in _wrapped(row.told):
                parts.append(_text(100, top + 1, line, "end", "figure"))
                top += LINE
        top += 0.1
        parts += _strip(row, bars, at, top, key)
        top += STRIP + 0.6
    top = _bar_axis(parts, top, bars, at)
    if bars.band:
        parts.append(
            f'<rect x="0" y="{_n(top - 0.8)}em" width="2.2em" height="0.9em" fill="url(#{key}h)" class="box"/>'
        )
        top = _legend(parts, top, bars.band[2])
    if bars.line:
        parts.append(f'<line class="target" x1="1.1em" x2="1.1em" y1="{_n(top - 0.9)}em" y2="{_n(top + 0.2)}em"/>')
        top = _legend(parts, top, bars.line[1])
    spoken = "; ".join(f"{row.label}: {row.told}" for row in bars.rows)
    extra = "".join(f" {words}." for words in ((bars.band or ("", "", ""))[2], (bars.line or ("", ""))[1]) if words)
    return top - 0.6, parts, f"{bars.axis}. {spoken}.{extra}"


def _bar_axis(parts: list[str], top: float, bars: Bars, at: Along) -> float:
    """Add the axis below bars with its figures and its name, and return where the next line stands."""
    parts.append(f'<line class="axis" x1="0" x2="100%" y1="{_n(top)}em" y2="{_n(top)}em"/>')
    for value in ticks(*bars.ends):
        parts.append(_upright("axis", at(value), top, top + 0.35))
        parts.append(_text(at(value), top + 1.4, number(value), _anchor(at(value))))
    top += 1.4 + LINE
    for line in _wrapped(bars.axis):
        parts.append(_text(0, top, line, "start", "name"))
        top += LINE
    return top


def _legend(parts: list[str], top: float, words: str) -> float:
    """Add what a sign means beside it, and return where the next line stands."""
    for line in _wrapped(words, LETTERS - 6):
        parts.append(f'<text x="3em" y="{_n(top)}em" class="name">{escaped(line)}</text>')
        top += LINE
    return top


def _label(row: Bar) -> tuple[list[str], bool]:
    """Return the lines of a label, and whether the figures fit beside the last one."""
    lines = _wrapped(row.label)
    return lines, len(lines[-1]) + len(printable(row.told)) <= LETTERS


def _strip(row: Bar, bars: Bars, at: Along, top: float, key: str) -> list[str]:
    """Return one bar on its track."""
    middle = top + STRIP / 2
    parts = [f'<line class="track" x1="0" x2="100%" y1="{_n(middle)}em" y2="{_n(middle)}em"/>']
    if not isnan(row.low):
        left, right = at(row.low), at(row.high)
        box = f'y="{_n(top)}em" height="{_n(STRIP)}em"'
        kind = f'class="box" fill="url(#{key}h)"' if row.hatched else 'class="bar"'
        parts.append(f'<rect {kind} x="{_n(left)}%" width="{_n(right - left)}%" {box}/>')
        if bars.band:
            low, high = max(left, at(bars.band[0])), min(right, at(bars.band[1]))
            if high > low:
                width = f'x="{_n(low)}%" width="{_n(high - low)}%"'
                parts.append(f'<rect class="box" fill="url(#{key}h)" {width} {box}/>')
    if bars.ends[0] < 0 < bars.ends[1]:
        parts.append(_upright("axis", at(0), top - 0.1, top + STRIP + 0.1))
    if bars.line:
        parts.append(_upright("target", at(bars.line[0]), top - 0.15, top + STRIP + 0.15))
    if not isnan(row.mark):
        parts.append(f'<circle class="mark" cx="{_n(at(row.mark))}%" cy="{_n(middle)}em" r="4.5"/>')
    return parts


def _curves(curves: Curves) -> tuple[float, list[str], str]:
    """Return height [em], elements and a description in words."""
    points = [p for line in curves.lines for p in (*line.points, *line.marks)]
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    across, up = Along(min(xs), max(xs)), Along(max(ys), min(ys))
    parts: list[str] = []
    top = 1.0
    for words in _wrapped(curves.y):
        parts.append(_text(0, top, words, "start", "name"))
        top += LINE
    bottom = top + HIGH
    for value in ticks(min(ys), max(ys), 5):
        y = _n(top + HIGH * up(value) / 100)
        parts.append(f'<line class="track" x1="{_n(LEFT)}%" x2="{_n(LEFT + WIDE)}%" y1="{y}em" y2="{y}em"/>')
        parts.append(_text(LEFT - 2, top + HIGH * up(value) / 100 + 0.35, number(value), "end"))
    for value in ticks(min(xs), max(xs), 5):
        x = LEFT + WIDE * across(value) / 100
        parts.append(_upright("axis", x, bottom, bottom + 0.35))
        parts.append(_text(x, bottom + 1.4, number(value), _anchor(x)))
    parts.append(
        f'<line class="axis" x1="{_n(LEFT)}%" x2="{_n(LEFT + WIDE)}%" y1="{_n(bottom)}em" y2="{_n(bottom)}em"/>'
    )
    frame = f'x="{_n(LEFT)}%" y="{_n(top)}em" width="{_n(WIDE)}%" height="{_n(HIGH)}em" overflow="visible"'
    parts.append(f"<svg {frame}>")
    for k, line in enumerate(curves.lines):
        parts += _curve(line, k, across, up)
    parts.append("</svg>")
    below = bottom + 1.4 + LINE
    for words in _wrapped(curves.x):
        parts.append(_text(LEFT + WIDE, below, words, "end", "name"))
        below += LINE
    if any(line.label for line in curves.lines):
        for k, line in enumerate(curves.lines):
            at = f'x1="0" x2="2.4em" y1="{_n(below - 0.35)}em" y2="{_n(below - 0.35)}em"'
            if line.points:
                parts.append(f'<line class="curve" {_dash(k)} {at}/>')
            parts.append(f'<svg x="1.2em" y="{_n(below - 0.35)}em" overflow="visible">{_sign(k)}</svg>')
            below = _legend(parts, below, line.label)
    return below - 0.6, parts, _curves_told(curves)


def _curve(line: Curve, k: int, across: Along, up: Along) -> list[str]:
    """Return a line that stretches with the picture, and its marks, which do not; marks alone are a cloud."""
    parts = []
    if line.points:
        path = "M" + "L".join(f"{_n(10 * across(x))} {_n(10 * up(y))}" for x, y in line.points)
        stretched = 'viewBox="0 0 1000 1000" preserveAspectRatio="none" width="100%" height="100%" overflow="visible"'
        parts = [
            f'<svg {stretched}><path class="curve" {_dash(k)} vector-effect="non-scaling-stroke" d="{path}"/></svg>'
        ]
    for x, y in dict.fromkeys(line.marks):
        where = f'x="{_n(across(x))}%" y="{_n(up(y))}%"'
        parts.append(f'<svg {where} overflow="visible">{_sign(k)}</svg>')
    return parts


def _dash(k: int) -> str:
    return f'stroke-dasharray="{DASHES[k % len(DASHES)]}"'


def _sign(k: int) -> str:
    return f'<path class="mark" d="{MARKS[k % len(MARKS)]}"/>'


def _curves_told(curves: Curves) -> str:
    spoken = [f"Up: {curves.y}. Across: {curves.x}."]
    for line in curves.lines:
        ends = line.points or line.marks
        (x1, y1), (x2, y2) = ends[0], ends[-1]
        name = f"{line.label}: f" if line.label else "F"
        spoken.append(
            f"{name}rom {number(y1)} at {number(x1)} to {number(y2)} at {number(x2)}, with {len(line.marks)} marks."
        )
    return " ".join(spoken)


def _upright(kind: str, x: float, top: float, bottom: float) -> str:
    return f'<line class="{kind}" x1="{_n(x)}%" x2="{_n(x)}%" y1="{_n(top)}em" y2="{_n(bottom)}em"/>'


def _text(x: float, y: float, words: str, anchor: str, kind: str = "") -> str:
    named = f' class="{kind}"' if kind else ""
    placed = "" if anchor == "start" else f' text-anchor="{anchor}"'
    return f'<text x="{_n(x)}%" y="{_n(y)}em"{placed}{named}>{escaped(words)}</text>'


def _anchor(x: float) -> str:
    return "start" if x < 5 else "end" if x > 95 else "middle"


def _wrapped(text: str, letters: int = LETTERS) -> list[str]:
    return wrap(shown(text), letters) or [""]


def _n(value: float) -> str:
    """Return a place as short text, without a minus zero."""
    return f"{round(value, 2) + 0.0:g}"
