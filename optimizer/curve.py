"""How the best value of one measure moves as a limit on another is swept, at fixed choices: exact pieces.

The optimal basis is followed from one end to the other. Inside a piece the basis does not change, so
doses and value move along theta(t) = t / (1 - q t): straight lines where the swept limit is a
right-hand side (q = 0), rational where it stands inside coefficients (a mean over a free total). A piece
ends where a basic value reaches an end or a reduced cost reaches zero (`engine/sensitivity`). Two means
over the same total become linear by homogenising (Charnes and Cooper 1962, Naval Research Logistics
Quarterly 9, 181); their values are straight, their doses rational. Each basis is certified where it was
found, its piece held against the rows at the other end, and pieces must join.
"""

from __future__ import annotations

from math import inf, isfinite

import numpy as np

from optimizer.engine.certificate import GAP, PRIMAL
from optimizer.engine.highs import Answer, Session
from optimizer.errors import SolverError
from optimizer.immutable import immutable
from optimizer.model import Case, objective_vector
from optimizer.pool import Mask, Pool, Vector
from optimizer.rules import LimitRule
from optimizer.units import TOLERANCE

MOST_PIECES = 2000
STEP = 1e-6
"""Step past a break, relative to the length of the curve; a shorter piece may be passed over."""
WIDER = 10.0
"""Factor by which the step grows where the solver still sits on the break."""
FURTHEST_STEP = 1e-3
"""Where the step has grown to this, relative, the curve cannot be followed."""
HELD = 1e-9
"""Reduced costs above this, of costs scaled to 1 at most, keep a variable at its end."""
JOINED = 1e-6
"""Most that two neighbouring pieces may differ where they meet, relative."""


class VanishingError(Exception):
    """The swept measure is a mean over something that a best formula need not contain."""


@immutable
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
        return np.maximum(z[: self.doses] / (z[self.scale] if self.scale >= 0 else 1.0), 0.0)

    def value(self, z: Vector) -> float:
        """Return the optimised measure."""
        return self.sign * (float(self.cost @ z) + self.constant)

    def sweeping(self, z: Vector) -> float:
        """Return the swept measure, upwards."""
        bottom = float(self.per @ z) + self.per_end
        if bottom <= TOLERANCE:
            raise VanishingError
        return (float(self.swept @ z) - self.swept_end) / bottom


@immutable
class Piece:
    """A stretch of the curve with one basis.

    Attributes:
        first: Swept measure at its start.
        last: Swept measure at its end.
        value: Optimised measure at its start.
        rate: d(value)/d(swept) at its start.
        q: Curvature: value(m) = value + rate t / (1 - q t) with t = m - first; 0 for a straight line.
        bend: The same for the doses, which move from `start` to `end` along t / (1 - bend t).
        start: Doses at its start, shape (doses,).
        end: Doses at its end.
    """

    first: float
    last: float
    value: float
    rate: float
    q: float
    bend: float
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
        if self.last == self.first:
            return self.start
        t, whole = m - self.first, self.last - self.first
        share = t / whole * (1 - self.bend * whole) / (1 - self.bend * t)
        return self.start + share * (self.end - self.start)


def widest(cases: tuple[Case, ...]) -> list[Case]:
    """Return the cases that no other one contains; what allows less is never better."""

    def contained(case: Case) -> bool:
        others = (c for c in cases if c is not case and c.model is case.model)
        return any((case.upper <= other.upper).all() for other in others)

    return [case for case in cases if not contained(case)]


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
    zero, upper = np.zeros(n), case.upper[:n]
    (sign, value), (direction, sweep) = optimised, swept
    up = -direction
    num, (above, below) = up * pool.vector(sweep.amount), sweep.constants(pool.held_back)
    if not value.ratio:
        cost, constant = objective_vector(value, pool, sign)
        per = pool.vector(sweep.per) if sweep.ratio else zero
        return Program(matrix, low, high, zero, upper, cost, constant, sign, num, -up * above, per, below, n)
    if not (sweep.ratio and _same_total(value, sweep, pool)):
        return None
    bottom, base = pool.vector(value.per), value.constants(pool.held_back)[1]
    top, over = pool.vector(value.amount), value.constants(pool.held_back)[0]
    # z = (doses, 1) / total: row ends become coefficients of the last column.
    ends = np.concatenate([low, high, upper])
    finite = np.isfinite(ends)
    last = np.where(finite, -ends, 0.0)
    rows = np.hstack([np.vstack([matrix, matrix, np.eye(n)]), last[:, None]])[finite]
    kinds = np.concatenate([np.ones(len(low)), -np.ones(len(high) + n)])[finite]
    return Program(
        matrix=np.vstack([rows, np.append(bottom, base)]),
        low=np.append(np.where(kinds > 0, 0.0, -inf), 1.0),
        high=np.append(np.where(kinds > 0, inf, 0.0), 1.0),
        lower=np.zeros(n + 1),
        upper=np.full(n + 1, inf),
        cost=sign * np.append(top, over),
        constant=0.0,
        sign=sign,
        swept=np.append(num, up * above),
        swept_end=0.0,
        per=np.zeros(n + 1),
        per_end=1.0,
        doses=n,
        scale=n,
    )


def _same_total(one: LimitRule, other: LimitRule, pool: Pool) -> bool:
    same = np.allclose(pool.vector(one.per), pool.vector(other.per), rtol=0, atol=1e-12)
    return same and one.constants(pool.held_back)[1] == other.constants(pool.held_back)[1]


@immutable
class Point:
    """A certified optimum at a limit, and how it moves along its basis as the limit does.

    With t the move of the limit, z moves by theta `rates`, theta = t / (1 - q t) (see `engine/sensitivity`;
    here only the swept row moves, so one column of the inverse is enough).

    Attributes:
        z: Column values.
        reduced: Reduced costs of columns, then dual values of rows.
        rates: Change of the columns per theta.
        q: Curvature.
        up: How far the limit may rise before the basis changes.
        unique: Whether no other point is as good.
    """

    z: Vector
    reduced: Vector
    rates: Vector
    q: float = 0.0
    up: float = 0.0
    unique: bool = False


class Curve:
    """The curve of one program, followed basis by basis in one solver."""

    def __init__(self, given: Program, direction: int) -> None:
        """Load a program.

        Args:
            given: The program.
            direction: Sign of the swept measure: -1 improves upwards, 1 downwards.
        """
        self.given, self.up = given, -direction
        self.solves = 0
        self.scale = 1 / max(float(np.abs(given.swept).max(initial=0.0)), 1e-12)
        self.bent = bool(given.per.any())
        self.cost = given.cost / max(float(np.abs(given.cost).max(initial=0.0)), 1e-12)
        self.matrix = np.vstack([given.matrix, given.swept * self.scale])
        self.low, self.high = np.append(given.low, -inf), np.append(given.high, inf)
        self.session = Session(self.matrix, self.low, self.high)
        self.all_rows = np.arange(len(self.low), dtype=np.int32)

    def pieces(self) -> list[Piece]:
        """Return the pieces from the best value to the best swept measure; empty if there is no formula.

        In the swept measure's own unit; where it improves downwards the pieces run downwards.

        Raises:
            VanishingError: If the swept measure is a mean over nothing somewhere.
            SolverError: If the curve cannot be followed or verified.
        """
        g = self.given
        best = self._optimum(None)
        if best is None:
            return []
        start, from_ = self._start(best)
        end = max(self._furthest(*self._ends(), start), start)
        length = end - start
        if length <= 1e-9 * (1 + abs(end)):
            edge = self.up * start
            return [Piece(edge, edge, g.value(from_), 0.0, 0.0, 0.0, g.dosed(from_), g.dosed(from_))]
        found: list[Piece] = []
        m, step = start, STEP * length
        while m < end - STEP * length:
            target = min(m + step, (m + end) / 2)
            point = self._found_at(target)
            reached = -inf if point is None else min(end, target + point.up)
            if point is None or (reached <= target and step < FURTHEST_STEP * length):
                step *= WIDER
                if step > FURTHEST_STEP * length:
                    raise SolverError("the trade-off cannot be followed: no answer inside it stands the check.")
                continue
            reached = end if reached > end - STEP * length else max(reached, target)
            found.append(self._piece(point, target, m, reached))
            if len(found) > 1:
                self._joined(found[-2], found[-1])
            m, step = reached, STEP * length
            if len(found) > MOST_PIECES:
                raise SolverError(f"the trade-off has more than {MOST_PIECES} pieces.")
        return found

    def _start(self, best: Point) -> tuple[float, Vector]:
        """Return the most of the swept measure among the best values, and the point there.

        On the optimal face what has a reduced cost stays at its end.
        """
        g, n = self.given, len(self.cost)
        if best.unique:
            return g.sweeping(best.z), best.z
        z = np.concatenate([best.z, self.matrix @ best.z])
        held = np.abs(best.reduced) > HELD
        low, high = (np.where(held, z, ends) for ends in self._ends())
        self.session.rows(self.all_rows, low[n:], high[n:])
        most = self._furthest(low, high)
        self.session.rows(self.all_rows, self.low, self.high)
        return most, self.last

    def _furthest(self, low: Vector, high: Vector, ratio: float = 0.0) -> float:
        """Return the most of the swept measure, certified, by Dinkelbach's iteration from a value for a mean.

        Args:
            low: Ends of columns, then rows, that the solver holds.
            high: The same.
            ratio: A value that is reached.
        """
        g, n = self.given, len(self.cost)
        for _ in range(60):
            cost = -(g.swept - ratio * g.per) * self.scale
            self.solves += 1
            answer = self.session.run(cost, low[:n], high[:n])
            if answer.ending != "optimal":
                raise SolverError("the far end of the trade-off was not found.")
            self.last = answer.x
            value = g.sweeping(answer.x)
            if not self.bent or abs(value - ratio) <= 1e-11 * (1 + abs(value)):
                break
            ratio = value
        self._certified(np.concatenate([answer.x, self.matrix @ answer.x]), low, high, cost, answer.y)
        return value

    def _ends(self) -> tuple[Vector, Vector]:
        """Return the present ends of columns, then rows."""
        return np.concatenate([self.given.lower, self.low]), np.concatenate([self.given.upper, self.high])

    def _found_at(self, m: float) -> Point | None:
        """Return the certified best value at a limit, or None where the solver gives none, as may be on a break."""
        self._aim(m)
        try:
            return self._optimum(m)
        except SolverError:
            return None

    def _aim(self, m: float) -> None:
        """Ask for at least m of the swept measure."""
        g = self.given
        last = len(self.low) - 1
        if self.bent:
            self.matrix[last] = (g.swept - m * g.per) * self.scale
            self.session.coefficients(last, self.matrix[last])
        self.low[last] = (g.swept_end + m * g.per_end) * self.scale
        self.session.rows(self.all_rows[-1:], self.low[-1:], self.high[-1:])

    def _optimum(self, m: float | None) -> Point | None:
        """Return the certified best value at the present limit, or None if there is none."""
        g = self.given
        self.solves += 1
        answer = self.session.run(self.cost, g.lower, g.upper)
        if answer.ending == "infeasible":
            return None
        if answer.ending != "optimal":
            raise SolverError("a point of the trade-off ended without a verdict.")
        values, (low, high) = np.concatenate([answer.x, self.matrix @ answer.x]), self._ends()
        reduced = self._certified(values, low, high, self.cost, answer.y)
        free = np.ones(len(values), dtype=bool)
        free[answer.basic] = False
        if m is None:
            unique = bool((np.abs(reduced[free & (low < high)]) > HELD).all())
            return Point(answer.x, reduced, np.zeros(0), unique=unique)
        g.sweeping(answer.x)
        return self._moving(answer, free, values, low, high, reduced)

    def _certified(self, values: Vector, low: Vector, high: Vector, cost: Vector, y: Vector) -> Vector:
        """Return reduced costs of columns, then dual values of rows.

        Refuses a point that breaks a row or that its dual values do not prove best (see `engine/certificate`).
        """
        reduced = np.concatenate([cost - y @ self.matrix, y])
        size = 1 + np.abs(values)
        ends = np.where(reduced > 0, low, high)
        open_ = ~np.isfinite(ends)
        ends[open_] = 0.0
        objective, bound = float(cost @ values[: len(cost)]), float(reduced @ ends)
        kept = (low - values <= PRIMAL * size).all() and (values - high <= PRIMAL * size).all()
        signs = (np.abs(reduced[open_]) <= GAP).all()
        if not (kept and signs and abs(objective - bound) <= GAP * (1 + abs(objective))):
            raise SolverError("a point of the trade-off did not stand the check outside the solver.")
        return reduced

    def _moving(self, answer: Answer, free: Mask, values: Vector, low: Vector, high: Vector, reduced: Vector) -> Point:
        """Return a point with how it moves along its basis; `free` marks what is nonbasic."""
        g, n, row = self.given, len(self.cost), len(self.low) - 1
        columns, active = np.flatnonzero(~free[:n]), np.flatnonzero(free[n:])
        if not free[n + row]:  # the limit does not bind
            return Point(answer.x, reduced, np.zeros(n))
        inverse = np.linalg.inv(self.matrix[np.ix_(active, columns)])
        per = g.per * self.scale
        slope = float(per @ answer.x) + g.per_end * self.scale
        rates = np.zeros(n)
        rates[columns] = slope * inverse[:, -1]
        moving = np.concatenate([rates, self.matrix @ rates])
        moving[free] = 0.0
        last = _reach(values, moving, low, high)
        q = 0.0
        if self.bent:
            q = float(per[columns] @ inverse[:, -1])
            pull = per[columns] @ inverse
            drift = np.zeros(n + row + 1)
            drift[:n] = per - pull @ self.matrix[active]
            drift[n + active] = pull
            sign = np.where(values - low <= high - values, 1.0, -1.0)
            movable = free & (low < high)
            costs, drifts = (reduced * sign)[movable], (float(answer.y[row]) * drift * sign)[movable]
            last = min(last, _reach(costs, drifts, np.zeros(len(costs)), np.full(len(costs), inf)))
        up = last / (1 + q * last) if last < inf and 1 + q * last > 0 else inf
        return Point(answer.x, reduced, rates, q, up)

    def _piece(self, point: Point, here: float, first: float, last: float) -> Piece:
        """Return the piece of a basis found at a limit inside it."""
        g, q = self.given, point.q

        def at(m: float) -> Vector:
            t = m - here
            return point.z + t / (1 - q * t) * point.rates

        start, stop = at(first), at(last)
        activity = g.matrix @ stop
        missed = np.maximum(g.low - activity, activity - g.high) / (1 + np.abs(activity))
        if max(missed.max(initial=0.0), (g.lower - stop).max(), (stop - g.upper).max()) > JOINED:
            raise SolverError("a stretch of the trade-off does not keep the rules at its end.")
        back = 1 - q * (first - here)
        rate, q = g.sign * float(g.cost @ point.rates) / back**2, q / back
        bend = q if g.scale < 0 else (1 - stop[g.scale] / start[g.scale]) / (last - first)
        up = self.up
        return Piece(up * first, up * last, g.value(start), up * rate, up * q, up * bend, g.dosed(start), g.dosed(stop))

    def _joined(self, before: Piece, after: Piece) -> None:
        """Refuse a curve whose neighbouring pieces do not meet."""
        one, other = before.at(before.last), after.value
        if not (isfinite(one) and abs(one - other) <= JOINED * (1 + abs(one))):
            raise SolverError(f"two stretches of the trade-off do not meet ({one:g} and {other:g}).")


def _reach(values: Vector, rates: Vector, low: Vector, high: Vector) -> float:
    """Return the largest theta, 0 or more, with low <= values + theta rates <= high."""
    moving = np.abs(rates) > 1e-11
    if not moving.any():
        return inf
    rates = rates[moving]
    room = (np.where(rates > 0, high[moving], low[moving]) - values[moving]) / rates
    return max(float(room.min()), 0.0)
