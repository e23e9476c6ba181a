"""Texts of others made harmless: what could drive a terminal, turn the reading direction or be read as markup."""

from __future__ import annotations

MARKUP = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "'": "&#39;"})


def printable(text: str) -> str:
    """Return a text without control characters and without invisible ones that turn its direction."""
    return text if text.isprintable() else "".join(c if c.isprintable() else " " for c in text)


def escaped(text: str) -> str:
    """Return a text that HTML and SVG show as it is, inside elements and inside quoted attributes."""
    return printable(text).translate(MARKUP)
