"""Rows that hold for up to a budget of coefficients off at once, as a larger linear program.

Bertsimas and Sim, The price of robustness, Operations Research 52 (2004) 35: for x >= 0 the largest of
sum_{i in S} d_i x_i over sets S of at most G members (the last one in part if G is no whole number) is the
least of G z + sum_i p_i with z + p_i >= d_i x_i and z, p >= 0. One z and one p per uncertain coefficient are
added for each protected side of a row; where G covers all of them the coefficients themselves are moved.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf

import numpy as np

from optimizer.data.pool import Vector
from optimizer.immutable import immutable


@immutable
class Budgeted:
    """min cost @ z with low <= A z <= high, 0 <= z <= upper, z = [doses, added, choices].

    Attributes:
        matrix: A, shape (m, n).
        low: Shape (m,).
        high: Shape (m,).
        upper: Largest value of the added columns, shape (added,).
        cost: Cost of the added columns, shape (added,); not 0 where the cost itself is uncertain.
        doses: Number of dose columns.
        sure: Cost that is added to the doses for certain, shape (doses,).
    """

    matrix: Vector
    low: Vector
    high: Vector
    upper: Vector
    cost: Vector
    doses: int
    sure: Vector


@dataclass
class _Side:
    """A protected side: its own row, its uncertain coefficients and the sign with which they are added."""

    base: Vector
    low: float
    high: float
    off: Vector
    sign: float


def budgeted(
    matrix: Vector,
    low: Vector,
    high: Vector,
    rises: Vector,
    falls: Vector,
    budget: float,
    most: float = 100.0,
    dearer: Vector | None = None,
) -> Budgeted:
    """Return the program whose solutions keep every row for each choice of coefficients in the budget.

    Args:
        matrix: Coefficients as planned, shape (m, n): doses first, then choices.
        low: Lower ends, shape (m,).
        high: Upper ends, shape (m,).
        rises: How much each dose coefficient may rise, shape (m, doses), not negative.
        falls: How much it may fall, shape (m, doses), not negative.
        budget: How many may be off at once.
        most: Largest dose.
        dearer: How much each dose's cost may rise, shape (doses,).
    """
    doses = rises.shape[1]
    ends_of_rows = zip(matrix, low, high, rises, falls, strict=True)
    sides = [side for row in ends_of_rows for side in _sides(*row, protected=budget > 0)]
    nothing = np.zeros(doses)
    off = nothing if dearer is None or budget <= 0 else dearer
    own = _Side(np.zeros(matrix.shape[1]), -inf, inf, off, 1.0)
    widths = [_width(s, budget) for s in (*sides, own)]
    added = sum(widths)
    rows: list[Vector] = []
    ends: list[tuple[float, float]] = []
    upper, cost, at, sure = np.zeros(added), np.zeros(added), 0, nothing
    for side, width in zip((*sides, own), widths, strict=True):
        row = np.concatenate([side.base[:doses], np.zeros(added), side.base[doses:]])
        if side.off.any() and not width:
            row[:doses] += side.sign * side.off
            sure = row[:doses] if side is own else sure
        if width:
            links = _links(side.off, doses + at, len(row))
            spread = np.concatenate([[budget], np.ones(len(links))])
            row[doses + at : doses + at + width] = side.sign * spread
            upper[at : at + width] = most * side.off.max()
            if side is own:
                cost[at : at + width] = spread
            rows += links
            ends += [(0.0, inf)] * len(links)
            at += width
        if side is not own:
            rows.append(row)
            ends.append((side.low, side.high))
    lows, highs = (np.array([e[k] for e in ends]) for k in (0, 1))
    return Budgeted(np.array(rows), lows, highs, upper, cost, doses, sure)


def _links(off: Vector, first: int, columns: int) -> list[Vector]:
    """Return the rows z + p_i >= d_i x_i of a side, whose z is the column `first`."""
    links = []
    for k, j in enumerate(np.nonzero(off)[0]):
        link = np.zeros(columns)
        link[j], link[first], link[first + 1 + k] = -off[j], 1.0, 1.0
        links.append(link)
    return links


def _sides(row: Vector, low: float, high: float, rises: Vector, falls: Vector, *, protected: bool) -> Iterator[_Side]:
    """Yield the sides of a row: the end that is sure, then those that must hold whatever is off."""
    up = protected and high < inf and bool((rises > 0).any())
    down = protected and low > -inf and bool((falls > 0).any())
    sure_low, sure_high = -inf if down else low, inf if up else high
    if not (up or down) or sure_low > -inf or sure_high < inf:
        # An end without anything off keeps the row as planned: on a protected side the added columns would meet it.
        yield _Side(row, sure_low, sure_high, np.zeros(rises.size), 0.0)
    if up:
        yield _Side(row, -inf, high, rises, 1.0)
    if down:
        yield _Side(row, low, inf, falls, -1.0)


def _width(side: _Side, budget: float) -> int:
    """Return how many columns a side adds: none where all its coefficients may be off at once."""
    uncertain = int((side.off > 0).sum())
    return 0 if uncertain <= budget else uncertain + 1
