"""How a sheet that somebody else made writes its figures, and what its headings say of units; nothing is guessed."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Literal

from optimizer.bench.amount import UNITS
from optimizer.data.sheet import heading_of, number_of

Mark = Literal["", ".", ",", "both"]

_ALONE, _END = r"(?<![\d.,])", r"(?![\d.,])"
_TRIPLE = re.compile(rf"{_ALONE}[+-]?[1-9]\d{{0,2}}\.\d{{3}}{_END}")
"""A figure such as 1.000: a thousand or one."""


def _only(mark: str, other: str) -> re.Pattern[str]:
    """Return what finds figures in which `mark` can only stand before decimals."""
    grouped = rf"\d{{1,3}}(?:{other}\d{{3}})+{mark}\d+"
    return re.compile(rf"{_ALONE}(?:{grouped}|\d+{mark}(?!\d{{3}}(?!\d))\d+|0{mark}\d+){_END}")


_COMMA, _POINT = _only(",", r"\."), _only(r"\.", ",")

PERCENT = frozenset(map(heading_of, (
    "%", "w/w", "% w/w", "ww", "% ww", "wt", "wt %", "% wt", "m/m", "% m/m", "percent", "% by weight", "g/100 g",
    "g per 100 g", "gew %", "p/p", "% p/p", "by weight", "mass",
)))  # fmt: skip
"""Units that are per cent by weight, as `heading_of` writes them."""


def decimal_mark(texts: Iterable[str]) -> Mark:
    """Return which sign stands before decimals in a sheet: one that its figures can only have; '' if none tells."""
    comma = point = False
    for text in texts:
        comma = comma or bool(_COMMA.search(text))
        point = point or bool(_POINT.search(text))
    return "both" if comma and point else "," if comma else "." if point else ""


def settled(text: str, mark: Mark) -> str:
    """Return a cell with figures such as 1.000 written out as the sheet means them.

    Raises:
        ValueError: If such a figure can be read two ways here; the text completes a sentence.
    """
    found = _TRIPLE.search(text)
    if found is None or mark == ".":
        return text
    if mark == ",":
        return _TRIPLE.sub(lambda m: m[0].replace(".", ""), text)
    raise ValueError(f"holds {found[0]}, which can be read two ways, as a thousands separator or a decimal point")


def figure_in(text: str, mark: Mark) -> float:
    """Read a number as this sheet writes it; see `number_of`.

    Raises:
        ValueError: If it is no number, or can be read two ways.
    """
    return number_of(settled(text, mark))


def unit_of(heading: str) -> tuple[str, float] | None:
    """Return the unit that stands in a heading's brackets: ('%', 1), or ('g', grams of it); None if there is none.

    Raises:
        ValueError: If it is a unit that is neither; the text completes a sentence.
    """
    found = re.search(r"[(\[]([^)\]]*)[)\]]", heading)
    if found is None:
        return None
    words = heading_of(found[1])
    if words in PERCENT or found[1].strip() == "%":
        return "%", 1.0
    unit = UNITS.get(found[1].strip().casefold().rstrip("."))
    if unit is not None and unit[0] == "g":
        return unit
    if unit is not None or re.search(r"[a-z‰]\s*/\s*[a-z\d]|‰|\bppm\b|\bper\b|\boz\b", found[1], re.IGNORECASE):
        raise ValueError(f"is in {found[1].strip()}, which is neither per cent nor a weight")
    return None
