"""How many random examples are tried: a seeded sample in `make test`, all of them in `make test-all`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

CI = settings(
    derandomize=True,
    database=None,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large],
)
"""Same examples on every run and machine."""
SEED = st.integers(0, 2**32)


class Extent:
    """Whether everything is tried; `tests/conftest.py` sets it before any test is read."""

    everything = False


def some(cases: Sequence[Any], everyday: int) -> list[Any]:
    """Return all cases, those past the first few for `make test-more` only; a tuple holds several arguments."""
    more = (case if isinstance(case, tuple) else (case,) for case in cases[everyday:])
    return [*cases[:everyday], *(pytest.param(*case, marks=pytest.mark.thorough) for case in more)]


def drawn(everyday: int, *, of: int) -> int:
    """Return how many examples are tried: some on every day, all if all tests were asked for."""
    return of if Extent.everything else everyday
