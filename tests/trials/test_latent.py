"""Limits, judgements, yes and no: the likelihood and what follows from it against brute-force integration."""

from math import inf

import numpy as np
import pytest
from scipy import integrate, stats

from optimizer.trials.latent import Sites, averaged, follow, moments, with_days, yes_or_no
from optimizer.trials.regression import Noise, ReadTrials, posterior
from tests.support.draws import some

ENDS = [(1.0, inf), (-inf, -0.5), (0.2, 0.9), (3.5, 4.5), (9.0, inf), (-inf, -12.0), (-2.0, 7.0)]
"""Made up: above, below, between, far off."""


@pytest.mark.parametrize(("low", "high"), ENDS)
@pytest.mark.parametrize("noise", [0.05, 1.0])
def test_moments_of_an_interval(low, high, noise):
    mean, variance = 0.3, 1.7

    h = np.linspace(-20, 20, 100_001)
    below, above = (high - h) / noise**0.5, (low - h) / noise**0.5
    # Each tail keeps its digits on its own side.
    inside = np.where(
        above > 0, stats.norm.sf(above) - stats.norm.sf(below), stats.norm.cdf(below) - stats.norm.cdf(above)
    )
    weight = inside * stats.norm.pdf(h, mean, variance**0.5)
    sums = [integrate.simpson(weight * (h - mean) ** k, x=h) for k in range(3)]
    chance, middle, spread = moments(low, high, mean, variance, noise)
    assert chance == pytest.approx(sums[0], rel=1e-6)
    assert middle - mean == pytest.approx(sums[1] / sums[0], rel=1e-7)
    assert spread == pytest.approx(sums[2] / sums[0] - (sums[1] / sums[0]) ** 2, rel=1e-4)


def _brute(sites, sd):
    """Mean, covariance and evidence of two coefficients by summing over a fine lattice."""
    axis = np.linspace(-12, 12, 601)
    one, two = np.meshgrid(axis, axis, indexing="ij")
    prior_sd = (sd if sites.scaled else 1.0) / np.sqrt(sites.precision)
    logs = stats.norm.logpdf(one, 0, prior_sd[0]) + stats.norm.logpdf(two, 0, prior_sd[1])
    for x, low, high in zip(sites.terms, sites.low, sites.high, strict=True):
        h = one * x[0] + two * x[1]
        if low == high:
            logs += stats.norm.logpdf(low, h, sd)
        else:
            logs += np.log(np.maximum(stats.norm.cdf((high - h) / sd) - stats.norm.cdf((low - h) / sd), 1e-300))
    weight = np.exp(logs)
    cell = (axis[1] - axis[0]) ** 2
    evidence = np.log(weight.sum() * cell)
    weight /= weight.sum()
    mean = np.array([(weight * one).sum(), (weight * two).sum()])
    off = [one - mean[0], two - mean[1]]
    return mean, np.array([[(weight * a * b).sum() for b in off] for a in off]), evidence


def _readings(seed, kind):
    rng = np.random.default_rng(seed)
    terms = np.column_stack([np.ones(9), rng.standard_normal(9)])
    h = terms @ [2.8, 1.1] + 0.6 * rng.standard_normal(9)
    if kind == "censored":
        return terms, np.where(h > 3.3, 3.3, h), np.where(h > 3.3, inf, h)
    if kind == "judged":
        step = np.clip(np.round(h), 1, 5)
        return terms, np.where(step > 1, step - 0.5, -inf), np.where(step < 5, step + 0.5, inf)
    yes = h - 2.8 > 0
    return terms, np.where(yes, 0.0, -inf), np.where(yes, inf, 0.0)


@pytest.mark.parametrize("kind", ["censored", "judged", "yes/no"])
@pytest.mark.parametrize("seed", some([1, 2, 3], 1))
def test_followed_against_brute_force(kind, seed):
    terms, low, high = _readings(seed, kind)
    scaled = kind != "yes/no"
    sites = Sites(terms, low, high, np.array([0.04, 0.5]) if scaled else np.array([0.4, 1.0]), scaled)
    sd = 0.7 if scaled else 1.0
    mean, covariance, evidence = _brute(sites, sd)
    found = follow(sites, sd)
    spread = np.sqrt(covariance.diagonal())
    assert np.abs(found.mean - mean).max() < 0.02 * spread.max()
    assert np.sqrt(found.covariance.diagonal()) == pytest.approx(spread, rel=0.05)
    assert found.evidence == pytest.approx(evidence, abs=0.02)


@pytest.mark.slow
def test_left_out_chances_against_brute_force():
    terms, low, high = _readings(4, "yes/no")
    sites = Sites(terms, low, high, np.array([0.4, 1.0]), False)
    found = yes_or_no(sites)
    for i in range(len(low)):
        others = np.arange(len(low)) != i
        without = _brute(Sites(terms[others], low[others], high[others], sites.precision, False), 1.0)[2]
        assert found.chances[i] == pytest.approx(np.exp(_brute(sites, 1.0)[2] - without), abs=0.02)


def test_numbers_alone_are_least_squares():
    rng = np.random.default_rng(7)
    terms = np.column_stack([np.ones(12), rng.standard_normal((12, 2))])
    read = terms @ [1.0, 0.4, -0.3] + 0.2 * rng.standard_normal(12)
    precision, noise = np.array([1e-6, 1e-6, 1.0]), Noise(0.2, 4.0)
    known = posterior(ReadTrials(terms, read, np.zeros(12, int)), precision, noise)
    found = averaged(Sites(terms, read, read, precision), noise)
    assert found.posterior.mean == pytest.approx(known.mean, abs=1e-6)
    # The grid carries the proper prior of three nearly flat terms, which the closed form counts as degrees of freedom.
    assert np.sqrt(found.posterior.covariance.diagonal()) == pytest.approx(
        np.sqrt(known.covariance.diagonal()), rel=0.15
    )


def test_a_limit_pulls_less_than_a_number_at_it_and_more_than_nothing():
    terms = np.column_stack([np.ones(4), [-1.0, 0, 1, 2]])
    noise, precision = Noise(0.3, 4.0), np.array([1e-4, 1e-2])
    low = np.array([0.0, 1, 2, 2.2])
    at_it = averaged(Sites(terms, low, low, precision), noise).posterior.mean[1]
    high = np.array([0.0, 1, 2, inf])
    above = averaged(Sites(terms, low, high, precision), noise).posterior.mean[1]
    alone = averaged(Sites(terms[:3], low[:3], low[:3], precision), noise).posterior.mean[1]
    assert at_it < above
    assert above == pytest.approx(alone, abs=0.1)


def test_days_become_columns_only_if_there_are_several():
    terms, precision = np.ones((4, 1)), np.ones(1)
    assert with_days(terms, precision, np.array([1, 1, 1, 1]), 2.0)[0].shape == (4, 1)
    wide, more = with_days(terms, precision, np.array([1, 2, 2, 1]), 2.0)
    assert wide[:, 1:].tolist() == [[1, 0], [0, 1], [0, 1], [1, 0]]
    assert more.tolist() == [1, 0.5, 0.5]
