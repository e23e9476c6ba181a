"""Library files as text: water and plain surfactants of an invented shop. All figures are made up."""

from __future__ import annotations


def water_entry(backing: str) -> str:
    """Return the entry of water."""
    return f"""[[material]]
id = "aqua"
name = "Water"
function = "solvent"
phase = "water"
substances = [{{ inci = "Aqua", role = "water", share = [100, 100, 100] }}]
backing = {{ default = {backing} }}
"""


def surfactant_entry(
    id_: str, name: str, phase: str, inci: str, share: list[int], facts: str, backing: str, more: str = ""
) -> str:
    """Return the entry of a surfactant in water.

    Args:
        id_: Its id.
        name: Its name.
        phase: When it is added.
        inci: The surfactant's INCI name.
        share: Low, typical and high share [% w/w].
        facts: Charge and what else is told of the substance, as TOML.
        backing: Source and confidence of all its figures, as TOML.
        more: Further lines.
    """
    return f"""[[material]]
id = "{id_}"
name = "{name}"
function = "surfactant"
phase = "{phase}"
substances = [
  {{ inci = "{inci}", share = {share}, surfactant = true, {facts} }},
  {{ inci = "Aqua", role = "water", share = "balance" }},
]
{more}backing = {{ default = {backing} }}
"""
