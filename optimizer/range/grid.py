"""The scenarios of a range, as columns: which keys differ and what they are in each scenario."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from decimal import Decimal, InvalidOperation
from itertools import pairwise
from math import isnan
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from optimizer.errors import DataError, Problem, UsageError, fault
from optimizer.files import read_text
from optimizer.immutable import immutable
from optimizer.scenario import addressed
from optimizer.sheet import number_of

MAX_SCENARIOS = 2_000_000
MAX_TABLE = 500_000_000
"""Largest table of scenarios that is read [bytes]."""
LIMITS = ("at_least", "at_most", "exactly")
PRICE, MISSING = "price.", "missing."
YES = frozenset({"1", "yes", "y", "true", "x"})
NO = frozenset({"", "0", "no", "n", "false"})

Column = npt.NDArray[Any]
"""Numbers (NaN leaves what the brief says) or texts ('' leaves it), one per scenario."""
Value = float | str


@immutable
class Grid:
    """Scenarios as columns, all of one length.

    Keys are those of `--set`, and `price.ID` [currency per kg] and `missing.ID` [0 or 1].
    """

    keys: tuple[str, ...] = ()
    columns: tuple[Column, ...] = ()
    size: int = 1

    def __len__(self) -> int:
        return self.size

    def column(self, key: str) -> Column:
        """Return the column of a key."""
        return self.columns[self.keys.index(key)]

    def take(self, chosen: slice | npt.NDArray[np.int64]) -> Grid:
        """Return some of the scenarios."""
        columns = tuple(c[chosen] for c in self.columns)
        size = len(range(*chosen.indices(self.size))) if isinstance(chosen, slice) else len(chosen)
        return Grid(self.keys, columns, size)

    def row(self, position: int) -> dict[str, Value]:
        """Return what one scenario states, without what it leaves to the brief."""
        found: dict[str, Value] = {}
        for key, column in zip(self.keys, self.columns, strict=True):
            value = column[position]
            if isinstance(value, str):
                if value:
                    found[key] = value
            elif not isnan(value) and not (key.startswith(MISSING) and value == 0):
                found[key] = float(value)
        return found


def crossed(axes: Sequence[tuple[str, Sequence[Value]]]) -> Grid:
    """Return the cross product of axes; the last one runs fastest.

    Raises:
        UsageError: If a key is given twice, or there are too many scenarios.
    """
    keys = [key for key, _ in axes]
    twice = sorted({k for k in keys if keys.count(k) > 1})
    if twice:
        raise UsageError(f"--vary {twice[0]}: the key is given twice.")
    sizes = [len(values) for _, values in axes]
    size = 1
    for length in sizes:
        size *= length
    if size > MAX_SCENARIOS:
        raise UsageError(f"these are {size:,} scenarios; at most {MAX_SCENARIOS:,} are run at once.")
    columns, after = [], size
    for (_, values), length in zip(axes, sizes, strict=True):
        after //= length
        columns.append(np.tile(np.repeat(_column(values), after), size // (after * length)))
    return Grid(tuple(keys), tuple(columns), size)


def joined(first: Grid, second: Grid) -> Grid:
    """Return every scenario of one grid with every one of another.

    Raises:
        UsageError: If a key is in both, or there are too many scenarios.
    """
    both = set(first.keys) & set(second.keys)
    if both:
        raise UsageError(f"--vary {min(both)}: the table has this column too.")
    size = first.size * second.size
    if size > MAX_SCENARIOS:
        raise UsageError(f"these are {size:,} scenarios; at most {MAX_SCENARIOS:,} are run at once.")
    slow = tuple(np.repeat(c, second.size) for c in first.columns)
    fast = tuple(np.tile(c, first.size) for c in second.columns)
    return Grid((*first.keys, *second.keys), (*slow, *fast), size)


def axis(text: str) -> tuple[str, tuple[Value, ...]]:
    """Return the key and values of a --vary option: KEY=FROM:TO:STEP or KEY=V1,V2,V3.

    Raises:
        UsageError: If it is written in neither way.
    """
    key, sign, written = (part.strip() for part in text.partition("="))
    how = "write KEY=FROM:TO:STEP, such as active.at_least=9:12:0.5, or KEY=VALUE,VALUE."
    if not sign or not key or not written:
        raise UsageError(f"--vary {text}: {how}")
    if ":" not in written:
        values = [part.strip() for part in written.split(",")]
        if not all(values):
            raise UsageError(f"--vary {text}: a value is missing between two commas.")
        numbers = [_number(v) for v in values]
        return addressed(key), tuple(n if n is not None else v for n, v in zip(numbers, values, strict=True))
    try:
        first, last, step = (Decimal(part.strip()) for part in written.split(":"))
    except (InvalidOperation, ValueError):
        raise UsageError(f"--vary {text}: {how}") from None
    if not (first.is_finite() and last.is_finite() and step.is_finite()) or step <= 0 or last < first:
        raise UsageError(f"--vary {text}: the step must be above 0 and the end not below the start.")
    count = int((last - first) / step) + 1
    if count > MAX_SCENARIOS:
        raise UsageError(f"--vary {text}: these are {count:,} values; at most {MAX_SCENARIOS:,} are run at once.")
    return addressed(key), tuple(float(first + k * step) for k in range(count))


def missing(name: str) -> tuple[str, tuple[Value, ...]]:
    """Return the axis of a material that is there, or is not."""
    return MISSING + name, (0.0, 1.0)


def read_table(path: Path) -> Grid:
    """Read scenarios from a CSV whose headings are keys; an empty cell leaves what the brief says.

    Raises:
        DataError: With row and column of every problem.
    """
    rows = _rows(path)
    keys = tuple(addressed(cell.strip()) for cell in rows[0][1])
    problems = [
        Problem(f"{path}, row 1", f"column {k}", "the heading is empty.", "Head it with a key such as active.at_least.")
        for k, key in enumerate(keys, 1)
        if not key
    ]
    seen = sorted(keys)
    problems += [
        Problem(f"{path}, row 1", f"column '{a}'", "the heading is there twice.", "Keep one of the two.")
        for a, b in pairwise(seen)
        if a == b and a
    ]
    if len(rows) == 1:
        problems.append(Problem(str(path), "", "the table has headings but no scenario.", "Add a line for each."))
    for number, row in rows[1:]:
        if len(row) > len(keys):
            problems.append(Problem(f"{path}, row {number}", "", "the row is longer than the headings.", "Correct it."))
    if problems:
        raise DataError(problems)
    columns = []
    for k, key in enumerate(keys):
        cells = [row[k].strip() if k < len(row) else "" for _, row in rows[1:]]
        columns.append(_cells(path, key, cells, [number for number, _ in rows[1:]], problems))
    if problems:
        raise DataError(problems)
    return Grid(keys, tuple(columns), len(rows) - 1)


def _rows(path: Path) -> list[tuple[int, list[str]]]:
    """Return the rows that hold anything, with their numbers."""
    stream = io.StringIO(read_text(path, MAX_TABLE), newline="")
    head = stream.readline()
    stream.seek(0)
    reader = csv.reader(stream, delimiter=max((",", ";", "\t"), key=head.count), strict=True)
    rows = []
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                rows.append((reader.line_num, row))
            if len(rows) > MAX_SCENARIOS:
                raise fault(str(path), "", f"more than {MAX_SCENARIOS:,} scenarios.", "Split the file.")
    except csv.Error as error:
        raise fault(str(path), "", f"this is not a readable CSV: {error}.", "Save it again as CSV (UTF-8).") from None
    if not rows:
        raise fault(str(path), "", "the table is empty.", "Head its columns with keys such as active.at_least.")
    return rows


def _cells(path: Path, key: str, cells: list[str], numbers: list[int], problems: list[Problem]) -> Column:
    """Return the cells of a column as numbers if all are, else as texts."""
    if key.startswith(MISSING):
        flags = []
        for cell, number in zip(cells, numbers, strict=True):
            word = cell.lower()
            if word not in YES | NO:
                what = f"'{cell}' says neither that the material is missing nor that it is there."
                problems.append(Problem(f"{path}, row {number}", f"column '{key}'", what, "Write yes or no."))
            flags.append(float(word in YES))
        return np.array(flags)
    found: list[float] = []
    for cell in cells:
        value = float("nan") if not cell else _number(cell)
        if value is None:
            return np.array(cells, dtype=object)
        found.append(value)
    return np.array(found)


def _number(text: str) -> float | None:
    try:
        return number_of(text)
    except ValueError:
        return None


def _column(values: Iterable[Value]) -> Column:
    listed = list(values)
    if all(isinstance(v, float) for v in listed):
        return np.array(listed, dtype=float)
    texts = [v if isinstance(v, str) else f"{v:g}" for v in listed]
    return np.array(texts, dtype=object)
