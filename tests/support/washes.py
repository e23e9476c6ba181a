"""A small wash without prices, whose best formula is the one with the least active matter."""

from __future__ import annotations

from collections.abc import Iterable

BARE = """name = "Bare"
product = "hand wash"
{currency}[pool]
materials = {materials}
unpriced = true
[ph]
low = {low}
high = {high}
[objective]
minimise = "active"
[[rule]]
id = "active"
kind = "active"
at_least = 9
[[rule]]
{rule}
"""


def unpriced_wash(more: Iterable[str], *, ph: tuple[float, float], rule: str, currency: str = "") -> str:
    """Return a brief of water, glycerin, an anionic surfactant and more, between two pH, with a further rule."""
    materials = ["aqua", "glycerin", "sodium-laureth-sulfate-2eo-28", *more]
    low, high = ph
    stated = f'currency = "{currency}"\n' if currency else ""
    return BARE.format(materials=str(materials).replace("'", '"'), low=low, high=high, rule=rule, currency=stated)
