"""Cautions as sections: what is said before anything else, on what an answer rests, and all others at its end."""

from __future__ import annotations

from collections.abc import Iterable

from optimizer.data.cautions import Caution
from optimizer.report.document import Document, Listing, Section

FIRST = "Before anything else"
"""Heading of what is said first."""


def alarm_listing(cautions: Iterable[Caution]) -> Listing:
    """Return what is said before anything else; as a rule nothing."""
    return Listing(FIRST, tuple(c.words for c in cautions if c.loud), "caution")


def rests_listing(cautions: Iterable[Caution]) -> Listing:
    """Return the line that says on what an answer rests, where it stands among no others."""
    return Listing("On what it rests", tuple(c.words for c in cautions if c.rests))


def caution_listing(cautions: Iterable[Caution]) -> Listing:
    """Return cautions with the materials they come from."""
    return Listing("Cautions", tuple(c.words for c in cautions), "caution")


def framed(cautions: tuple[Caution, ...], sections: Iterable[Section | Document]) -> tuple[Section | Document, ...]:
    """Return sections with what is said before anything else above them, and all cautions below."""
    return (alarm_listing(cautions), *sections, caution_listing(cautions))
