"""Figures that stand on a page, and those that a record holds in any rounding."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from typing import Any


class Figures(HTMLParser):
    """The figures that stand on a page, those of fields included."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.feed(html)

    def handle_data(self, data: str) -> None:
        """Keep a text."""
        self.texts.append(data)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep what stands in a field."""
        told = dict(attrs)
        if tag == "input" and told.get("type") in (None, "text"):
            self.texts.append(told.get("value") or "")

    @property
    def found(self) -> set[str]:
        """Return the figures."""
        return set(re.findall(r"\d+(?:\.\d+)?", " ".join(self.texts)))


def figures_of(value: Any) -> set[str]:
    """Return every figure of a record, as text and rounded to up to six decimals, without its sign."""
    if isinstance(value, dict):
        return set().union(*map(figures_of, value.values()), *map(figures_of, value))
    if isinstance(value, list | tuple):
        return set().union(*map(figures_of, value)) if value else set()
    if isinstance(value, str):
        return set(re.findall(r"\d+(?:\.\d+)?", value))
    if isinstance(value, bool) or value is None:
        return set()
    forms = {f"{abs(value):.{digits}f}" for digits in range(7)}
    return forms | {form.rstrip("0").rstrip(".") for form in forms if "." in form}
