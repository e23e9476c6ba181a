"""The demo's series: made anew it is the same, it says that it is made up, and its readings are those of its truth."""

from __future__ import annotations

from math import log

import numpy as np
import pytest

from optimizer.answers.trials import read_trials
from optimizer.trials.text import digest_of
from tests import make_trials as demo


def test_the_series_of_the_demo_is_not_stale() -> None:
    assert demo.FILE.read_text("utf-8") == demo.made(), "run python tests/make_trials.py"
    assert demo.FILE.read_text("utf-8").startswith("# MADE-UP READINGS of the demo")


def test_its_brief_is_the_shipped_one_as_planned() -> None:
    series, brief = read_trials(demo.FILE)
    assert series.brief_digest == digest_of(brief)


def test_its_readings_are_those_of_the_stated_truth() -> None:
    """Worked out anew from the doses and the library: shares of active matter, then the formula of the head."""
    series, brief = read_trials(demo.FILE)
    read = {r.beaker: r for r in series.reads("viscosity")}
    broken = {r.beaker for r in series.reads("separated") if r.low == 1}
    off = []
    for beaker in series.beaker:
        used = [(brief.pool.items[brief.pool.index[n]], d) for n, d in beaker.doses.items()]
        total = sum(d * i.surfactant for i, d in used)
        kinds = ("amphoteric", "nonionic")
        shares = [100 * sum(d * i.surfactant for i, d in used if i.material.charge == c) / total for c in kinds]
        assert (beaker.number in broken) == (100 - sum(shares) > 34)
        if beaker.number in read:
            one, expected = read[beaker.number], demo.truth(total, *shares)
            if one.exact:
                off.append(log(one.low / expected) - demo.SECOND_DAY * (beaker.day - 1))
            else:
                assert expected > 0.8 * one.low
    assert len(off) + 4 >= len(read)
    assert np.std(off) == pytest.approx(demo.NOISE, rel=0.5)
    assert any(not r.exact for r in read.values()), "one reading is only a limit"
    assert broken, "and one beaker separated"
