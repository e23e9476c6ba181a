"""What the pages of a product share: the draft in the address, the rulers behind it, links that carry it on."""

from __future__ import annotations

import threading
from collections.abc import Callable
from math import isfinite
from pathlib import Path
from urllib.parse import urlencode

from optimizer.answers.draft import MISSING, Draft, Mark
from optimizer.answers.rulers import OpenRulers, Rulers
from optimizer.data.sheet import number_of
from optimizer.desk.asked import Asked, two_readings
from optimizer.desk.frame import hidden
from optimizer.desk.html import Html, path_to
from optimizer.desk.screen import RefusedError

POOL = OpenRulers()
"""All that the server remembers of drafts: what was learnt of the briefs that they move."""
RANGE = ("vary", "from", "to", "steps", "without")
"""What is asked of a whole range."""
ELSE = {"said", "material", "against", "loss", "with", "trace", "reach", "off", *RANGE}
"""What may stand in an address of these pages besides the draft."""
PLAIN = (
    "active",
    "rating",
    "load",
    "ph",
    "cost",
    "share",
    "ratio",
    "salt",
    "natural",
    "property",
    "undissociated-acid",
)
"""Kinds of limit whose rulers are seen at once, in this order; the others are folded."""


class LatestQuestions:
    """Which question of a device about a brief is the latest: a proof for an older one is broken off."""

    def __init__(self) -> None:
        self._lock, self._latest = threading.Lock(), dict[tuple[int, Path], int]()

    def next(self, asked: Asked, path: Path) -> Callable[[], bool]:
        """Return a question that is true once the device has asked something newer about the brief."""
        key = (id(asked.device), path)
        with self._lock:
            mine = self._latest[key] = self._latest.get(key, 0) + 1
        return lambda: self._latest[key] != mine


LATEST = LatestQuestions()


def rulers_of(asked: Asked) -> Rulers:
    """Return the rulers of the brief that an address names.

    Raises:
        DataError: If there is no such brief, or it cannot be used.
    """
    return POOL.of(asked.folder.brief(asked.names["brief"]))


def draft_of(asked: Asked, rulers: Rulers) -> tuple[dict[str, float], dict[str, str], dict[str, tuple[str, ...]]]:
    """Return the draft that an address holds: what could be read, and what is wrong with the rest, by field."""
    said, wrong, readings = dict[str, float](), dict[str, str](), dict[str, tuple[str, ...]]()
    for key, text in asked.query.items():
        if key in ELSE or not text.strip():
            continue
        try:
            value = number_of(text)
        except ValueError as error:
            two = two_readings(text)
            wrong[key] = f"{text} can be read two ways. Which is meant?" if two else f"{text} {error}."
            readings[key] = two
            continue
        said[key] = value
        problem = refused(rulers, key, value) if isfinite(value) else f"{text} is no figure that is read."
        if problem:
            wrong[key] = problem
            del said[key]
    return rulers.draft(said), wrong, {key: two for key, two in readings.items() if two}


def in_order(rulers: Rulers) -> list[Mark]:
    """Return what may be moved, the plain limits first."""
    rank = {kind: position for position, kind in enumerate(PLAIN)}
    return sorted(rulers.marks, key=lambda mark: rank.get(mark.rule.kind, len(PLAIN)))


def refused(rulers: Rulers, key: str, value: float) -> str:
    """Return why a figure cannot be where it is typed; empty if it can."""
    mark = next((m for m in rulers.marks if m.key == key), None)
    if mark is None:
        return "" if key.startswith(MISSING) else f"there is no limit '{key}' in this brief."
    low, high = mark.ends
    return "" if low <= value <= high else f"{value:g} cannot be: it is {low:g} to {high:g}."


def product_of(asked: Asked) -> tuple[Rulers, dict[str, float]]:
    """Return the rulers of the brief that an address names, and the draft that it holds.

    Raises:
        RefusedError: If a figure of it cannot be used.
        DataError: If there is no such brief, or it cannot be used.
    """
    rulers = rulers_of(asked)
    draft, wrong, _ = draft_of(asked, rulers)
    if wrong:
        raise RefusedError({"": " ".join(f"{key}: {text}" for key, text in wrong.items())})
    return rulers, draft


def address(asked: Asked, page: str, draft: Draft, **more: str) -> str:
    """Return the address of a page of the product with a draft."""
    query = urlencode([*((key, f"{value:.10g}") for key, value in draft.items()), *more.items()])
    place = path_to("formula", asked.names["brief"], *([page] if page else []))
    return f"{place}?{query}" if query else place


def back(asked: Asked, rulers: Rulers, draft: Draft) -> tuple[str, str]:
    """Return the way back to the formula."""
    return address(asked, "", draft), rulers.brief.scenario.name


def carried(draft: Draft) -> list[Html]:
    """Return the draft as fields of a form, which nobody sees."""
    return hidden({key: f"{value:.10g}" for key, value in draft.items()})
