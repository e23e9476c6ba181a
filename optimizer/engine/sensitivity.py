"""What a limit costs and how long that price holds, from the optimal basis.

With z = (columns, row activities) and F = [A | -I], every solution has F z = 0. Moving a limit by
t changes one row's end by g and, where the limit stands inside coefficients, the row itself by
-t p: a rank-one change of the basis (Sherman and Morrison 1950). With u = B^-1 e_k, q = p_B u and
theta = t / (1 - t q), basic values move by theta s u and reduced costs by theta y_k (p - p_B B^-1 F),
both linear in theta; s = p x + g is the slope of the row, and cost moves by theta s y_k.

An objective that is a ratio to d x + e is priced at its last linear program (see `fractional`), whose total is D there.
Along a move it is (D r + theta s y_k) / (D + theta s w_k), w = d_B B^-1, and its reduced costs, taken times what the
total has become of D, stay linear in theta: what the ratio moves by adds (s / D) (w_k c - y_k (d - d_B B^-1 F)), c the
reduced costs (Charnes and Cooper 1962, Programming with linear fractional functionals: the program is a linear one).
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from functools import cached_property
from math import inf

import numpy as np
import numpy.typing as npt

from optimizer.data.pool import Mask, Vector
from optimizer.errors import SolverError
from optimizer.immutable import immutable
from optimizer.units import AT_END, DUST, LAST_DIGIT, NO_COEFFICIENT, ZERO_PRICE

FAR = 1e9
"""A move beyond this is told as endless."""


Over = tuple[Vector, float]
"""What an objective is a ratio to: its coefficients d, shape (n,), and its total at the answer."""
Move = tuple[npt.NDArray[np.int64], Vector, Vector | None]
"""A limit that moves: rows whose end goes with it, shape (k,); by how much per unit of it, shape (k,); where it stands
inside coefficients p, shape (n,), and the one row becomes A_k - t p, those."""


@immutable
class Reach:
    """The price of a limit and the interval of moves over which it holds.

    Attributes:
        price: d(objective)/d(limit) at the present limit.
        down: Most negative move of the limit for which the basis stays optimal.
        up: Most positive move.
        price_down: Price at the lower end of the interval.
        price_up: Price at the upper end.
    """

    price: float
    down: float
    up: float
    price_down: float
    price_up: float


class Basis:
    """An optimal basis of min cost @ x, A x - r = 0 with bounds on x and r."""

    def __init__(
        self,
        matrix: Vector,
        cost: Vector,
        low: Vector,
        high: Vector,
        x: Vector,
        basic: npt.NDArray[np.int64],
    ) -> None:
        """Factorise the basis.

        Args:
            matrix: A, shape (m, n).
            cost: Shape (n,).
            low: Lower ends of columns, then rows, shape (n + m,).
            high: Upper ends, shape (n + m,).
            x: Optimal column values, shape (n,).
            basic: The m basic variables; rows count from n.

        Raises:
            SolverError: If the basis is singular to the precision of the machine.
        """
        self.m, self.n = matrix.shape
        self.full = np.hstack([matrix, -np.eye(self.m)])
        self.basic = basic
        self.inverse = self._inverted()
        self.cost = np.concatenate([cost, np.zeros(self.m)])
        self.y = self.cost[basic] @ self.inverse
        self.reduced = self.cost - self.y @ self.full
        self.x = x
        self.ends_low, self.ends_high = low, high
        self.activity = matrix @ x
        z = np.concatenate([x, self.activity])
        self.values, self.low, self.high = z[basic], low[basic], high[basic]
        self.fixed = low == high
        mask = np.ones(self.n + self.m, dtype=bool)
        mask[basic] = False
        self.nonbasic = mask
        self.movable = mask & ~self.fixed
        at_low = np.abs(z - low) <= np.abs(high - z)
        self.sign = np.where(at_low, 1.0, -1.0)

    def _inverted(self) -> Vector:
        """Return the inverse of the basis, of which only the active rows and basic columns need inverting."""
        column = self.basic < self.n
        columns, slack = self.basic[column], self.basic[~column] - self.n
        is_active = np.ones(self.m, dtype=bool)
        is_active[slack] = False
        active = np.flatnonzero(is_active)
        basis = self.full[active][:, columns]
        try:
            inner = np.linalg.inv(basis)
        except np.linalg.LinAlgError:
            raise SolverError(
                "the prices of limits cannot be told: some figures are too small beside the others. "
                "Look for materials with next to no active matter, and leave them out or correct them."
            ) from None
        # One step of refinement makes the error of each entry as small as its terms allow (Skeel 1980, Iterative
        # refinement implies numerical stability for Gaussian elimination, Math. Comp. 35); what rounding may then
        # still leave of 0 is 0, or it would pass for a price: relative to the terms, and where nothing connects a
        # limit with a dose, so that all terms are such rests, relative to the whole.
        inner += inner @ (np.eye(len(inner)) - basis @ inner)
        size = np.abs(inner)
        rest = np.maximum(LAST_DIGIT * (size @ np.abs(basis) @ size), LAST_DIGIT**2 * size.max(initial=0.0))
        inner[size <= rest] = 0.0
        inverse = np.zeros((self.m, self.m))
        inverse[np.flatnonzero(column)[:, None], active] = inner
        inverse[np.flatnonzero(~column)[:, None], active] = self.full[slack][:, columns] @ inner
        inverse[~column, slack] = -1.0
        return inverse

    @cached_property
    def terms(self) -> Vector:
        """Size of the terms that each reduced cost sums, columns then rows, shape (n + m,)."""
        rows = np.abs(self.cost[self.basic]) @ np.abs(self.inverse)
        return np.concatenate([np.abs(self.cost[: self.n]) + rows @ np.abs(self.full[:, : self.n]), rows])

    @cached_property
    def costly(self) -> Mask:
        """Which nonbasic columns and rows have a reduced cost that is not 0."""
        return self.nonbasic & (np.abs(self.reduced) > ZERO_PRICE * self.terms)

    @cached_property
    def sizes(self) -> Vector:
        """What nearness to an end is relative to besides the end: 1 for columns, a row's largest coefficient."""
        return np.concatenate([np.ones(self.n), np.abs(self.full[:, : self.n]).max(axis=1, initial=0.0)])

    @property
    def unique(self) -> bool:
        """Whether no other solution is as good: every movable nonbasic variable costs something."""
        return bool(self.costly[self.movable].all())

    @property
    def degenerate(self) -> bool:
        """Whether a basic variable sits on one of its ends, so that one-sided prices may differ."""
        slack = np.minimum(self.values - self.low, self.high - self.values)
        return bool((slack <= AT_END * np.maximum(np.abs(self.values), self.sizes[self.basic])).any())

    def bounding(self, move: Move) -> Reach:
        """Return the same of one limit while only reduced costs keep their signs: the value is then a bound on all."""
        return self.reaches([move], points=False)[0]

    def reaches(self, moves: Sequence[Move], *, points: bool = True, over: Over | None = None) -> list[Reach]:
        """Return price and validity of moving each of many limits.

        Rows that the answer does not sit on may be among those that a limit moves: a basic one's room shrinks or
        grows as its end goes, which `inverse` says of it as it does of the others.

        Args:
            moves: The limits.
            points: Whether the basis is to give a point, too, wherever its price holds.
            over: What the objective is a ratio to, whose last linear program this is; prices are those of the program.
        """
        k = len(moves)
        ends, p, own, bent = np.zeros((k, self.m)), np.zeros((k, self.n + self.m)), np.ones(k), np.zeros(k, dtype=bool)
        for at, (rows, shifts, per_limit) in enumerate(moves):
            if per_limit is None:
                ends[at, rows] = shifts
            else:
                ends[at, rows[0]], own[at], bent[at] = 1.0, shifts[0], True
                p[at, : self.n] = per_limit
        u, v, y = ends @ self.inverse.T, p[:, self.basic], ends @ self.y
        slope, q = p[:, : self.n] @ self.x + own, (v * u).sum(axis=1)
        first, last = np.full(k, -inf), np.full(k, inf)
        if points:
            first, last = _intervals(self.values, slope[:, None] * u, self.low, self.high)
        drift, grown = np.zeros((k, self.movable.sum())), np.zeros(k)
        drift[bent] = y[bent, None] * (p[bent] - (v[bent] @ self.inverse) @ self.full)[:, self.movable]
        if over is not None:
            per, total = np.concatenate([over[0], np.zeros(self.m)]), over[1]
            prices = per[self.basic] @ self.inverse
            grown = slope * (ends @ prices) / total
            turning = (per - prices @ self.full)[self.movable]
            drift += np.outer(grown, self.reduced[self.movable]) - np.outer(slope * y / total, turning)
            bent = np.ones(k, dtype=bool)
            stays = _intervals(np.ones(1), grown[:, None], np.zeros(1), inf)
            first, last = np.maximum(first, stays[0]), np.minimum(last, stays[1])
        if bent.any():
            sign = self.sign[self.movable]
            down, up = _intervals(self.reduced[self.movable] * sign, drift[bent] * sign, np.zeros(sign.size), np.inf)
            first[bent], last[bent] = np.maximum(first[bent], down), np.minimum(last[bent], up)
        rooms = zip((y * slope).tolist(), first.tolist(), last.tolist(), q.tolist(), grown.tolist(), strict=True)
        return [
            Reach(price, _move(lo, q), _move(hi, q), price * _growth(lo, q, g), price * _growth(hi, q, g))
            for price, lo, hi, q, g in rooms
        ]

    def without(self, rows: npt.NDArray[np.int64]) -> Basis:
        """Return this basis with the given rows, shape (k,), left without ends where the basis does not need them."""
        there = rows[~self.nonbasic[rows + self.n]] + self.n
        other = copy(self)
        other.ends_low, other.ends_high = self.ends_low.copy(), self.ends_high.copy()
        other.ends_low[there], other.ends_high[there] = -inf, inf
        other.low, other.high = other.ends_low[self.basic], other.ends_high[self.basic]
        return other

    @cached_property
    def enterable(self) -> Mask:
        """Which nonbasic columns can rise at once: no basic value on its end stands in the way, shape (n,)."""
        rates = -self.inverse @ self.full[:, : self.n]
        small = AT_END * np.maximum(np.abs(self.values), self.sizes[self.basic])
        at_low, at_high = self.values - self.low <= small, self.high - self.values <= small
        falls, rises = rates < -NO_COEFFICIENT, rates > NO_COEFFICIENT
        stuck = (falls & at_low[:, None] | rises & at_high[:, None]).any(axis=0)
        return np.asarray(self.nonbasic[: self.n] & ~stuck)

    def curvature(self, row: int, per_limit: Vector) -> float:
        """Return q of a row whose coefficients move by -t p: theta = t / (1 - q t)."""
        p = np.concatenate([per_limit, np.zeros(self.m)])
        return float(p[self.basic] @ self.inverse[:, row])

    def prices_at(self, row: int, per_limit: Vector, t: float) -> Vector:
        """Return the row prices of the basis, shape (m,), where the coefficients of a row have moved by -t p.

        Raises:
            SolverError: If the basis is singular there.
        """
        w = np.concatenate([per_limit, np.zeros(self.m)])[self.basic] @ self.inverse
        left = 1 - w[row] * t
        if left <= NO_COEFFICIENT:
            raise SolverError("the basis is singular where the limit has moved to")
        return np.asarray(self.y + t / left * self.y[row] * w)


def _intervals(values: Vector, rates: Vector, low: Vector, high: Vector | float) -> tuple[Vector, Vector]:
    """Return for each row of rates the interval of theta in which low <= values + theta rates <= high, around 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        to_low, to_high = (low - values) / rates, (high - values) / rates
    up, down = rates > DUST, rates < -DUST
    first = np.where(up, to_low, np.where(down, to_high, -inf)).max(axis=1, initial=-inf)
    last = np.where(up, to_high, np.where(down, to_low, inf)).min(axis=1, initial=inf)
    return np.minimum(first, 0.0), np.maximum(last, 0.0)


def _move(theta: float, q: float) -> float:
    """Return t = theta / (1 + theta q)."""
    if abs(theta) == inf:
        limit = inf if q == 0 else 1 / q
        return theta if q == 0 or np.sign(limit) != np.sign(theta) else float(limit)
    scale = 1 + theta * q
    move = theta / scale if scale > 0 else inf
    return float(move if abs(move) < FAR else np.copysign(inf, theta))


def _growth(theta: float, q: float, grown: float) -> float:
    """Return how the price has grown at theta: by d(theta)/dt = (1 + theta q)^2, less as a total does, too."""
    if q == grown:
        return 1.0
    above, below = (q, grown) if abs(theta) == inf else (1 + theta * q, 1 + theta * grown)
    return inf if below == 0 else (above / below) ** 2
