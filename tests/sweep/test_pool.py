"""What a range has learnt is handed on: to workers, past an end, into files; answers do not depend on who had it."""

from __future__ import annotations

import pickle
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from optimizer.brief.brief import Brief, load_brief
from optimizer.brief.scenario import find_scenario
from optimizer.sweep.family import Family
from optimizer.sweep.frame import ARRAYS, WAYS, Frame
from optimizer.sweep.grid import Grid
from optimizer.sweep.learnt import Known, Learnt, joined, read, write
from optimizer.sweep.run import rounds_of, run_range
from optimizer.sweep.source import Source, sources_of
from optimizer.sweep.state import State
from optimizer.sweep.tables import write_table
from optimizer.sweep.tree_reuse import TreeReuse
from tests.support.families import spread


@pytest.fixture(scope="module")
def brief() -> Brief:
    return load_brief(find_scenario("hand-wash"))


def to_the_last_digit(ours: Frame, other: Frame) -> None:
    assert ours.ids == other.ids
    assert ours.limits == other.limits
    assert ours.calls == other.calls
    for name in ARRAYS:
        assert np.array_equal(getattr(ours, name), getattr(other, name), equal_nan=name in ("objective", "cost", "ph"))


def halves(count: int) -> tuple[Grid, Grid]:
    grid = spread(count)
    return grid.take(slice(0, count // 2)), grid.take(slice(count // 2, count))


@dataclass
class Lesson:
    """What a family learnt from one half of a grid, and how one that was handed it by another process did the other."""

    brief: Brief
    first: Grid
    second: Grid

    def __post_init__(self) -> None:
        """Solve both halves."""
        self.teacher = Family(self.brief, self.first.keys)
        self.teacher.solve(self.first)
        self.handed = pickle.loads(pickle.dumps(self.teacher.learnt()))
        self.taught = Family(self.brief, self.first.keys, given=self.handed)
        assert isinstance(self.taught.reuse, TreeReuse)
        assert len(self.taught.reuse.pool.cover) == len(self.teacher.reuse.pool.cover) > 1  # type: ignore[union-attr]
        self.done = self.taught.solve(self.second)


@pytest.fixture(scope="module")
def lesson(brief: Brief) -> Lesson:
    return Lesson(brief, *halves(80))


def test_a_family_that_is_handed_a_pool_walks_fewer_trees_and_grows_on_it(lesson: Lesson) -> None:
    with_pool, without = lesson.done, Family(lesson.brief, lesson.first.keys).solve(lesson.second)
    walked = [(frame.way != WAYS.index("reused")).sum() for frame in (with_pool, without)]
    assert walked[0] < walked[1]
    assert with_pool.calls < without.calls
    assert np.allclose(with_pool.objective, without.objective, rtol=1e-9, equal_nan=True)
    assert np.allclose(with_pool.doses, without.doses, atol=1e-6)
    known, new = ({(k.kind, k.what) for k in learnt.known} for learnt in (lesson.handed, lesson.taught.learnt()))
    assert new - known


def test_a_pool_is_as_it_was_after_a_file(lesson: Lesson, tmp_path: Path) -> None:
    key = (lesson.first.keys, (("product", "wash"),))
    pools = {key: lesson.teacher.learnt()}
    write(tmp_path / "pool.json", pools)
    assert read(tmp_path / "pool.json") == pools
    given = read(tmp_path / "pool.json")[key]
    to_the_last_digit(Family(lesson.brief, lesson.first.keys, given=given).solve(lesson.second), lesson.done)


def test_pools_are_joined_box_by_box() -> None:
    first = Learnt((Known("basis", b"a", b"", 10, 4, ((0, 4),)),), ((0, 3),), (4.0, 2.0, 10))
    one = Learnt((Known("basis", b"a", b"", 15, 6, ((0, 5), (1, 1))),), ((0, 3), (1, 5)), (6.0, 3.0, 15))
    other = Learnt(
        (Known("basis", b"a", b"", 12, 4, ((0, 4),)), Known("proof", b"p", b"", 0, 0, ((3, 1), (5, 2)))),
        ((0, 3), (2, 7), (1, 5)), (4.0, 5.0, 14),
    )  # fmt: skip
    found = joined(first, [one, other])
    assert found.splits == ((0, 3), (1, 5), (2, 7))
    assert found.known == (
        Known("basis", b"a", b"", 17, 6, ((0, 5), (1, 1))),
        Known("proof", b"p", b"", 0, 0, ((3, 2), (5, 1))),
    )
    assert found.account == (6.0, 6.0, 19)


def test_rounds_double_for_each_source() -> None:
    pieces = [(0, k, k + 1) for k in range(6)] + [(1, 0, 1), (1, 1, 2)]
    assert rounds_of(pieces) == [[0, 6], [1, 2, 7], [3, 4, 5]]


def ranged(source: Source, grid: Grid, out: Path, jobs: int = 1, state: Path | None = None) -> tuple[Frame, bytes]:
    found = run_range((source,), grid, jobs=jobs, state=state)
    write_table(out, found)
    return found.frame, out.read_bytes()


@pytest.mark.thorough
def test_a_range_is_the_same_to_the_last_digit_on_any_number_of_processes_and_resumed(tmp_path: Path) -> None:
    (source,) = sources_of("hand-wash")
    grid = spread(120)
    state = tmp_path / "t.csv.parts"
    frame, table = ranged(source, grid, tmp_path / "one.csv", state=state)
    assert (frame.way == WAYS.index("reused")).mean() > 0.3
    two, table_of_two = ranged(source, grid, tmp_path / "two.csv", jobs=2)
    to_the_last_digit(two, frame)
    assert table_of_two == table
    for name in ("000002.npz", "000004.npz"):
        (state / name).unlink()
    (state / "000001.json").write_text("[{", encoding="utf-8")
    resumed, table_resumed = ranged(source, grid, tmp_path / "resumed.csv", state=state)
    to_the_last_digit(resumed, frame)
    assert table_resumed == table


@pytest.mark.thorough
def test_parts_of_a_version_that_kept_no_pool_are_gone_on_from(tmp_path: Path) -> None:
    (source,) = sources_of("hand-wash")
    state = tmp_path / "t.csv.parts"
    frame, _ = ranged(source, spread(60), tmp_path / "one.csv", state=state)
    for path in state.glob("0*.json"):
        path.unlink()
    (state / "000002.npz").unlink()
    again, _ = ranged(source, spread(60), tmp_path / "two.csv", state=state)
    assert State(state).taught(0) == {}
    assert np.allclose(again.objective, frame.objective, rtol=1e-9, equal_nan=True)
