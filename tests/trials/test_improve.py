"""Expected improvement against an integral, and where it sends the next beaker."""

from math import inf

import numpy as np
import pytest
from scipy import stats

from optimizer.errors import UsageError
from optimizer.trials.best import APART, better_by, looked_for
from optimizer.trials.fit import choose, readings_of, usual_noise
from optimizer.trials.improve import expected_improvement, gains
from tests.support.readings import demo, read_of, with_reads

SLOPES = np.array([0.3, -0.2, 0.15])


def line(z):
    return 6.5 + float(SLOPES @ z)


@pytest.mark.parametrize("df", [3.0, 8.0, inf])
@pytest.mark.parametrize("ahead", [-2.0, -0.3, 0.0, 0.8])
def test_against_an_integral(df, ahead):
    law = stats.norm() if df == inf else stats.t(df)
    by_integral = law.expect(lambda u: ahead + 0.7 * u, lb=-ahead / 0.7)
    assert expected_improvement(np.array([ahead]), np.array([0.7]), 0.0, df)[0] == pytest.approx(by_integral, rel=1e-6)


def test_without_doubt_it_is_what_is_ahead():
    assert expected_improvement(np.array([-1.0, 2.0]), np.zeros(2), 0.5).tolist() == [0.0, 1.5]


def test_it_grows_with_what_is_hardly_known():
    few, many = expected_improvement(np.array([0.0, 0.0]), np.array([0.2, 0.6]), 0.3, 6.0)
    assert few < many


def test_a_further_beaker_is_worth_most_where_more_is_expected():
    series = read_of(line, 0.05)
    readings = readings_of(series, "viscosity")
    chosen = choose(readings, usual_noise(readings))
    z = np.random.default_rng(1).uniform(-1.5, 1.5, (300, 3))
    values = z @ SLOPES
    high, low = (int(gains(chosen, z, sign=sign).argmax()) for sign in (1, -1))
    assert values[high] > np.quantile(values, 0.9)
    assert values[low] < np.quantile(values, 0.1)
    assert (gains(chosen, z) >= 0).all()


def test_where_a_beaker_separated_nothing_is_what_may_be_best():
    """Also where the readings of separation predict nothing: one yes among many, as at the bench (made up)."""
    places = demo().z()
    viscosity = {b.number: f"{np.exp(line(z)):.4f}" for b, z in zip(demo().beaker, places, strict=True)}
    thickest = int(np.argmax(places @ SLOPES))
    number = demo().beaker[thickest].number
    kinds = {"viscosity": "log", "separated": "yes/no"}
    better = better_by("maximise viscosity")
    before = better(with_reads({"viscosity": viscosity}, kinds), places, np.zeros(len(places)), 3)
    assert thickest in before
    seen = with_reads({"viscosity": viscosity, "separated": {number: "yes"}}, kinds)
    after = better(seen, places, np.zeros(len(places)), 3)
    assert len(after)
    assert (np.linalg.norm(places[after] - places[thickest], axis=1) >= APART).all()
    held = with_reads({"viscosity": viscosity, "separated": {number: "no"}}, kinds)
    assert better(held, places, np.zeros(len(places)), 3).tolist() == before.tolist()
    with pytest.raises(UsageError, match="a beaker separated near every place"):
        better(seen, places[[thickest]], np.zeros(1), 1)


def test_where_the_readings_predict_nothing_the_beakers_are_no_expectation():
    """Readings that go up and down whatever was varied (made up); a line that is seen needs no such word."""
    wild = {b.number: str((3200, 900, 2500, 1200, 4100, 800)[k % 6]) for k, b in enumerate(demo().beaker)}
    series = with_reads({"viscosity": wild}, {"viscosity": "log"})
    readings = readings_of(series, "viscosity")
    assert not choose(readings, usual_noise(readings)).predicts
    (said,) = looked_for(series, "maximise viscosity")
    assert said.startswith("The readings of viscosity predict nothing yet.")
    assert "not an expectation" in said
    assert looked_for(read_of(line, 0.05), "maximise viscosity") == ()
