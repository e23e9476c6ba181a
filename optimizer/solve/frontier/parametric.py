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

from optimizer.data.pool import Mask, Pool, Vector
from optimizer.engine.certificate import which_hold
from optimizer.engine.highs import Session, SolverAnswer, unit_of
from optimizer.engine.search import linear
from optimizer.engine.sensitivity import Basis
from optimizer.errors import SolverError
from optimizer.immutable import immutable
from optimizer.model.model import Case
from optimizer.rules import LimitRule
from optimizer.solve.fractional import VanishingError, optimum
from optimizer.units import CURVE_STEP, DUST, KEPT, ROUND_OFF, SAME_WORTH

MOST_PIECES = 2000
WIDER = 10.0
"""Factor by which the step grows where the solver still sits on the break."""
FURTHEST_STEP = 1e-3
"""Where the step has grown to this, relative, the curve cannot be followed."""


@immutable
class Program:
    """min cost @ z, low <= A z <= high, lower <= z <= upper, swept @ z - m (per @ z + per_end) >= swept_end.

    Attributes:
        scale: Index of the column that doses are divided by, or -1 (homogenised programs).
        sign: 1 if the value is `cost @ z + constant`, -1 if it is minus that.
        vanishing: What the swept measure is a mean over counts as nothing up to this.
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
    vanishing: float = 0.0

    def dosed(self, z: Vector) -> Vector:
        """Return doses [%], shape (doses,)."""
        return np.maximum(z[: self.doses] / (z[self.scale] if self.scale >= 0 else 1.0), 0.0)

    def value(self, z: Vector) -> float:
        """Return the optimised measure."""
        return self.sign * (float(self.cost @ z) + self.constant)

    def terms(self, z: Vector) -> float:
        """Return the size of what the optimised measure sums."""
        return float(np.abs(self.cost) @ np.abs(z)) + abs(self.constant)

    def sweeping(self, z: Vector) -> float:
        """Return the swept measure, upwards."""
        bottom = float(self.per @ z) + self.per_end
        if not bottom > self.vanishing:
            raise VanishingError
        return (float(self.swept @ z) - self.swept_end) / bottom


@immutable
class CurvePiece:
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
    rows = model.matrix[:, :n], model.row_low - shift, model.row_high - shift
    zero, upper = np.zeros(n), case.upper[:n]
    (sign, value), (direction, sweep) = optimised, swept
    up = -direction
    num, (above, below) = up * pool.vector(sweep.amount), sweep.constants(pool.held_back)
    if not value.ratio:
        cost, constant = model.objective(value, pool, sign)
        per = pool.vector(sweep.per) if sweep.ratio else zero
        nothing = sweep.vanishing(pool) if sweep.ratio else 0.0
        return Program(
            *rows, zero, upper, cost[:n], constant + float(cost[n:] @ choices), sign,
            num, -up * above, per, below, n, vanishing=nothing,
        )  # fmt: skip
    if not (sweep.ratio and _same_total(value, sweep, pool)):
        return None
    return _homogenised(rows, upper, pool, (sign, value), np.append(num, up * above))


def _homogenised(
    rows: tuple[Vector, Vector, Vector], upper: Vector, pool: Pool, optimised: tuple[int, LimitRule], swept: Vector
) -> Program:
    """Return the program of two means over one total, over z = (doses, 1) / total.

    Row ends become coefficients of the last column (Charnes and Cooper, see above).

    Args:
        rows: Coefficients of the doses, shape (m, n), lower and upper ends.
        upper: The most of each dose, shape (n,).
        pool: Candidates.
        optimised: Sign and measure.
        swept: Coefficients of the swept measure over z, shape (n + 1,).
    """
    (matrix, low, high), (sign, value), n = rows, optimised, len(upper)
    bottom, base = pool.vector(value.per), value.constants(pool.held_back)[1]
    top, over = pool.vector(value.amount), value.constants(pool.held_back)[0]
    ends = np.concatenate([low, high, upper])
    finite = np.isfinite(ends)
    last = np.where(finite, -ends, 0.0)
    sides = np.hstack([np.vstack([matrix, matrix, np.eye(n)]), last[:, None]])[finite]
    kinds = np.concatenate([np.ones(len(low)), -np.ones(len(high) + n)])[finite]
    return Program(
        matrix=np.vstack([sides, np.append(bottom, base)]),
        low=np.append(np.where(kinds > 0, 0.0, -inf), 1.0),
        high=np.append(np.where(kinds > 0, inf, 0.0), 1.0),
        lower=np.zeros(n + 1),
        upper=np.full(n + 1, inf),
        cost=sign * np.append(top, over),
        constant=0.0,
        sign=sign,
        swept=swept,
        swept_end=0.0,
        per=np.zeros(n + 1),
        per_end=1.0,
        doses=n,
        scale=n,
    )


def _same_total(one: LimitRule, other: LimitRule, pool: Pool) -> bool:
    same = np.allclose(pool.vector(one.per), pool.vector(other.per), rtol=ROUND_OFF, atol=0)
    return same and one.constants(pool.held_back)[1] == other.constants(pool.held_back)[1]


@immutable
class CurvePoint:
    """A certified optimum at a limit, and how it moves along its basis as the limit does.

    With t the move of the limit, z moves by theta `rates`, theta = t / (1 - q t) (see `engine/sensitivity`;
    here only the swept row moves, so one column of the inverse is enough).

    Attributes:
        z: Column values.
        rates: Change of the columns per theta.
        q: Curvature.
        up: How far the limit may rise before the basis changes.
        held: Which columns, then rows, a price keeps at their end.
        unique: Whether no other point is as good.
    """

    z: Vector
    rates: Vector
    q: float = 0.0
    up: float = 0.0
    held: Mask | None = None
    unique: bool = False


class ParametricCurve:
    """The curve of one program, followed basis by basis in one solver."""

    def __init__(self, given: Program, direction: int) -> None:
        """Load a program.

        Args:
            given: The program.
            direction: Sign of the swept measure: -1 improves upwards, 1 downwards.
        """
        self.given, self.up = given, -direction
        self.solves = 0
        self.bent = bool(given.per.any())
        self.unit = unit_of(given.cost)
        self.session = Session(
            np.vstack([given.matrix, given.swept]), np.append(given.low, -inf), np.append(given.high, inf)
        )
        self.sizes = np.concatenate([np.ones(self.session.n), np.abs(self.session.matrix).max(axis=1, initial=0.0)])
        self.sizes[self.sizes == 0] = 1.0
        self.all_rows = np.arange(self.session.m, dtype=np.int32)
        self.unchecked: list[tuple[Vector, ...]] | None = []

    def pieces(self) -> list[CurvePiece]:
        """Return the pieces from the best value to the best swept measure; empty if there is no formula.

        In the swept measure's own unit; where it improves downwards the pieces run downwards. All answers are checked
        at once in the end; if one does not stand that, the curve is followed again and each checked as it comes.

        Raises:
            VanishingError: If the swept measure is a mean over nothing somewhere.
            SolverError: If the curve cannot be followed or verified.
        """
        try:
            found = self._followed()
            if self._all_hold():
                return found
        except SolverError:
            if self.unchecked is None:
                raise
        self.unchecked = None
        self.session.forget()
        self._opened()
        return self._followed()

    def _all_hold(self) -> bool:
        """Return whether every answer that the curve was followed by stands the check."""
        if not self.unchecked:
            return True
        low, high, costs, last, x, y = (np.array(part) for part in zip(*self.unchecked, strict=True))
        return bool(which_hold(self.session.matrix, low, high, costs, x, y, last).all())

    def _opened(self) -> None:
        """Ask for nothing of the swept measure."""
        self.session.rows(self.all_rows[-1:], np.array([-inf]), np.array([inf]))

    def _followed(self) -> list[CurvePiece]:
        g = self.given
        best = self._optimum(None)
        if best is None:
            return []
        start, from_ = self._start(best)
        end = max(self._furthest(g.lower, g.upper, start), start)
        length = end - start
        if length <= SAME_WORTH * max(abs(start), abs(end)):
            edge = self.up * start
            return [CurvePiece(edge, edge, g.value(from_), 0.0, 0.0, 0.0, g.dosed(from_), g.dosed(from_))]
        found: list[CurvePiece] = []
        m, step = start, CURVE_STEP * length
        while m < end - CURVE_STEP * length:
            target = min(m + step, (m + end) / 2)
            point = self._found_at(target)
            reached = -inf if point is None else min(end, target + point.up)
            if point is None or (reached <= target and step < FURTHEST_STEP * length):
                step *= WIDER
                if step > FURTHEST_STEP * length:
                    raise SolverError("the trade-off cannot be followed: no answer inside it stands the check.")
                continue
            reached = end if reached > end - CURVE_STEP * length else max(reached, target)
            found.append(self._piece(point, target, m, reached))
            if len(found) > 1:
                self._joined(found[-2], found[-1], g.terms(point.z))
            m, step = reached, CURVE_STEP * length
            if len(found) > MOST_PIECES:
                raise SolverError(f"the trade-off has more than {MOST_PIECES} pieces.")
        return found

    def _start(self, best: CurvePoint) -> tuple[float, Vector]:
        """Return the most of the swept measure among the best values, and the point there.

        On the optimal face what has a reduced cost stays at its end.
        """
        g, session, n = self.given, self.session, self.session.n
        if best.unique:
            return g.sweeping(best.z), best.z
        z = np.concatenate([best.z, session.matrix @ best.z])
        ends = self._ends()
        assert best.held is not None
        low, high = (np.where(best.held, z, end) for end in ends)
        session.rows(self.all_rows, low[n:], high[n:])
        most = self._furthest(low[:n], high[:n])
        session.rows(self.all_rows, ends[0][n:], ends[1][n:])
        return most, self.last

    def _furthest(self, lower: Vector, upper: Vector, ratio: float = 0.0) -> float:
        """Return the most of the swept measure, certified.

        Args:
            lower: Ends of columns.
            upper: The same.
            ratio: A value that is reached, from which the search for a mean starts.
        """
        g = self.given

        def run(ratio: float) -> SolverAnswer:
            cost = -(g.swept - ratio * g.per)
            self.solves += 1
            return self._certified(self.session.run(cost, lower, upper), cost, lower, upper)

        if self.bent:
            found = optimum(run, lambda answer: g.sweeping(answer.x), ratio)
            assert found is not None
            self.last = found[0].x
        else:
            self.last = run(0.0).x
        return g.sweeping(self.last)

    def _ends(self) -> tuple[Vector, Vector]:
        """Return the present ends of columns, then rows."""
        g, session = self.given, self.session
        return np.concatenate([g.lower, session.row_low]), np.concatenate([g.upper, session.row_high])

    def _found_at(self, m: float) -> CurvePoint | None:
        """Return the certified best value at a limit, or None where the solver gives none, as may be on a break."""
        self._aim(m)
        try:
            return self._optimum(m)
        except SolverError:
            return None

    def _aim(self, m: float) -> None:
        """Ask for at least m of the swept measure."""
        g = self.given
        if self.bent:
            self.session.coefficients(self.session.m - 1, g.swept - m * g.per)
        self.session.rows(self.all_rows[-1:], np.array([g.swept_end + m * g.per_end]), np.array([inf]))

    def _optimum(self, m: float | None) -> CurvePoint | None:
        """Return the certified best value at the present limit, or None if there is none."""
        g, session = self.given, self.session
        self.solves += 1
        answer = session.run(g.cost, g.lower, g.upper, unit=self.unit)
        if answer.ending == "infeasible":
            return None
        answer = self._certified(answer, g.cost, g.lower, g.upper)
        low, high = self._ends()
        if m is None:
            basis = Basis(session.matrix, g.cost, low, high, answer.x, answer.basic)
            # What rounding leaves in the inverse makes prices of next to nothing, which hold nothing.
            held = basis.costly & (np.abs(basis.reduced) * self.sizes > ROUND_OFF * np.abs(g.cost).max(initial=0.0))
            return CurvePoint(answer.x, np.zeros(0), held=held, unique=bool(held[basis.movable].all()))
        g.sweeping(answer.x)
        return self._moving(answer, low, high)

    def _certified(self, answer: SolverAnswer, cost: Vector, lower: Vector, upper: Vector) -> SolverAnswer:
        """Return an answer that stands the check outside the solver, now or in the end; else it is solved anew.

        Raises:
            SolverError: If it does not then either.
        """
        session = self.session
        if answer.ending == "optimal":
            low, high = np.concatenate([lower, session.row_low]), np.concatenate([upper, session.row_high])
            if self.unchecked is not None:
                self.unchecked.append((low, high, cost, session.matrix[-1].copy(), answer.x, answer.y))
                return answer
            if which_hold(session.matrix, low, high, cost[None], answer.x[None], answer.y[None])[0]:
                return answer
        found = linear(session, cost, lower, upper)
        if found.ending != "optimal":
            raise SolverError("a point of the trade-off was not found.")
        return found.answer

    def _moving(self, answer: SolverAnswer, low: Vector, high: Vector) -> CurvePoint:
        """Return a point with how it moves along its basis."""
        g, n, row, matrix = self.given, self.session.n, self.session.m - 1, self.session.matrix
        free = np.ones(n + row + 1, dtype=bool)
        free[answer.basic] = False
        columns, active = np.flatnonzero(~free[:n]), np.flatnonzero(free[n:])
        if not free[n + row]:  # the limit does not bind
            return CurvePoint(answer.x, np.zeros(n))
        inverse = np.linalg.inv(matrix[np.ix_(active, columns)])
        slope = float(g.per @ answer.x) + g.per_end
        rates = np.zeros(n)
        rates[columns] = slope * inverse[:, -1]
        values, moving = np.concatenate([answer.x, matrix @ answer.x]), np.concatenate([rates, matrix @ rates])
        moving[free | (np.abs(moving) <= DUST * self.sizes * np.abs(rates).max())] = 0.0
        last = _reach(values, moving, low, high)
        q = 0.0
        if self.bent:
            q = float(g.per[columns] @ inverse[:, -1])
            pull = g.per[columns] @ inverse
            drift = np.zeros(n + row + 1)
            drift[:n] = g.per - pull @ matrix[active]
            drift[n + active] = pull
            sign = np.where(values - low <= high - values, 1.0, -1.0)
            movable = free & (low < high)
            drift[np.abs(drift) <= DUST * np.abs(drift).max()] = 0.0
            reduced = np.concatenate([g.cost - answer.y @ matrix, answer.y])
            costs, drifts = (reduced * sign)[movable], (float(answer.y[row]) * drift * sign)[movable]
            last = min(last, _reach(costs, drifts, np.zeros(len(costs)), np.full(len(costs), inf)))
        up = last / (1 + q * last) if last < inf and 1 + q * last > 0 else inf
        return CurvePoint(answer.x, rates, q, up)

    def _piece(self, point: CurvePoint, here: float, first: float, last: float) -> CurvePiece:
        """Return the piece of a basis found at a limit inside it."""
        g, q = self.given, point.q

        def at(m: float) -> Vector:
            t = m - here
            return point.z + t / (1 - q * t) * point.rates

        start, stop = at(first), at(last)
        values, (low, high) = np.concatenate([stop, self.session.matrix @ stop]), self._ends()
        missed = np.maximum(low - values, values - high) / np.maximum(np.abs(values), self.sizes)
        if missed[:-1].max() > KEPT:
            raise SolverError("a stretch of the trade-off does not keep the rules at its end.")
        back = 1 - q * (first - here)
        rate, q = g.sign * float(g.cost @ point.rates) / back**2, q / back
        bend = q if g.scale < 0 else (1 - stop[g.scale] / start[g.scale]) / (last - first)
        up = self.up
        return CurvePiece(
            up * first, up * last, g.value(start), up * rate, up * q, up * bend, g.dosed(start), g.dosed(stop)
        )

    def _joined(self, before: CurvePiece, after: CurvePiece, terms: float) -> None:
        """Refuse a curve whose neighbouring pieces do not meet, relative to the terms that a value sums."""
        one, other = before.at(before.last), after.value
        if not (isfinite(one) and abs(one - other) <= KEPT * terms):
            raise SolverError(f"two stretches of the trade-off do not meet ({one:g} and {other:g}).")


def _reach(values: Vector, rates: Vector, low: Vector, high: Vector) -> float:
    """Return the largest theta, 0 or more, with low <= values + theta rates <= high."""
    moving = rates != 0
    if not moving.any():
        return inf
    rates = rates[moving]
    room = (np.where(rates > 0, high[moving], low[moving]) - values[moving]) / rates
    return max(float(room.min()), 0.0)
