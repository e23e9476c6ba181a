"""Shares and quantiles against scipy, an independent library."""

import numpy as np
import pytest
from scipy import special, stats

from optimizer.trials.quantiles import NORMAL, beta_share, f_beyond, t_quantile, t_share

DEGREES = (0.7, 1, 2, 3, 4.5, 8, 15, 40, 300, 1e4)
SHARES = (1e-6, 0.001, 0.05, 0.1, 0.3, 0.5, 0.75, 0.9, 0.95, 0.975, 0.999, 1 - 1e-6)


@pytest.mark.parametrize("a", [0.5, 1, 2.5, 20, 400])
@pytest.mark.parametrize("b", [0.5, 1, 3, 50])
def test_incomplete_beta(a, b):
    for x in (0, 1e-9, 1e-3, 0.2, 0.5, 0.77, 0.999, 1):
        assert beta_share(a, b, x) == pytest.approx(special.betainc(a, b, x), rel=1e-11, abs=1e-300)


@pytest.mark.parametrize("df", DEGREES)
def test_t(df):
    for share in SHARES:
        assert t_quantile(share, df) == pytest.approx(stats.t.ppf(share, df), rel=1e-8, abs=1e-12)
    for t in (-30, -2.2, -0.1, 0, 0.4, 1.7, 9):
        assert t_share(t, df) == pytest.approx(stats.t.cdf(t, df), rel=1e-10)


def test_t_of_many_degrees_is_normal():
    assert t_quantile(0.95, np.inf) == NORMAL.inv_cdf(0.95) == pytest.approx(stats.norm.ppf(0.95), rel=1e-12)


@pytest.mark.parametrize("above", [1, 2, 4, 11])
@pytest.mark.parametrize("below", [1, 2, 9, 30])
def test_f(above, below):
    for f in (0.0, 0.01, 0.5, 1, 2.8, 9, 150):
        assert f_beyond(f, above, below) == pytest.approx(stats.f.sf(f, above, below), rel=1e-10)
    for share in (0.05, 0.5, 0.9, 0.99):
        assert f_beyond(stats.f.ppf(share, above, below), above, below) == pytest.approx(1 - share, rel=1e-9)
