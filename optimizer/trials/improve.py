"""Which blend to try next if the best one is looked for: expected improvement.

By how much a reading's mean at a blend can be expected to exceed the best so far, counting nothing where it does not
(Jones, Schonlau and Welch, J. Global Optim. 13 (1998) 455; with Student's t in place of the normal as the scatter is
estimated too). It weighs what looks good against what is hardly known. Beakers that may separate count by their chance
to hold.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, inf, lgamma, log, pi, sqrt

import numpy as np

from optimizer.errors import UsageError
from optimizer.immutable import replace
from optimizer.trials.design import Places
from optimizer.trials.fit import Chosen, chance, predicted
from optimizer.trials.fitted import Fits
from optimizer.trials.quantiles import NORMAL, normal_density, t_share
from optimizer.trials.regression import Vector
from optimizer.trials.series import Series
from optimizer.units import listed


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
        return ahead * NORMAL.cdf(u) + error * normal_density(u)
    density = exp(lgamma((df + 1) / 2) - lgamma(df / 2) - (df + 1) / 2 * log(1 + u * u / df)) / sqrt(df * pi)
    return ahead * t_share(u, df) + error * (df + u * u) / (df - 1) * density


def gains(
    chosen: Chosen,
    z: Vector,
    ph: Vector | None = None,
    *,
    sign: int = 1,
    separating: Chosen | None = None,
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
    mean, error = chosen.posterior.at(chosen.fitted.terms.columns(z, ph))
    found = expected_improvement(sign * mean, error, best, chosen.posterior.df)
    return found * (1 - chance(separating, z, ph)) if separating is not None else found


def better_of(fits: Fits, aim: str) -> Callable[[Series, Vector, Vector, int], Places]:
    """Return what chooses the next beakers that may be best, for `more.more_beakers`.

    Several are chosen one after the other: each is taken to read what is predicted of it, so that the next one lies
    elsewhere (Ginsbourger, Le Riche and Carraro, in Tenne and Goh, Computational Intelligence in Expensive
    Optimization Problems (2010) 131).

    Args:
        fits: What the trials tell.
        aim: 'maximise READING' or 'minimise READING'.

    Raises:
        UsageError: If the aim is no such words, or the trials do not predict that reading.
    """
    sense, _, what = aim.strip().partition(" ")
    what = what.strip()
    if sense not in ("maximise", "minimise") or not what:
        raise UsageError(f"--best '{aim}': write 'maximise READING' or 'minimise READING'.")
    fit = fits.by_name.get(what)
    if fit is None or fit.chosen is None:
        known = listed(list(fits.by_name), "or") or "nothing yet"
        raise UsageError(f"--best '{aim}': there is no fit of {what}, but of {known}.")
    if not fit.predicts:
        raise UsageError(f"{fit.verdict} So the best cannot be looked for; learn more first (--aim learn).")
    if fit.kind == "yes/no":
        raise UsageError(f"--best '{aim}': a yes or no is no goal. Name a reading with a size.")
    chosen, apart = fit.chosen, fits.by_name.get("separated")
    separating = apart.chosen if apart is not None and apart.predicts else None
    sign = 1 if sense == "maximise" else -1

    def choose_next(series: Series, z: Vector, process: Vector, count: int) -> Places:
        taken: list[int] = []
        now = chosen
        for _ in range(count):
            ph = process if now.readings.ph is not None else None
            found = gains(now, z, ph, sign=sign, separating=separating)
            found[taken] = -1.0
            taken.append(int(found.argmax()))
            now = with_another(now, z[taken[-1]], None if ph is None else float(ph[taken[-1]]))
        return np.array(taken, dtype=np.intp)

    return choose_next


def with_another(chosen: Chosen, z: Vector, ph: float | None) -> Chosen:
    """Return what would be known if a further beaker read just what is predicted of it."""
    at = None if ph is None else np.array([ph])
    columns = chosen.fitted.terms.columns(z[None, :], at)[0]
    post, here = chosen.posterior, chosen.readings
    along = post.unit @ columns
    unit = post.unit - np.outer(along, along) / (1 + float(columns @ along))
    mean = float(columns @ post.mean)
    wider = replace(
        here,
        z=np.vstack([here.z, z]),
        ph=None if here.ph is None or at is None else np.append(here.ph, at),
        low=np.append(here.low, mean),
        high=np.append(here.high, mean),
        days=np.append(here.days, here.days.max()),
        beakers=(*here.beakers, 0),
        typed=(*here.typed, ""),
    )
    return replace(chosen, readings=wider, posterior=replace(post, unit=unit))
