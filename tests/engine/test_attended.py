"""Long work that is broken off: between runs of the solver, and within a long one.

The programs are made up: a knapsack whose items weigh and cost nearly alike, so that a search through it is long.
"""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.engine.attended import attended, looking
from optimizer.engine.highs import Session


class EnoughError(Exception):
    """Somebody has had enough."""


def test_every_run_looks_first_and_what_is_raised_breaks_it_off() -> None:
    looks = []

    def look() -> None:
        looks.append(1)
        if len(looks) > 2:
            raise EnoughError

    session = Session(np.array([[1.0, 1.0]]), np.array([1.0]), np.array([2.0]))
    run = (np.array([1.0, 2.0]), np.zeros(2), np.ones(2))
    with attended(look):
        assert [session.run(*run).ending for _ in range(2)] == ["optimal", "optimal"]
        with pytest.raises(EnoughError):
            session.run(*run)
    assert len(looks) == 3
    assert looking() is None
    assert session.run(*run).ending == "optimal", "the session goes on where nobody looks"


def test_a_search_through_choices_is_broken_off_within() -> None:
    n, looks = 60, []
    weights = np.random.default_rng(1).integers(10**6, 2 * 10**6, n).astype(float)
    session = Session(weights[None, :], np.array([-np.inf]), np.array([weights.sum() / 2]), integers=n, time_limit=60.0)

    def look() -> None:
        looks.append(1)
        if len(looks) > 3:
            raise EnoughError

    with pytest.raises(EnoughError), attended(look):
        session.run(-weights - 1e-3 * np.arange(n), np.zeros(n), np.ones(n))
    assert len(looks) == 4, "once before the run, then within it until it was enough"
