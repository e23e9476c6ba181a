"""The bench: what is under way with its next step, what is due, what runs low, which products there are."""

from __future__ import annotations

from optimizer.desk.asked import Asked
from optimizer.desk.html import markup, tag
from optimizer.desk.screen import Page, Screen

SCREEN = Screen()


@SCREEN.at("/")
def bench(asked: Asked) -> Page:
    """Show the bench."""
    return Page("Bench", markup(tag("p", str(asked.folder.path))))
