"""The salt curve as a study of its own: one base, five to seven doses of salt, the peak and its band.

Viscosity rises with salt, peaks and falls; how high and where is a matter of the base and its lots. The logarithm of
the readings follows a quadratic in the dose near the peak: ln v = b0 + b1 x + b2 x2. Its peak is at -b1 / 2 b2, with
the band in which b1 + 2 b2 x could be 0 (Fieller, J. R. Stat. Soc. B 16 (1954) 175), widened by where the peak can be
if both sides fall at different rates, as real curves do; where that leaves out the parabola's peak, it is told instead.
Scatter as in `regression`, with a repeatability of 10 % worth 4 readings if none is stated.

Limits: nothing is said outside the doses that were tried; a peak that lies there is not told. Two or more steps past
the peak the curve is no quadratic, so more beakers near it tell more than beakers far from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import exp, inf, isnan, log, nan, sqrt

import numpy as np

from optimizer.assessment.thickening import ThickeningPlan, most_of, plan_of
from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution
from optimizer.data.formula import Formula
from optimizer.errors import UsageError
from optimizer.immutable import Figure, immutable, result, seen, untold
from optimizer.rules.row import Setting
from optimizer.trials.quantiles import t_quantile
from optimizer.trials.regression import Noise, Posterior, ReadTrials, Vector, left_out, posterior
from optimizer.units import KEPT, number

FEWEST, MOST = 5, 7
USUAL = Noise(0.10, source="common practice, no source")
SHARE = 0.9
SKEW = 1.5
"""Standard deviation of the logarithm of how much faster one side of the peak falls than the other; made up, wide."""
SKEWED = "One side falls faster than the other, so the peak is not where a parabola through all readings has it."
FINE = 200
"""Steps in which a dose is looked for."""
USUAL_MOST = 2.0
"""Highest dose that is tried if the salt budget allows more [%]; source: as that of the ladder of salt."""


@immutable
class SaltBeaker:
    """One beaker: salt into the base."""

    salt_percent: float
    """Salt added [% of the product]."""
    salt_g: float
    """[g]"""
    base_g: float
    """Base without salt [g]; what is missing to the whole is water."""
    water_g: float
    """[g]"""
    viscosity: Figure
    """As read; null before."""
    fitted: Figure
    """By the curve."""


@result
class SaltCurve:
    """A salt curve: the output of `tenside trials salt --json`."""

    FORMAT = 1
    brief: Brief = untold()
    name: str = seen("brief.scenario.name")
    """Of the brief."""
    formula: Formula
    """The base; salt takes the place of water kept back."""
    salt: str
    """The material."""
    beakers: tuple[SaltBeaker, ...]
    open: bool
    """Whether nothing known speaks against salt."""
    reasons: tuple[str, ...]
    """What is known of the base and salt."""
    told: bool
    """Whether the readings tell a curve."""
    verdict: str
    peak_percent: Figure
    """Dose of the peak [%]; null if none lies within the doses tried."""
    peak_low: Figure
    """Lower end of its 90 % band [%]."""
    peak_high: Figure
    """Upper end [%]."""
    peak_viscosity: Figure
    """Expected at the peak."""
    target: Figure
    target_percent: Figure
    """Least dose on the rising side at which the target is expected [%]."""
    target_sure_percent: Figure
    """Least dose at which it is, 90 % sure, at least the target [%]."""
    stop_percent: Figure
    """Dose at which the thickening log stops [%].

    The lower end of the peak's band, else the highest one tried, never more than is open; 0 if the readings only fall
    from 0 % on, null if they fall from a higher dose: the peak lies below it, and nobody has looked where.
    """
    open_percent: Figure
    """Highest dose that is open here [%]: part held back, usual upper dose and what the salt budget leaves."""
    others: tuple[str, ...]
    """Thickeners that suit in its place."""
    left_out_error: Figure
    """Of the logarithm, each reading predicted from the others."""
    curve: tuple[tuple[float, float, float, float], ...] = untold(default=())
    """Dose, expected viscosity, lower and upper end of its 90 % band."""
    cautions: tuple[Caution, ...] = ()


@immutable
class SaltQuestion:
    """What a salt curve is asked for.

    Attributes:
        read: Viscosity by dose of salt [mPas by %]; none before the beakers are made.
        count: Beakers, if none are read.
        most: Highest dose [%]; what the salt budget leaves, 2 % at most, without it.
        target: Wanted viscosity.
        grams: Product in a beaker [g].
        repeatability: Standard deviation of the logarithm of a repeated reading.
    """

    read: Mapping[float, float]
    count: int = 6
    most: float | None = None
    target: float | None = None
    grams: float = 100.0
    repeatability: float | None = None


def salt_curve(
    brief: Brief, formula: Formula, setting: Setting, asked: SaltQuestion, cautions: tuple[Caution, ...] = ()
) -> SaltCurve:
    """Return the beakers of a salt curve, and what their readings tell.

    Args:
        brief: The brief.
        formula: The base.
        setting: Its pH setting.
        asked: Readings, or how many beakers.
        cautions: What must be told along.

    Raises:
        UsageError: If the number of doses or a reading cannot be used, or the brief knows no salt.
    """
    plan = plan_of(formula, setting, brief)
    salts = [m for m in brief.library.materials if m.thickener is not None and m.thickener.type == "salt"]
    if not salts:
        raise UsageError("this brief knows no salt that may thicken it; see 'tenside advice' for what may.")
    if asked.read:
        doses = np.array(sorted(asked.read))
        if not len(doses) >= FEWEST or min(asked.read.values()) <= 0 or doses[0] < 0:
            raise UsageError(f"write at least {FEWEST} doses of 0 % or more, each with a viscosity above 0.")
    else:
        doses = _doses(plan, asked)
    read = np.array([asked.read.get(float(d), nan) for d in doses])
    told = _told(doses, read, asked) if asked.read else _SaltFit(None, "Nothing is read yet.")
    beakers = tuple(_beaker(d, v, told, asked.grams, brief) for d, v in zip(doses.tolist(), read.tolist(), strict=True))
    aim = nan if asked.target is None else asked.target
    room = most_of(salts[0], formula.held_back, plan.budget)
    expected, sure = _reaching(told, doses, aim)
    return SaltCurve(
        brief=brief,
        formula=formula,
        salt=salts[0].id,
        beakers=beakers,
        open=plan.salt.open,
        reasons=plan.salt.reasons,
        told=told.post is not None,
        verdict=told.verdict,
        peak_percent=told.peak,
        peak_low=told.low,
        peak_high=told.high,
        peak_viscosity=nan if isnan(told.peak) else exp(told.at(told.peak)[0]),
        target=aim,
        target_percent=expected,
        target_sure_percent=sure,
        stop_percent=_stop(told, doses, room),
        open_percent=room,
        others=tuple(c.id for c in plan.candidates if c.suits and c.type != "salt"),
        left_out_error=told.error,
        curve=_drawn(told, doses),
        cautions=cautions,
    )


def _stop(told: _SaltFit, doses: Vector, room: float) -> float:
    """Return the dose at which a log stops: where the curve asks for it, and no more than is open; NaN if untold."""
    first, last = float(doses[0]), float(doses[-1])
    if told.post is None or (told.falls and first > 0 and room > KEPT):
        return nan
    asked = 0.0 if told.falls else last if isnan(told.low) else min(told.low, last)
    return min(asked, room)


def _doses(plan: ThickeningPlan, asked: SaltQuestion) -> Vector:
    """Return doses evenly from none to the highest, on two decimals."""
    if not FEWEST <= asked.count <= MOST:
        raise UsageError(f"--doses {asked.count}: {FEWEST} to {MOST}; more of them teach little.")
    room = plan.budget.left.typical
    most = min(USUAL_MOST, room) if asked.most is None else asked.most
    if most > room + KEPT:
        raise UsageError(f"--most {number(most, 2)}: the salt budget leaves {number(room, 2)} %.")
    if most < 0.05 * asked.count:
        raise UsageError(f"the salt budget leaves {number(room, 2)} %, too little for {asked.count} doses that differ.")
    return np.round(np.linspace(0.0, most, asked.count), 2)


@immutable
class _SaltFit:
    """What readings tell: the quadratic, its peak and band; NaN where there is none."""

    post: Posterior | None
    verdict: str
    peak: float = nan
    low: float = nan
    high: float = nan
    error: float = nan
    falls: bool = False
    """Whether every dose tried lies past the peak."""

    def at(self, dose: float) -> tuple[float, float]:
        """Return the expected logarithm at a dose and its standard error."""
        assert self.post is not None
        mean, error = self.post.at(_terms(np.array([dose])))
        return float(mean[0]), float(error[0])


def _terms(doses: Vector) -> Vector:
    return np.column_stack([np.ones(len(doses)), doses, doses**2])


def _told(doses: Vector, read: Vector, asked: SaltQuestion) -> _SaltFit:
    """Return what readings tell."""
    noise = USUAL if asked.repeatability is None else Noise(asked.repeatability, source="stated")
    made = ReadTrials(_terms(doses), np.log(read), np.zeros(len(doses), np.int64))
    post = posterior(made, np.zeros(3), noise)
    error = left_out(made, np.zeros(3), noise).error(made.read)
    mean_alone = left_out(ReadTrials(np.ones((len(doses), 1)), made.read, made.days), np.zeros(1), noise).error(
        made.read
    )
    if error >= mean_alone:
        return _SaltFit(None, "These readings do not tell a curve: left-out ones are met no better than by their mean.")
    bend, slope = float(post.mean[2]), float(post.mean[1])
    peak = -slope / (2 * bend) if bend < 0 else inf
    if not doses[0] < peak < doses[-1]:
        rising = post.mean[1] + 2 * bend * (doses[0] + doses[-1]) / 2 > 0
        return _SaltFit(post, _outside(doses, rising), error=error, falls=not rising)
    low, high = _band(post, peak)
    middle, *sides = _two_sided(doses, made.read, noise)
    skewed = not sides[0] <= peak <= sides[1]
    peak = middle if skewed else peak
    low, high = (sides[0], sides[1]) if skewed else (min(low, sides[0]), max(high, sides[1]))
    if low < doses[0] or high > doses[-1]:
        verdict = f"It peaks near {number(peak, 2)} %, but where is hardly told: add beakers around it."
        return _SaltFit(post, verdict, peak, max(low, float(doses[0])), min(high, float(doses[-1])), error)
    verdict = f"It peaks at {number(peak, 2)} % of salt, 90 % sure between {number(low, 2)} and {number(high, 2)} %."
    verdict += f" {SKEWED}" if skewed else ""
    return _SaltFit(post, verdict, peak, low, high, error)


def _outside(doses: Vector, rising: bool) -> str:
    """Return what is said if no peak lies within the doses tried."""
    if not rising and doses[0] <= 0:
        return "It falls from 0 %: add no salt to this base, it only thins it."
    way = f"still rises at {number(float(doses[-1]), 2)}" if rising else f"falls from {number(float(doses[0]), 2)}"
    return f"It {way} %: the peak lies outside what was tried, and nothing is said there."


def _two_sided(doses: Vector, read: Vector, noise: Noise) -> tuple[float, float, float]:
    """Return the peak's median and band where both sides may fall at different rates, within the doses tried.

    ln v = top - k w (x - peak)^2, w = e^(r/2) below the peak and e^(-r/2) above it, r normal with `SKEW`; top and k are
    averaged over in closed form, peak and r over a grid.
    """
    peaks, skews = np.linspace(doses[0], doses[-1], FINE), np.linspace(-2 * SKEW, 2 * SKEW, 31)
    off = doses - peaks[:, None, None]
    fall = -np.where(off < 0, np.exp(skews[:, None] / 2), np.exp(-skews[:, None] / 2)) * off**2
    fall = fall - fall.mean(axis=2, keepdims=True)
    level = read - read.mean()
    size, along = (fall**2).sum(axis=2), fall @ level
    left = noise.worth * noise.sd**2 + np.maximum(level @ level - along**2 / size, 0.0)
    logs = -np.log(size) / 2 - (noise.worth + len(doses) - 2) / 2 * np.log(left) - (skews / SKEW) ** 2 / 2
    logs = np.where(along > 0, logs, -inf)
    share = np.exp(logs - logs.max()).sum(axis=1).cumsum()
    found = np.searchsorted(share / share[-1], [0.5, (1 - SHARE) / 2, (1 + SHARE) / 2])
    middle, low, high = peaks[np.minimum(found, FINE - 1)].tolist()
    return middle, low, high


def _band(post: Posterior, peak: float) -> tuple[float, float]:
    """Return where the slope b1 + 2 b2 x could be 0; infinite ends where the bend itself could be none."""
    cov, t = post.covariance, t_quantile((1 + SHARE) / 2, post.df)
    b1, b2 = float(post.mean[1]), float(post.mean[2])
    square = 4 * (b2**2 - t**2 * cov[2, 2])
    half = 2 * (b1 * b2 - t**2 * cov[1, 2])
    rest = b1**2 - t**2 * cov[1, 1]
    inside = half**2 - square * rest
    if square <= 0 or inside < 0:
        return -inf, inf
    ends = sorted(((-half - sqrt(inside)) / square, (-half + sqrt(inside)) / square))
    return min(ends[0], peak), max(ends[1], peak)


def _reaching(told: _SaltFit, doses: Vector, target: float) -> tuple[float, float]:
    """Return the least doses on the rising side at which the target is expected, and 90 % sure, within those tried."""
    if told.post is None or isnan(target):
        return nan, nan
    top = float(doses[-1]) if isnan(told.peak) else told.peak
    steps = np.linspace(float(doses[0]), top, FINE)
    mean, error = told.post.at(_terms(steps))
    found = []
    for level in (mean, mean - told.post.half(SHARE) * error):
        hit = np.flatnonzero(level >= log(target))
        found.append(float(steps[hit[0]]) if len(hit) else nan)
    return found[0], found[1]


def _drawn(told: _SaltFit, doses: Vector) -> tuple[tuple[float, float, float, float], ...]:
    if told.post is None:
        return ()
    steps = np.linspace(float(doses[0]), float(doses[-1]), 41)
    mean, error = told.post.at(_terms(steps))
    half = told.post.half((1 + SHARE) / 2) * error
    rows = zip(steps.tolist(), np.exp(mean).tolist(), np.exp(mean - half).tolist(), np.exp(mean + half).tolist(),
               strict=True)  # fmt: skip
    return tuple(rows)


def _beaker(dose: float, viscosity: float, told: _SaltFit, grams: float, brief: Brief) -> SaltBeaker:
    """Return one beaker; salt and water share what the base keeps back."""
    room = brief.pool.held_back
    salt = dose * grams / 100
    base = grams * (1 - max(room, dose) / 100)
    fitted = nan if told.post is None else exp(told.at(dose)[0])
    return SaltBeaker(dose, salt, base, grams - base - salt, viscosity, fitted)
