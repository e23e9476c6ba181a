"""What a range keeps in memory: bounded, told, and without a say in the answers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.brief.brief import load_brief
from optimizer.brief.scenario import find_scenario
from optimizer.report.formats.terminal import lines
from optimizer.report.record import record
from optimizer.report.sweep import LONG, Range, range_document
from optimizer.sweep import pool, tree_reuse
from optimizer.sweep.family import Family
from optimizer.sweep.frame import WAYS
from optimizer.sweep.grid import Grid, axis, crossed
from optimizer.sweep.run import Ranged, run_range
from optimizer.sweep.source import sources_of
from optimizer.sweep.state import State
from optimizer.sweep.summary import summarise
from tests.support.families import spread


@pytest.mark.thorough
def test_a_tight_bound_lets_go_of_most_and_changes_no_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    brief = load_brief(find_scenario("hand-wash"))
    batches = [spread(240).take(np.arange(k, k + 60)) for k in range(0, 240, 60)]
    free, tight = Family(brief, batches[0].keys), Family(brief, batches[0].keys)
    usual = [free.solve(batch) for batch in batches]
    monkeypatch.setattr(pool, "MOST_PRICES", 20)
    monkeypatch.setattr(pool, "MOST_POINTS", 4)
    spared = [tight.solve(batch) for batch in batches]
    for ours, other in zip(usual, spared, strict=True):
        assert (ours.ending == other.ending).all()
        assert np.allclose(ours.objective, other.objective, rtol=1e-9, equal_nan=True)
        assert np.allclose(ours.doses, other.doses, atol=1e-6)
    assert spared[-1].kept < 0.6 * usual[-1].kept
    assert 0 < spared[-1].kept_bytes < usual[-1].kept_bytes


def ranged(count: int, state: Path | None = None) -> Ranged:
    vary = crossed([axis(f"active.at_least=9:10:{1 / (count - 1)}")])
    return run_range(sources_of("hand-wash", ()), vary, state=state)


def test_it_is_told_in_the_json_and_where_a_range_is_long_in_a_line() -> None:
    short = ranged(3)
    told = record(Range(ranged=short, summary=summarise(short)))
    assert told.kept_proofs >= 2
    assert 0 < told.kept_mb < 10
    assert "kept at the end" not in "\n".join(lines(range_document(short, summarise(short)), 160))
    long = ranged(LONG + 1)
    assert "bases and proofs kept at the end, in " in "\n".join(lines(range_document(long, summarise(long)), 160))


def test_a_range_that_goes_on_still_knows_it(tmp_path: Path) -> None:
    frame = ranged(3, tmp_path / "parts").frame
    again = State(tmp_path / "parts")._read(0)
    assert again is not None
    assert (again.kept, again.kept_bytes) == (frame.kept, frame.kept_bytes)


def test_trying_what_is_known_ends_where_it_brings_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    brief = load_brief(find_scenario("hand-wash"))
    rng = np.random.default_rng(7)
    items = [i for i in brief.pool.items if i.surfactant > 0]
    wild = Grid(  # made up: every price of a surfactant up to 70 % off
        tuple(f"price.{i.id}" for i in items), tuple(i.price * rng.uniform(0.3, 1.7, 12) for i in items), 12
    )
    free, tight = Family(brief, wild.keys), Family(brief, wild.keys)
    usual = free.solve(wild)
    monkeypatch.setattr(tree_reuse, "CREDIT", 1.0)
    monkeypatch.setattr(tree_reuse, "SHARE", 0.0)
    spared = tight.solve(wild)
    spent = [family.learnt().account[1] for family in (free, tight)]
    assert spent[1] < 0.5 * spent[0]
    assert (usual.way != WAYS.index("one by one")).all()
    assert np.allclose(usual.objective, spared.objective, rtol=1e-9)
    assert np.allclose(usual.doses, spared.doses, atol=1e-6)
