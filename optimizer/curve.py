"""How the best value of one measure moves as a limit on another is swept, at fixed choices: exact pieces.

The optimal basis is followed from one end to the other. Inside a piece the basis does not change, so
doses and value move along theta(t) = t / (1 - q t): straight lines where the swept limit is a
right-hand side (q = 0), rational where it stands inside coefficients (a mean over a free total). A piece
ends where a basic value reaches an end or a reduced cost reaches zero (`engine/sensitivity`). Two means
over the same total become linear by homogenising (Charnes and Cooper 1962, Naval Research Logistics
Quarterly 9, 181).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np

from optimizer.engine.highs import Session
from optimizer.engine.sensitivity import Basis, Reach
from optimizer.model import Case, objective_vector
from optimizer.pool import Pool, Vector
from optimizer.rules import LimitRule

MOST_PIECES = 400
STEP = 1e-7
"""Step past a break, relative to the length of the curve."""


@dataclass(frozen=True)
class Program:
    """min cost @ z, low <= A z <= high, lower <= z <= upper, swept @ z - m (per @ z + per_end) >= swept_end.

    Attributes:
        scale: Index of the column that doses are divided by, or -1 (homogenised programs).
        sign: 1 if the value is `cost @ z + constant`, -1 if it is minus that.
    """

    matrix: Vector
    low: Vector
    high: Vector
    lower: Vector
    upper: Vector
    cost: Vector
    constant: float
    sign: int
    swept: Vector
    swept_end: float
    per: Vector
    per_end: float
    doses: int
    scale: int = -1

    def dosed(self, z: Vector) -> Vector:
        """Return doses [%], shape (doses,)."""
        return z[: self.doses] / (z[self.scale] if self.scale >= 0 else 1.0)

    def value(self, z: Vector) -> float:
        """Return the optimised measure."""
        return self.sign * (float(self.cost @ z) + self.constant)

    def sweeping(self, z: Vector) -> float:
        """Return the swept measure."""
        bottom = float(self.per @ z) + self.per_end
        return (float(self.swept @ z) - self.swept_end) / bottom if bottom else inf


@dataclass(frozen=True)
class Piece:
    """A stretch of the curve with one basis.

    Attributes:
        first: Swept measure at its start.
        last: Swept measure at its end.
        value: Optimised measure at its start.
        rate: d(value)/d(swept) at its start.
        q: Curvature: value(m) = value + rate t / (1 - q t) with t = m - first; 0 for a straight line.
        start: Doses at its start, shape (doses,).
        end: Doses at its end.
    """

    first: float
    last: float
    value: float
    rate: float
    q: float
    start: Vector
    end: Vector

    def at(self, m: float) -> float:
        """Return the optimised measure at a swept value inside the piece."""
        t = m - self.first
        return self.value + self.rate * t / (1 - self.q * t)

    def rate_at(self, m: float) -> float:
        """Return d(value)/d(swept) inside the piece."""
        return self.rate / (1 - self.q * (m - self.first)) ** 2

    def doses_at(self, m: float) -> Vector:
        """Return the doses at a swept value inside the piece, shape (doses,)."""
        if self.last <= self.first:
            return self.start
        t, whole = m - self.first, self.last - self.first
        share = (t / (1 - self.q * t)) / (whole / (1 - self.q * whole))
        return self.start + share * (self.end - self.start)


def program(
    case: Case, choices: Vector, pool: Pool, optimised: tuple[int, LimitRule], swept: tuple[int, LimitRule]
) -> Program | None:
    """Return the program of a case at fixed choices, or None if the two measures have no common linear form.

    Args:
        case: The pH settings and materials allowed.
        choices: Values of the yes/no columns, shape (k,).
        pool: Candidates.
        optimised: Sign (1 minimise) and measure.
        swept: Sign (-1: at least, improving upwards; 1: at most) and measure.
    """
    model = case.model
    n = model.doses
    shift = model.matrix[:, n:] @ choices
    matrix, low, high = model.matrix[:, :n], model.row_low - shift, model.row_high - shift
    lower, upper = np.zeros(n), case.upper[:n]
    (sign, value), (direction, sweep) = optimised, swept
    up = -direction
    num, per = up * pool.vector(sweep.amount), pool.vector(sweep.per) if sweep.ratio else np.zeros(n)
    above, below = sweep.constants(pool.held_back)
    if not value.ratio:
        cost, constant = objective_vector(value, pool, sign)
        return Program(
            matrix,
            low,
            high,
            lower,
            upper,
            cost,
            constant,
            sign,
            num,
            -up * above,
            per,
            below,
            n,
        )
    if not sweep.ratio or not _same_total(value, sweep, pool):
        return None
    bottom, base = pool.vector(value.per), value.constants(pool.held_back)[1]
    top, over = pool.vector(value.amount), value.constants(pool.held_back)[0]
    rows = np.vstack([matrix, matrix, np.eye(n), bottom])
    ends = np.concatenate([low, high, upper])
    finite = np.isfinite(ends)
    last = np.concatenate([np.where(finite, -ends, 0.0), [base]])
    full = np.hstack([rows, last[:, None]])
    kept = np.concatenate([finite, [True]])
    m = len(low)
    row_low = np.concatenate([np.zeros(m), np.full(m + n, -inf), [1.0]])
    row_high = np.concatenate([np.full(m, inf), np.zeros(m + n), [1.0]])
    most = np.concatenate([np.full(n, inf), [inf]])
    column = np.zeros(n + 1)
    return Program(
        full[kept],
        row_low[kept],
        row_high[kept],
        column,
        most,
        np.concatenate([sign * top, [sign * over]]),
        0.0,
        sign,
        np.concatenate([num, [up * above]]),
        0.0,
        column,
        1.0,
        n,
        scale=n,
    )


def _same_total(one: LimitRule, other: LimitRule, pool: Pool) -> bool:
    same = np.allclose(pool.vector(one.per), pool.vector(other.per), rtol=0, atol=1e-12)
    return same and one.constants(pool.held_back)[1] == other.constants(pool.held_back)[1]


class Curve:
    """The curve of one program, followed basis by basis."""

    def __init__(self, given: Program, direction: int) -> None:
        """Load a program.

        Args:
            given: The program.
            direction: Sign of the swept measure: -1 improves upwards, 1 downwards.
        """
        self.given, self.up = given, -direction
        self.solves = 0

    def pieces(self) -> list[Piece]:
        """Return the pieces from the best value to the best swept measure; empty if there is no formula.

        In the swept measure's own unit; where it improves downwards the pieces run downwards.
        """
        g = self.given
        best = self._run(g.cost, None)
        if best is None:
            return []
        end = self._furthest()
        start = self._furthest(cap=float(g.cost @ best[0]))
        if end is None or start is None:
            return []
        found: list[Piece] = []
        step = STEP * max(1e-3, end - start)
        m = start
        while m < end - 2 * step and len(found) < MOST_PIECES:
            solved = self._run(g.cost, m + step)
            if solved is None:
                break
            piece = self._piece(*solved, m, end)
            found.append(piece)
            m = max(piece.last if self.up > 0 else -piece.last, m + step)
        if not found:
            z = best[0]
            edge = self.up * start
            found.append(Piece(edge, edge, g.value(z), 0.0, 0.0, g.dosed(z), g.dosed(z)))
        return found

    def _piece(self, z: Vector, basis: Basis, row: int, m: float, end: float) -> Piece:
        g, here = self.given, self.given.sweeping(z)
        ends = np.array([g.per_end])
        has_per = bool(g.per.any())
        reach: Reach = basis.reach(np.array([row]), ends, g.per if has_per else None)
        q = basis.curvature(row, g.per) if has_per else 0.0
        first, last = max(m, here + reach.down), min(end, here + reach.up)
        slope = float(g.per @ z + g.per_end)
        direction = basis.inverse[:, row] * slope

        def point(target: float) -> Vector:
            t = target - here
            moved = z.copy()
            theta = t / (1 - q * t)
            inside = basis.basic < basis.n
            moved[basis.basic[inside]] += theta * direction[inside]
            return moved

        start, stop = point(first), point(last)
        rate = g.sign * reach.price / (1 - q * (first - here)) ** 2
        back = 1 - q * (first - here)
        q_first = q / back
        if self.up < 0:
            return Piece(-first, -last, g.value(start), -rate, -q_first, g.dosed(start), g.dosed(stop))
        return Piece(first, last, g.value(start), rate, q_first, g.dosed(start), g.dosed(stop))

    def _rows(self, m: float | None, cap: float | None = None) -> tuple[Vector, Vector, Vector]:
        g = self.given
        matrix, low, high = g.matrix, g.low, g.high
        if m is not None:
            matrix = np.vstack([matrix, g.swept - m * g.per])
            low, high = np.append(low, g.swept_end + m * g.per_end), np.append(high, inf)
        if cap is not None:
            matrix = np.vstack([matrix, g.cost])
            low, high = np.append(low, -inf), np.append(high, cap + 1e-9 * (1 + abs(cap)))
        return matrix, low, high

    def _run(self, cost: Vector, m: float | None, cap: float | None = None) -> tuple[Vector, Basis, int] | None:
        g = self.given
        matrix, low, high = self._rows(m, cap)
        self.solves += 1
        answer = Session(matrix, low, high).run(cost, g.lower, g.upper)
        if answer.ending != "optimal":
            return None
        ends = np.concatenate([g.lower, low]), np.concatenate([g.upper, high])
        return answer.x, Basis(matrix, cost, *ends, answer.x, answer.basic), len(g.low)

    def _furthest(self, cap: float | None = None) -> float | None:
        """Return the most of the swept measure (upwards), under a cap on the cost if one is given."""
        g = self.given
        ratio = 0.0
        for _ in range(60):
            found = self._run(-(g.swept - ratio * g.per), None, cap)
            if found is None:
                return None
            value = g.sweeping(found[0])
            if abs(value - ratio) <= 1e-11 * (1 + abs(value)) or not g.per.any():
                return value
            ratio = value
        return ratio
