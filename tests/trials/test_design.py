"""Choices of trials: published figures and theory that no change of coordinates alters, and brute force."""

from __future__ import annotations

from itertools import combinations_with_replacement
from math import log

import numpy as np
import pytest

from optimizer.data.pool import Vector
from optimizer.trials.basis import Coordinates, Terms
from optimizer.trials.choosing import best_places, field_of
from optimizer.trials.design import (
    DesignTask,
    chosen_for,
    efficiency,
    in_groups,
    information,
    moments_of,
    spread_evenly,
)
from optimizer.trials.polytope import candidates
from tests.support import mixtures

NO_PRIOR = 1e-9


def asked(columns: Vector, count: int, criterion: str = "D", moments: Vector | None = None) -> DesignTask:
    p = columns.shape[1]
    group = np.zeros(count, dtype=int)
    return DesignTask(in_groups(columns, 1), group, np.zeros((0, p)), np.full(p, NO_PRIOR), criterion, moments)  # type: ignore[arg-type]


def on_simplex(q: int) -> tuple[Vector, Vector]:
    """Return candidates on the simplex and their Scheffe columns."""
    space = mixtures.simplex(q)
    x = space.centre + candidates(space.body, 1000, np.random.default_rng(1)) @ space.directions
    return x, mixtures.scheffe(x)


def d_efficiency(made: Vector, ideal: Vector) -> float:
    """Return (det F'F / n) of one design against another's, to the power 1/p; no change of coordinates alters it."""
    logs = [float(np.linalg.slogdet(f.T @ f)[1]) - f.shape[1] * np.log(len(f)) for f in (made, ideal)]
    return float(np.exp((logs[0] - logs[1]) / made.shape[1]))


def test_the_flare_design_of_1966_against_the_d_optimal_one() -> None:
    """McLean and Anderson, Technometrics 8:447-454 (1966): its 15 trials reach 0.914, a figure of no coordinates."""
    case, _, space = mixtures.region("flare_1966")
    terms = Terms(3, "quadratic")
    points = candidates(space.body, 1000, np.random.default_rng(1))
    columns = terms.columns(points)
    best = columns[chosen_for(asked(columns, 15), seed=1)]
    known = Coordinates(tuple("abcd"), space.centre, space.directions, np.zeros(4, bool))
    theirs = np.array(case["X"])
    assert d_efficiency(terms.columns(known.z(theirs)), best) == pytest.approx(0.914, abs=5e-4)
    scheffe = mixtures.scheffe(space.centre + points @ space.directions)
    ours = scheffe[chosen_for(asked(columns, 15), seed=1)]
    assert d_efficiency(mixtures.scheffe(theirs), ours) == pytest.approx(0.914, abs=5e-4)


@pytest.mark.parametrize("q", [3, 4])
def test_d_optimal_quadratic_with_as_many_trials_as_terms_is_the_lattice(q: int) -> None:
    """Theory, no source needed: log det = -q (q - 1) ln 4 at the {q, 2} lattice."""
    x, columns = on_simplex(q)
    task = asked(columns, columns.shape[1])
    chosen = chosen_for(task, seed=1)
    assert task.worth(chosen) == pytest.approx(-q * (q - 1) * log(4), abs=1e-5)
    assert np.isin((2 * x[chosen]).round(9), [0, 1, 2]).all()


@pytest.mark.parametrize(
    ("q", "count", "variance"),
    [(3, 6, 0.633333), (4, 10, 0.514286), (3, 7, 0.499495), (3, 10, 35 / 108)],
)
def test_average_variance_of_i_optimal_trials_on_the_simplex(q: int, count: int, variance: float) -> None:
    """Theory, no source needed: the lattices {3, 2} and {4, 2}, then one and four trials more."""
    _, columns = on_simplex(q)
    task = asked(columns, count, "I", mixtures.simplex_moments(q))
    assert -task.worth(chosen_for(task, seed=1)) == pytest.approx(variance, abs=1e-6)


@pytest.mark.parametrize("q", [2, 3, 4, 5])
def test_average_variance_of_a_straight_line_over_the_corners(q: int) -> None:
    """Theory, no source needed: 2 / (q + 1) with the q corners of a simplex."""
    moments = mixtures.simplex_moments(q)[:q, :q]
    assert np.trace(np.linalg.solve(information(np.eye(q), np.zeros(q)), moments)) == pytest.approx(2 / (q + 1))


@pytest.mark.parametrize("criterion", ["D", "I"])
@pytest.mark.parametrize("seed", range(4))
def test_no_choice_is_better_on_tiny_tasks(criterion: str, seed: int) -> None:
    """Every choice of 4 of 7 drawn candidates, with a trial that is made anyway, a prior and two days."""
    rng = np.random.default_rng(seed)
    columns = Terms(1, "quadratic").columns(rng.normal(size=(7, 1)))
    moments = moments_of(columns, further=1)
    given = np.array([[1.0, 0, 0, 0]])
    group = np.array(spread_evenly(4, 2))
    task = DesignTask(in_groups(columns, 2), group, given, np.array([1e-4, 1e-4, 0.5, 1e-4]), criterion, moments)  # type: ignore[arg-type]
    every = (np.array(a + b) for a in pairs() for b in pairs())
    assert task.worth(chosen_for(task, seed=1)) == pytest.approx(max(map(task.worth, every)), abs=1e-6)


def pairs() -> list[tuple[int, ...]]:
    return list(combinations_with_replacement(range(7), 2))


def test_the_same_seed_gives_the_same_trials() -> None:
    _, columns = on_simplex(3)
    assert chosen_for(asked(columns, 8), seed=4).tolist() == chosen_for(asked(columns, 8), seed=4).tolist()


def test_efficiency_tells_what_other_trials_keep() -> None:
    """By hand: two trials at the ends of a line, moved half-way in, keep a quarter of the slope's information."""
    ends, inner = np.array([[1.0, -1], [1, 1]]), np.array([[1.0, -0.5], [1, 0.5]])
    task = asked(ends, 2)
    assert efficiency(task, inner, ends) == pytest.approx(0.5)
    moments = np.diag([1.0, 1 / 3])
    assert efficiency(asked(ends, 2, "I", moments), inner, ends) == pytest.approx((1 + 1 / 3) / (1 + 4 / 3))


def test_trials_are_spread_evenly_over_days() -> None:
    assert list(spread_evenly(8, 3)) == [0, 0, 0, 1, 1, 1, 2, 2]
    assert list(spread_evenly(0, 2)) == []


@pytest.mark.parametrize(("count", "days"), [(6, 1), (8, 2), (13, 1)])
def test_trials_moved_between_candidates_tell_more_and_stay_inside(count: int, days: int) -> None:
    """McLean and Anderson's region; 13 trials are chosen for all terms at once (D), near its border; fewer for I."""
    body = mixtures.region("flare_1966")[2].body
    field, group = field_of(body, False, seed=1), np.arange(count) % days
    given = np.zeros((0, len(field.full) + days - 1))
    first = field.task(group, given, days, "line")
    moved, task, chosen = best_places(field, 1, group, given, days, "line")
    assert first.criterion == task.criterion == ("D" if count == 13 else "I")
    worths = first.worth(chosen_for(first, 1)), task.worth(chosen)
    assert worths[1] > worths[0] + (0.001 if count == 13 else 0.01)
    assert body.holds(moved.z[chosen]).all()


def test_a_trial_moved_to_another_candidate_takes_its_ph() -> None:
    body = mixtures.region("flare_1966")[2].body
    field = field_of(body, True, seed=1)
    moved, task, chosen = best_places(field, 1, np.zeros(10), np.zeros((0, len(field.full))), 1, "line")
    assert set(moved.process[chosen].tolist()) <= {-1.0, 0.0, 1.0}
    assert len(set(moved.process[chosen].tolist())) > 1
    assert task.candidates[0, chosen] == pytest.approx(field.columns(moved.z[chosen], moved.process[chosen]))
