"""The scenarios of a range, as columns: which keys differ and what they are in each scenario."""

from __future__ import annotations

import csv
from array import array
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal, InvalidOperation
from itertools import chain, pairwise
from math import isnan, nan
from pathlib import Path
from typing import Any, TextIO

import numpy as np
import numpy.typing as npt

from optimizer.brief.scenario import addressed
from optimizer.data.facts import Material
from optimizer.data.names import ids_of
from optimizer.data.sheet import number_of
from optimizer.errors import DataError, Problem, UsageError, fault
from optimizer.files import open_text
from optimizer.immutable import immutable, replace

MAX_SCENARIOS = 2_000_000
MAX_TABLE = 500_000_000
"""Largest table of scenarios that is read [bytes]."""
LIMITS = ("at_least", "at_most", "exactly")
PRICE, MISSING = "price.", "missing."
OF_MATERIALS = (PRICE, MISSING, "fixed.")
"""Beginnings of keys whose other part is a material."""
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
        UsageError: If a key is given twice or no value, or there are too many scenarios.
    """
    keys = [key for key, _ in axes]
    twice = sorted({k for k in keys if keys.count(k) > 1})
    if twice:
        raise UsageError(f"--vary {twice[0]}: the key is given twice.")
    if empty := [key for key, values in axes if not len(values)]:
        raise UsageError(f"--vary {empty[0]}: there is no value.")
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


def by_id(grid: Grid, materials: Iterable[Material]) -> Grid:
    """Return the grid with the materials of its keys by id, whatever name they were given by.

    Raises:
        UsageError: If two keys mean the same.
    """
    words = {k: k.partition(".")[::2] for k in grid.keys if k.startswith(OF_MATERIALS)}
    ids = ids_of([name for _, name in words.values()], materials)
    keys = tuple(f"{words[k][0]}.{ids[words[k][1]]}" if k in words else k for k in grid.keys)
    twice = next((k for k in keys if keys.count(k) > 1), "")
    if twice:
        raise UsageError(f"--vary {twice}: the key is given twice, by two names of one material.")
    return replace(grid, keys=keys)


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
    with open_text(path, MAX_TABLE) as stream:
        rows = _rows(path, stream)
        headings = next(rows, None)
        if headings is None:
            raise fault(str(path), "", "the table is empty.", "Head its columns with keys such as active.at_least.")
        keys = tuple(addressed(cell.strip()) for cell in headings[1])
        problems = _heading_problems(path, keys)
        figures, texts, size = [array("d") for _ in keys], dict[int, list[str]](), 0
        for number, row in rows:
            size += 1
            if len(row) > len(keys):
                problems.append(
                    Problem(f"{path}, row {number}", "", "the row is longer than the headings.", "Correct it.")
                )
                continue
            for k, key in enumerate(keys):
                if k in texts:
                    continue
                cell = row[k].strip() if k < len(row) else ""
                value = _flag(cell) if key.startswith(MISSING) else _number(cell) if cell else nan
                if value is not None:
                    figures[k].append(value)
                elif key.startswith(MISSING):
                    what = f"'{cell}' says neither that the material is missing nor that it is there."
                    problems.append(Problem(f"{path}, row {number}", f"column '{key}'", what, "Write yes or no."))
                else:
                    texts[k], figures[k] = [], array("d")
        if not size:
            problems.append(Problem(str(path), "", "the table has headings but no scenario.", "Add a line for each."))
        if problems:
            raise DataError(problems)
        if texts:
            stream.seek(0)
            _read_texts(_rows(path, stream), texts)
    columns = (np.array(texts[k], dtype=object) if k in texts else np.array(figures[k]) for k in range(len(keys)))
    return Grid(keys, tuple(columns), size)


def _heading_problems(path: Path, keys: tuple[str, ...]) -> list[Problem]:
    where = f"{path}, row 1"
    step = "Head it with a key such as active.at_least."
    problems = [
        Problem(where, f"column {k}", "the heading is empty.", step) for k, key in enumerate(keys, 1) if not key
    ]
    return problems + [
        Problem(where, f"column '{a}'", "the heading is there twice.", "Keep one of the two.")
        for a, b in pairwise(sorted(keys))
        if a == b and a
    ]


def _read_texts(rows: Iterator[tuple[int, list[str]]], texts: dict[int, list[str]]) -> None:
    """Fill the columns that are texts; each word is kept once, however many cells hold it."""
    words: dict[str, str] = {}
    next(rows)
    for _, row in rows:
        for k, column in texts.items():
            cell = row[k].strip() if k < len(row) else ""
            column.append(words.setdefault(cell, cell))


def _rows(path: Path, stream: TextIO) -> Iterator[tuple[int, list[str]]]:
    """Yield the rows that hold anything, with their numbers."""
    head = stream.readline()
    reader = csv.reader(chain([head], stream), delimiter=max((",", ";", "\t"), key=head.count), strict=True)
    count = 0
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                count += 1
                yield reader.line_num, row
            if count > MAX_SCENARIOS:
                raise fault(str(path), "", f"more than {MAX_SCENARIOS:,} scenarios.", "Split the file.")
    except csv.Error as error:
        raise fault(str(path), "", f"this is not a readable CSV: {error}.", "Save it again as CSV (UTF-8).") from None


def _flag(cell: str) -> float | None:
    """Return whether a cell says that a material is missing; None if it says neither."""
    word = cell.lower()
    return float(word in YES) if word in YES | NO else None


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
