"""A table as lines that people read and mend: what a page shows of a file that was sent to it, and reads back."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from optimizer.data.sheet import text_of


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


TWO_WAYS = re.compile(r"(?<![\w.,-])([1-9]\d{0,2})[.,](\d{3})(?![\w.,-])")
"""A figure such as 1,234 or 1.234."""


def settled_lines(lines: str, *, decimal: bool) -> str:
    """Return lines in which every figure such as 1,234 is one that nobody reads two ways.

    Args:
        lines: As they were typed.
        decimal: Whether it is a little more than one; else a little more than a thousand.
    """
    return TWO_WAYS.sub(r"\1.\g<2>0" if decimal else r"\1\2", lines)


@contextmanager
def as_table(lines: str) -> Iterator[Path]:
    """Yield a file that holds typed lines, for whoever reads tables; it is gone afterwards."""
    with TemporaryDirectory() as place:
        path = Path(place) / "lines.csv"
        path.write_text("\n".join(lines.splitlines()), encoding="utf-8")
        yield path
