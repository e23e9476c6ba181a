"""A table as lines that people read and mend: what a page shows of a file that was sent to it, and reads back."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from optimizer.data.sheet import delimiter_of, text_of


def lines_of(rows: Iterable[tuple[int, list[Any]]]) -> str:
    """Return numbered rows as lines with semicolons, each on the line of its number.

    Figures of a workbook are exact: 1.234 is written as 1.2340, which nobody can read as a thousand.
    """
    told, at = io.StringIO(), 1
    writer = csv.writer(told, delimiter=";", lineterminator="\n")
    for number, cells in rows:
        told.write("\n" * (number - at))
        writer.writerow([_written(cell) for cell in cells])
        at = number + 1
    return told.getvalue()


def _written(cell: object) -> str:
    if not isinstance(cell, float):
        return " ".join(text_of(cell).split())
    text = f"{cell:.12g}"
    return f"{text}0" if re.fullmatch(r"-?\d{1,3}\.\d{3}", text) else text


TWO_WAYS, CUT, IN_ONE_CELL = "can be read two ways", "may be one figure or two cells", "is one cell; is"
"""What is said of a figure that nobody can know: of 1,234; of 12,5 between commas; of 'Glycerin 3'."""
READINGS: Mapping[str, tuple[str, str]] = {
    "decimal": (TWO_WAYS, "Figures such as 1,234 are a little more than 1"),
    "thousand": (TWO_WAYS, "They are a little more than 1000"),
    "comma": (CUT, "It is one figure: the commas in 12,5 stand before decimals"),
    "blank": (IN_ONE_CELL, "The figure beside a name is its dose"),
}
"""How lines can be read where nobody can know: what was said then, and the reading in words."""
_THOUSAND = re.compile(r"(?<![\w.,-])([1-9]\d{0,2})[.,](\d{3})(?![\w.,-])")
"""A figure such as 1,234 or 1.234."""
_CUT = re.compile(r"(?<![\d.])(\d+),(\d+)(?![\d.])")
_FIGURE, _REST = r"\d+(?:[.,]\d+)?", r"(?:q\.?\s*s\.?\s*)?(?:to|ad)\s*100\s*%?|q\.?\s*s\.?"
_ENDS = re.compile(rf"(?P<name>[^;\t]*?[^;\s,:=])[\s:=]+(?P<dose>{_FIGURE}\s*%?|{_REST})\s*", re.IGNORECASE)
_BEGINS = re.compile(rf"\s*(?P<dose>{_FIGURE}\s*%|{_FIGURE}\s*k?g)\s+(?P<name>[^\d;\t][^;\t]*)", re.IGNORECASE)
"""A line that ends in its dose, or begins with it, with a blank between."""


def parted(line: str) -> tuple[str, str] | None:
    """Return the name and the dose that stand in a line with a blank between; None if they do not."""
    found = _ENDS.fullmatch(line) or _BEGINS.fullmatch(line)
    return (found["name"].strip(), found["dose"].strip()) if found else None


def settled_lines(lines: str, reading: str) -> str:
    """Return lines that can only be read in one of the `READINGS`.

    Args:
        lines: As they were typed.
        reading: Its key.
    """
    if reading == "comma":
        return "\n".join(_CUT.sub(r"\1.\2", line, count=1) for line in lines.splitlines())
    if reading == "blank":
        between = delimiter_of(lines)
        return "\n".join(_parted(line, between) for line in lines.splitlines())
    return _THOUSAND.sub(r"\1.\g<2>0" if reading == "decimal" else r"\1\2", lines)


def _parted(line: str, between: str) -> str:
    found = parted(line)
    if found is None:
        return line
    name, dose = found
    return f"{name}{between}{dose.replace(',', '.') if between == ',' else dose}"


@contextmanager
def as_table(lines: str) -> Iterator[Path]:
    """Yield a file that holds typed lines, for whoever reads tables; it is gone afterwards."""
    with TemporaryDirectory() as place:
        path = Path(place) / "lines.csv"
        path.write_text("\n".join(lines.splitlines()), encoding="utf-8")
        yield path
