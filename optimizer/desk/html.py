"""Markup that cannot be forgotten to escape: texts are escaped, pieces of markup are not, and nothing else goes in."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeAlias
from urllib.parse import quote

from optimizer.report.formats.escape import escaped

EMPTY = {"br", "hr", "img", "input", "link", "meta"}
"""Elements that hold nothing."""


class Html(str):
    """A piece of markup; whatever stands in it is escaped already."""

    __slots__ = ()


SIGNS = (("+-", "±"), (" -> ", " → "), ("mPa s", "mPa·s"), ("mPas", "mPa·s"))
"""What terminals may not be able to show, as a page shows it."""

Child: TypeAlias = str | Iterable["Child"] | None
"""What an element may hold: texts, markup, nothing, and lists of these."""


def signed(text: str) -> str:
    """Return a text with the signs and units that a page can show."""
    for typed, sign in SIGNS:
        text = text.replace(typed, sign)
    return text


def path_to(*parts: str) -> str:
    """Return an address on the desk; a file may have any name, so each part is written as addresses write it."""
    return "".join(f"/{quote(part, safe='~')}" for part in parts)


def markup(*children: Child) -> Html:
    """Return texts, escaped, and pieces of markup as one piece."""
    return Html("".join(_pieces(children)))


def _pieces(children: Iterable[Child]) -> Iterable[str]:
    for child in children:
        if child is None:
            continue
        if isinstance(child, Html):
            yield child
        elif isinstance(child, str):
            yield escaped(signed(child)).replace(" %", "&nbsp;%")
        else:
            yield from _pieces(child)


def tag(element: str, /, *children: Child, **attributes: str | bool | float | None) -> Html:
    """Return an element.

    Args:
        element: Its name.
        children: What it holds; texts are escaped.
        attributes: `class_` is written class, `data_keep` data-keep; True stands alone, False and None are left out.
    """
    told = "".join(_attribute(key, value) for key, value in attributes.items())
    if element in EMPTY:
        return Html(f"<{element}{told}>")
    return Html(f"<{element}{told}>{markup(*children)}</{element}>")


def _attribute(key: str, value: str | bool | float | None) -> str:
    if value is None or value is False:
        return ""
    name = key.rstrip("_").replace("_", "-")
    return f" {name}" if value is True else f' {name}="{escaped(str(value))}"'
