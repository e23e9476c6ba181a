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
from optimizer.trials.basis import Terms
from optimizer.trials.fit import ChosenModel, Readings, choose, predicted, searching
from optimizer.trials.improve import gains
from optimizer.trials.plan import TrialPlan, TrialsQuestion, plan
from optimizer.trials.polytope import Polytope, candidates
from optimizer.trials.regression import Noise, Posterior

NOISE = 0.10
KINDS = ("line", "bent", "strongly bent", "peak")
FACTORS = ("strength", "amphoteric-share", "nonionic-share", "emollient", "humectant")
Truth = Callable[[Vector], Vector]


@cache
def planned(trials: int, repeats: int = 2) -> TrialPlan:
    """Return a plan in five directions, its own beakers included."""
    asked = TrialsQuestion(factors=FACTORS, trials=trials, repeats=repeats, free=("mildness", "flash-foam"))
    return plan(read_brief("gentle-wash"), asked)


def places(found: TrialPlan) -> Vector:
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


def fitted(z: Vector, of: Truth, rng: np.random.Generator) -> ChosenModel:
    """Return what readings of a truth tell, each off by 10 %."""
    read = of(z) + NOISE * rng.standard_normal(len(z))
    readings = Readings("log", z, None, read, read, np.ones(len(z), np.int64), tuple(range(1, len(z) + 1)))
    return choose(readings, Noise(NOISE))


def told(chosen: ChosenModel, z: Vector, share: float = 0.9) -> Vector:
    """Return mean and ends of an interval; the mean alone if the trials do not predict."""
    return predicted(chosen, z, None, share)


def errors(count: int, seed: int, kinds: tuple[str, ...] = KINDS, repeats: int = 0) -> Vector:
    """Return root mean squares of what the predicted mean misses, shape (count, 3).

    Eight chosen beakers, 8 random ones read by the same fit, and by the usual one: least squares of a line.

    Args:
        count: Truths.
        seed: Of truths, random beakers and noise.
        kinds: Of truths, in turn.
        repeats: Beakers of the plan itself besides, in both series.
    """
    rng, chosen = np.random.default_rng(seed), places(planned(8, repeats))
    grid, body = spread(8), planned(8).region.space.body
    own = places(planned(8))[[0] * repeats]
    found = []
    for k in range(count):
        of = truth(kinds[k % len(kinds)], grid.shape[1], rng)
        drawn = np.vstack([body.drawn(8, rng), own])
        told_of = [*(told(searching(fitted(z, of, rng)), grid)[:, 0] for z in (chosen, drawn))]
        told_of.append(usual(drawn, of(drawn) + NOISE * rng.standard_normal(len(drawn)), grid))
        found.append([float(np.sqrt(((mean - of(grid)) ** 2).mean())) for mean in told_of])
    return np.array(found)


def usual(z: Vector, read: Vector, grid: Vector) -> Vector:
    """Return a line by least squares at points, as a spreadsheet fits it."""
    line = Terms(z.shape[1])
    return np.asarray(line.columns(grid) @ np.linalg.lstsq(line.columns(z), read, rcond=None)[0])


def coverage(count: int, seed: int) -> tuple[Vector, Vector]:
    """Return how much of the region 90 % intervals of the mean hold, and whether the series says that it predicts.

    Both per truth, shape (count,); where it does not, intervals are those of the line or quadratic that it would take.
    """
    rng, z, grid = np.random.default_rng(seed), places(planned(8)), spread(8)
    shares, says = [], []
    for k in range(count):
        of = truth(KINDS[k % 4], grid.shape[1], rng)
        chosen = fitted(z, of, rng)
        says.append(chosen.predicts)
        held = told(searching(chosen), grid)
        shares.append(float(((held[:, 1] <= of(grid)) & (of(grid) <= held[:, 2])).mean()))
    return np.array(shares), np.array(says)


def kept(count: int, seed: int) -> Vector:
    """Return how the cheapest blend keeps a target by the mean and by the bound, shape (count, 2).

    1 if the truth reaches the target there, 0 if it does not, NaN if nothing is told or no blend reaches it. Ten
    beakers, a made-up cost; the target is what 60 % of the region stay below by the truth.
    """
    rng, z, body = np.random.default_rng(seed), places(planned(8)), planned(8).region.space.body
    grid, found = spread(8), []
    for k in range(count):
        of = truth(KINDS[k % 4], grid.shape[1], rng)
        chosen, cost = fitted(z, of, rng), rng.standard_normal(grid.shape[1])
        target = float(np.quantile(of(grid), 0.6))
        halves = (0.0, chosen.posterior.half(0.9)) if chosen.predicts else ()
        best = [_cheapest(body, chosen, cost, target, half) for half in halves] or [None, None]
        found.append([np.nan if x is None else float(of(x[None, :])[0] >= target) for x in best])
    return np.array(found)


def _cheapest(body: Polytope, chosen: ChosenModel, cost: Vector, target: float, half: float) -> Vector | None:
    """Return the cheapest place whose bound reaches a target; that of a quadratic among many points of the region."""
    if chosen.fitted.model == "line":
        return _by_cuts(body, chosen.posterior, cost, target, half)
    field = many()
    mean, error = chosen.posterior.at(chosen.fitted.terms.columns(field))
    reached = np.flatnonzero(mean - half * error >= target)
    return field[reached[(field[reached] @ cost).argmin()]] if len(reached) else None


@cache
def many() -> Vector:
    """Return corners, middles and points evenly over the region, shape (c, q)."""
    body = planned(8).region.space.body
    return np.vstack([candidates(body, 2000, np.random.default_rng(0)), body.drawn(5000, np.random.default_rng(1))])


def _by_cuts(body: Polytope, post: Posterior, cost: Vector, target: float, half: float) -> Vector | None:
    """Return the cheapest place by cutting planes of scipy's linear programs."""
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


def _of(z: Vector, read: Vector) -> ChosenModel:
    readings = Readings("log", z, None, read, read, np.ones(len(z), np.int64), tuple(range(1, len(z) + 1)))
    return searching(choose(readings, Noise(NOISE)))
