"""Series of trials with readings of a stated, made-up truth, on the plan of the shipped demo."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache
from math import exp

import numpy as np

from optimizer.answers.questions import read_brief
from optimizer.brief.brief import Brief
from optimizer.data.pool import Vector
from optimizer.files import shipped
from optimizer.trials.series import Measure, Reading, Series, read_series

DEMO = shipped("scenarios") / "trials" / "gentle-wash.toml"


@cache
def demo() -> Series:
    """Return the demo's series."""
    return read_series(DEMO)


@cache
def gentle() -> Brief:
    """Return the brief that it was planned on."""
    return read_brief("gentle-wash")


def with_reads(
    reads: Mapping[str, Mapping[int, str]], kinds: Mapping[str, str], series: Series | None = None
) -> Series:
    """Return a series with other readings: what was typed by beaker, and how each is read."""
    series = series or demo()
    measures = tuple(Measure(what=w, kind=k, unit="mPas" if w == "viscosity" else "") for w, k in kinds.items())
    made = tuple(
        Reading(beaker=number, what=what, read=text) for what, by in reads.items() for number, text in by.items()
    )
    return series.model_copy(update={"measure": measures, "all_readings": made, "all_weighed": ()})


def read_of(
    truth: Callable[[Vector], float], noise: float = 0.0, seed: int = 1, series: Series | None = None
) -> Series:
    """Return the series with viscosities: exp of a truth in whitened coordinates, off by a random part."""
    series, rng = series or demo(), np.random.default_rng(seed)
    by = {
        b.number: f"{exp(truth(z) + noise * rng.standard_normal()):.4f}"
        for b, z in zip(series.beaker, series.z(), strict=True)
    }
    return with_reads({"viscosity": by}, {"viscosity": "log"}, series)
