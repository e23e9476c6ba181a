"""The optimal vertex once more in rational arithmetic, where nothing is rounded.

Every float is a binary fraction, so the arrays that the solver was given are exact rationals. The
vertex and its duals are solved for by Gaussian elimination in fractions and every bound and sign is
checked with no tolerance; a miss is told as the exact number it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from optimizer.engine.sensitivity import Basis
from optimizer.pool import Vector


@dataclass(frozen=True)
class ExactCheck:
    """What exact arithmetic says of a basis.

    Attributes:
        feasible: Whether every column and row keeps its ends, or misses by less than 1e-9.
        optimal: Whether every reduced cost has the right sign, or misses by less than 1e-9.
        worst_miss: Largest miss of an end.
        worst_sign: Largest reduced cost of the wrong sign.
        objective: The exact objective, as a fraction.
    """

    feasible: bool
    optimal: bool
    worst_miss: float
    worst_sign: float
    objective: Fraction

    @property
    def words(self) -> str:
        """The verdict in a sentence."""
        if self.feasible and self.optimal and self.worst_miss == 0 and self.worst_sign == 0:
            return "checked in exact rational arithmetic: the vertex keeps every limit and no better one exists"
        if self.feasible and self.optimal:
            worst = max(self.worst_miss, self.worst_sign)
            return (
                "checked in exact rational arithmetic: limits given as decimals are met to "
                f"{worst:.0e}, the distance between a decimal and its binary number"
            )
        return (
            f"NOT confirmed in exact arithmetic: limits missed by {self.worst_miss:.1e}, signs by {self.worst_sign:.1e}"
        )


def check_exactly(basis: Basis) -> ExactCheck:
    """Return what exact arithmetic says of an optimal basis.

    Args:
        basis: Basis of min cost @ x with F z = 0, F = [A | -I], from the solver's own arrays.
    """
    n, m = basis.n, basis.m
    rational = np.vectorize(Fraction, otypes=[object])
    full, cost = basis.full, basis.cost
    basic = [int(b) for b in basis.basic]
    in_basis = set(basic)
    columns = [b for b in basic if b < n]
    active = [r for r in range(m) if n + r not in in_basis]
    z = [Fraction(0)] * (n + m)
    for j in range(n + m):
        if j not in in_basis:
            end = basis.ends_low[j] if basis.sign[j] > 0 else basis.ends_high[j]
            z[j] = Fraction(float(end))
    inner = rational(full[np.ix_(active, columns)]) if columns else np.empty((0, 0), dtype=object)
    right = []
    for r in active:
        known = sum(
            (Fraction(float(full[r, j])) * z[j] for j in range(n) if j not in in_basis and full[r, j]), Fraction(0)
        )
        right.append(z[n + r] - known)
    for column, value in zip(columns, _solved(inner, right), strict=True):
        z[column] = value
    for r in range(m):
        z[n + r] = sum((Fraction(float(full[r, j])) * z[j] for j in range(n) if full[r, j]), Fraction(0))
    prices = _solved(inner.T, [Fraction(float(cost[c])) for c in columns])
    y = dict(zip(active, prices, strict=True))
    miss = max(_missed(z, basis.ends_low, basis.ends_high), Fraction(0))
    wrong = max(_wrong_signs(basis, y, in_basis), Fraction(0))
    objective = sum((Fraction(float(cost[j])) * z[j] for j in range(n) if cost[j]), Fraction(0))
    limit = Fraction(1, 10**9)
    return ExactCheck(miss <= limit, wrong <= limit, float(miss), float(wrong), objective)


def _missed(z: list[Fraction], low: Vector, high: Vector) -> Fraction:
    worst = Fraction(0)
    for value, below, above in zip(z, low, high, strict=True):
        if below > -np.inf:
            worst = max(worst, Fraction(float(below)) - value)
        if above < np.inf:
            worst = max(worst, value - Fraction(float(above)))
    return worst


def _wrong_signs(basis: Basis, y: dict[int, Fraction], in_basis: set[int]) -> Fraction:
    worst = Fraction(0)
    for j in range(basis.n + basis.m):
        if j in in_basis or basis.fixed[j]:
            continue
        reduced = Fraction(float(basis.cost[j]))
        reduced -= sum((price * Fraction(float(basis.full[r, j])) for r, price in y.items()), Fraction(0))
        worst = max(worst, -reduced if basis.sign[j] > 0 else reduced)
    return worst


def _solved(matrix: npt.NDArray[np.object_], right: list[Fraction]) -> list[Fraction]:
    """Solve a square system exactly by Gaussian elimination, shape (k, k) and (k,)."""
    size = len(right)
    rows = [[*matrix[r], right[r]] for r in range(size)]
    for k in range(size):
        pivot = next(r for r in range(k, size) if rows[r][k] != 0)
        rows[k], rows[pivot] = rows[pivot], rows[k]
        for r in range(size):
            if r != k and rows[r][k] != 0:
                factor = rows[r][k] / rows[k][k]
                rows[r] = [a - factor * b if b else a for a, b in zip(rows[r], rows[k], strict=True)]
    return [rows[k][size] / rows[k][k] for k in range(size)]
