"""What is known of a batch of programs with choices while it is solved."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from optimizer.data.pool import Mask, Vector
from optimizer.sweep.cover import Prices
from optimizer.sweep.programs import Index
from optimizer.units import BOUND_MET


@dataclass
class Standing:
    """What is known of a batch: per scenario its best point, per box and program a bound.

    Attributes:
        scenario: Scenario of every program, shape (p,).
        worth: Cost of the best point, shape (s,).
        weight: Size of the terms that it sums.
        x: The point, shape (n, s).
        program: The program that it is a point of.
        best: Bounds, shape (k, p).
        walked: Which scenarios took programs of their own.
        own: Prices of such a program that closed a box of it.
    """

    scenario: Index
    worth: Vector
    weight: Vector
    x: Vector
    program: Index
    best: Vector
    walked: Mask
    own: dict[int, list[tuple[int, Prices]]] = field(default_factory=dict)

    def needed(self, programs: Index) -> Vector:
        """Return what a bound must reach to close a box, shape (p,)."""
        own = self.scenario[programs]
        return np.asarray(self.worth[own] - BOUND_MET * self.weight[own])
