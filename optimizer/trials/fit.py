"""What the readings of a series tell: a mean, a line or a quadratic, chosen by what each predicts of left-out readings.

The linear part is flat, so that nothing is assumed of it; terms of second order are shrunk as if their size were that
of the noise, so that trials which cannot tell them all still tell what they can. A quadratic is taken only if its
left-out error is below that of the line and it makes the readings more likely. If the left-out error is not below that
of the mean, the trials do not predict.

A line cannot see curvature: its intervals carry an allowance for it, the mean over the trials of what the shrunk
quadratic is less sure of, added to the variance of the mean so that the bound stays convex. In simulations
(`tests/soak.py`) its 90 % intervals hold the truth as often as they say; without the allowance they do not.
"""

from __future__ import annotations

from math import exp, inf, log, nan

import numpy as np
import numpy.typing as npt

from optimizer.errors import UsageError
from optimizer.immutable import immutable, replace
from optimizer.trials.basis import ModelName, Terms
from optimizer.trials.latent import Averaged, Sites, averaged, with_days, yes_or_no
from optimizer.trials.quantiles import NORMAL
from optimizer.trials.regression import DAY_RATIO, Noise, Posterior, ReadTrials, Vector, left_out, posterior, supported
from optimizer.trials.series import Kind, Read, Series
from optimizer.units import AS_TYPED

CURVATURE = 1.0
"""Prior precision of a term of second order in units of the noise, as in the choice of the trials."""
ALMOST_FLAT = 1e-3
"""Prior precision of the line where readings are no plain numbers, which a flat one would leave open."""
CHANCE_MEAN, CHANCE_LINE = 0.3, 1.0
"""Prior precision of the mean and the line of a yes or no, so that a few alike readings prove little; the second is the
one that foretold measured blends best (`tests/trials/test_measured_blends.py`)."""
REPEATABILITY: dict[Kind, float] = {"log": 0.10, "judged": 0.5, "number": 0.05}
"""Standard deviation of a repeated reading: of its logarithm, in steps, as a part of the mean (common practice)."""
FEWEST = 4
"""Beakers below which nothing is fitted."""


CLEARLY = 0.9
"""A model predicts if it misses left-out readings by less than this part of what guessing misses; an editable default,
no source."""
TO_JUDGE = 2
"""Beakers beyond the figures of a line that it takes to judge it; an editable default, no source."""


@immutable
class FittedModel:
    """One model fitted to the readings.

    Attributes:
        model: Its name.
        posterior: What it tells of the coefficients.
        left_out: Each reading predicted from the others, shape (n,); chances of yes for a yes or no.
        error: What these miss: root mean square for numbers, else the mean logarithm of their chance, turned round.
        evidence: Logarithm of the chance of all readings under the model, up to a constant.
    """

    model: ModelName
    terms: Terms
    posterior: Posterior
    left_out: Vector
    error: float
    evidence: float


@immutable
class Readings:
    """The readings of one kind as matrices.

    Attributes:
        z: Coordinates of the beakers as weighed, shape (n, q).
        ph: pH as the process variable, shape (n,), or None.
        low: Lower ends in the scale that is fitted, shape (n,).
        high: Upper ends.
        days: Shape (n,).
        beakers: Numbers, shape (n,).
    """

    kind: Kind
    z: Vector
    ph: Vector | None
    low: Vector
    high: Vector
    days: npt.NDArray[np.int64]
    beakers: tuple[int, ...]
    typed: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.low)

    @property
    def exact(self) -> bool:
        """Whether all are plain numbers."""
        return self.kind != "yes/no" and bool((self.low == self.high).all())

    @property
    def middle(self) -> Vector:
        """Each reading as a number: the middle of its ends, or the one there is; shape (n,)."""
        if self.kind == "yes/no":
            return self.low
        ends = np.where(np.isinf(self.low), self.high, self.low), np.where(np.isinf(self.high), self.low, self.high)
        judged_end = np.where(np.isinf(self.low), -0.5, np.where(np.isinf(self.high), 0.5, 0.0))
        return (ends[0] + ends[1]) / 2 + (judged_end if self.kind == "judged" else 0.0)

    def columns(self, model: ModelName) -> tuple[Terms, Vector]:
        """Return the terms of a model and their matrix."""
        terms = Terms(self.z.shape[1], model, self.ph is not None)
        return terms, terms.columns(self.z, self.ph)

    def sites(self, terms: Vector, precision: Vector) -> Sites:
        """Return what `latent` follows."""
        if self.kind == "yes/no":
            yes = self.low > 0.5
            return Sites(terms, np.where(yes, 0.0, -inf), np.where(yes, inf, 0.0), precision, scaled=False)
        wide, more = with_days(terms, precision, self.days, DAY_RATIO)
        return Sites(wide, self.low - self.offset, self.high - self.offset, more)

    @property
    def offset(self) -> float:
        """What is taken off before a prior that is almost flat is laid round 0."""
        return float(self.middle.mean())


def readings_of(series: Series, what: str) -> Readings:
    """Return the readings of one kind as matrices; several plain ones of a beaker count as their mean.

    Raises:
        UsageError: If there are too few to fit anything.
    """
    found: dict[int, list[Read]] = {}
    for read in series.reads(what):
        found.setdefault(read.beaker, []).append(read)
    if len(found) < FEWEST:
        raise UsageError(f"{len(found)} beakers have a reading of {what}; at least {FEWEST} are needed to fit it.")
    rows = [k for k, b in enumerate(series.beaker) if b.number in found]
    kept = [_joined(found[series.beaker[k].number]) for k in rows]
    kind = kept[0].kind
    ends = np.array([[r.low, r.high] for r in kept])
    if kind == "log":
        with np.errstate(divide="ignore"):
            ends = np.log(np.maximum(ends, 0.0))
    process = series.process()
    return Readings(
        kind,
        series.z()[rows],
        None if process is None else process[rows],
        ends[:, 0],
        ends[:, 1],
        np.array([r.day for r in kept]),
        tuple(r.beaker for r in kept),
        tuple(r.typed or "no" for r in kept),
    )


def _joined(reads: list[Read]) -> Read:
    """Return several readings of one beaker as one: their mean if all are plain numbers, else the last."""
    if len(reads) == 1 or not all(r.exact for r in reads) or reads[0].kind == "yes/no":
        return reads[-1]
    values = [r.low for r in reads]
    mean = exp(sum(map(log, values)) / len(values)) if reads[0].kind == "log" else sum(values) / len(values)
    one = reads[-1]
    typed = ", ".join(r.typed for r in reads)
    return Read(one.number, one.beaker, one.day, one.what, one.kind, typed, mean, mean)


def usual_noise(readings: Readings, stated: float | None = None) -> Noise:
    """Return the prior of the scatter: as stated, else common practice."""
    if stated is not None:
        return Noise(stated, source="stated in the series")
    usual = REPEATABILITY.get(readings.kind, 1.0)
    if readings.kind == "number":
        usual *= max(abs(float(readings.middle.mean())), AS_TYPED)
    return Noise(usual, source="common practice, no source")


def candidate(readings: Readings, model: ModelName, noise: Noise) -> FittedModel:
    """Return one model fitted to readings."""
    terms, columns = readings.columns(model)
    if readings.kind == "yes/no":
        precision = np.where(terms.curved, CURVATURE, CHANCE_LINE)
        precision[0] = CHANCE_MEAN
        return _of_latent(readings, model, terms, yes_or_no(readings.sites(columns, precision)))
    if not readings.exact:
        precision = np.where(terms.curved, CURVATURE, ALMOST_FLAT)
        return _of_latent(readings, model, terms, averaged(readings.sites(columns, precision), noise, len(terms)))
    precision = np.where(terms.curved, CURVATURE, 0.0)
    made = ReadTrials(columns, readings.low, readings.days)
    left = left_out(made, precision, noise)
    told = posterior(made, precision, noise)
    return FittedModel(model, terms, told, left.predicted, left.error(readings.low), left.evidence)


def _of_latent(readings: Readings, model: ModelName, terms: Terms, found: Averaged) -> FittedModel:
    if readings.kind == "yes/no":
        left = np.where(readings.low > 0.5, found.chances, 1 - found.chances)
        return FittedModel(model, terms, found.posterior, left, -found.score, found.evidence)
    told = found.posterior
    mean = told.mean + readings.offset * (np.arange(len(told.mean)) == 0)
    left = found.left_out + readings.offset
    return FittedModel(model, terms, replace(told, mean=mean), left, -found.score, found.evidence)


@immutable
class ChosenModel:
    """The model that readings support.

    Attributes:
        fitted: The chosen line or quadratic, the mean if nothing predicts better.
        mean: The mean alone.
        line: The line; None if the trials do not tell it.
        quadratic: The quadratic with its shrunk curvature; None if it was not tried.
        posterior: Of the chosen one, with the allowance for what it cannot see.
        why: What stands against a line or a quadratic, in words.
    """

    readings: Readings
    noise: Noise
    fitted: FittedModel
    mean: FittedModel
    line: FittedModel | None
    quadratic: FittedModel | None
    posterior: Posterior
    why: str = ""

    @property
    def predicts(self) -> bool:
        """Whether left-out readings are predicted better than by the mean."""
        return self.fitted.model != "mean"

    def at(self, z: Vector, ph: Vector | None) -> tuple[Vector, Vector]:
        """Return means and their standard errors, each shape (k,), at coordinates and pH as the process variable."""
        return self.posterior.at(self.fitted.terms.columns(z, ph))


def choose(readings: Readings, noise: Noise) -> ChosenModel:
    """Return the model that predicts left-out readings best."""
    mean = candidate(readings, "mean", noise)
    line, why = None, ""
    try:
        supported(readings.columns("line")[1], readings.columns("line")[0].names)
        line = candidate(readings, "line", noise)
    except UsageError as error:
        why = str(error)
    quadratic = (
        candidate(readings, "quadratic", noise) if line is not None and len(readings) > len(line.terms) else None
    )
    best = line or mean
    if line is not None and quadratic is not None and _bends(line, quadratic):
        best = quadratic
    if best is not mean:
        guessed = missed_by(readings, mean.left_out)
        clear = best.error < mean.error and missed_by(readings, best.left_out) < CLEARLY * guessed
        best = best if clear and _enough(readings, line) else mean
    return ChosenModel(readings, noise, best, mean, line, quadratic, _honest(readings, best, line, quadratic), why)


def _enough(readings: Readings, line: FittedModel | None) -> bool:
    """Return whether there are more beakers than the figures of a line and two to judge it by."""
    return line is not None and len(readings) > len(line.terms) + TO_JUDGE


def searching(chosen: ChosenModel) -> ChosenModel:
    """Return the line or quadratic also where the trials do not predict yet, for looking where to go next.

    A next beaker is a question, not an answer: in simulations (`tests/soak.py`) searching by what is known so far
    comes nearer the best than waiting until it predicts.

    Raises:
        UsageError: If the trials do not tell a line.
    """
    if chosen.predicts:
        return chosen
    line, quadratic = chosen.line, chosen.quadratic
    if line is None:
        raise UsageError(f"{chosen.why} So nothing tells where to look; learn more first (--aim learn).")
    best = quadratic if quadratic is not None and _bends(line, quadratic) else line
    return replace(chosen, fitted=best, posterior=_honest(chosen.readings, best, line, quadratic))


def missed_by(readings: Readings, left: Vector) -> float:
    """Return what left-out predictions miss of the readings, root mean square; nothing of a limit that they keep."""
    if readings.kind == "yes/no":
        return float(np.sqrt(brier(left, readings.low)))
    missed = left - readings.middle
    if readings.kind != "judged":
        limited = readings.low != readings.high
        beyond = np.maximum(np.maximum(readings.low - left, left - readings.high), 0.0)
        missed = np.where(limited, beyond, missed)
    return inf if np.isnan(missed).any() else float(np.sqrt((missed**2).mean()))


def _bends(line: FittedModel, quadratic: FittedModel) -> bool:
    """Return whether a quadratic predicts better than the line, and makes the readings as a whole more likely too.

    The second keeps out three in four of the quadratics that a straight truth wins by chance.
    """
    return quadratic.error < line.error and quadratic.evidence > line.evidence


def _honest(
    readings: Readings, best: FittedModel, line: FittedModel | None, quadratic: FittedModel | None
) -> Posterior:
    """Return what the chosen model tells, with an allowance for the curvature that a line cannot see."""
    if line is None or quadratic is None or best.model == "mean" or readings.kind == "yes/no":
        return best.posterior
    if best.model == "line":
        spare = _spread(readings, quadratic) - _spread(readings, line)
        unit = line.posterior.unit.copy()
        unit[0, 0] += max(float(spare.mean()), 0.0)
        return replace(line.posterior, unit=unit)
    variance = max(best.posterior.variance, line.posterior.variance)
    return replace(best.posterior, variance=variance, df=line.posterior.df)


def _spread(readings: Readings, of: FittedModel) -> Vector:
    """Return how unsure a model is at points between the trials, in units of the noise, shape (k,)."""
    return of.posterior.spread(of.terms.columns(*between(readings.z, readings.ph)))


def between(z: Vector, ph: Vector | None, count: int = 400) -> tuple[Vector, Vector | None]:
    """Return points spread over the body that trials span, always the same ones for the same trials."""
    weights = np.random.default_rng(0).dirichlet(np.full(len(z), 0.3), count)
    return weights @ z, None if ph is None else weights @ ph


def curvature_told(readings: Readings) -> str:
    """Return why the trials cannot tell a full quadratic, or an empty text."""
    terms, columns = readings.columns("quadratic")
    try:
        supported(columns, terms.names)
    except UsageError as error:
        return str(error)
    return ""


def predicted(chosen: ChosenModel, z: Vector, ph: Vector | None, share: float = 0.9, new: bool = False) -> Vector:
    """Return mean, lower and upper end of an interval at coordinates, in the scale that is fitted, shape (k, 3).

    Args:
        chosen: The model.
        z: Coordinates, shape (k, q).
        ph: pH as the process variable, shape (k,), if it is varied.
        share: How often the interval shall hold the truth.
        new: Whether it is for a new reading instead of the mean of many.
    """
    mean, error = chosen.at(z, ph)
    if new:
        error = np.sqrt(error**2 + chosen.posterior.variance)
    half = chosen.posterior.half((1 + share) / 2) * error
    return np.column_stack([mean, mean - half, mean + half])


def chance(chosen: ChosenModel, z: Vector, ph: Vector | None) -> Vector:
    """Return the chance of yes at coordinates, shape (k,)."""
    mean, error = chosen.at(z, ph)
    return np.array([NORMAL.cdf(m / float(np.sqrt(1 + e * e))) for m, e in zip(mean, error, strict=True)])


def brier(chances: Vector, yes: Vector) -> float:
    """Return the mean square of what chances miss of what came."""
    return float(((chances - yes) ** 2).mean()) if len(yes) else nan
