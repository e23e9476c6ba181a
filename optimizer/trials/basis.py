"""The coordinates that trials are planned and read in, and the terms of a model in them.

Doses that keep the rules lie in a thin flat body: they sum to 100, most of them stay, and one moves by 0.1 % where
another moves by 10. So everything is worked out in whitened coordinates z (the vertices of the region have mean 0 and
variance 1 along each): doses = centre + z @ directions. A full quadratic in q such coordinates spans the same functions
as the Scheffe quadratic of q + 1 components.
"""

from __future__ import annotations

from functools import cached_property
from itertools import combinations
from typing import Literal

import numpy as np

from optimizer.data.pool import Mask, Vector
from optimizer.immutable import immutable
from optimizer.units import AS_TYPED

ModelName = Literal["mean", "line", "quadratic"]
FLAT = 1e-4
"""Precision of the prior of a linear term, in units of 1 / variance of a reading: as good as nothing."""


@immutable
class Coordinates:
    """Whitened coordinates of the doses that keep the rules.

    Attributes:
        materials: Ids of all materials of the formula, in the order of the doses.
        centre: Doses at z = 0, shape (n,) [% as supplied].
        directions: What one unit of each coordinate adds to the doses, shape (q, n).
        rest: Whether a dose is what is left when all others are weighed (water), shape (n,); z is never read from it.
    """

    materials: tuple[str, ...]
    centre: Vector
    directions: Vector
    rest: Mask

    def __len__(self) -> int:
        return len(self.directions)

    @property
    def moving(self) -> Mask:
        """Which doses move at all, shape (n,)."""
        return np.asarray(np.abs(self.directions).max(axis=0, initial=0.0) > AS_TYPED)

    @cached_property
    def _back(self) -> Vector:
        """Coordinates per % of dose, shape (n, q); rows of materials that stay, and of the rest, are 0."""
        told = ~self.rest & self.moving
        back = np.zeros((len(self.materials), len(self)))
        back[told] = np.linalg.pinv(self.directions[:, told])
        return back

    def doses(self, z: Vector) -> Vector:
        """Return doses at coordinates of shape (m, q), shape (m, n) [% as supplied]."""
        return np.asarray(self.centre + np.atleast_2d(z) @ self.directions)

    def z(self, doses: Vector) -> Vector:
        """Return coordinates of doses of shape (m, n), shape (m, q); what cannot move does not count."""
        return np.asarray((np.atleast_2d(doses) - self.centre) @ self._back)


@immutable
class Terms:
    """The terms of a model as columns of a matrix.

    Variables are the coordinates z1 ... zq, then pH as a process variable at -1, 0 and 1 if it is varied.

    Attributes:
        directions: Number of coordinates q.
        model: Mean alone, with a straight line, or with a full quadratic.
        process: Whether pH is a further variable.
    """

    directions: int
    model: ModelName = "line"
    process: bool = False

    def __len__(self) -> int:
        return len(self.names)

    @property
    def variables(self) -> tuple[str, ...]:
        """Names of the variables."""
        return (*(f"z{k}" for k in range(1, self.directions + 1)), *(("ph",) if self.process else ()))

    @cached_property
    def _pairs(self) -> tuple[tuple[int, int], ...]:
        """Variables of each second-order term: squares, then products."""
        v = len(self.variables)
        return (*((k, k) for k in range(v)), *combinations(range(v), 2)) if self.model == "quadratic" else ()

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Name of each column: '1', then 'z1', then 'z1^2', then 'z1*z2'."""
        v = self.variables
        second = (f"{v[a]}^2" if a == b else f"{v[a]}*{v[b]}" for a, b in self._pairs)
        return ("1", *(v if self.model != "mean" else ()), *second)

    @cached_property
    def curved(self) -> Mask:
        """Which columns are of second order, shape (p,); the others are the mean and the line."""
        return np.arange(len(self.names)) >= len(self.names) - len(self._pairs)

    def columns(self, z: Vector, ph: Vector | None = None) -> Vector:
        """Return the matrix of a model.

        Args:
            z: Coordinates, shape (m, q).
            ph: The process variable, shape (m,), from -1 to 1; needed if it is varied.

        Returns:
            One column per term, shape (m, p).
        """
        z = np.atleast_2d(z)
        v = z if not self.process else np.column_stack([z, np.zeros(len(z)) if ph is None else ph])
        first = [np.ones((len(v), 1)), *([v] if self.model != "mean" else [])]
        return np.hstack([*first, *(v[:, [a]] * v[:, [b]] for a, b in self._pairs)])

    def precision(self, curvature: float, line: float = FLAT) -> Vector:
        """Return the prior's precision of each column, shape (p,), in units of 1 / variance of a reading.

        Args:
            curvature: Of terms of second order.
            line: Of the mean and the straight line.
        """
        return np.where(self.curved, curvature, line)


def on_three_levels(ph: Vector, low: float, high: float) -> Vector:
    """Return pH values as the process variable: -1 at the low level, 0 in the middle, 1 at the high one."""
    return np.asarray((ph - (low + high) / 2) * 2 / (high - low))
