"""Which blend to try next if the best one is looked for: expected improvement.

By how much a reading's mean at a blend can be expected to exceed the best so far, counting nothing where it does not
(Jones, Schonlau and Welch, J. Global Optim. 13 (1998) 455; with Student's t in place of the normal as the scatter is
estimated too). It weighs what looks good against what is hardly known. Beakers that may separate count by their chance
to hold.
"""

from __future__ import annotations

from math import exp, inf, lgamma, log, pi, sqrt

import numpy as np

from optimizer.trials.fit import ChosenModel, chance, predicted
from optimizer.trials.quantiles import NORMAL, t_share
from optimizer.trials.regression import Vector


def expected_improvement(mean: Vector, error: Vector, best: float, df: float = inf) -> Vector:
    """Return by how much each value can be expected to exceed the best so far, shape (k,).

    Args:
        mean: Predicted means, higher being better, shape (k,).
        error: Their standard errors, shape (k,).
        best: The best so far.
        df: Degrees of freedom of the errors, above 1; infinite for a normal.
    """
    return np.array([_gain(float(m), float(e), best, df) for m, e in zip(mean, error, strict=True)])


def _gain(mean: float, error: float, best: float, df: float) -> float:
    ahead = mean - best
    if error <= 0:
        return max(ahead, 0.0)
    u = ahead / error
    if df == inf:
        return ahead * NORMAL.cdf(u) + error * NORMAL.pdf(u)
    density = exp(lgamma((df + 1) / 2) - lgamma(df / 2) - (df + 1) / 2 * log(1 + u * u / df)) / sqrt(df * pi)
    return ahead * t_share(u, df) + error * (df + u * u) / (df - 1) * density


def gains(
    chosen: ChosenModel,
    z: Vector,
    ph: Vector | None = None,
    *,
    sign: int = 1,
    separating: ChosenModel | None = None,
) -> Vector:
    """Return the expected improvement of a further beaker at coordinates, shape (k,).

    The best so far is the best predicted mean among the beakers that were read, so that a lucky reading sets no mark.

    Args:
        chosen: What is fitted to the readings that shall become better.
        z: Coordinates, shape (k, q).
        ph: pH as the process variable, shape (k,), if it is varied.
        sign: 1 if a higher reading is better, -1 if a lower one is.
        separating: What is fitted to separation, if that was seen.
    """
    here = chosen.readings
    best = float((sign * predicted(chosen, here.z, here.ph)[:, 0]).max())
    mean, error = chosen.at(z, ph)
    found = expected_improvement(sign * mean, error, best, chosen.posterior.df)
    return found * (1 - chance(separating, z, ph)) if separating is not None else found
