"""Coordinates and terms: there and back, and the functions that the Scheffe quadratic spans."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from optimizer.trials.basis import Coordinates, Terms, on_three_levels

DRAWN = np.random.default_rng(5)


def test_doses_come_back_from_their_coordinates() -> None:
    directions = np.array([[-1.0, 0.5, 0.5, 0.0], [-0.3, 0.0, 0.3, 0.0]])
    known = Coordinates(("a", "b", "c", "d"), np.array([60.0, 20, 19, 1]), directions, np.array([1, 0, 0, 0], bool))
    z = DRAWN.normal(size=(7, 2))
    assert np.allclose(known.z(known.doses(z)), z)


def test_a_full_quadratic_spans_the_scheffe_quadratic() -> None:
    """Theory, no source needed: q components that sum to 1, q - 1 affine coordinates; equal ranks, also together."""
    x = DRAWN.dirichlet(np.ones(4), size=40)
    scheffe = np.column_stack([x, *(x[:, a] * x[:, b] for a, b in combinations(range(4), 2))])
    ours = Terms(3, "quadratic").columns(x[:, :3] @ DRAWN.normal(size=(3, 3)))
    assert ours.shape == (40, 10)
    assert np.linalg.matrix_rank(ours) == np.linalg.matrix_rank(np.hstack([ours, scheffe])) == 10


def test_terms_are_named_and_told_apart() -> None:
    terms = Terms(2, "quadratic", process=True)
    assert terms.names == ("1", "z1", "z2", "ph", "z1^2", "z2^2", "ph^2", "z1*z2", "z1*ph", "z2*ph")
    assert terms.curved.tolist() == [False] * 4 + [True] * 6
    assert terms.columns(np.array([[2.0, 3.0]]), np.array([-1.0])).tolist() == [[1, 2, 3, -1, 4, 9, 1, 6, -2, -3]]
    assert Terms(2, "mean").columns(np.zeros((3, 2))).tolist() == [[1.0]] * 3
    assert Terms(2, "line").names == ("1", "z1", "z2")


def test_levels_of_ph() -> None:
    assert on_three_levels(np.array([5.0, 5.4, 5.8]), 5.0, 5.8).round(12).tolist() == [-1, 0, 1]
