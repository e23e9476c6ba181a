"""Cells that no column takes in: figures that a comma between cells cut in two, and columns that are not read."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from optimizer.data.sheet import filled, number_of, text_of
from optimizer.errors import fault
from optimizer.intake.typed import CUT, parted
from optimizer.units import listed

Rows = list[tuple[int, list[Any]]]

UNCUT = "Put semicolons between the cells, or write decimals with a point."
SUMS = 0.005
"""A sum as sheets print it is as near as this [its unit]; common practice, no source."""
_WHOLE, _DECIMALS = re.compile(r"\s*\d+"), re.compile(r"\d+(\s*%)?\s*")
"""The two cells of a figure such as 12,5; a blank behind the comma begins a cell of its own."""


def cut_in_two(cells: Sequence[Any], at: int) -> bool:
    """Return whether a cell and the one behind it may be a single figure with a decimal comma."""
    two = [str(cell) for cell in cells[at : at + 2]]
    return len(two) == 2 and bool(_WHOLE.fullmatch(two[0]) and _DECIMALS.fullmatch(two[1]))


def whole_figures(
    path: Path, rows: Rows, at: int, headings: Sequence[Any] | None, between: str, assumed: list[str]
) -> Rows:
    """Return lines in which no dose is cut in two at its decimal comma.

    It is one figure where each line has just one cell too many for the headings, or, without headings, for the lines
    whose dose is no such figure, or where the doses sum to 100 so and not otherwise.

    Args:
        path: For messages.
        rows: The lines below the headings, with their numbers.
        at: Column of the doses.
        headings: Of the columns, None if there are none.
        between: Sign between the cells.
        assumed: Takes what was assumed.

    Raises:
        DataError: If nobody can know.
    """
    cut = {k for k, (_, cells) in enumerate(rows) if between == "," and cut_in_two(cells, at)}
    _refuse_cut_before_names(path, rows, at, between)
    if not cut:
        return rows
    joined = [(row, _joined(cells, at) if k in cut else cells) for k, (row, cells) in enumerate(rows)]
    as_cells, as_figures = _whole(rows, at), _whole(joined, at)
    if headings is None:
        others = [filled(cells) for k, (_, cells) in enumerate(rows) if k not in cut and filled(cells) > at]
        longer = bool(others) and min(filled(rows[k][1]) for k in cut) > max(others)
        if as_cells and not as_figures:
            return rows
        sure = longer or (as_figures and not as_cells)
    else:
        wide = {k for k, (_, cells) in enumerate(rows) if filled(cells) > filled(headings)}
        if not wide & cut and (as_cells or not as_figures):
            return rows
        fits = all(filled(cells) <= filled(headings) for _, cells in joined)
        sure = wide == cut and fits and (as_figures or not as_cells)
    first, cells = rows[min(cut)]
    written = f"{text_of(cells[at])},{text_of(cells[at + 1])}"
    if not sure:
        raise fault(f"{path}, row {first}", "", f"'{written}' {CUT}.", UNCUT)
    many = f", as were those of {len(cut) - 1} other rows" if len(cut) > 1 else ""
    assumed.append(f"Row {first}: '{written}' was read as one figure with a decimal comma{many}.")
    return joined


def _refuse_cut_before_names(path: Path, rows: Rows, at: int, between: str) -> None:
    """Refuse doses such as '12,5 % Glycerin', of which '5 % Glycerin' would be a name."""
    for row, cells in rows:
        two = [str(cell) for cell in cells[at : at + 2]]
        if between == "," and len(two) == 2 and _WHOLE.fullmatch(two[0]) and parted(two[1]) and two[1][0].isdigit():
            raise fault(f"{path}, row {row}", "", f"'{','.join(two)}' {CUT}.", UNCUT)


def _joined(cells: list[Any], at: int) -> list[Any]:
    return [*cells[:at], f"{text_of(cells[at])}.{text_of(cells[at + 1])}", *cells[at + 2 :]]


def _whole(rows: Rows, at: int) -> bool:
    """Return whether doses sum to 100."""
    total = 0.0
    for _, cells in rows:
        try:
            total += number_of(text_of(cells[at])) if at < len(cells) else 0.0
        except ValueError:
            continue
    return abs(total - 100) <= SUMS


def unread(rows: Rows, taken: Iterable[int], headings: Sequence[Any] | None) -> str:
    """Return which columns hold something that is not read, in a sentence; empty if none does."""
    last = max((filled(cells) for _, cells in rows), default=0) if headings is None else filled(headings)
    left = [
        f"'{name}'" if headings is not None and (name := text_of(headings[k])) else f"column {k + 1}"
        for k in range(last)
        if k not in set(taken) and any(k < len(cells) and text_of(cells[k]) for _, cells in rows)
    ]
    return f"Not read: {listed(left)}." if left else ""
