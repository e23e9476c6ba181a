"""Flat bodies with plane sides: their corners, sides and edges, and coordinates in which they are as wide every way.

Corners come from double description: a cone begins with as many sides as it has dimensions and is cut by one further
side after the other, each new corner lying on an edge between a kept and a lost one. Two corners share an edge if no
third one lies on all sides that both lie on. (Motzkin, Raiffa, Thompson and Thrall 1953; the test of edges as in Fukuda
and Prodon 1996.) Everything is vectorised over corners; up to five directions this takes milliseconds.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
import numpy.typing as npt

from optimizer.data.pool import Mask, Vector
from optimizer.immutable import immutable
from optimizer.units import ON_SIDE, SAME_CORNER

Places = npt.NDArray[np.intp]


@immutable
class Polytope:
    """A bounded body along @ z <= at_most with its corners.

    Attributes:
        along: One row per side, of length 1, shape (f, q).
        at_most: Shape (f,).
        corners: Shape (v, q).
        owners: Which of the rows that it was made of each side is.
    """

    along: Vector
    at_most: Vector
    corners: Vector
    owners: tuple[int, ...]

    @property
    def directions(self) -> int:
        """Number of coordinates q."""
        return int(self.corners.shape[1])

    @cached_property
    def incident(self) -> Mask:
        """Which corner lies on which side, shape (v, f)."""
        return np.asarray(np.abs(self.corners @ self.along.T - self.at_most) <= ON_SIDE)

    @cached_property
    def edges(self) -> Vector:
        """Both ends of each edge, shape (e, 2, q)."""
        first, second = np.triu_indices(len(self.corners), 1)
        kept = _share_an_edge(self.incident, first, second, self.directions - 1)
        return np.asarray(np.stack([self.corners[first[kept]], self.corners[second[kept]]], axis=1))

    @cached_property
    def side_centres(self) -> Vector:
        """Mean of the corners of each side, shape (f, q)."""
        count = self.incident.sum(axis=0)
        return np.asarray(self.incident.T @ self.corners / count[:, None])

    def holds(self, z: Vector) -> Mask:
        """Return which points, shape (m, q), lie within, shape (m,)."""
        return np.asarray((np.atleast_2d(z) @ self.along.T <= self.at_most + ON_SIDE).all(axis=1))

    def drawn(self, count: int, rng: np.random.Generator) -> Vector:
        """Return points drawn evenly from within, shape (count, q), by walks along random lines, many at once."""
        z = np.repeat(self.corners.mean(axis=0)[None], WALKERS, axis=0)
        found: list[Vector] = []
        for k in range(WARMED + WALKED * -(-count // WALKERS)):
            z = self._stepped(z, rng)
            if k >= WARMED and (k - WARMED) % WALKED == WALKED - 1:
                found.append(z)
        return np.vstack([np.zeros((0, self.directions)), *found])[:count]

    def _stepped(self, z: Vector, rng: np.random.Generator) -> Vector:
        """Return points moved to an even place on a random line through each, shape (w, q)."""
        lines = rng.normal(size=z.shape)
        rates, room = lines @ self.along.T, np.maximum(self.at_most - z @ self.along.T, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = room / rates
        ahead = np.where(rates > 0, reach, np.inf).min(axis=1)
        behind = np.where(rates < 0, reach, -np.inf).max(axis=1)
        return np.asarray(z + (behind + (ahead - behind) * rng.random(len(z)))[:, None] * lines)


WALKERS, WARMED, WALKED = 100, 30, 3
"""Walks at once, steps of each before a point is kept, and steps between two that are."""


def corners_of(along: Vector, at_most: Vector) -> Vector:
    """Return the corners of a bounded body along @ t <= at_most, shape (v, k); none if it is empty.

    Args:
        along: Shape (m, k).
        at_most: Shape (m,).

    Raises:
        ValueError: If it has no end in some direction.
    """
    k = along.shape[1]
    # A point t is the ray (1, t), a row the half-space at_most - along @ t >= 0 of rays.
    sides = np.vstack([np.eye(1, k + 1), np.column_stack([at_most, -along])])
    sides = sides / np.linalg.norm(sides, axis=1, keepdims=True)
    order = _independent_first(sides)
    start = order[: k + 1]
    rays = np.linalg.inv(sides[start]).T
    rays = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    on = np.zeros((k + 1, len(sides)), dtype=bool)
    on[:, start] = ~np.eye(k + 1, dtype=bool)
    for side in order[k + 1 :]:
        rays, on = _cut(rays, on, sides, side, k + 1)
    if (rays[:, 0] <= SAME_CORNER).any():
        raise ValueError("the rows leave a direction without an end")
    points = rays[rays[:, 0] > SAME_CORNER]
    return _apart(points[:, 1:] / points[:, :1])


def _independent_first(sides: Vector) -> list[int]:
    """Return all sides, first as many independent ones as there are dimensions, the best conditioned ones."""
    left = sides.copy()
    chosen: list[int] = []
    for _ in range(sides.shape[1]):
        sizes = np.linalg.norm(left, axis=1)
        best = 0 if not chosen else int(sizes.argmax())
        if sizes[best] <= SAME_CORNER:
            raise ValueError("the rows leave a direction without an end")
        chosen.append(best)
        unit = left[best] / sizes[best]
        left = left - np.outer(left @ unit, unit)
    return [*chosen, *(i for i in range(len(sides)) if i not in chosen)]


def _cut(rays: Vector, on: Mask, sides: Vector, side: int, size: int) -> tuple[Vector, Mask]:
    """Return the rays of a cone cut by one more side, and on which sides each lies."""
    values = rays @ sides[side]
    values[np.abs(values) <= ON_SIDE] = 0.0
    on = on.copy()
    on[values == 0, side] = True
    above, below = np.flatnonzero(values > 0), np.flatnonzero(values < 0)
    if not len(below):
        return rays, on
    kept = values >= 0
    if not len(above):
        return rays[kept], on[kept]
    first, second = (g.ravel() for g in np.meshgrid(above, below, indexing="ij"))
    joined = _share_an_edge(on, first, second, size - 2)
    first, second = first[joined], second[joined]
    new = values[first, None] * rays[second] - values[second, None] * rays[first]
    new = new / np.linalg.norm(new, axis=1, keepdims=True)
    lies_on = on[first] & on[second]
    lies_on[:, side] = True
    return np.vstack([rays[kept], new]), np.vstack([on[kept], lies_on])


def _share_an_edge(on: Mask, first: Places, second: Places, least: int) -> Mask:
    """Return which pairs share an edge: enough sides in common, and no third one that lies on all of them."""
    holds = on.astype(np.float32)
    common = holds @ holds.T
    enough = common[first, second] >= least
    joined = np.zeros(len(first), dtype=bool)
    for part in np.array_split(np.flatnonzero(enough), 1 + int(enough.sum()) * len(on) // 4_000_000):
        both = on[first[part]] & on[second[part]]
        among = both.astype(np.float32) @ holds.T
        joined[part] = (among >= both.sum(axis=1)[:, None]).sum(axis=1) == 2
    return joined


def _apart(points: Vector) -> Vector:
    """Return points without those that are another one again."""
    kept: list[Vector] = []
    for point in points:
        if not kept or np.abs(np.array(kept) - point).max(axis=1).min() > SAME_CORNER:
            kept.append(point)
    return np.array(kept).reshape(len(kept), points.shape[1])


@immutable
class Whitened:
    """A body in the coordinates in which its corners have mean 0 and variance 1 every way.

    Attributes:
        centre: What z = 0 stands for, shape (n,).
        directions: What one unit of each coordinate adds, shape (q, n).
        body: The body in these coordinates.
    """

    centre: Vector
    directions: Vector
    body: Polytope


def whitened(points: Vector, along: Vector, at_most: Vector, flat: float) -> Whitened:
    """Return a body in whitened coordinates of its own affine hull.

    Args:
        points: Its corners in any space, shape (v, n).
        along: Rows that bound it there, shape (m, n).
        at_most: Shape (m,).
        flat: Width below which it counts as having none in a direction, in the units of the points.
    """
    centre = points.mean(axis=0)
    _, sizes, axes = np.linalg.svd(points - centre, full_matrices=False)
    spread = sizes / np.sqrt(len(points))
    kept = spread > flat
    axes = axes[kept] * np.where(axes[kept].max(axis=1) >= -axes[kept].min(axis=1), 1.0, -1.0)[:, None]
    directions = axes * spread[kept, None]
    corners = _apart((points - centre) @ (axes / spread[kept, None]).T)
    sides, room = along @ directions.T, at_most - along @ centre
    if len(directions) and (~kept & (spread > SAME_CORNER)).any():  # what is as good as flat is cut through its middle
        some = np.linalg.norm(sides, axis=1) > ON_SIDE * np.linalg.norm(along, axis=1)
        corners = corners_of(sides[some], np.maximum(room[some], 0.0))
    return Whitened(centre, directions, _sides(sides, room, corners))


def _sides(along: Vector, at_most: Vector, corners: Vector) -> Polytope:
    """Return a body with only those rows that are sides of it: corners on each of them span it."""
    sizes = np.linalg.norm(along, axis=1)
    some = np.flatnonzero(sizes > ON_SIDE * max(1.0, sizes.max(initial=0.0)))
    along, at_most = along[some] / sizes[some, None], at_most[some] / sizes[some]
    on = np.abs(corners @ along.T - at_most) <= ON_SIDE
    seen: set[bytes] = set()
    kept = []
    for k in range(len(some)):
        here = corners[on[:, k]]
        if len(here) < corners.shape[1] or on[:, k].tobytes() in seen:
            continue
        if np.linalg.matrix_rank(here - here.mean(axis=0), tol=ON_SIDE) == corners.shape[1] - 1:
            seen.add(on[:, k].tobytes())
            kept.append(k)
    return Polytope(along[kept], at_most[kept], corners, tuple(int(some[k]) for k in kept))


def candidates(body: Polytope, most: int, rng: np.random.Generator) -> Vector:
    """Return points that trials may be chosen from: the centre, corners, middles of sides and edges, half-way points.

    Args:
        body: In whitened coordinates.
        most: If there are more, middles of edges and half-way points are drawn.
        rng: For that.
    """
    centre = body.corners.mean(axis=0, keepdims=True)
    middles = body.edges.mean(axis=1)
    certain = np.vstack([centre, body.corners, body.side_centres])
    other = np.vstack([middles, (body.corners + centre) / 2])
    room = max(0, most - len(certain))
    if len(other) > room:
        other = other[np.sort(rng.permutation(len(other))[:room])]
    return _apart(np.vstack([certain, other]))
