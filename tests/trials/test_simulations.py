"""Simulated trials in small, seeded; `tests/soak.py` runs them at length, docs/trials.md tells what came of it."""

import numpy as np
import pytest

from tests.support.made_up_truths import coverage, errors, kept, shortfalls


@pytest.mark.thorough
def test_chosen_beakers_tell_more_than_random_ones():
    chosen, random, usual = np.sqrt((errors(120, 1) ** 2).mean(axis=0))
    assert chosen <= 0.5 * random
    assert chosen <= 0.5 * usual


def test_nearly_straight_truths_are_told_better_still():
    chosen, random, _ = errors(40, 1, ("line", "mildly bent")).mean(axis=0)
    assert chosen <= 0.5 * random


def test_intervals_hold_what_they_say_of_all_truths():
    shares, says = coverage(120, 1)
    assert shares.mean() >= 0.9
    assert np.quantile(shares, 0.1) >= 0.85
    assert np.quantile(shares[says], 0.1) >= 0.85
    assert (~says).sum() < 60


@pytest.mark.thorough
def test_a_target_is_kept_by_the_bound_and_not_by_the_mean():
    found = kept(80, 1)
    by_mean, by_bound = found[~np.isnan(found).any(axis=1)].mean(axis=0)
    assert by_bound >= 0.85
    assert by_mean < by_bound - 0.1


def test_expected_improvement_comes_nearer_the_best_than_chance():
    _, chosen, random = shortfalls(24, 1).mean(axis=0)
    assert chosen <= 0.6 * random
