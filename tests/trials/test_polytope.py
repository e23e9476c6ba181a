"""Regions: corners of published ones, an independent way to find corners, what theory says of a simplex."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import ConvexHull

from optimizer.trials.polytope import candidates, corners_of, whitened
from tests.support import mixtures


@pytest.mark.parametrize(
    ("name", "count"),
    [
        ("flare_1966", 8),
        ("four_equal_ranges", 4),
        ("polvoron", 5),
        ("piepel_1988_region", 6),
        ("soap_extreme_vertices", 12),
    ],
)
def test_published_regions_have_their_corners(name: str, count: int) -> None:
    """Sources stand in each case's file; every subset of rows is solved besides."""
    case, found, _ = mixtures.region(name)
    assert len(found) == count
    other = mixtures.by_all_subsets(*mixtures.bounds(case))
    assert len(other) == count
    assert all(np.abs(found - x).max(axis=1).min() < 1e-9 for x in other)


def test_centroid_of_the_region_of_1988() -> None:
    """Piepel, J. Quality Technology 20:125-139 (1988)."""
    _, found, _ = mixtures.region("piepel_1988_region")
    assert np.allclose(found.mean(axis=0), [0.3, 0.31166667, 0.38833333], atol=1e-8)


def test_corners_of_a_published_design_are_found() -> None:
    case, found, _ = mixtures.region("flare_1966")
    design = np.array(case["X"])
    assert all(np.abs(design - x).max(axis=1).min() < 1e-9 for x in found)
    centres = design[8:14]
    _, _, space = mixtures.region("flare_1966")
    sides = space.centre + space.body.side_centres @ space.directions
    assert len(sides) == 6
    assert all(np.abs(sides - x).max(axis=1).min() < 1e-9 for x in centres)


@pytest.mark.thorough
@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("k", [1, 2, 3, 4, 5])
def test_corners_of_drawn_bodies(k: int, seed: int) -> None:
    """A box cut by random planes, against scipy's hull of the corners: no corner within, none missing on any plane."""
    rng = np.random.default_rng(100 * k + seed)
    along = np.vstack([np.eye(k), -np.eye(k), rng.normal(size=(6, k))])
    at_most = np.concatenate([np.ones(2 * k), rng.uniform(0.2, 1.5, 6)])
    found = corners_of(along, at_most)
    assert (found @ along.T <= at_most + 1e-8).all()
    for goal in rng.normal(size=(40, k)):
        best = linprog_value(goal, along, at_most)
        assert abs((found @ goal).max() - best) < 1e-7
    if k > 1:
        hull = ConvexHull(found)
        assert len(hull.vertices) == len(found)


def linprog_value(goal: np.ndarray, along: np.ndarray, at_most: np.ndarray) -> float:
    from scipy.optimize import linprog

    return -float(linprog(-goal, A_ub=along, b_ub=at_most, bounds=(None, None)).fun)


def test_an_empty_body_has_no_corners() -> None:
    assert len(corners_of(np.array([[1.0], [-1.0]]), np.array([0.0, -1.0]))) == 0


def test_a_body_without_an_end_is_refused() -> None:
    with pytest.raises(ValueError, match="without an end"):
        corners_of(np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0]]), np.ones(3))


def test_a_cube_has_its_edges_sides_and_candidates() -> None:
    """By hand: 8 corners, 12 edges, 6 sides; with 8 half-way points and the centre 35 candidates."""
    along, at_most = np.vstack([np.eye(3), -np.eye(3), [[1, 1, 1]]]), np.array([1.0, 1, 1, 1, 1, 1, 9])
    space = whitened(corners_of(along, at_most), along, at_most, 1e-6)
    assert (len(space.body.corners), len(space.body.edges), len(space.body.along)) == (8, 12, 6)
    assert len(candidates(space.body, 1000, np.random.default_rng(1))) == 35
    assert len(candidates(space.body, 20, np.random.default_rng(1))) == 20


def test_whitened_corners_have_mean_0_and_variance_1() -> None:
    """Also where the body is flat: a triangle that lies askew in four dimensions, wide one way and thin the other."""
    rng = np.random.default_rng(3)
    moves = rng.normal(size=(2, 4)) * [[1000.0], [0.01]]
    along, at_most = np.array([[-1.0, 0], [0, -1], [1, 1]]), np.array([0.0, 0, 1])
    flat = corners_of(along, at_most)
    back = np.linalg.pinv(moves)
    space = whitened(flat @ moves, (along @ back.T), at_most, 1e-6)
    z = space.body.corners
    assert z.shape == (3, 2)
    assert np.allclose(z.mean(axis=0), 0)
    assert np.allclose(z.T @ z / 3, np.eye(2))
    assert np.allclose(space.centre + z @ space.directions, flat @ moves)


def test_what_is_as_good_as_flat_is_cut_through_its_middle() -> None:
    """By hand: a box 2 wide, 2 deep and 0.002 high counts as a square; its corners lie on its sides."""
    along, at_most = np.vstack([np.eye(3), -np.eye(3)]), np.array([1, 1, 0.001, 1, 1, 0.001])
    space = whitened(corners_of(along, at_most), along, at_most, 0.01)
    found = space.centre + space.body.corners @ space.directions
    assert sorted(map(tuple, found.round(6) + 0.0)) == [(-1, -1, 0), (-1, 1, 0), (1, -1, 0), (1, 1, 0)]
    assert len(space.body.along) == 4
    assert space.body.incident.sum() == 8
    assert space.body.holds(space.body.drawn(50, np.random.default_rng(1))).all()


def test_points_drawn_from_within_are_even() -> None:
    """Means of coordinates and of squares over a simplex: theory, no source needed (1/q and 2/(q(q+1)))."""
    space = mixtures.simplex(3)
    z = space.body.drawn(4000, np.random.default_rng(1))
    assert space.body.holds(z).all()
    x = space.centre + z @ space.directions
    assert np.allclose(x.mean(axis=0), 1 / 3, atol=0.02)
    assert np.allclose((x**2).mean(axis=0), 1 / 6, atol=0.02)
