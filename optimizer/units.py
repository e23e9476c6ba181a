"""Numbers and tolerances that every room shares."""

from __future__ import annotations

import re

TOLERANCE = 1e-6
"""The one tolerance within which a formula keeps a limit, in the limit's own unit times its scale."""

USED = 1e-7
"""A dose [% w/w] above this counts as used."""


FIRST_YEAR, LAST_YEAR = 1900, 2999
"""Years of dates that are read; counting days on from one stays within what a calendar can hold."""


def number(value: float, digits: int = 4) -> str:
    """Return a number for reading: at most `digits` decimals, no trailing zeros, no minus zero."""
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".") if digits else f"{value:.0f}"
    if text not in ("-0", "0", ""):
        return text
    return f"{value:.1e}" if abs(value) > 1e-9 and digits >= 4 else "0"


def slug(text: str) -> str:
    """Return a text as an id: lowercase words joined by hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")


def listed(words: list[str] | tuple[str, ...], last: str = "and") -> str:
    """Return words as a phrase: 'a', 'a and b', 'a, b and c'."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"
