"""Texts of others made harmless: what could drive a terminal, turn the reading direction or be read as markup."""

from __future__ import annotations

import codecs
import re
import sys
import unicodedata

MARKUP = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "'": "&#39;"})


def printable(text: str) -> str:
    """Return a text without control characters and without invisible ones that turn its direction."""
    return text if text.isprintable() else "".join(c if c.isprintable() else " " for c in text)


VISCOSITY = re.compile(r"\bmPa ?s\b")
"""How files write the unit of viscosity."""


def shown(text: str) -> str:
    """Return a text for whoever reads it: printable, the unit of viscosity as it is printed."""
    return printable(VISCOSITY.sub("mPa·s", text) if "mPa" in text else text)


def escaped(text: str) -> str:
    """Return a text that HTML and SVG show as it is, inside elements and inside quoted attributes."""
    return printable(text).translate(MARKUP)


INSTEAD = {
    "€": "EUR",
    "°": " deg ",
    "·": ".",
    "±": "+/-",
    "≤": "<=",
    "≥": ">=",
    "→": "->",
    "×": "x",
    "µ": "u",
    "μ": "u",
}
"""Plain signs for those that some terminals cannot show."""


def forgive_encodings() -> None:
    """Let stdout and stderr show a plain sign for what their encoding cannot hold, instead of ending in a fault."""
    codecs.register_error("plain", _plainly)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="plain")


def _plainly(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    if error.object[error.start - 3 : error.end + 1] == "mPa·s":
        return " ", error.end
    return "".join(map(_plain, error.object[error.start : error.end])), error.end


def _plain(sign: str) -> str:
    """Return an ASCII stand-in for a sign: a word, the letter without its accent, a line or a question mark."""
    if sign in INSTEAD:
        return INSTEAD[sign]
    if "\u2500" <= sign <= "\u257f":  # frames of the help
        return "-" if "HORIZONTAL" in unicodedata.name(sign, "") else "|"
    if unicodedata.category(sign) == "Pd":
        return "-"
    letters = unicodedata.normalize("NFKD", sign).encode("ascii", "ignore").decode()
    return letters or "?"


def json_for(text: str, encoding: str) -> str:
    """Return a JSON text in which what an encoding or a terminal cannot take is escaped; its values stay the same."""

    def shown(sign: str) -> bool:
        if sign == "\n":
            return True
        try:
            sign.encode(encoding)
        except UnicodeEncodeError:
            return False
        return sign.isprintable()

    if text.isascii():
        return text
    import json

    odd: dict[str, str | int | None] = {sign: json.dumps(sign)[1:-1] for sign in set(text) if not shown(sign)}
    return text.translate(str.maketrans(odd)) if odd else text
