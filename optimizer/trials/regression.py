"""Least squares as a maker's few trials need it: prior of the noise, shrunk terms, days that differ.

y = F b + u_day + e, with e of variance s2, u_day of variance ratio x s2, and b_j of variance s2 / precision_j (flat
where that is 0). With s2 a scaled inverse chi-square whose prior is worth some readings of a stated repeatability, all
of it is conjugate (normal-inverse-gamma; O'Hagan and Forster, Kendall's Advanced Theory of Statistics 2B (2004),
chapter 11): b is Student's t. Without priors it is ordinary least squares. What is left out one at a time is told in
closed form from the same matrix (Dubrule, Math. Geol. 15 (1983) 687).

Limits: the ratio of the variances is stated, not estimated; eight readings of two days tell nothing of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf, log, nan

import numpy as np
import numpy.typing as npt

from optimizer.errors import UsageError
from optimizer.immutable import immutable
from optimizer.trials.quantiles import f_beyond, t_quantile
from optimizer.units import LEAST, RANK, listed

Vector = npt.NDArray[np.float64]
DAY_RATIO = 2.0
"""Variance between days over that between beakers of one day; common practice is 1 to 4, no source."""
NOISE_WORTH = 4.0
"""How many readings the stated repeatability counts as."""


@immutable
class Noise:
    """What is known of the scatter of a reading before the trials are read.

    Attributes:
        sd: Repeatability, one standard deviation in the unit that is fitted.
        worth: How many readings it counts as; 0 for nothing known.
        source: Where it comes from, in words.
    """

    sd: float
    worth: float = NOISE_WORTH
    source: str = ""


NO_NOISE = Noise(0.0, 0.0)


@immutable
class ReadTrials:
    """Trials that were made and read.

    Attributes:
        terms: F, shape (n, p); the first column is the mean.
        read: y, shape (n,).
        days: Number of each trial's day, shape (n,); all alike if days do not count.
        ratio: Variance between days over that between beakers.
    """

    terms: Vector
    read: Vector
    days: npt.NDArray[np.int64]
    ratio: float = DAY_RATIO

    @property
    def several_days(self) -> bool:
        """Whether there is more than one day."""
        return len(set(self.days.tolist())) > 1

    def spread(self) -> Vector:
        """Return the covariance of the readings over s2, shape (n, n); one day alone cannot be told from the mean."""
        same = (self.days[:, None] == self.days[None, :]) if self.several_days else np.zeros((len(self.days),) * 2)
        return np.asarray(np.eye(len(self.read)) + self.ratio * same, np.float64)


@immutable
class Posterior:
    """What trials tell of the coefficients: Student's t round `mean`.

    Attributes:
        mean: Shape (p,).
        unit: Covariance over the variance of the noise, shape (p, p).
        variance: Estimated variance of the noise.
        df: Degrees of freedom.
    """

    mean: Vector
    unit: Vector
    variance: float
    df: float

    @property
    def covariance(self) -> Vector:
        """The scale matrix of the coefficients, shape (p, p)."""
        return self.variance * self.unit

    def spread(self, terms: Vector) -> Vector:
        """Return how unsure a mean is at terms of shape (k, p), in units of the noise's variance, shape (k,)."""
        return np.asarray(np.einsum("ij,jk,ik->i", terms, self.unit, terms))

    def at(self, terms: Vector) -> tuple[Vector, Vector]:
        """Return predicted means and their standard errors, each shape (k,), at terms of shape (k, p)."""
        spread = np.einsum("ij,jk,ik->i", terms, self.covariance, terms)
        return terms @ self.mean, np.sqrt(np.maximum(spread, 0.0))

    def half(self, share: float) -> float:
        """Return how many standard errors a one-sided bound of a share lies off the mean."""
        return t_quantile(share, self.df)


def supported(terms: Vector, names: Sequence[str]) -> None:
    """Refuse terms that the made trials cannot tell apart.

    Args:
        terms: F, shape (n, p).
        names: What each column is, shape (p,).

    Raises:
        UsageError: With the terms that move together.
    """
    if len(terms) < terms.shape[1]:
        raise UsageError(f"{len(terms)} trials cannot tell {terms.shape[1]} terms; make at least as many.")
    scale = np.sqrt((terms**2).mean(axis=0))
    scale[scale == 0] = 1.0
    _, sizes, turned = np.linalg.svd(terms / scale, full_matrices=False)
    lost = turned[sizes <= RANK * sizes[0]]
    if not len(lost):
        return
    weight = np.abs(lost).max(axis=0)
    mixed = [n for n, w in zip(names, weight, strict=True) if w > RANK]
    rank = terms.shape[1] - len(lost)
    what = f"the trials tell {rank} of {terms.shape[1]} terms apart"
    raise UsageError(f"{what}: {listed(mixed)} move together in all that was made. Make a trial that parts them.")


def posterior(made: ReadTrials, precision: Vector, noise: Noise = NO_NOISE) -> Posterior:
    """Return what trials tell of the coefficients.

    Args:
        made: Terms, readings, days.
        precision: Prior precision of each term in units of the noise, shape (p,); 0 for a flat prior.
        noise: What is known of the scatter.

    Raises:
        UsageError: If nothing is left to tell the scatter by.
    """
    root = np.linalg.cholesky(made.spread())
    terms, read = np.linalg.solve(root, made.terms), np.linalg.solve(root, made.read)
    held = terms.T @ terms + np.diag(precision)
    unit = np.linalg.inv(held)
    mean = np.linalg.solve(held, terms.T @ read)
    df = noise.worth + len(read) - int((precision == 0).sum())
    if df <= 0:
        raise UsageError("there are as many terms as readings: nothing tells how far a reading can be off.")
    left = float(((read - terms @ mean) ** 2).sum() + (precision * mean**2).sum())
    return Posterior(mean, unit, (noise.worth * noise.sd**2 + left) / df, df)


@immutable
class LeaveOneOut:
    """Each reading predicted from the others.

    Attributes:
        predicted: Shape (n,); NaN where the others do not tell it.
        weight: How firmly the others tell each reading: its variance given them is s2 over this, shape (n,).
        evidence: Logarithm of the chance of all readings, up to a constant.
    """

    predicted: Vector
    weight: Vector
    evidence: float

    def error(self, read: Vector) -> float:
        """Return the root mean square of what the predictions miss; infinite if one is missing."""
        missed = read - self.predicted
        return inf if np.isnan(missed).any() else float(np.sqrt((missed**2).mean()))


def left_out(made: ReadTrials, precision: Vector, noise: Noise = NO_NOISE) -> LeaveOneOut:
    """Return each reading as the other ones predict it; the arguments are those of `posterior`."""
    flat, shrunk = made.terms[:, precision == 0], made.terms[:, precision > 0]
    spread = made.spread() + (shrunk / precision[precision > 0]) @ shrunk.T
    inner = np.linalg.inv(spread)
    flat_inner = flat.T @ inner
    held = flat_inner @ flat
    freed = inner - flat_inner.T @ np.linalg.solve(held, flat_inner)
    weight = freed.diagonal().copy()
    told = weight > RANK
    missed = np.where(told, (freed @ made.read) / np.where(told, weight, 1.0), nan)
    df = noise.worth + len(made.read) - flat.shape[1]
    left = noise.worth * noise.sd**2 + float(made.read @ freed @ made.read)
    logs = np.linalg.slogdet(spread)[1] + np.linalg.slogdet(held)[1]
    evidence = -logs / 2 - df / 2 * log(max(left, LEAST))
    return LeaveOneOut(made.read - missed, weight, float(evidence))


def leverage(made: ReadTrials, precision: Vector) -> Vector:
    """Return how much each reading alone decides its own prediction, 0 to 1, shape (n,)."""
    inner = np.linalg.inv(made.spread())
    held = made.terms.T @ inner @ made.terms + np.diag(precision)
    return np.asarray((made.terms @ np.linalg.solve(held, made.terms.T @ inner)).diagonal(), np.float64)


@immutable
class LackOfFit:
    """Whether the terms miss more than repeats scatter."""

    repeats_df: float
    """Degrees of freedom of the repeats."""
    repeats_sd: float
    """Scatter of repeats."""
    ratio: float
    """F; NaN where it cannot be told."""
    share: float
    """Share of such ratios that chance alone exceeds."""


def lack_of_fit(made: ReadTrials) -> LackOfFit | None:
    """Return the test of lack of fit by repeats, or None without repeats; days play no part in it."""
    where = np.unique(np.round(made.terms, 9), axis=0, return_inverse=True)[1].ravel()
    groups = [made.read[where == k] for k in range(int(where.max()) + 1)]
    pure_df = len(made.read) - len(groups)
    if pure_df == 0:
        return None
    pure = sum(float(((g - g.mean()) ** 2).sum()) for g in groups)
    fitted = np.linalg.lstsq(made.terms, made.read, rcond=None)[0]
    left = float(((made.read - made.terms @ fitted) ** 2).sum())
    lack_df = len(groups) - int(np.linalg.matrix_rank(made.terms))
    sd = float(np.sqrt(pure / pure_df))
    if lack_df == 0 or pure == 0:
        return LackOfFit(pure_df, sd, nan, nan)
    ratio = max(left - pure, 0.0) / lack_df / (pure / pure_df)
    return LackOfFit(pure_df, sd, ratio, f_beyond(ratio, lack_df, pure_df))


def aliases(terms: Vector, others: Vector) -> Vector:
    """Return how much of each other term the fitted ones take in, shape (p, q): (F'F)^-1 F'G."""
    return np.asarray(np.linalg.solve(terms.T @ terms, terms.T @ others), np.float64)
