"""Simulated trials: made-up truths over the region of a shipped brief, and how well eight or ten beakers tell them.

Truths are viscosities in natural logarithms over whitened coordinates: lines, bent ones, strongly bent ones, and lines
with a peak between beakers; all made up. Each part returns figures that `tests/soak.py` prints at length and
`tests/trials/test_simulations.py` looks at in small.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
from scipy.optimize import linprog

from optimizer.answers.questions import read_brief
from optimizer.data.pool import Vector
from optimizer.trials.fit import Chosen, Readings, choose, predicted, searching
from optimizer.trials.improve import gains
from optimizer.trials.plan import Asked, Plan, plan
from optimizer.trials.polytope import Polytope, candidates
from optimizer.trials.regression import Noise

NOISE = 0.10
KINDS = ("line", "bent", "strongly bent", "peak")
FACTORS = ("strength", "amphoteric-share", "nonionic-share", "emollient", "humectant")
Truth = Callable[[Vector], Vector]


@cache
def planned(trials: int) -> Plan:
    """Return a plan in five directions, its two own beakers included."""
    asked = Asked(factors=FACTORS, trials=trials, free=("mildness", "flash-foam"))
    return plan(read_brief("gentle-wash"), asked)


def places(found: Plan) -> Vector:
    """Return the coordinates of the planned beakers, shape (n, q)."""
    at = found.region.coordinates
    return at.z(np.array([[b.doses.get(m, 0.0) for m in at.materials] for b in found.beakers]))


@cache
def spread(trials: int) -> Vector:
    """Return points evenly over the region, shape (300, q)."""
    return planned(trials).region.space.body.drawn(300, np.random.default_rng(0))


def truth(kind: str, q: int, rng: np.random.Generator) -> Truth:
    """Return a made-up truth."""
    slope = rng.standard_normal(q)
    slope *= rng.uniform(0.15, 0.75) / np.linalg.norm(slope)
    bend = rng.standard_normal((q, q))
    bend = (bend + bend.T) / 2 * {"mildly bent": 0.02, "bent": 0.05, "strongly bent": 0.12}.get(kind, 0.0)
    way = rng.standard_normal(q)
    way /= np.linalg.norm(way)
    at, high, wide = rng.uniform(-1, 1), rng.uniform(0.3, 1.0) * (kind == "peak"), rng.uniform(0.5, 1.5)
    return lambda z: z @ slope + np.einsum("ij,jk,ik->i", z, bend, z) + high * np.exp(-(((z @ way - at) / wide) ** 2))


def fitted(z: Vector, of: Truth, rng: np.random.Generator) -> Chosen:
    """Return what readings of a truth tell, each off by 10 %."""
    read = of(z) + NOISE * rng.standard_normal(len(z))
    readings = Readings("log", z, None, read, read, np.ones(len(z), np.int64), tuple(range(1, len(z) + 1)))
    return choose(readings, Noise(NOISE))


def told(chosen: Chosen, z: Vector, share: float = 0.9) -> Vector:
    """Return mean and ends of an interval; the mean alone if the trials do not predict."""
    return predicted(chosen, z, None, share)


def errors(count: int, seed: int, kinds: tuple[str, ...] = ("line", "mildly bent")) -> Vector:
    """Return root mean squares of the predicted mean with 8 chosen and 8 random beakers, shape (count, 2)."""
    rng, chosen, body = np.random.default_rng(seed), places(planned(8))[1:-1], planned(8).region.space.body
    grid, found = spread(8), []
    for k in range(count):
        of = truth(kinds[k % len(kinds)], grid.shape[1], rng)
        both = [searching(fitted(z, of, rng)) for z in (chosen, body.drawn(8, rng))]
        found.append([float(np.sqrt(((told(one, grid)[:, 0] - of(grid)) ** 2).mean())) for one in both])
    return np.array(found)


def coverage(count: int, seed: int) -> tuple[Vector, int]:
    """Return how much of the region told 90 % intervals of the mean hold, per truth, and how often nothing is told."""
    rng, z, grid = np.random.default_rng(seed), places(planned(8)), spread(8)
    shares, silent = [], 0
    for k in range(count):
        of = truth(KINDS[k % 4], grid.shape[1], rng)
        chosen = fitted(z, of, rng)
        if not chosen.predicts:
            silent += 1
            continue
        held = told(chosen, grid)
        shares.append(float(((held[:, 1] <= of(grid)) & (of(grid) <= held[:, 2])).mean()))
    return np.array(shares), silent


def kept(count: int, seed: int) -> Vector:
    """Return whether the truth keeps a target at the cheapest blend by the mean and by the bound, shape (n, 2).

    Ten beakers, lines and bent truths, a made-up cost; the target is what 60 % of the region have by the truth. Truths
    whose target no bound reaches are left out.
    """
    rng, z, body = np.random.default_rng(seed), places(planned(8)), planned(8).region.space.body
    grid, found = spread(8), []
    for k in range(count):
        of = truth(KINDS[k % 4], grid.shape[1], rng)
        chosen, cost = fitted(z, of, rng), rng.standard_normal(grid.shape[1])
        target = float(np.quantile(of(grid), 0.6))
        if chosen.fitted.model != "line":
            continue
        cheapest = [_cheapest(body, chosen, cost, target, half) for half in (0.0, chosen.posterior.half(0.9))]
        if all(x is not None for x in cheapest):
            found.append([float(of(x[None, :])[0] >= target) for x in cheapest if x is not None])
    return np.array(found)


def _cheapest(body: Polytope, chosen: Chosen, cost: Vector, target: float, half: float) -> Vector | None:
    """Return the cheapest place whose bound reaches a target, by cutting planes of scipy's linear programs."""
    post = chosen.posterior
    rows, ends = list(body.along), list(body.at_most)
    for _ in range(60):
        done = linprog(cost, A_ub=np.array(rows), b_ub=np.array(ends), bounds=[(None, None)] * len(cost))
        if done.status != 0:
            return None
        terms = np.append(1.0, done.x)
        error = float(np.sqrt(terms @ post.covariance @ terms))
        bound = float(terms @ post.mean) - half * error
        if bound >= target - 1e-7:
            return np.asarray(done.x)
        slope = post.mean[1:] - half / error * (post.covariance @ terms)[1:]
        rows.append(-slope)
        ends.append(bound - target - float(slope @ done.x))
    return None


def shortfalls(count: int, seed: int) -> Vector:
    """Return how far the best blend stays below the truth's best, shape (count, 3).

    After 8 + 2 beakers, with 4 more by expected improvement one after the other, and with 4 random ones. The best blend
    is the one of the region's corners and middles that is predicted highest.
    """
    rng, z, body = np.random.default_rng(seed), places(planned(8)), planned(8).region.space.body
    field = candidates(body, 2000, np.random.default_rng(0))
    found = []
    for k in range(count):
        of = truth(KINDS[k % 4], field.shape[1], rng)
        read = of(z) + NOISE * rng.standard_normal(len(z))
        top = float(of(field).max())
        now, values = z, read
        for _ in range(4):
            pick = field[int(gains(_of(now, values), field).argmax())]
            now = np.vstack([now, pick])
            values = np.append(values, of(pick[None, :]) + NOISE * rng.standard_normal())
        drawn = np.vstack([z, field[rng.choice(len(field), 4, replace=False)]])
        others = np.append(read, of(drawn[-4:]) + NOISE * rng.standard_normal(4))
        row = []
        for at, seen in ((z, read), (now, values), (drawn, others)):
            best = int(told(_of(at, seen), field)[:, 0].argmax())
            row.append(top - float(of(field[[best]])[0]))
        found.append(row)
    return np.array(found)


def _of(z: Vector, read: Vector) -> Chosen:
    readings = Readings("log", z, None, read, read, np.ones(len(z), np.int64), tuple(range(1, len(z) + 1)))
    return searching(choose(readings, Noise(NOISE)))
