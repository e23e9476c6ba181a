"""Published regions of mixtures, and what theory says of trials on a whole simplex."""

from __future__ import annotations

import json
from itertools import combinations
from math import factorial
from pathlib import Path
from typing import Any

import numpy as np

from optimizer.data.pool import Vector
from optimizer.trials.polytope import Whitened, corners_of, whitened

HERE = Path(__file__).resolve().parents[1] / "trials" / "published"


def published(name: str) -> dict[str, Any]:
    """Return a published case as it stands, with its source."""
    case: dict[str, Any] = json.loads((HERE / f"{name}.json").read_text(encoding="utf-8"))
    return case


def bounds(case: dict[str, Any]) -> tuple[Vector, Vector]:
    """Return the limits of a case as along @ x <= at_most."""
    low, high = np.array(case["low"], float), np.array(case["high"], float)
    along, at_most = [*np.eye(len(low)), *-np.eye(len(low))], [*high, *-low]
    for row, least, most in zip(case.get("rows", []), case.get("row_low", []), case.get("row_high", []), strict=True):
        along += [np.array(row, float) * s for s, end in ((1, most), (-1, least)) if end is not None]
        at_most += [s * end for s, end in ((1, most), (-1, least)) if end is not None]
    return np.array(along), np.array(at_most)


def corners(along: Vector, at_most: Vector) -> Vector:
    """Return the corners of a region of shares that sum to 1, shape (v, n)."""
    n = along.shape[1]
    moves, base = np.hstack([np.eye(n - 1), -np.ones((n - 1, 1))]), np.eye(n)[-1]
    return np.asarray(base + corners_of(along @ moves.T, at_most - along @ base) @ moves)


def by_all_subsets(along: Vector, at_most: Vector) -> Vector:
    """Return the same corners by solving every subset of rows: slow, and nothing of it is shared."""
    n, found = along.shape[1], []
    for rows in combinations(range(len(along)), n - 1):
        square = np.vstack([along[list(rows)], np.ones(n)])
        if abs(np.linalg.det(square)) > 1e-9:
            x = np.linalg.solve(square, np.append(at_most[list(rows)], 1.0))
            if (along @ x <= at_most + 1e-9).all() and not any(np.allclose(x, y, atol=1e-8) for y in found):
                found.append(x)
    return np.array(found)


def region(name: str) -> tuple[dict[str, Any], Vector, Whitened]:
    """Return a published case, its corners and its region in whitened coordinates."""
    case = published(name)
    limits = bounds(case)
    found = corners(*limits)
    return case, found, whitened(found, *limits, flat=1e-6)


def simplex(q: int) -> Whitened:
    """Return the whole simplex of q shares."""
    return whitened(np.eye(q), -np.eye(q), np.zeros(q), flat=1e-6)


def powers(q: int) -> list[tuple[int, ...]]:
    """Return the exponents of the terms of a Scheffe quadratic."""
    single = [tuple(int(i == k) for i in range(q)) for k in range(q)]
    return [*single, *(tuple(int(i in pair) for i in range(q)) for pair in combinations(range(q), 2))]


def scheffe(x: Vector) -> Vector:
    """Return the columns of a Scheffe quadratic, shape (m, p)."""
    return np.column_stack([np.prod(x ** np.array(p), axis=1) for p in powers(x.shape[1])])


def simplex_moments(q: int) -> Vector:
    """Return the exact mean of f f' of a Scheffe quadratic over the simplex (Dirichlet's integral)."""

    def mean(exponents: tuple[int, ...]) -> float:
        top = factorial(q - 1)
        for e in exponents:
            top *= factorial(e)
        return top / factorial(q - 1 + sum(exponents))

    terms = powers(q)
    return np.array([[mean(tuple(a + b for a, b in zip(f, g, strict=True))) for g in terms] for f in terms])
