"""How far a limit may move while no choice is better than an answer whose own worth moves along.

Every box of choices is kept shut by row prices as the limit moves: their bound is concave in the move where it stands
in ends or at whole numbers, and follows the basis where it stands inside the coefficients of the rest (Sherman and
Morrison 1950, as in `sensitivity`). Where prices no longer do, the box is solved at that limit, and split where its
best point is not whole; a whole one that is better is what takes over.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from heapq import heapify, heappop, heappush
from itertools import count
from typing import Any

import numpy as np
import numpy.typing as npt

from optimizer.data.pool import Vector
from optimizer.engine.certificate import check_infeasible, lower_bounds
from optimizer.engine.farkas import proof_of_none
from optimizer.engine.highs import Session, SolverAnswer
from optimizer.engine.search import fixed
from optimizer.engine.sensitivity import Basis
from optimizer.engine.tree import Leaf
from optimizer.errors import SolverError
from optimizer.immutable import immutable, replace
from optimizer.units import AHEAD, DUST, WHOLE

MOST_RUNS = 240
"""Linear programs after which it is left open what lies further on."""
HALVINGS = 25
"""Times that a stretch is halved to see how far a proof holds."""
FURTHER_ON = (0.5, 0.1, 0.02)
"""Parts of the way at which an empty box is solved, too, as its proof alone may not hold far."""
SOUGHT = 12
"""Times that a stretch is halved to find where an empty box gets its first point."""
SLOW = 0.02
"""Part of the way that is too little for a box to be kept whole, if the limit stands inside choices open in it."""


@immutable
class Shift:
    """What a limit moves per unit: the ends of rows, shape (k,), and coefficients, A_r - t p_r, shape (k, n)."""

    rows: npt.NDArray[np.int64]
    ends: Vector
    coefficients: Vector

    @property
    def bent(self) -> bool:
        """Whether one row moves, coefficients and all: the prices of a basis then follow it."""
        return len(self.rows) == 1 and bool(self.coefficients.any())

    def turned(self) -> Shift:
        """Return the same, the other way."""
        return Shift(self.rows, -self.ends, -self.coefficients)


@immutable
class MovingWorth:
    """What an answer is worth as a limit moves by t: at + price t / (1 - q t)."""

    at: float
    price: float
    q: float

    def value(self, t: float) -> float:
        """Return its worth."""
        return self.at + self.price * t / (1 - self.q * t)

    def moved(self, t: float) -> MovingWorth:
        """Return the same line from a later limit on."""
        back = 1 - self.q * t
        return MovingWorth(self.value(t), self.price / back**2, self.q / back)

    def turned(self) -> MovingWorth:
        """Return it with the limit moving the other way."""
        return MovingWorth(self.at, -self.price, -self.q)

    def first_below(self, other: MovingWorth, last: float) -> float:
        """Return the first t up to `last` at which this line, above another one at 0, meets it."""
        gap, a, b = self.at - other.at, self.q, other.q
        square = gap * a * b - self.price * b + other.price * a
        linear = self.price - other.price - gap * (a + b)
        roots = [r.real for r in np.roots([square, linear, gap]) if abs(r.imag) <= DUST * abs(r) and r.real >= 0]
        return float(min([last, *roots]))


@dataclass
class Moving:
    """The programs of one matrix while one limit moves, upwards from 0 to an end.

    Attributes:
        session: The rows; they are as before after `until`.
        cost: Shape (n,).
        shift: What moves.
        line: What the answer is worth.
        slack: By how much less another point must cost to be better.
        end: How far the limit goes.
        runs: Programs so far.
        better: The point that takes over, shape (n,), if one was found.
    """

    session: Session
    cost: Vector
    shift: Shift
    line: MovingWorth
    slack: float
    end: float
    runs: int = 0
    better: Vector | None = None
    _start: tuple[Vector, ...] = field(init=False)

    def __post_init__(self) -> None:
        self._start = tuple(part.copy() for part in (self.session.matrix, self.session.row_low, self.session.row_high))

    def until(self, leaves: tuple[Leaf, ...]) -> float:
        """Return how far it is proven that nothing better is in any of some boxes."""
        number = count()
        boxes = [(self._first(leaf), next(number), leaf.lower, leaf.upper) for leaf in self._open(leaves)]
        heapify(boxes)
        try:
            while boxes and boxes[0][0] < self.end:
                t, _, lower, upper = heappop(boxes)
                parts = self._further(t, lower, upper)
                stuck = len(parts) == 1 and parts[0][0] <= t
                if self.better is not None or stuck or self.runs >= MOST_RUNS:
                    return t
                for reached, low, high in parts:
                    heappush(boxes, (reached, next(number), low, high))
        finally:
            self._to(0.0)
        return self.end

    def _open(self, leaves: tuple[Leaf, ...]) -> list[Leaf]:
        """Return the leaves that their own prices or proof may not keep shut all the way, which both ends tell."""
        priced = [leaf for leaf in leaves if not leaf.empty]
        lower, upper, y = (np.array([getattr(x, name) for x in priced]) for name in ("lower", "upper", "y"))
        straight, shut = self._straight(0.0), np.ones(len(priced), dtype=bool)
        for t in (0.0, self.end) if priced else ():
            bounds = lower_bounds(*self._rows(t), self.cost, lower, upper, y)
            shut &= bounds >= straight(t) - self.slack
        empty = [x for x in leaves if x.empty and x.y[self.shift.rows].any()]
        return [*empty, *(leaf for leaf, held in zip(priced, shut, strict=True) if not held)]

    def _first(self, leaf: Leaf) -> float:
        """Return how far the prices of a leaf, or its proof, keep it shut from the start."""
        if leaf.empty:
            return self._shut(0.0, leaf.lower, leaf.upper, leaf.y)
        return self._bounded(0.0, leaf.lower, leaf.upper, leaf.y)

    def _further(self, t: float, lower: Vector, upper: Vector) -> list[tuple[float, Vector, Vector]]:
        """Return a box, or its halves, with how far each is shut now; the point that takes over is noted.

        It is solved a hair further on, where the prices are those of the way ahead.
        """
        at = min(t + AHEAD * self.end, self.end)
        self._to(at)
        self.runs += 1
        answer = self.session.run(self.cost, lower, upper, relaxed=True)
        if answer.ending not in ("optimal", "infeasible"):
            return [(t, lower, upper)]
        reached = t
        if answer.ending == "optimal" and float(self.cost @ answer.x) < self.line.value(at) - self.slack / 2:
            column = self._broken(lower, upper, answer)
        else:
            empty = answer.ending == "infeasible"
            box = lower, upper, answer
            reached = self._empty_until(t, *box) if empty else self._held(t, at, *box)
            column = self._freed(lower, upper) if reached - t < SLOW * (self.end - t) else None
        if column is None:
            return [(reached, lower, upper)]
        down, up = upper.copy(), lower.copy()
        down[column], up[column] = 0.0, 1.0
        return [(reached, lower, down), (reached, up, upper)]

    def _freed(self, lower: Vector, upper: Vector) -> int | None:
        """Return an open choice that the limit stands inside the coefficients of, if there is one."""
        whole = self.session.n - self.session.integers
        moving = self.shift.coefficients[:, whole:].any(axis=0) & (lower[whole:] < upper[whole:])
        return whole + int(np.argmax(moving)) if moving.any() else None

    def _empty_until(self, t: float, lower: Vector, upper: Vector, answer: SolverAnswer) -> float:
        """Return how far a box that is empty is shut, by proofs or prices found here and further on.

        Where one row alone moves, what a point brings to it is straight in the move: a box in which no point reaches
        the same end of that row at two places has none between them either, so the last such place is sought where
        proofs do not reach far.
        """
        ray = proof_of_none(self.session, lower, upper, answer.ray)
        reached = t if ray is None else self._shut(t, lower, upper, ray)
        missed, full = 0.0 if ray is None or reached <= t else self._missed(ray), self.end
        for share in FURTHER_ON:
            at = t + share * (self.end - t)
            if reached >= at:
                return reached
            reached, empty = self._looked(t, at, reached, lower, upper, missed)
            full = full if empty else at
        if missed and reached - t < SLOW * (self.end - t):
            for _ in range(SOUGHT):
                at = (reached + full) / 2
                reached, empty = self._looked(t, at, reached, lower, upper, missed)
                full = full if empty else at
        return reached

    def _missed(self, proof: Vector) -> float:
        """Return by its sign which end of the one row that moves cannot be reached; 0 if others clash or more move."""
        return float(np.sign(proof[self.shift.rows[0]])) if len(self.shift.rows) == 1 else 0.0

    def _looked(
        self, t: float, at: float, reached: float, lower: Vector, upper: Vector, missed: float
    ) -> tuple[float, bool]:
        """Return how far an empty box is shut, now that it was solved further on, and whether it is empty there."""
        self._to(at)
        self.runs += 1
        there = self.session.run(self.cost, lower, upper, relaxed=True)
        if there.ending == "optimal":
            return max(reached, self._held(t, at, lower, upper, there)), False
        if there.ending != "infeasible" or there.ray is None:
            return reached, False
        proof = proof_of_none(self.session, lower, upper, there.ray) if missed else None
        between = at if proof is not None and self._missed(proof) == missed else t
        return max(reached, between, self._shut(t, lower, upper, there.ray)), True

    def _held(self, t: float, at: float, lower: Vector, upper: Vector, answer: SolverAnswer) -> float:
        """Return how far the basis of a box keeps it shut."""
        plain = self._bounded(t, lower, upper, answer.y)
        return max(plain, self._bent(t, at, lower, upper, answer)) if self.shift.bent and plain < self.end else plain

    def _broken(self, lower: Vector, upper: Vector, answer: SolverAnswer) -> int | None:
        """Return the open column that is furthest from whole, None if the best point is whole, which is noted."""
        whole = self.session.n - self.session.integers
        parts = answer.x[whole:]
        off = np.where(lower[whole:] < upper[whole:], np.abs(parts - np.round(parts)), -1.0)
        if off.max(initial=0.0) <= WHOLE:
            try:
                best = fixed(self.session, self.cost, lower, upper, parts)
            except SolverError:
                best = None
            if best is not None and best.objective <= float(self.cost @ answer.x) + self.slack / 4:
                self.better = best.answer.x
                return None
        return whole + int(np.argmax(off)) if off.max(initial=-1.0) >= 0 else None

    def _rows(self, t: float) -> tuple[Vector, Vector, Vector]:
        """Return matrix and ends of all rows at a limit."""
        matrix, low, high = (part.copy() for part in self._start)
        rows = self.shift.rows
        matrix[rows] -= t * self.shift.coefficients
        low[rows] += t * self.shift.ends
        high[rows] += t * self.shift.ends
        return matrix, low, high

    def _to(self, t: float) -> None:
        """Move the rows of the session to a limit."""
        matrix, low, high = self._rows(t)
        rows = self.shift.rows
        for row in rows[self.shift.coefficients.any(axis=1)].tolist():
            self.session.coefficients(row, matrix[row])
        self.session.rows(rows.astype(np.int32), low[rows], high[rows])

    def _bounded(self, t: float, lower: Vector, upper: Vector, y: Vector) -> float:
        """Return how far fixed prices bound a box, from a limit on; the limit itself where they do not even there.

        Their bound is worked out at every limit at which a reduced cost changes its sign, and is straight between;
        where they leave off it is worked out again with all that sums may lose.
        """
        matrix, low, high = self._start
        rows, straight = self.shift.rows, self._straight(t)
        y = np.where(((y > 0) & np.isneginf(low)) | ((y < 0) & np.isposinf(high)), 0.0, y)
        ends = float(y @ np.where(y > 0, low, np.where(y < 0, high, 0.0)))
        reduced, drift = self.cost - y @ matrix, y[rows] @ self.shift.coefficients
        turns = -reduced[drift != 0] / drift[drift != 0]
        stops = np.array([t, *np.sort(turns[(turns > t) & (turns < self.end)]), self.end])
        d = reduced + stops[:, None] * drift
        bounds = ends + stops * float(y[rows] @ self.shift.ends) + (d * np.where(d > 0, lower, upper)).sum(axis=1)
        last = _first_below_0(stops, bounds - straight(stops) + self.slack)
        return last if last > t and self._checked(last, lower, upper, y, straight(last)) else t

    def _straight(self, t: float) -> Callable[[Any], Any]:
        """Return a straight line from a limit on that is nowhere below the answer's own, which may bend."""
        here, steep = self.line.moved(t), 0.0
        if self.end > t:
            steep = max(here.price, (self.line.value(self.end) - here.at) / (self.end - t))
        return lambda at: here.at + steep * (at - t)

    def _checked(self, t: float, lower: Vector, upper: Vector, y: Vector, least: float) -> bool:
        """Return whether prices bound a box at a limit, outside the solver."""
        bound = lower_bounds(*self._rows(t), self.cost, lower[None], upper[None], y[None], wide=True)
        return bool(bound[0] >= least - 2 * self.slack)

    def _shut(self, t: float, lower: Vector, upper: Vector, ray: Vector) -> float:
        """Return how far a proof that a box is empty holds, which it does between two limits at which it does."""
        if not check_infeasible(*self._rows(t), lower, upper, ray):
            return t
        if check_infeasible(*self._rows(self.end), lower, upper, ray):
            return self.end
        first, last = t, self.end
        for _ in range(HALVINGS):
            middle = (first + last) / 2
            holds = check_infeasible(*self._rows(middle), lower, upper, ray)
            first, last = (middle, last) if holds else (first, middle)
        return first

    def _bent(self, t: float, at: float, lower: Vector, upper: Vector, answer: SolverAnswer) -> float:
        """Return how far a basis bounds a box while coefficients of one row move: while no reduced cost changes sign.

        Args:
            t: From where on.
            at: The limit that the answer was found at.
            lower: Ends of the box.
            upper: The same.
            answer: The answer.
        """
        row, p, g = int(self.shift.rows[0]), self.shift.coefficients[0], float(self.shift.ends[0])
        matrix, low, high = self._rows(at)
        ends = np.concatenate([lower, low]), np.concatenate([upper, high])
        try:
            basis = Basis(matrix, self.cost, *ends, answer.x, answer.basic)
        except SolverError:
            return t
        reach = basis.bounding((np.array([row]), np.array([g]), p))
        own, here = MovingWorth(float(self.cost @ answer.x), reach.price, basis.curvature(row, p)), self.line.moved(at)
        lowered = replace(here, at=here.at - self.slack)
        if reach.down > t - at or own.value(t - at) < lowered.value(t - at) or own.at < lowered.at:
            return t
        far = own.first_below(lowered, min(reach.up, self.end - at))
        try:
            y = basis.prices_at(row, p, far)
        except SolverError:
            return t
        return at + far if self._checked(at + far, lower, upper, y, self.line.value(at + far)) else t


def _first_below_0(stops: Vector, values: Vector) -> float:
    """Return where a function that is straight between its stops falls below 0, the first stop if it is below there."""
    below = np.flatnonzero(values < 0)
    if not below.size:
        return float(stops[-1])
    k = int(below[0])
    if k == 0:
        return float(stops[0])
    before, after = float(values[k - 1]), float(values[k])
    return float(stops[k - 1] + (stops[k] - stops[k - 1]) * before / (before - after))
