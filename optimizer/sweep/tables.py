"""Answers as a table: CSV, XLSX or Parquet, by the ending of the file's name."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from math import isnan
from pathlib import Path
from typing import Any

import numpy as np

from optimizer.data.pool import Vector
from optimizer.data.sheet import neutral
from optimizer.errors import UsageError
from optimizer.files import refuse_existing
from optimizer.sweep.frame import ENDINGS, PROOFS
from optimizer.sweep.run import Ranged
from optimizer.sweep.state import place_atomic

SUFFIXES = (".csv", ".xlsx", ".parquet")
MAX_SHEET = 1_048_575
"""Rows that a sheet of a workbook has room for, its headings aside."""
SIDES = {"low": "at least", "high": "at most", "equal": "exactly", "link": "yes/no"}
DIGITS = 9
"""Decimals of figures in tables; what is beyond is rounding."""

Columns = list[tuple[str, list[Any]]]


def pieces_beside(out: Path) -> Path:
    """Return the folder that keeps finished pieces until a table is written."""
    return out.with_name(f"{out.name}.parts")


def check_target(path: Path, size: int) -> None:
    """Refuse a file that could not be written at the end, before anything is run.

    Raises:
        UsageError: If the ending is none of `SUFFIXES`, a workbook has no room, or a package is missing.
        DataError: If the file exists.
    """
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise UsageError(f"--out {path.name}: the name must end in .csv, .xlsx or .parquet.")
    refuse_existing(path)
    if suffix == ".xlsx" and size > MAX_SHEET:
        raise UsageError(f"--out {path.name}: a sheet has room for {MAX_SHEET:,} rows. Write .csv or .parquet.")
    if suffix == ".parquet":
        try:
            import pyarrow.parquet  # type: ignore[import-untyped,unused-ignore]  # noqa: F401
        except ImportError:
            raise UsageError(
                "--out: Parquet needs the package pyarrow. Install 'tenside[parquet]', or write .csv or .xlsx."
            ) from None


def write_table(path: Path, ranged: Ranged) -> None:
    """Write one row per scenario: what differs, how it ended, cost, pH, binding limits, doses [% as supplied].

    Raises:
        DataError: If the folder cannot be written.
    """
    columns = columns_of(ranged)
    writer = {".csv": _csv, ".xlsx": _xlsx, ".parquet": _parquet}[path.suffix.lower()]
    place_atomic(path, lambda draft: writer(draft, columns))


def columns_of(ranged: Ranged) -> Columns:
    """Return headings and cells of the table, column by column; None is an empty cell."""
    frame, grid = ranged.frame, ranged.grid
    repeat = len(ranged.sources)
    columns: Columns = [("scenario", [neutral(ranged.sources[s]) for s in ranged.source.tolist()])]
    for key, column in zip(grid.keys, grid.columns, strict=True):
        cells = [neutral(v) if isinstance(v, str) else _figure(v) for v in column.tolist()]
        columns.append((neutral(key), cells * repeat))
    columns.append(("ending", [ENDINGS[code] for code in frame.ending.tolist()]))
    columns.append(("proof", [PROOFS[code] for code in frame.proof.tolist()]))
    for name in ("cost", "objective", "ph"):
        if name != "ph" or np.isfinite(frame.ph).any():
            columns.append((name, _figures(getattr(frame, name))))
    columns.append(("binding", _binding(ranged)))
    if ranged.bare.any():
        cells = [("no" if b else "yes") if f else None for b, f in zip(ranged.bare, frame.solved, strict=True)]
        columns.append(("preserved", cells))
    columns.append(("message", [neutral(frame.messages.get(s, "")) or None for s in range(len(frame))]))
    used = (frame.doses > 0).any(axis=0)
    for k in np.flatnonzero(used):
        doses = frame.doses[:, k]
        columns.append((neutral(frame.ids[k]), _figures(np.where(doses > 0, doses, np.nan))))
    return columns


def _binding(ranged: Ranged) -> list[str | None]:
    """Return the binding limits of every scenario as one cell."""
    frame = ranged.frame
    words = [f"{rule} {SIDES[side]}" for rule, side in frame.limits]
    told: dict[bytes, str] = {}
    cells = []
    for row in np.packbits(frame.binding, axis=1) if frame.limits else np.zeros((len(frame), 0), dtype=np.uint8):
        key = row.tobytes()
        if key not in told:
            flags = np.unpackbits(row, count=len(words)).tolist()
            told[key] = neutral("; ".join(w for w, flag in zip(words, flags, strict=True) if flag))
        cells.append(told[key] or None)
    return cells


def _figures(values: Vector) -> list[float | None]:
    return [_figure(v) for v in np.round(values, DIGITS).tolist()]


def _figure(value: float) -> float | None:
    return None if isnan(value) else value


def _rows(columns: Columns) -> Iterator[tuple[Any, ...]]:
    yield tuple(name for name, _ in columns)
    yield from zip(*(cells for _, cells in columns), strict=True)


def _csv(path: Path, columns: Columns) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows(_rows(columns))


def _xlsx(path: Path, columns: Columns) -> None:
    from optimizer.data.workbook import Sheet, write_book

    write_book(path, [Sheet("range", _rows(columns))])


def _parquet(path: Path, columns: Columns) -> None:
    import pyarrow as pa
    from pyarrow import parquet

    named = {}
    for name, cells in columns:
        text = any(isinstance(cell, str) for cell in cells) or name in ("binding", "message")
        named[name] = pa.array(cells, pa.string() if text else pa.float64())
    parquet.write_table(pa.table(named), path)
