"""The check of many answers at once is that of one alone: the same tolerances, whatever the size of a row.

All programs are made up.
"""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.data.pool import Vector
from optimizer.engine.certificate import check_optimal
from optimizer.engine.highs import Session
from optimizer.sweep.checking import Checker
from optimizer.sweep.programs import Index, ProgramBase, Programs
from optimizer.units import BOUND_MET, POINT_MET

NONE = np.zeros(0, dtype=np.int64)
COST, UPPER = np.array([1.0, 1.5, 0.1]), np.full(3, 100.0)
LOW, HIGH = np.array([100.0, 30.0, -np.inf]), np.array([100.0, np.inf, 0.0])
"""A total, a property, and a ratio of the first two columns."""
WRONG = 1.0
"""A row price of the wrong sign, against an end that is not there."""


def matrix(unit: float) -> Vector:
    """Return the rows, the property counted in some unit."""
    return np.array([[1.0, 1.0, 1.0], [unit, 2 * unit, 0.0], [-2.0, 1.0, 0.0]])


def programs(unit: float, scale: float, moved: bool) -> tuple[Programs, Vector, Vector]:
    """Return one program, its limit among those that differ and its ratio among the rows that move, with its ends."""
    rows, low, high = matrix(unit), LOW.copy(), HIGH.copy()
    low[1] *= scale
    which: Index = np.array([2]) if moved else NONE
    slopes, moves = (np.array([[1.0, 0.0, 0.0]]), np.array([[0.5]])) if moved else (np.zeros((0, 3)), np.zeros((0, 1)))
    base = ProgramBase(rows, COST, low, high, UPPER, NONE, np.array([1]), np.array([2]), which, slopes)
    whole = Programs(base, np.zeros((0, 1)), low[[1]][:, None], high[[1]][:, None], np.zeros((1, 1), dtype=bool), moves)
    return whole, low, high


@pytest.mark.parametrize("moved", [False, True])
@pytest.mark.parametrize("unit", [1.0, 1e-9, 1e9])
@pytest.mark.parametrize("scale", [1.0, 1e-4, 1e-7])
@pytest.mark.parametrize("miss", [0.0, 1e-12, 3e-10, 3e-9, 1e-8, 3e-8, 1e-7, 1e-4])
@pytest.mark.parametrize("price", [0.0, 1e-12, 1e-6, WRONG])
def test_an_answer_holds_at_once_where_it_holds_alone(
    unit: float, scale: float, miss: float, price: float, moved: bool
) -> None:
    some, low, high = programs(unit, scale * unit, moved)
    own = matrix(unit)
    own[2] -= 0.5 * np.array([1.0, 0.0, 0.0]) if moved else 0.0
    answer = Session(own, low, high).run(COST, np.zeros(3), UPPER)
    x, y = answer.x.copy(), answer.y.copy()
    assert x[1] > 0
    x[1] *= 1 - miss
    x[2] = 100 - x[0] - x[1]
    y[2] += price
    alone = check_optimal(own, low, high, COST, np.zeros(3), UPPER, x, y)
    holds, _ = Checker(some.base).check(some, x[:, None], y[:, None], np.zeros((6, 1), dtype=bool))
    sizes = (alone.primal / POINT_MET, alone.gap / BOUND_MET)
    if not any(0.5 < size < 2 for size in sizes):  # there rounding decides
        assert bool(holds[0]) == (max(sizes) <= 1)
    if miss >= 1e-7 or (miss == 0 and price <= 1e-12):
        assert bool(holds[0]) == (miss == 0)


def test_a_limit_that_is_small_beside_its_coefficients_is_kept_to_its_own_size() -> None:
    """At most 1e-7 % of a substance, of which a dose brings the whole: twice as much was within the tolerance once."""
    rows, none = np.array([[1.0, 1.0], [0.0, 1.0]]), np.zeros((0, 1))
    base = ProgramBase(
        rows, np.array([1.0, 0.0]), np.array([100.0, -np.inf]), np.array([100.0, 1e-7]), np.full(2, 100.0),
        NONE, NONE, NONE, NONE, np.zeros((0, 2)),
    )  # fmt: skip
    one = Programs(base, none, none, none, none.astype(bool), none)
    checker = Checker(base)
    assert checker.kept(one, np.array([[100 - 1e-7], [1e-7]]))[0]
    assert not checker.kept(one, np.array([[100 - 2e-7], [2e-7]]))[0]
