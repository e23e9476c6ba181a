"""Formulas that a few changed doses mend, without an integer program.

Sets of open doses grow one at a time, only by doses that break the proof (Farkas) that the set so far is not enough,
so that no smallest set is missed.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import inf

import numpy as np

from optimizer.data.pool import Vector
from optimizer.engine.highs import Session, SolverAnswer, unit_of
from optimizer.units import KEPT, ROUND_OFF, ROW_MET

MOST_FEW = 3
"""Up to this many changes are looked for by linear programs alone."""
MOST_SETS = 150
"""Most sets of that many doses that are tried; beyond it an integer program is the faster way."""


class Few:
    """Changes without choices and flags, as linear programs over [water, plus, minus]."""

    def __init__(self, rows: tuple[Vector, Vector, Vector], goals: tuple[Vector, Vector], lower: Vector, upper: Vector):
        """Load the programs.

        Args:
            rows: Matrix and row ends.
            goals: Sum of changes and cost per column.
            lower: Column bounds if every dose may change.
            upper: The same.
        """
        matrix, low, high = rows
        self.distance, self.cost = goals
        self.matrix, self.low, self.high = (
            np.vstack([matrix, self.distance]),
            np.append(low, -inf),
            np.append(high, inf),
        )
        self.lower, self.upper = lower, upper
        self.free = int(self.distance.sum()) // 2
        self.water = len(upper) - 2 * self.free
        self.session = Session(self.matrix, self.low, self.high)
        self.units = {id(goal): unit_of(goal) for goal in goals}
        self.last = np.array([len(low)], dtype=np.int32)

    def limit(self, low: Vector, high: Vector) -> None:
        """Change the row ends."""
        rows = np.arange(len(low), dtype=np.int32)
        self.low[rows], self.high[rows] = low, high
        self.session.rows(rows, low, high)

    def smallest(self, always: frozenset[int], most: float = inf) -> dict[frozenset[int], float] | None:
        """Return every smallest set of changes that suffices, with its least distance, or None if that takes long.

        Args:
            always: Doses that may change without counting.
            most: No larger set is of use.
        """
        sets = {frozenset(np.flatnonzero(self.lower[self.water + self.free :] > 0).tolist()) - always}
        # Each limit that the formula as given breaks is a proof that no change is not enough.
        plain = [p for ray in self._missed() if (p := self._proof(ray, list(always))) is not None]
        asked = np.array([p[0] for p in plain])
        gains = np.array([p[1] for p in plain]).reshape(len(plain), self.free)
        for _ in range(MOST_FEW + 1):
            if len(sets) > MOST_SETS:
                return None
            if min(map(len, sets)) > most:
                return {}
            found = {} if always or {*map(len, sets)} != {1} else self._alone(sets)
            if found:
                return found
            wider: set[frozenset[int]] = set()
            for chosen in sorted(sets, key=sorted):
                proven = np.flatnonzero(gains[:, list(chosen | always)].sum(axis=1) < asked)
                if not proven.size:
                    answer = self.run(self.distance, chosen | always)
                    if answer.x.size:
                        found[chosen] = float(self.distance @ answer.x)
                        continue
                    proof = None if answer.ray is None else self._proof(answer.ray, list(chosen | always))
                    if proof is None:
                        return None
                    asked, gains = np.append(asked, proof[0]), np.vstack([gains, proof[1]])
                    proven = np.array([len(asked) - 1])
                # Every set that is enough holds a dose that helps each proof: the one with the fewest is followed.
                helps = gains[proven] > 0
                helpful = np.flatnonzero(helps[np.argmin(helps.sum(axis=1))]).tolist()
                wider |= {chosen | {j} for j in frozenset(helpful) - always - chosen}
            if found or not wider:
                return found
            sets = wider
        return None

    def _missed(self) -> Iterator[Vector]:
        """Yield each row that the given formula breaks, water balancing it, as a proof of impossibility."""
        fixed = np.flatnonzero((self.low == self.high) & (self.matrix[:, 0] != 0))
        if self.water != 1 or not fixed.size:
            return
        per_total = self.matrix[:, 0] / self.matrix[fixed[0], 0]
        here = per_total * self.low[fixed[0]]
        for r in np.flatnonzero((here < self.low - KEPT) | (here > self.high + KEPT)):
            ray = np.zeros(len(self.low))
            ray[r], ray[fixed[0]] = 1.0, -per_total[r]
            yield ray

    def _alone(self, sets: set[frozenset[int]]) -> dict[frozenset[int], float]:
        """Return the single doses that suffice, balanced by water, with their least distance.

        With one water column and the total, each is an intersection of intervals, which spares a run per dose.
        Empty where it takes more than that.
        """
        fixed = np.flatnonzero((self.low == self.high) & (self.matrix[:, 0] != 0))
        if self.water != 1 or not fixed.size or (self.lower[1:] > 0).any():
            return {}
        water, total = self.matrix[:, :1], self.matrix[fixed[0]]
        per, start = -total[1:] / total[0], self.low[fixed[0]] / total[0]
        slope = np.vstack([self.matrix[:, 1:] + water * per, per])
        given = np.append(water * start, start)
        low, high = (np.append(*ends)[:, None] for ends in ((self.low, self.lower[0]), (self.high, self.upper[0])))
        low, high = low - given[:, None], high - given[:, None]
        still = np.abs(slope) <= ROUND_OFF
        kept = ((low <= ROUND_OFF) & (high >= -ROUND_OFF) | ~still).all(axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):
            ends = np.sort([np.where(still, -inf, low / slope), np.where(still, inf, high / slope)], axis=0)
        least, most = ends[0].max(axis=0, initial=0.0), np.minimum(ends[1].min(axis=0), self.upper[1:])
        distance = np.where(kept & (least <= most), least, inf).reshape(2, self.free).min(axis=0)
        return {c: float(distance[k]) for c in sets for k in c if distance[k] < inf}

    def cheapest(self, open_: frozenset[int], distance: float) -> SolverAnswer:
        """Return the least cost with some doses open, within a distance."""
        self.session.rows(self.last, np.array([-inf]), np.array([distance]))
        answer = self.run(self.cost, open_)
        self.session.rows(self.last, np.array([-inf]), np.array([inf]))
        return answer

    def run(self, goal: Vector, open_: frozenset[int]) -> SolverAnswer:
        """Return the least of a goal with some doses open."""
        upper = self.upper
        if len(open_) < self.free:
            allowed = np.zeros(self.free)
            allowed[list(open_)] = 1.0
            upper = np.append(upper[: self.water], upper[self.water :] * np.concatenate([allowed, allowed]))
        return self.session.run(goal, self.lower, upper, unit=self.units[id(goal)], basis=False)

    def _proof(self, ray: Vector, open_: list[int]) -> tuple[float, Vector] | None:
        """Return what a proof of impossibility asks for, and what each dose gives to it if it may change.

        With y the ray, every x needs y'A x to reach y'r; doses that together give less are not enough. None if
        the ray proves nothing about the open doses.
        """
        for y in (ray, -ray):
            y = np.where(np.abs(y) < ROUND_OFF * np.abs(y).max(initial=0.0), 0.0, y)
            ends = y * np.where(y > 0, self.low, np.where(y < 0, self.high, 0.0))
            if not np.isfinite(ends).all():
                continue
            z = y @ self.matrix
            z[np.abs(z) <= ROUND_OFF * (np.abs(y) @ np.abs(self.matrix))] = 0.0
            gives = z * np.where(z > 0, self.upper, self.lower)
            asked = ends.sum() - gives[: self.water].sum() - np.minimum(gives[self.water :], 0.0).sum()
            asked -= ROW_MET * (1 + np.abs(ends).max())
            gains = np.maximum(gives[self.water :], 0.0).reshape(2, self.free).sum(axis=0)
            if gains[open_].sum() < asked:
                return float(asked), gains
        return None
