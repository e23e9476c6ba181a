"""Programs that must go to the solver: hot, and in wide libraries on the few columns that matter.

Of hundreds of candidates most never enter any optimum of a range. A program is first solved over the columns
that have been of use so far; its row prices y then tell the reduced costs c - A'y of all others. Where none
pays, the answer is optimal for all columns; else the paying ones join and the program is solved over all
(partial pricing; Dantzig and Wolfe, Operations Research 8 (1960) 101, price columns out in the same way).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from optimizer.data.pool import Vector
from optimizer.engine.highs import Session, SolverAnswer
from optimizer.sweep.programs import Index, ProgramBase, Programs
from optimizer.units import SLIP

WIDE = 100
"""Only above so many columns are some left out."""
FIRST = 24
"""Programs that are solved over all columns before any is left out."""
JOIN = 6
"""Columns that must have been of use anew before the few are laid again."""
MOST = 0.7
"""With a greater share of columns than this of use, none is left out."""


class Hot:
    """One solver session over some of the columns, in which only what differs from the last run changes."""

    def __init__(self, base: ProgramBase, columns: Index) -> None:
        """Load the matrix of the chosen columns."""
        self.base, self.columns = base, columns
        only_costs = not (base.ended.size or base.closing.size or base.moved.size)
        self.session = Session(base.matrix[:, columns], base.low, base.high, primal=only_costs)
        self._upper, self._zero = base.upper[columns], np.zeros(columns.size)
        self._ended = base.ended.astype(np.int32)
        self._ends: tuple[Vector, Vector] | None = None
        self._moves = np.zeros(base.moved.size)

    def run(
        self, programs: Programs, q: int, cost: Vector, closed: Vector, lower: Vector | None = None
    ) -> SolverAnswer:
        """Run one program over these columns; the answer's columns are theirs.

        Args:
            programs: All programs.
            q: Which to run.
            cost: Its whole cost, shape (n,).
            closed: What the most of each column is multiplied by, 0 for closed ones, shape (n,).
            lower: Least of each column, shape (n,); 0 if None.
        """
        base = self.base
        if self._ended.size:
            low, high = programs.low[:, q], programs.high[:, q]
            if self._ends is None or (low != self._ends[0]).any() or (high != self._ends[1]).any():
                self.session.rows(self._ended, low, high)
                self._ends = (low, high)
        if base.moved.size:
            moves = programs.moves[:, q]
            for k in np.flatnonzero(moves != self._moves):
                row = base.matrix[base.moved[k]] - moves[k] * base.slopes[k]
                self.session.coefficients(int(base.moved[k]), row[self.columns])
            self._moves = moves
        upper = self._upper * closed[self.columns]
        return self.session.run(cost[self.columns], self._zero if lower is None else lower[self.columns], upper)


@dataclass
class Solver:
    """Answers programs one by one with the solver."""

    base: ProgramBase
    _all: Hot | None = None
    _few: Hot | None = None
    _useful: set[int] = field(default_factory=set)
    _laid: int = 0
    _runs: int = 0

    def run(self, programs: Programs, q: int) -> SolverAnswer:
        """Return the answer of one program."""
        base = self.base
        cost, there = programs.one(q)
        self._runs += 1
        wide = base.cost.size > WIDE and not base.moved.size
        if wide and self._runs > FIRST:
            answer = self._over_few(programs, q, cost, there)
            if answer is not None:
                return answer
        if self._all is None:
            self._all = Hot(base, np.arange(base.cost.size))
        answer = self._all.run(programs, q, cost, there)
        if wide and answer.ending == "optimal":
            self._useful.update(answer.basic[answer.basic < base.cost.size].tolist())
        return answer

    def _over_few(self, programs: Programs, q: int, cost: Vector, there: Vector) -> SolverAnswer | None:
        """Return the answer over the useful columns if it is one over all, else None."""
        base = self.base
        n = base.cost.size
        if self._few is None or len(self._useful) >= self._laid + JOIN:
            if len(self._useful) > MOST * n:
                return None
            self._laid = len(self._useful)
            self._few = Hot(base, np.array(sorted(self._useful), dtype=np.int64))
        columns = self._few.columns
        answer = self._few.run(programs, q, cost, there)
        if answer.ending != "optimal":
            return None
        reduced = cost - answer.y @ base.matrix
        reduced[columns] = 0.0
        paying = np.flatnonzero((reduced < -SLIP * (1 + cost.max(initial=0.0))) & (there > 0))
        if paying.size:
            self._useful.update(paying[np.argsort(reduced[paying])[:3]].tolist())
            return None
        x = np.zeros(n)
        x[columns] = answer.x
        basic = answer.basic
        basic = np.where(basic < columns.size, columns[np.minimum(basic, columns.size - 1)], basic + n - columns.size)
        return SolverAnswer("optimal", x, answer.y, basic, None, answer.bound)
