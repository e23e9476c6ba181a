"""Readings that are no plain number: above or below a limit, judged in steps, yes or no.

Each reading says that h + e lies between two ends, with h = F b what the terms tell and e normal of standard deviation
s. Given s, b is followed by expectation propagation: every such reading is replaced by the normal one that changes the
mean and the variance alike (Minka, thesis, MIT 2001; Rasmussen and Williams, Gaussian Processes for Machine Learning
(2006), section 3.6). s is then averaged over a fixed grid by the evidence of the readings and a prior worth some
readings. Yes and no have no scale of their own: there s is 1 (probit) and chances are what is told.

Limits: expectation propagation is no exact integration; the tests hold it against one. It has settled after a few
sweeps here since every site is log-concave.
"""

from __future__ import annotations

from math import erfc, exp, inf, log, log1p, pi, sqrt

import numpy as np
import numpy.typing as npt

from optimizer.immutable import immutable
from optimizer.trials.quantiles import NORMAL
from optimizer.trials.regression import Noise, Posterior, Vector
from optimizer.units import LEAST, ROUND_OFF, SETTLED

SWEEPS = 60
GRID = 17
"""Standard deviations tried, evenly in their logarithm."""
WIDE = 6.0
"""The grid goes from the prior's over this to the prior's times this."""
LEAST_DF = 3.0
"""So that a standard deviation can be told of what is Student's t."""


def below(x: float) -> float:
    """Return the share of the standard normal below x, to the last digit also far down."""
    return erfc(-x / sqrt(2)) / 2


@immutable
class Sites:
    """Readings with the days they were made on as further terms.

    Attributes:
        terms: Shape (n, p).
        low: Lower ends, shape (n,).
        high: Upper ends, shape (n,); equal to `low` for a number.
        precision: Prior precision of each term, all above 0, shape (p,).
        scaled: Whether precisions are in units of the noise.
    """

    terms: Vector
    low: Vector
    high: Vector
    precision: Vector
    scaled: bool = True


@immutable
class Followed:
    """What readings tell at one standard deviation of the noise.

    Attributes:
        mean: Of the coefficients, shape (p,).
        covariance: Shape (p, p).
        evidence: Logarithm of the chance of all readings.
        cavity_mean: What the others tell of each reading, shape (n,).
        chances: Chance, or density of a number, of each reading given the others, shape (n,).
    """

    mean: Vector
    covariance: Vector
    evidence: float
    cavity_mean: Vector
    chances: Vector


def moments(low: float, high: float, mean: float, variance: float, noise: float) -> tuple[float, float, float]:
    """Return chance, mean and variance of h ~ N(mean, variance) given that h + e lies between two ends.

    Args:
        low: Lower end.
        high: Upper end.
        mean: Of h.
        variance: Of h.
        noise: Variance of e.
    """
    total = variance + noise
    root = sqrt(total)
    a, b = (low - mean) / root, (high - mean) / root
    if a + b > 0:  # on the lower side shares keep their digits
        chance, middle, spread = moments(-high, -low, -mean, variance, noise)
        return chance, -middle, spread
    a, b = max(a, -38.0), max(b, -37.0)
    chance = max(below(b) - below(a), LEAST)
    at_a, at_b = NORMAL.pdf(a), NORMAL.pdf(b)
    pull = (at_a - at_b) / chance
    turn = ((b * at_b if b < inf else 0.0) - a * at_a) / chance
    spread = variance - variance**2 / total * (pull**2 + turn)
    return chance, mean + variance / root * pull, max(spread, ROUND_OFF * variance)


def follow(sites: Sites, sd: float) -> Followed:
    """Return what readings tell of the coefficients at one standard deviation of the noise."""
    terms, noise = sites.terms, sd * sd
    held = np.diag(sites.precision / (noise if sites.scaled else 1.0))
    exact = sites.low == sites.high
    firm = np.where(exact, 1 / noise, 0.0)
    pull = np.where(exact, np.where(exact, sites.low, 0.0) / noise, 0.0)
    covariance, mean = _refreshed(terms, held, firm, pull)
    for _ in range(SWEEPS):
        moved = 0.0
        for i in np.flatnonzero(~exact):
            moved = max(moved, _visit(sites, int(i), noise, firm, pull, covariance, mean))
        covariance, mean = _refreshed(terms, held, firm, pull)
        if moved <= SETTLED:
            break
    return _told(sites, noise, held, firm, pull, covariance, mean)


def _refreshed(terms: Vector, held: Vector, firm: Vector, pull: Vector) -> tuple[Vector, Vector]:
    covariance = np.asarray(np.linalg.inv(held + (terms.T * firm) @ terms), np.float64)
    return covariance, covariance @ (terms.T @ pull)


def _cavity(x: Vector, firm: float, pull: float, covariance: Vector, mean: Vector) -> tuple[float, float]:
    """Return mean and variance of a reading's h without its own site."""
    variance = float(x @ covariance @ x)
    at = float(x @ mean)
    left = 1 / variance - firm
    return (at / variance - pull) / left, 1 / left


def _visit(sites: Sites, i: int, noise: float, firm: Vector, pull: Vector, covariance: Vector, mean: Vector) -> float:
    """Make one site anew, change covariance and mean in place, and return by how much it changed."""
    x = sites.terms[i]
    at, variance = _cavity(x, firm[i], pull[i], covariance, mean)
    _, middle, spread = moments(sites.low[i], sites.high[i], at, variance, noise)
    new_firm = max(1 / spread - 1 / variance, ROUND_OFF)
    new_pull = middle / spread - at / variance
    step_firm, step_pull = new_firm - firm[i], new_pull - pull[i]
    firm[i], pull[i] = new_firm, new_pull
    along = covariance @ x
    before = float(x @ mean)
    shrink = step_firm / (1 + step_firm * float(x @ along))
    covariance -= shrink * np.outer(along, along)
    mean += (covariance @ x) * (step_pull - step_firm * before)
    return float(abs(step_firm) * noise + abs(step_pull) * sqrt(noise))


def _told(
    sites: Sites, noise: float, held: Vector, firm: Vector, pull: Vector, covariance: Vector, mean: Vector
) -> Followed:
    """Return what stands when the sites have settled."""
    n = len(sites.low)
    at, chances = np.zeros(n), np.zeros(n)
    evidence = 0.0
    for i in range(n):
        m, v = _cavity(sites.terms[i], firm[i], pull[i], covariance, mean)
        at[i] = m
        if sites.low[i] == sites.high[i]:
            total = v + noise
            chances[i] = exp(-((sites.low[i] - m) ** 2) / (2 * total)) / sqrt(2 * pi * total)
            evidence -= log(2 * pi * noise) / 2 + sites.low[i] ** 2 / (2 * noise)
        else:
            chances[i] = moments(sites.low[i], sites.high[i], m, v, noise)[0]
            whole = (2 * m * pull[i] + pull[i] ** 2 * v - firm[i] * m**2) / (2 * (1 + firm[i] * v))
            evidence += log(chances[i]) + log1p(firm[i] * v) / 2 - whole
    weight = sites.terms.T @ pull
    evidence += (np.linalg.slogdet(held)[1] + np.linalg.slogdet(covariance)[1] + float(weight @ mean)) / 2
    return Followed(mean, covariance, float(evidence), at, chances)


@immutable
class Averaged:
    """What readings tell, with the noise averaged over its grid.

    Attributes:
        posterior: Of the coefficients.
        left_out: What the others tell of each reading, shape (n,).
        score: Mean logarithm of the chance of each reading given the others.
        chances: Those chances, shape (n,).
        evidence: Logarithm of the chance of all readings.
    """

    posterior: Posterior
    left_out: Vector
    score: float
    chances: Vector
    evidence: float


def averaged(sites: Sites, noise: Noise, terms: int | None = None) -> Averaged:
    """Return what readings tell when the noise is known only as well as its prior says.

    Args:
        sites: The readings.
        noise: Prior of the noise; its worth must be above 0.
        terms: Number of leading columns that are told; the others, such as days, are averaged over.
    """
    grid = noise.sd * np.exp(np.linspace(-log(WIDE), log(WIDE), GRID))
    # Scaled inverse chi-square of s2, evenly in log s.
    prior = -noise.worth * np.log(grid / noise.sd) - noise.worth / 2 * (noise.sd / grid) ** 2
    found = [follow(sites, float(sd)) for sd in grid]
    return _mixed(sites, found, grid**2, prior, noise.worth, terms)


def yes_or_no(sites: Sites) -> Averaged:
    """Return what yes and no tell (probit); `low` and `high` are 0 and infinite for yes, the other way for no."""
    return _mixed(sites, [follow(sites, 1.0)], np.ones(1), np.zeros(1), inf, None)


def _mixed(
    sites: Sites, found: list[Followed], variances: Vector, prior: Vector, worth: float, terms: int | None
) -> Averaged:
    logs = prior + np.array([f.evidence for f in found])
    weight = np.exp(logs - logs.max())
    evidence = float(logs.max() + log(weight.sum()))
    weight /= weight.sum()
    means = np.array([f.mean for f in found])
    mean = weight @ means
    covariance = sum(
        w * (f.covariance + np.outer(f.mean - mean, f.mean - mean)) for w, f in zip(weight, found, strict=True)
    )
    chances = np.array([f.chances for f in found])
    apart = weight[:, None] / np.maximum(chances, LEAST)
    given = 1 / apart.sum(axis=0)
    apart = apart * given
    left = (apart * np.array([f.cavity_mean for f in found])).sum(axis=0)
    kept = slice(0, terms)
    variance = float(weight @ variances)
    df = worth if worth == inf else max(worth + len(sites.low) - len(mean[kept]), LEAST_DF)
    scale = 1.0 if df == inf else (df - 2) / df
    unit = np.asarray(covariance)[kept, kept] * scale / (variance * scale)
    posterior = Posterior(mean[kept], unit, variance * scale, df)
    return Averaged(posterior, left, float(np.log(given).mean()), given, evidence)


def with_days(terms: Vector, precision: Vector, days: npt.NDArray[np.int64], ratio: float) -> tuple[Vector, Vector]:
    """Return terms and precisions with a column for each day, if there are several."""
    found = sorted(set(days.tolist()))
    if len(found) < 2:
        return terms, precision
    columns = (days[:, None] == np.array(found)[None, :]).astype(float)
    return np.hstack([terms, columns]), np.concatenate([precision, np.full(len(found), 1 / ratio)])
