"""The answer once more in rational arithmetic, where nothing is rounded.

Every float is a binary fraction, so the arrays that the solver was given are exact rationals. The
vertex and its duals are solved for by Gaussian elimination in fractions and every bound and sign is
checked with no tolerance; so is the point that is shown, which need not be the vertex where several are
equally good. A miss is told as the exact number it is.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import numpy.typing as npt

from optimizer.data.pool import Vector
from optimizer.engine.certificate import row_sizes, terms
from optimizer.engine.sensitivity import Basis
from optimizer.engine.tree import Leaf, Tree
from optimizer.immutable import immutable, replace
from optimizer.units import ROUND_OFF, SAME_WORTH


@immutable
class ExactCheck:
    """What exact arithmetic says of a basis.

    Attributes:
        feasible: Whether every column and row keeps its ends at the vertex and at the point shown, or misses by
            less than `SAME_WORTH` of its end and of the terms that it sums. Where rows meet only by a hair no vertex
            need do so: its prices bound the objective all the same, and the point shown alone must.
        optimal: Whether every reduced cost has the right sign, or misses by less than `SAME_WORTH` of its terms, or
            all that do cannot better the objective by `SAME_WORTH` of what it sums; and the point shown is as good as
            the vertex to as much, and no better.
        worst_miss: Largest miss of an end, relative as said.
        worst_sign: Largest reduced cost of the wrong sign or what those can better, whichever is less, or excess of
            the point shown, relative as said.
        objective: The exact objective of the vertex, as a fraction.
        groups: Boxes of choices that were held against it too (see `beside`).
    """

    feasible: bool
    optimal: bool
    worst_miss: float
    worst_sign: float
    objective: Fraction
    groups: int = 0

    def beside(self, groups: int, short: Fraction) -> ExactCheck:
        """Return the check with boxes of choices, of which the worst falls short of its best by so much, relative."""
        worst = max(self.worst_sign, float(short))
        return replace(self, groups=groups, worst_sign=worst, optimal=self.optimal and short <= Fraction(SAME_WORTH))

    @property
    def words(self) -> str:
        """The verdict in a sentence."""
        choices = f"; all {self.groups} groups of choices were held against it" if self.groups > 1 else ""
        if self.feasible and self.optimal and self.worst_miss == 0 and self.worst_sign == 0:
            return (
                f"checked in exact rational arithmetic{choices}: the vertex keeps every limit and no better one exists"
            )
        if self.feasible and self.optimal:
            worst = max(self.worst_miss, self.worst_sign)
            return (
                "checked in exact rational arithmetic: limits given as decimals are met to "
                f"{worst:.0e}, the distance between a decimal and its binary number{choices}"
            )
        return (
            f"NOT confirmed in exact arithmetic: limits missed by {self.worst_miss:.1e}, signs by {self.worst_sign:.1e}"
        )


def check_exactly(basis: Basis, shown: Vector | None = None) -> ExactCheck:
    """Return what exact arithmetic says of an optimal basis and of the point that is shown.

    Args:
        basis: Basis of min cost @ x with F z = 0, F = [A | -I], from the solver's own arrays.
        shown: Column values of the answer, shape (n,); the vertex itself if None.
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
        z[n + r] = _row(full, r, z[:n])
    prices = _solved(inner.T, [Fraction(float(cost[c])) for c in columns])
    y = dict(zip(active, prices, strict=True))
    objective = _paid(cost[:n], z)
    miss, wrong = _missed(basis, z), _bettered(basis, y, in_basis, _paid(np.abs(cost[:n]), [abs(v) for v in z[:n]]))
    limit = Fraction(SAME_WORTH)
    if shown is not None:
        point = [Fraction(float(v)) for v in shown]
        kept = _missed(basis, [*point, *(_row(full, r, point) for r in range(m))])
        miss = kept if miss > limit else max(miss, kept)
        weight = Fraction(float(terms(np.abs(cost[None, :n]), np.abs(shown))[0]))
        excess = abs(_paid(cost[:n], point) - objective)
        wrong = max(wrong, excess / weight if weight else Fraction(int(excess > 0)))
    return ExactCheck(miss <= limit, wrong <= limit, float(miss), float(wrong), objective)


def shortfall(rows: tuple[Vector, Vector, Vector], cost: Vector, tree: Tree, best: Fraction | None) -> Fraction:
    """Return by how much the weakest leaf of a tree fails to prove that nothing is better, relative to the best point.

    Any prices bound a box (weak duality), so the leaves' own are held against it as they stand: 0 if all prove it,
    1 if a box that is told to be empty is not proven so.

    Args:
        rows: Matrix, lower and upper ends.
        cost: Shape (n,).
        tree: The tree.
        best: Exact objective of its best point, None if it has none.
    """
    weight = _paid(np.abs(cost), [abs(Fraction(float(v))) for v in tree.best]) if tree.best.size else Fraction(1)
    worst = Fraction(0)
    for leaf in tree.leaves:
        if leaf.empty:
            worst = max(worst, Fraction(int(not any(_gap(rows, 0 * cost, leaf, s) > 0 for s in (1, -1)))))
        elif best is None:
            worst = max(worst, Fraction(1))
        else:
            worst = max(worst, (best - _gap(rows, cost, leaf, 1)) / (weight or 1))
    return worst


def _gap(rows: tuple[Vector, Vector, Vector], cost: Vector, leaf: Leaf, sign: int) -> Fraction:
    """Return the bound of a box by its prices: of its cost, or above 0 where a ray proves that it holds nothing."""
    matrix, row_low, row_high = rows
    d = [Fraction(float(c)) for c in cost]
    sizes = np.abs(leaf.y) * row_sizes(matrix)
    bound, dust = Fraction(0), (ROUND_OFF * float(sizes.max(initial=0.0)) if leaf.empty else 0.0)
    for r in np.flatnonzero((leaf.y != 0) & (sizes >= dust)):
        price = sign * Fraction(float(leaf.y[r]))
        end = row_low[r] if price > 0 else row_high[r]
        if np.isfinite(end):
            bound += price * Fraction(float(end))
            for j in np.flatnonzero(matrix[r]):
                d[j] -= price * Fraction(float(matrix[r, j]))
    ends = zip(d, leaf.lower, leaf.upper, strict=True)
    return bound + sum(
        (reduced * Fraction(float(low if reduced > 0 else high)) for reduced, low, high in ends), Fraction(0)
    )


def _row(full: Vector, r: int, x: list[Fraction]) -> Fraction:
    return sum((Fraction(float(full[r, j])) * x[j] for j in np.flatnonzero(full[r, : len(x)])), Fraction(0))


def _paid(cost: Vector, x: list[Fraction]) -> Fraction:
    return sum((Fraction(float(cost[j])) * x[j] for j in np.flatnonzero(cost)), Fraction(0))


def _missed(basis: Basis, z: list[Fraction]) -> Fraction:
    """Return the largest miss of an end, relative to the end and the terms that the row sums, or 1 for a column."""
    worst, x = Fraction(0), np.abs(np.array(z[: basis.n], dtype=float))
    sizes = np.concatenate([np.ones(basis.n), terms(np.abs(basis.full[:, : basis.n]), x)])
    for value, below, above, size in zip(z, basis.ends_low, basis.ends_high, sizes, strict=True):
        for end, sign in ((below, 1), (above, -1)):
            if np.isfinite(end):
                miss = sign * (Fraction(float(end)) - value)
                worst = max(worst, miss / Fraction(max(float(size), abs(float(end))) or 1.0))
    return worst


def _bettered(basis: Basis, y: dict[int, Fraction], in_basis: set[int], weight: Fraction) -> Fraction:
    """Return the largest reduced cost of the wrong sign, to its terms, or what all of them can better, to the weight.

    The second is a bound (weak duality): no point is better than the vertex by more than the sum of those reduced
    costs times the room of their columns and rows (to double precision: it is far from what it is held against).
    """
    worst = better = Fraction(0)
    for j in range(basis.n + basis.m):
        if j in in_basis or basis.fixed[j]:
            continue
        reduced = Fraction(float(basis.cost[j]))
        reduced -= sum((price * Fraction(float(basis.full[r, j])) for r, price in y.items()), Fraction(0))
        if (reduced < 0) == (basis.sign[j] > 0) and reduced:
            worst = max(worst, abs(reduced) / Fraction(float(basis.terms[j])))
            room = _room(basis, j)
            better = better + abs(reduced) * Fraction(room) if np.isfinite(room) else weight
    if weight == 0 and _span(basis, basis.cost)[0] == 0.0:
        return Fraction(0)  # what costs nothing, where nothing can cost less
    return min(worst, better / weight) if weight else worst


def _room(basis: Basis, j: int) -> float:
    """Return how far a column or row may move from its end; a row without another one as far as its columns go."""
    low, high = float(basis.ends_low[j]), float(basis.ends_high[j])
    if not np.isfinite(high - low) and j >= basis.n:
        least, most = _span(basis, basis.full[j - basis.n])
        low, high = max(low, least), min(high, most)
    return high - low


def _span(basis: Basis, weights: Vector) -> tuple[float, float]:
    """Return the least and the most that a weighted sum of the columns can be between their ends."""
    used = np.flatnonzero(weights[: basis.n])
    ends = weights[used] * np.array([basis.ends_low[used], basis.ends_high[used]])
    return float(ends.min(axis=0).sum()), float(ends.max(axis=0).sum())


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
