"""Expected improvement against sums over draws and closed forms, and the beakers that it chooses."""

from math import inf

import numpy as np
import pytest
from scipy import stats

from optimizer.errors import UsageError
from optimizer.trials.fit import choose, readings_of, usual_noise
from optimizer.trials.fitted import fits_of
from optimizer.trials.improve import better_of, expected_improvement, gains, with_another
from tests.support.readings import read_of

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


def test_what_reads_as_predicted_leaves_less_doubt_there_and_the_same_mean():
    readings = readings_of(read_of(line, 0.08), "viscosity")
    chosen = choose(readings, usual_noise(readings))
    at = np.array([0.5, -0.5, 0.2])
    after = with_another(chosen, at, None)
    columns = chosen.fitted.terms.columns(at[None, :])
    before, now = chosen.posterior.at(columns), after.posterior.at(columns)
    assert now[0] == pytest.approx(before[0])
    assert now[1] < before[1]


def test_next_beakers_lie_where_more_is_expected_and_apart():
    series = read_of(line, 0.05)
    pick = better_of(fits_of(series), "maximise viscosity")
    z = np.random.default_rng(1).uniform(-1.5, 1.5, (300, 3))
    chosen = pick(series, z, np.zeros(300), 3)
    assert len(set(chosen.tolist())) == 3
    values = z @ SLOPES
    assert (values[chosen] > np.quantile(values, 0.8)).all()
    low = better_of(fits_of(series), "minimise viscosity")(series, z, np.zeros(300), 1)
    assert values[low[0]] < np.quantile(values, 0.2)
    readings = readings_of(series, "viscosity")
    assert (gains(choose(readings, usual_noise(readings)), z) >= 0).all()


def test_what_cannot_be_aimed_at_is_refused():
    fits = fits_of(read_of(line, 0.05))
    for aim, why in (("viscosity", "write 'maximise READING'"), ("maximise foam", "there is no fit of foam")):
        with pytest.raises(UsageError, match=why):
            better_of(fits, aim)
