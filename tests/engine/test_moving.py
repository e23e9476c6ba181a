"""How far a limit may move until another choice is better, against every choice tried one by one with scipy."""

from __future__ import annotations

from itertools import product
from math import inf

import numpy as np
import pytest
from scipy.optimize import linprog

from optimizer.engine.highs import Session
from optimizer.engine.moving import Moving, MovingWorth, Shift
from optimizer.engine.search import fixed
from optimizer.engine.sensitivity import Basis
from optimizer.engine.tree import Tree, grown
from tests.support.draws import some

DOSES = CHOICES = 5
SLACK = 1e-7
Program = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def posed(seed: int) -> Program:
    """Return what is to be covered by doses, each under a switch that costs: dear ones are cheap to run, made up."""
    rng = np.random.default_rng(seed)
    opened = rng.uniform(0.2, 3, CHOICES)
    matrix = np.zeros((CHOICES + 2, DOSES + CHOICES))
    matrix[:CHOICES, :DOSES], matrix[:CHOICES, DOSES:] = np.eye(DOSES), -np.diag(rng.uniform(8, 15, CHOICES))
    matrix[CHOICES, :DOSES] = rng.uniform(0.5, 1, DOSES)
    matrix[CHOICES + 1, :DOSES] = rng.uniform(0, 1, DOSES)
    low = np.concatenate([np.full(CHOICES, -inf), rng.uniform(2, 4, 1), rng.uniform(0, 1, 1)])
    high = np.concatenate([np.zeros(CHOICES), np.full(2, inf)])
    cost = np.concatenate([2 / (0.5 + opened) + rng.uniform(0, 0.1, DOSES), opened])
    return matrix, low, high, cost, np.concatenate([np.full(DOSES, 20.0), np.ones(CHOICES)])


def moved(program: Program, shift: Shift, t: float) -> Program:
    matrix, low, high, cost, upper = (part.copy() for part in program)
    matrix[shift.rows] -= t * shift.coefficients
    low[shift.rows] += t * shift.ends
    high[shift.rows] += t * shift.ends
    return matrix, low, high, cost, upper


def least(program: Program) -> tuple[float, tuple[float, ...]]:
    """Return the least cost over every combination of choices, and the choices."""
    matrix, low, high, cost, upper = program
    rows, ends = np.vstack([matrix, -matrix]), np.concatenate([high, -low])
    there, best, which = np.isfinite(ends), inf, ()
    for chosen in sorted(product((0.0, 1.0), repeat=CHOICES), key=cost[DOSES:].dot):
        if cost[DOSES:].dot(chosen) >= best:
            break  # no dose has a negative cost
        bounds = [*((0.0, u) for u in upper[:DOSES]), *((c, c) for c in chosen)]
        answer = linprog(cost, A_ub=rows[there], b_ub=ends[there], bounds=bounds)
        if answer.status == 0 and answer.fun < best:
            best, which = answer.fun, chosen
    return best, which


def followed(seed: int, shift: Shift) -> tuple[Moving, float, Program] | None:
    """Return how far a limit of a drawn program is followed, within the range of its price; None without a formula."""
    program = posed(seed)
    matrix, low, high, cost, upper = program
    session, lower = Session(matrix, low, high, integers=CHOICES), np.zeros(len(cost))
    tree = grown(session, cost, lower, upper)
    if not isinstance(tree, Tree) or not tree.best.size:
        return None
    found = fixed(session, cost, lower, upper, tree.best[DOSES:])
    assert found.lower is not None
    assert found.upper is not None
    ends = np.concatenate([found.lower, low]), np.concatenate([found.upper, high])
    basis = Basis(matrix, cost, *ends, found.answer.x, found.answer.basic)
    whole = shift.coefficients[0, DOSES:].any()  # at the choices made that is an end
    price_ends = shift.ends + (shift.coefficients @ found.answer.x if whole else 0.0)
    move = (shift.rows, price_ends, None if whole or not shift.coefficients.any() else shift.coefficients[0])
    reach = basis.reaches([move])[0]
    q = 0.0 if move[2] is None else basis.curvature(int(shift.rows[0]), move[2])
    end = min(reach.up, 5.0)
    moving = Moving(session, cost, shift, MovingWorth(found.objective, reach.price, q), SLACK, end)
    return moving, moving.until(tree.leaves), program


def on_end() -> Shift:
    return Shift(np.array([CHOICES]), np.array([1.0]), np.zeros((1, DOSES + CHOICES)))


def on_doses(seed: int) -> Shift:
    p = np.random.default_rng(seed).uniform(0.02, 0.2, DOSES)
    return Shift(np.array([CHOICES]), np.zeros(1), np.concatenate([p, np.zeros(CHOICES)])[None])


def on_choice() -> Shift:
    """Once the first switch is on, more is asked for."""
    p = np.zeros((1, DOSES + CHOICES))
    p[0, DOSES] = 1.0
    return Shift(np.array([CHOICES]), np.zeros(1), p)


@pytest.mark.parametrize("kind", ["end", "doses", "choice"])
@pytest.mark.parametrize("seed", some(range(10), 2))
def test_nothing_is_better_before_and_something_is_after(kind: str, seed: int) -> None:
    shift = {"end": on_end(), "doses": on_doses(seed), "choice": on_choice()}[kind]
    found = followed(seed, shift)
    if found is None or found[0].end <= 1e-6:
        return
    moving, until, program = found
    assert 0 <= until <= moving.end
    for share in (0.1, 0.5, 0.9, 1.0):
        best = least(moved(program, shift, share * until))[0]
        assert best >= moving.line.value(share * until) - 10 * SLACK
    if moving.better is None:
        assert until == moving.end
        return
    beyond = until + 1e-3 * (moving.end - until)
    best = least(moved(program, shift, until + 0.02 * (moving.end - until)))[0]
    assert best < moving.line.value(until + 0.02 * (moving.end - until)) - SLACK / 10
    own = moving.better
    matrix, low, high, cost, _ = moved(program, shift, beyond)
    assert (matrix @ own >= low - 1e-2).all()
    assert (matrix @ own <= high + 1e-2).all()
    assert float(cost @ own) <= moving.line.value(until) + 1e-2


def test_the_drawn_limits_meet_every_end() -> None:
    """Some are followed to the end of their price, at others another choice takes over."""
    ended = taken = 0
    for seed in range(30):
        for shift in (on_end(), on_doses(seed), on_choice()):
            found = followed(seed, shift)
            if found is not None and found[0].end > 1e-6:
                ended, taken = ended + (found[0].better is None), taken + (found[0].better is not None)
    assert ended >= 20
    assert taken >= 20


def test_the_rows_are_as_they_were_afterwards() -> None:
    found = followed(3, on_doses(3))
    assert found is not None
    moving, _, program = found
    assert (moving.session.matrix == program[0]).all()
    assert (moving.session.row_low == program[1]).all()


def test_a_line_meets_another_where_both_are_worth_the_same() -> None:
    """By hand: 1 + 2 t falls to 2 at 0.5; bent ones meet where t / (1 - t) = 1."""
    assert MovingWorth(3.0, -2.0, 0.0).first_below(MovingWorth(2.0, 0.0, 0.0), 9.0) == pytest.approx(0.5)
    assert MovingWorth(2.0, 0.0, 0.0).first_below(MovingWorth(1.0, 1.0, 1.0), 0.9) == pytest.approx(0.5)
    assert MovingWorth(2.0, 0.0, 0.0).first_below(MovingWorth(1.0, -1.0, 0.0), 0.9) == pytest.approx(0.9)
