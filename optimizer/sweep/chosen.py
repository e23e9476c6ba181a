"""Programs at one set of choices, over the doses alone, and the bases that are known there."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from optimizer.data.pool import Vector
from optimizer.engine.highs import SolverAnswer
from optimizer.immutable import replace
from optimizer.sweep.checking import Checker
from optimizer.sweep.hot import Hot
from optimizer.sweep.programs import ProgramBase, Programs
from optimizer.sweep.reuse import KnownBasis
from optimizer.sweep.vertex import Vertex


def key_of(choices: Vector) -> bytes:
    """Return what a set of choices is known by."""
    return np.packbits(choices > 0.5).tobytes()


class Chosen:
    """The programs at one set of choices: over the doses alone, with what the choices take of each row."""

    def __init__(self, base: ProgramBase, doses: int, choices: Vector) -> None:
        """Take the choices out of the rows' ends."""
        taken = base.matrix[:, doses:] @ choices
        self._of_doses = base.priced < doses
        self.choices, self.key = choices, key_of(choices)
        self.base = replace(
            base,
            matrix=base.matrix[:, :doses],
            cost=base.cost[:doses],
            low=base.low - taken,
            high=base.high - taken,
            upper=base.upper[:doses],
            priced=base.priced[self._of_doses],
            slopes=base.slopes[:, :doses],
        )
        self._worth = float(base.cost[doses:] @ choices)
        self._differing = choices[base.priced[~self._of_doses] - doses]
        self._taken = taken[base.ended][:, None]
        self.hot = Hot(self.base, np.arange(doses))

    def programs(self, programs: Programs) -> Programs:
        """Return programs at these choices."""
        low, high = programs.low - self._taken, programs.high - self._taken
        return replace(programs, base=self.base, cost=programs.cost[self._of_doses], low=low, high=high)

    def worth(self, programs: Programs) -> Vector:
        """Return what the choices cost by themselves in every program, shape (p,)."""
        return np.asarray(self._worth + self._differing @ programs.cost[~self._of_doses])

    def holds(self, program: Programs, answer: SolverAnswer) -> bool:
        """Return whether an answer is the best of one program at these choices, by its row prices."""
        m, n = self.base.matrix.shape
        basic = np.zeros((n + m, 1), dtype=bool)
        basic[answer.basic] = True
        here = self.programs(program)
        return bool(Checker(self.base).check(here, answer.x[:, None], answer.y[:, None], basic)[0][0])


@dataclass
class KnownPoint:
    """A basis at one set of choices."""

    chosen: Chosen
    vertex: Vertex
    record: KnownBasis = field(default_factory=KnownBasis)
