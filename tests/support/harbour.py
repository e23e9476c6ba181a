"""Batches of the invented harbour shop for the tests of the records room."""

from __future__ import annotations

from pathlib import Path

PNG = b"\x89PNG\r\n\x1a\n"

HEAD = """# {number}, cooked in the back room
batch = "{number}"
product = "Harbour hand wash"
brief = "hand-wash"
size_g = 1000
ph_low = 4.8
ph_target = 5.2
ph_high = 5.6
"""

LINES = """
[[line]]
material = "cocamidopropyl-betaine"
percent = 20

[[line]]
material = "aqua"
percent = 80
"""


def weighed(material: str, grams: float, lot: str, on: str = "2026-03-03") -> str:
    """Return a weighing as TOML."""
    return f'\n[[weighed]]\nmaterial = "{material}"\ngrams = {grams}\nlot = "{lot}"\non = "{on}"\n'


def batch_file(folder: Path, number: str, *parts: str, bottles: int | None = 4, head: str = "") -> Path:
    """Write a batch file of weighings and other tables; an old one of that number is replaced."""
    text = HEAD.format(number=number) + head + LINES + "".join(parts)
    if bottles is not None:
        text += f'\n[finish]\nmass_g = 980\nbottles = {bottles}\non = "2026-03-03"\n'
    path = folder / f"batch-{number}.toml"
    path.write_text(text, encoding="utf-8")
    return path
