"""What was read of a figure, told beside its field before it is kept."""

from __future__ import annotations

from optimizer.data.sheet import number_of
from optimizer.desk.asked import Asked, two_readings
from optimizer.desk.html import markup
from optimizer.desk.screen import Page, Screen
from optimizer.units import number

SCREEN = Screen()


@SCREEN.at("/echo")
def echo(asked: Asked) -> Page:
    """Return a figure as it was read."""
    text, unit = asked.query.get("text", "").strip(), asked.query.get("unit", "")
    return Page("", markup(_read(text, unit)), bare=True)


def _read(text: str, unit: str) -> str:
    if not text:
        return ""
    try:
        value = number_of(text)
    except ValueError as error:
        two = two_readings(text)
        return f"{' or '.join(two)}?" if two else f"{error}"
    return f"read as {number(value, 6)} {unit}".strip()
