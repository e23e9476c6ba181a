"""Ranges: every answer equals that of its scenario solved alone, nothing stops the rest, nothing is lost or twice."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from math import isnan, nan
from multiprocessing import get_context
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest
from openpyxl import load_workbook
from typer.testing import CliRunner

import optimizer.cli.sweep  # noqa: F401  the command registers itself
from optimizer import cli
from optimizer.brief.brief import Brief, load_brief
from optimizer.brief.scenario import find_scenario
from optimizer.data.sheet import neutral
from optimizer.errors import DataError, UsageError
from optimizer.files import shipped
from optimizer.report.formats.terminal import lines
from optimizer.report.record import record, record_of
from optimizer.report.sweep import Range, range_document
from optimizer.solve.best import solve
from optimizer.sweep import hot, reuse, vertex
from optimizer.sweep.family import Family
from optimizer.sweep.frame import ENDINGS, WAYS, Frame, empty, scattered
from optimizer.sweep.grid import Grid, axis, crossed, joined, missing, read_table
from optimizer.sweep.learnt import Pools
from optimizer.sweep.run import run_range
from optimizer.sweep.single import brief_at, one_by_one
from optimizer.sweep.source import Source, sources_of
from optimizer.sweep.state import State
from optimizer.sweep.summary import summarise
from optimizer.sweep.tables import write_table
from tests.benchmarks.shop import brief_of as generated
from tests.support import briefs, families
from tests.support.briefs import Wish, brief_of
from tests.support.draws import drawn, some

LINEAR = Wish(kinds=briefs.PLAIN)
COMMAND = [sys.executable, "-c", "import optimizer.cli.sweep; from optimizer.cli import main; main()", "range"]


# what an answer is ---------------------------------------------------------------------------------


def told(frame: Frame, s: int) -> dict[str, Any]:
    """Return one answer so that it can be compared."""
    ending = ENDINGS[frame.ending[s]]
    if ending == "error":
        return {"ending": ending, "message": frame.messages[s]}
    if ending != "optimal":
        return {"ending": ending}
    doses = {i: x for i, x in zip(frame.ids, frame.doses[s], strict=True) if x > 1e-6}
    bound = {rule for (rule, side), on in zip(frame.limits, frame.binding[s], strict=True) if on and side != "link"}
    return {
        "ending": ending,
        "objective": pytest.approx(frame.objective[s], abs=1e-7, rel=1e-7),
        "cost": pytest.approx(frame.cost[s], abs=1e-6),
        "ph": None if isnan(frame.ph[s]) else frame.ph[s],
        "doses": pytest.approx(doses, abs=1e-5),
        "binding": bound,
    }


def same(ours: Frame, alone: Frame) -> None:
    """Assert that two frames hold the same answers."""
    assert len(ours) == len(alone)
    for s in range(len(alone)):
        first, second = told(ours, s), told(alone, s)
        plainly = {k: getattr(v, "expected", v) for k, v in second.items()}
        assert first == plainly, f"scenario {s}"


def both(brief: Brief, grid: Grid) -> tuple[Family, Frame]:
    """Answer a grid together, compare with each scenario alone, and return what was answered together."""
    family = Family(brief, grid.keys)
    frame = family.solve(grid)
    same(frame, one_by_one(brief, grid, 60.0))
    return family, frame


def reused(frame: Frame) -> float:
    """Return the share of scenarios whose answer took no solver call."""
    return float((frame.way == WAYS.index("reused")).mean())


@pytest.fixture(scope="module")
def wash() -> Brief:
    """Return a brief with many means, shares and doses and without yes/no rules, at one pH case."""
    return generated(40)


def surfactants(brief: Brief) -> list[str]:
    """Return the ids of the surfactants."""
    return [i.id for i in brief.pool.items if i.surfactant > 0]


# the law -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", some(range(drawn(14, of=40)), 8))
def test_answers_equal_those_of_each_scenario_alone(seed: int) -> None:
    r = Random(seed)
    brief = brief_of((briefs.draw_large if seed % 4 == 0 else briefs.draw)(r, LINEAR))
    both(brief, families.drawn_grid(r, brief))


@pytest.mark.parametrize("seed", some(range(drawn(10, of=60)), 5))
def test_answers_of_briefs_with_choices_equal_those_alone(seed: int) -> None:
    r = Random(seed)
    must = ("count", "one-of", "needs", "excludes", "if-used")[seed % 5]
    brief = brief_of(briefs.draw(r, Wish(must=(must,), kinds=briefs.STATED_KINDS, sizes=(3, 5))))
    both(brief, families.drawn_grid(r, brief, 8))


@pytest.mark.parametrize("seed", range(drawn(12, of=200)))
def test_families_with_choices_are_those_of_every_choice_and_vertex(seed: int) -> None:
    wrong, _ = families.judged(seed, 12)
    assert not wrong


@pytest.mark.thorough
def test_most_answers_of_a_grid_are_reused(wash: Brief) -> None:
    first, second, third = surfactants(wash)[:3]
    grid = crossed(
        [
            axis("active.at_least=8:12:1"),
            axis("load.at_most=1:7:2"),
            axis(f"price.{first}=2:6:2"),
            missing(second),
            missing(third),
        ]
    )
    _, frame = both(wash, grid)
    assert {ENDINGS[code] for code in np.unique(frame.ending)} == {"optimal", "infeasible"}
    assert reused(frame) > 0.9


def test_a_moved_mean_is_reused_by_a_rank_one_update(wash: Brief) -> None:
    family, frame = both(wash, crossed([axis("mildness.at_least=40:75:0.5")]))
    assert reused(frame) > 0.8
    assert family.reuse is not None
    assert len({round(float(c), 9) for c in frame.cost[frame.solved]}) > 15, "the limit must matter"


@pytest.mark.slow
def test_moved_means_and_shares_together(wash: Brief) -> None:
    grid = crossed(
        [
            axis("mildness.at_least=50:60:2"),
            axis("anionic.at_least=15:45:10"),
            axis("flash-foam.at_least=50,55,60"),
            axis("natural.at_least=78,84"),
        ]
    )
    _, frame = both(wash, grid)
    assert reused(frame) > 0.8


@pytest.mark.thorough
def test_impossible_scenarios_are_proven_by_reused_proofs(wash: Brief) -> None:
    grid = crossed([axis("active.at_least=11.5:12:0.05"), axis("load.at_most=0.5:3:0.25"), axis("salt.at_most=0,0.2")])
    _, frame = both(wash, grid)
    impossible = frame.ending == ENDINGS.index("infeasible")
    assert impossible.mean() > 0.5
    assert (frame.way[impossible] == WAYS.index("reused")).mean() > 0.9
    assert (frame.proof[impossible] == 0).all(), "each with a certificate of its own"


def test_ties_are_broken_in_the_declared_order() -> None:
    case = briefs.draw_large(Random(3), Wish(kinds=("active", "share", "rating"), ph=False, goals=False, extras=False))
    for line in case["shelf"]:
        line["price_per_kg"] = 2.0
    case["scenario"]["objective"] = {"minimise": "cost", "then": ["maximise active", "minimise salt"]}
    brief = brief_of(case)
    names = [i.id for i in brief.pool.items if i.id != "aqua"]
    grid = crossed([(f"price.{names[0]}", (2.0, 2.5)), (f"price.{names[1]}", (2.0, 3.0)), missing(names[2])])
    both(brief, grid)


@pytest.mark.thorough
def test_ph_cases_are_programs_of_one_matrix() -> None:
    several = 0
    for seed in range(drawn(10, of=30)):
        r = Random(seed)
        case = briefs.draw(r, replace(LINEAR, sizes=(4, 6), goals=False))
        case["scenario"]["ph"] = {"low": 4.0, "high": 7.5, "tolerance": 0.2, "grid": 0.25}
        brief = brief_of(case)
        names = brief.pool.ids[1:4]
        family, _ = both(brief, crossed([missing(names[0]), missing(names[1]), (f"price.{names[2]}", (0.5, 9.0))]))
        several += family.reuse is not None and len(family.cases) > 2
    assert several > drawn(3, of=10)


def test_other_objectives() -> None:
    for goal in ({"minimise": "load"}, {"maximise": "active"}, {"maximise": "mildness"}):
        case = briefs.draw_large(Random(8), Wish(kinds=("active", "share"), rules=(3, 4), goals=False, extras=False))
        case["scenario"]["rule"].append({"id": "some-active", "kind": "active", "at_least": 5, "at_most": 12})
        case["scenario"]["objective"] = goal
        brief = brief_of(case)
        both(brief, crossed([axis("some-active.at_least=5:9:1"), (f"price.{brief.pool.ids[1]}", (1.0, 4.0))]))


def test_a_capped_cost_is_solved_one_by_one_when_prices_differ() -> None:
    case = briefs.draw(Random(1), Wish(kinds=("active",), goals=False, extras=False, ph=False))
    case["scenario"]["rule"].append({"id": "budget", "kind": "cost", "at_most": 0.6})
    brief = brief_of(case)
    family, _ = both(brief, crossed([(f"price.{brief.pool.ids[1]}", (0.5, 4.0, 30.0)), axis("budget.at_most=0.1,0.6")]))
    assert family.reuse is None


def test_a_limit_of_a_scenario_is_that_of_set(wash: Brief, tmp_path: Path) -> None:
    changes = [("active.at_least", "10"), ("mildness.at_least", "60")]
    path = find_scenario("hand-wash")
    by_set = solve(load_brief(path, changes=changes))
    ours = solve(brief_at(load_brief(path), {key: float(value) for key, value in changes}))
    assert ours.objective == pytest.approx(by_set.objective, abs=1e-9)
    assert {(o.id, o.reading) for o in ours.rules} == {(o.id, o.reading) for o in by_set.rules}
    without = solve(load_brief(path, changes=[("pool.without", "coco-glucoside,benzyl-alcohol-dehydroacetic-acid")]))
    assert solve(brief_at(load_brief(path), {"missing.coco-glucoside": 1.0})).objective == pytest.approx(
        without.objective, abs=1e-9
    )


# what makes it safe --------------------------------------------------------------------------------


def test_an_answer_that_does_not_stand_the_check_is_solved_alone(wash: Brief, monkeypatch: pytest.MonkeyPatch) -> None:
    grid = crossed([axis("active.at_least=8:11:0.5"), axis("salt.at_most=1,1.5")])
    honest = vertex.Vertex.fits

    def wrong(self: vertex.Vertex, programs: Any) -> Any:
        hits, x, y = honest(self, programs)
        return hits, x * 1.001, y

    monkeypatch.setattr(vertex.Vertex, "fits", wrong)
    _, frame = both(wash, grid)
    assert (frame.way == WAYS.index("one by one")).sum() > 8


def test_a_basis_that_is_not_optimal_is_found_out(wash: Brief, monkeypatch: pytest.MonkeyPatch) -> None:
    first = surfactants(wash)[0]
    grid = crossed([(f"price.{first}", tuple(np.linspace(0.1, 9, 30).tolist()))])
    monkeypatch.setattr(
        vertex.Vertex, "_signed", lambda self, some: (np.arange(len(some)), np.repeat(self.y[:, None], len(some), 1))
    )
    both(wash, grid)


@pytest.mark.slow
def test_a_proof_holds_only_where_it_is_clearly_below(wash: Brief) -> None:
    family = Family(wash, ("active.at_least",))
    grid = crossed([("active.at_least", tuple(np.linspace(11, 12, 200).tolist()))])
    frame = family.solve(grid)
    same(frame, one_by_one(wash, grid, 60.0))


def test_reuse_switches_off_where_it_brings_nothing(wash: Brief, monkeypatch: pytest.MonkeyPatch) -> None:
    tries = 0

    def nothing(self: vertex.Vertex, programs: Any) -> Any:
        nonlocal tries
        tries += len(programs)
        empty = np.zeros(0, dtype=np.int64)
        return empty, np.zeros((self.columns.size, 0)), np.zeros((self.active.size, 0))

    monkeypatch.setattr(vertex.Vertex, "fits", nothing)
    r = np.random.default_rng(1)
    names = surfactants(wash)
    grid = Grid(tuple(f"price.{n}" for n in names), tuple(r.uniform(1, 9, 1500) for _ in names), 1500)
    family = Family(wash, grid.keys)
    frame = family.solve(grid)
    assert (frame.way == WAYS.index("solved")).all()
    assert family.reuse is not None
    assert tries * reuse.SCAN_COST < 0.1 * family.reuse.calls, "tries cost less than a tenth of the solver calls"


@pytest.mark.slow
def test_wide_libraries_are_solved_on_few_columns_and_priced_over_all(
    wash: Brief, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hot, "WIDE", 5)
    monkeypatch.setattr(hot, "FIRST", 2)
    monkeypatch.setattr(hot, "MOST", 1.0)
    sizes = []
    run = hot.Hot.run

    def noted(self: hot.Hot, *args: Any) -> Any:
        sizes.append(self.columns.size)
        return run(self, *args)

    monkeypatch.setattr(hot.Hot, "run", noted)
    r = np.random.default_rng(5)
    names = [n for n in wash.pool.ids if n != "aqua"]
    columns = [r.uniform(0.2, 9, 150) for _ in names]
    lost = (r.random(150) < 0.3).astype(float)
    keys = (*(f"price.{n}" for n in names), f"missing.{surfactants(wash)[0]}", "load.at_most")
    grid = Grid(keys, (*columns, lost, r.choice([0.5, 4.0, 7.0], 150)), 150)
    family = Family(wash, grid.keys)
    assert family.reuse is not None
    family.reuse.enabled = False
    frame = family.solve(grid)
    same(frame, one_by_one(wash, grid, 60.0))
    few = [size for size in sizes if size < len(wash.pool)]
    assert len(few) > 100
    assert max(few) > min(few), "columns that pay join"


def test_parts_are_put_back_where_they_belong() -> None:
    r = np.random.default_rng(2)
    whole = replace(empty(6, ("a", "b"), (("x", "low"),)), doses=r.random((6, 2)), binding=r.random((6, 1)) < 0.5)
    whole.ending[:] = 0
    for order in ([0, 3, 2, 1], [2, 1, 0], [4, 5], [5, 0]):
        first = np.array(order)
        rest = np.setdiff1d(np.arange(6), first)
        again = scattered([(first, whole.take(first)), (rest, whole.take(rest))])
        assert (again.doses == whole.doses).all()
        assert (again.binding == whole.binding).all()


# grids ---------------------------------------------------------------------------------------------


def test_axes() -> None:
    assert axis("active.at_least=9:12:0.5") == ("active.at_least", (9, 9.5, 10, 10.5, 11, 11.5, 12))
    assert axis("price.x=0.1:0.3:0.1") == ("price.x", (0.1, 0.2, 0.3))
    assert axis(" ph.low = 5, 5.5 ") == ("ph.low", (5.0, 5.5))
    assert axis("market=EU,US") == ("market", ("EU", "US"))


@pytest.mark.parametrize(
    "text", ["active", "=3", "a=", "a=1:2", "a=1:2:0", "a=2:1:1", "a=1:x:1", "a=1,,2", "a=1:nan:1"]
)
def test_an_axis_that_cannot_be_read_is_told(text: str) -> None:
    with pytest.raises(UsageError, match="--vary"):
        axis(text)


def test_a_cross_product_has_every_combination_once_with_the_last_axis_fastest() -> None:
    grid = crossed([("a.at_least", (1.0, 2.0)), missing("m"), ("market", ("EU", "US"))])
    rows = [grid.row(k) for k in range(len(grid))]
    assert len(rows) == 8
    assert rows[0] == {"a.at_least": 1.0, "market": "EU"}
    assert rows[1] == {"a.at_least": 1.0, "market": "US"}
    assert rows[2] == {"a.at_least": 1.0, "missing.m": 1.0, "market": "EU"}
    assert rows[7] == {"a.at_least": 2.0, "missing.m": 1.0, "market": "US"}
    with pytest.raises(UsageError, match="given twice"):
        crossed([("a", (1.0,)), ("a", (2.0,))])
    with pytest.raises(UsageError, match="at most"):
        crossed([("a", tuple(map(float, range(2000)))), ("b", tuple(map(float, range(2000))))])


def test_a_table_of_scenarios(tmp_path: Path) -> None:
    path = tmp_path / "s.csv"
    path.write_text("active.at_least;price.x;missing.y\n9,5;2,10;yes\n\n;3;no\n10;;\n", encoding="utf-8")
    grid = read_table(path)
    assert [grid.row(k) for k in range(len(grid))] == [
        {"active.at_least": 9.5, "price.x": 2.1, "missing.y": 1.0},
        {"price.x": 3.0},
        {"active.at_least": 10.0},
    ]
    wider = joined(grid, crossed([("ph.low", (5.0, 6.0))]))
    assert len(wider) == 6
    assert wider.row(3) == {"price.x": 3.0, "ph.low": 6.0}
    path.write_text("missing.y,,a.at_most,a.at_most\nperhaps,1,2,3,4\n", encoding="utf-8")
    with pytest.raises(DataError) as error:
        read_table(path)
    assert len(error.value.problems) == 3


@pytest.mark.slow
def test_a_table_is_read_as_a_stream(tmp_path: Path) -> None:
    import tracemalloc

    path = tmp_path / "s.csv"
    rows = "".join(f"{k / 1000:.3f},{k / 7:.4f},{'EU' if k % 2 else 'US'}\n" for k in range(20_000))
    path.write_text(f"\ufeffactive.at_least,price.x,market\n{rows}", encoding="utf-8")
    read_table(path)
    tracemalloc.start()
    try:
        grid = read_table(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 20_000 * 3 * 8 * 3, "three columns, in the making and made; the text itself alone is more"
    assert (len(grid), grid.row(3)) == (20_000, {"active.at_least": 0.003, "price.x": 0.4286, "market": "EU"})
    path.write_bytes(b"market\n" + b"EU\n" * 100_000 + b"\xff\n")
    with pytest.raises(DataError, match=r"byte 300007 is not UTF-8 text\."):
        read_table(path)


def test_a_figure_before_a_text_in_a_column_stays_as_written(tmp_path: Path) -> None:
    path = tmp_path / "s.csv"
    path.write_text("price.x,market\n2.50,EU\ncheap,\n\n,US\n", encoding="utf-8")
    assert [c.tolist() for c in read_table(path).columns] == [["2.50", "cheap", ""], ["EU", "", "US"]]


# failures, resuming, executors ---------------------------------------------------------------------


def test_a_scenario_that_fails_is_a_row_with_its_message(wash: Brief, tmp_path: Path) -> None:
    path = tmp_path / "s.csv"
    first = surfactants(wash)[0]
    path.write_text(
        f"active.at_least,active.at_most,price.{first}\n9,11,3\n12,11,3\n9,400,3\n9,11,-1\n9,11,cheap\n10,11,\n",
        encoding="utf-8",
    )
    ranged = run_range((Source("wash", brief=wash),), read_table(path))
    assert [ENDINGS[code] for code in ranged.frame.ending] == ["optimal", *["error"] * 4, "optimal"]
    assert "at_least 12 is above at_most 11" in ranged.frame.messages[1]
    assert "outside 0 to 100" in ranged.frame.messages[2]
    assert "is no price" in ranged.frame.messages[3]
    assert "'cheap' is not a number" in ranged.frame.messages[4]


def test_a_brief_that_cannot_be_used_stops_no_other(tmp_path: Path) -> None:
    (tmp_path / "broken.toml").write_text("name = \n", encoding="utf-8")
    text = find_scenario("hand-wash").read_text(encoding="utf-8")
    for name in ("common.toml", "shelf.csv"):
        (tmp_path / name).write_text((shipped("scenarios") / name).read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "hand.toml").write_text(text, encoding="utf-8")
    sources = tuple(s for s in sources_of(str(tmp_path)) if s.name != "common")
    ranged = run_range(sources, crossed([axis("ph.high=6,6.8,1")]))
    endings = [ENDINGS[code] for code in ranged.frame.ending]
    assert endings == ["error"] * 3 + ["optimal", "optimal", "error"]
    assert "not valid TOML" in ranged.frame.messages[0]
    assert "pH range" in ranged.frame.messages[5]
    document = range_document(ranged, summarise(ranged))
    assert "4 could not be run" in document.verdict


def test_unknown_keys_of_the_only_brief_are_told_before_anything_runs(wash: Brief) -> None:
    grid = crossed([axis("activ.at_least=9"), axis("active.atleast=9"), missing("decyl"), axis("price.gold=1")])
    with pytest.raises(DataError) as error:
        run_range((Source("wash", brief=wash),), grid)
    assert {p.key for p in error.value.problems} == {"activ.at_least", "active.atleast", "missing.decyl", "price.gold"}
    with pytest.raises(DataError, match="more than limits"):
        run_range((Source("wash", brief=wash),), crossed([axis("ph.low=5")]))


def test_structural_keys_make_briefs_of_their_own() -> None:
    grid = crossed([axis("ph.high=5.6,6.8"), axis("active.at_least=9,10")])
    ranged = run_range(sources_of("hand-wash"), grid)
    for s in range(4):
        row = grid.row(s)
        brief = load_brief(find_scenario("hand-wash"), changes=[(k, str(v)) for k, v in row.items()])
        alone = solve(brief)
        assert ranged.frame.objective[s] == pytest.approx(alone.objective, abs=1e-8)
        assert alone.ph is not None
        assert ranged.frame.ph[s] == alone.ph.target


@dataclass(frozen=True)
class Counted(Source):
    """A source that notes each piece it answers, and may end its process before the first."""

    notes: Path = Path()
    deadly: bool = False

    def families(self, grid: Grid, pools: Pools | None = None, base: Brief | None = None) -> Frame:
        mark = self.notes / "killed"
        if self.deadly and not mark.exists():
            mark.touch()
            os.kill(os.getpid(), signal.SIGKILL)
        frame = super().families(grid, pools, base)
        with (self.notes / "pieces").open("a", encoding="utf-8") as stream:
            stream.write(f"{grid.columns[0][0]:g} {len(grid)}\n")
        return frame


GRID = crossed([("active.at_least", tuple(np.linspace(8, 11, 40).tolist())), axis("salt.at_most=1:1.4:0.1")])


@pytest.mark.slow
def test_a_killed_worker_loses_nothing(wash: Brief, tmp_path: Path) -> None:
    plainly = run_range((Source("wash", brief=wash),), GRID)
    deadly = Counted("wash", brief=wash, notes=tmp_path, deadly=True)
    ranged = run_range((deadly,), GRID, jobs=2, state=tmp_path / "t.csv.parts")
    assert (tmp_path / "killed").exists()
    same(ranged.frame, plainly.frame)
    parts = sorted((tmp_path / "t.csv.parts").glob("*.npz"))
    assert len(parts) == 8


def test_any_standard_executor_serves(wash: Brief) -> None:
    plainly = run_range((Source("wash", brief=wash),), GRID)
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as executor:
        same(run_range((Source("wash", brief=wash),), GRID, executor=executor).frame, plainly.frame)


@pytest.mark.thorough
def test_a_run_goes_on_where_it_was_cut_short(wash: Brief, tmp_path: Path) -> None:
    state = tmp_path / "t.csv.parts"
    source = Counted("wash", brief=wash, notes=tmp_path)
    whole = run_range((source,), GRID, jobs=2, state=state)
    (tmp_path / "pieces").unlink()
    for name in ("000001.npz", "000004.npz"):
        (state / name).unlink()
    (state / "000006.npz").write_bytes((state / "000006.npz").read_bytes()[:500])
    again = run_range((source,), GRID, state=state)
    same(again.frame, whole.frame)
    assert again.kept == 5 * 25
    assert len((tmp_path / "pieces").read_text(encoding="utf-8").splitlines()) == 3, "only what was missing is run"
    with pytest.raises(DataError, match="another range"):
        run_range((source,), crossed([axis("active.at_least=9,10")]), state=state)


@pytest.mark.slow
def test_a_killed_command_is_continued_by_the_same_command(tmp_path: Path) -> None:
    args = ["hand-wash", "--vary", "active.at_least=9:10.9:0.02", "--out"]
    parts = tmp_path / "cut.csv.parts"
    with subprocess.Popen([*COMMAND, *args, "cut.csv"], cwd=tmp_path, stdout=subprocess.DEVNULL) as process:
        until = time.monotonic() + 60
        while not list(parts.glob("0*.npz")) and time.monotonic() < until:
            time.sleep(0.02)
        process.kill()
    assert not (tmp_path / "cut.csv").exists()
    assert 1 <= len(list(parts.glob("0*.npz"))) < 4
    done = subprocess.run([*COMMAND, *args, "cut.csv"], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert "answers of an earlier run" in done.stdout
    assert not parts.exists()
    subprocess.run([*COMMAND, *args, "whole.csv"], cwd=tmp_path, capture_output=True, check=True)
    assert (tmp_path / "cut.csv").read_bytes() == (tmp_path / "whole.csv").read_bytes()
    rows = read(tmp_path / "cut.csv")
    assert len(rows) == 96
    assert len({row["active.at_least"] for row in rows}) == 96


# what is told --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def ranged(wash: Brief) -> Any:
    first, second = surfactants(wash)[:2]
    grid = crossed([axis("load.at_most=0.5,5,6,7"), (f"price.{first}", (nan, 2.5)), missing(second)])
    return run_range((Source("=wash", brief=wash),), grid)


@pytest.mark.parametrize("suffix", [".csv", ".xlsx", ".parquet"])
def test_tables_hold_every_answer(ranged: Any, tmp_path: Path, suffix: str) -> None:
    if suffix == ".parquet":
        pytest.importorskip("pyarrow")
    path = tmp_path / f"t{suffix}"
    write_table(path, ranged)
    rows = read(path)
    assert len(rows) == len(ranged.frame) == 16
    for s, row in enumerate(rows):
        assert row["scenario"] == "'=wash", "no cell is read as a formula"
        assert row["ending"] == ENDINGS[ranged.frame.ending[s]]
        stated = ranged.grid.row(s)
        for key in ranged.grid.keys:
            assert row[key] == (None if key.startswith("price") and key not in stated else stated.get(key, 0.0))
        doses = {k: v for k, v in row.items() if k in ranged.frame.ids and v is not None}
        ours = {k: v for k, v in zip(ranged.frame.ids, ranged.frame.doses[s], strict=True) if v > 0}
        assert doses == pytest.approx(ours, abs=1e-8)
        if row["ending"] == "optimal":
            assert row["cost"] == pytest.approx(ranged.frame.cost[s], abs=1e-8)
            assert "active at least" in row["binding"]
            assert sum(doses.values()) == pytest.approx(97, abs=1e-6)
        else:
            assert row["cost"] is None
    assert sorted(p.name for p in tmp_path.iterdir()) == [path.name], "no draft is left"


def read(path: Path) -> list[dict[str, Any]]:
    """Return a table's rows, numbers as numbers, empty cells as None."""
    if path.suffix == ".parquet":
        from pyarrow import parquet

        return list(parquet.read_table(path).to_pylist())
    if path.suffix == ".xlsx":
        head, *cells = load_workbook(path).active.iter_rows()
        assert all(cell.data_type != "f" for row in (head, *cells) for cell in row)
        return [{h.value: c.value for h, c in zip(head, row, strict=True)} for row in cells]
    with path.open(encoding="utf-8", newline="") as stream:
        rows = []
        for row in csv.DictReader(stream):
            rows.append({k: number_or_text(v) for k, v in row.items()})
        return rows


def number_or_text(cell: str) -> float | str | None:
    try:
        return float(cell) if cell else None
    except ValueError:
        return cell


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t"])
def test_text_that_a_spreadsheet_would_run_is_neutralised(start: str) -> None:
    assert neutral(f"{start}1+1") == f"'{start}1+1"
    assert neutral("decyl-glucoside") == "decyl-glucoside"


def test_the_summary_counts_what_the_answers_hold(ranged: Any) -> None:
    summary = summarise(ranged)
    solved = ranged.frame.solved
    assert summary.solved == solved.sum() == 12
    assert summary.endings["infeasible"] == 4
    assert (summary.cost.least, summary.cost.most) == (ranged.frame.cost[solved].min(), ranged.frame.cost[solved].max())
    active = next(b for b in summary.bound if b.rule == "active" and b.side == "low")
    assert active.scenarios == 12
    water = next(u for u in summary.used if u.id == "aqua")
    assert water.scenarios == 12
    by_load = {s.value: (s.scenarios, s.solved) for s in summary.slices if s.key == "load.at_most"}
    assert by_load == {"0.5": (4, 0), "5": (4, 4), "6": (4, 4), "7": (4, 4)}
    assert {s.value for s in summary.slices if s.key.startswith("price")} == {"as the brief", "2.5"}


def test_the_report_fits_and_says_it(ranged: Any) -> None:
    summary = summarise(ranged)
    text = "\n".join(lines(range_document(ranged, summary), 100))
    assert max(map(len, text.splitlines())) <= 100
    assert "16 scenarios: 12 solved, 4 impossible." in text
    assert "active matter at least" in text
    told = record(Range(ranged=ranged, summary=summary))
    assert type(told).model_validate_json(told.model_dump_json()) == told
    assert told.answers is not None
    assert told.answers[4].states == {"load.at_most": 5.0}
    assert told.answers[4].cost_per_kg == ranged.frame.cost[4]
    assert told.answers[0].cost_per_kg is None


def test_the_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    run = CliRunner()
    args = ["range", "hand-wash", "--vary", "active.at_least=9,10,12", "--missing", "coco-glucoside"]
    told_json = run.invoke(cli.app, [*args, "--json", "--out", "t.csv"])
    assert told_json.exit_code == 5, "three scenarios in which at_least is above at_most have no verdict"
    found = record_of(Range).model_validate(json.loads(told_json.stdout))
    assert found.scenarios == 6
    assert found.endings["optimal"] == 4
    assert len(read(tmp_path / "t.csv")) == 6
    again = run.invoke(cli.app, [*args, "--out", "t.csv"])
    assert isinstance(again.exception, DataError)
    assert "would be lost" in str(again.exception)
    wrong = run.invoke(cli.app, [*args, "--out", "t.doc"])
    assert isinstance(wrong.exception, UsageError)
    impossible = run.invoke(cli.app, ["range", "impossible-wash", "--vary", "active.at_least=7,8"])
    assert impossible.exit_code == 4
    fine = run.invoke(cli.app, ["range", "hand-wash", "--vary", "active.at_least=9,10", "--markdown"])
    assert fine.exit_code == 0
    assert fine.stdout.startswith("# ")


def test_the_state_folder_is_removed_only_when_asked(tmp_path: Path) -> None:
    state = State(tmp_path / "x.parts")
    assert state.open("one", [(0, 0, 5)]) == ([(0, 0, 5)], {})
    assert state.open("one", [(0, 0, 9)])[0] == [(0, 0, 5)], "the pieces are those of the first run"
    state.close()
    assert not state.folder.exists()


CLUSTER = """
import os, signal, subprocess, sys, threading, time
from pathlib import Path
from distributed import Client, LocalCluster
if __name__ == "__main__":
    options = dict(n_workers=2, threads_per_worker=1, dashboard_address=None)
    with LocalCluster(**options) as cluster, Client(cluster) as client:
        victim = min(client.run(os.getpid).values())
        def kill():
            until = time.monotonic() + 60
            while not list(Path("t.csv.parts").glob("0*.npz")) and time.monotonic() < until:
                time.sleep(0.01)
            os.kill(victim, signal.SIGKILL)
        threading.Thread(target=kill).start()
        call = [*sys.argv[1:], "--cluster", cluster.scheduler_address, "--jobs", "2", "--out", "t.csv"]
        done = subprocess.run(call, stdout=subprocess.DEVNULL)
        assert victim not in client.run(os.getpid).values(), "a worker was killed"
        sys.exit(done.returncode)
"""


@pytest.mark.slow
def test_a_cluster_that_loses_a_worker_answers_everything_once(tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    (tmp_path / "script.py").write_text(CLUSTER, encoding="utf-8")
    args = ["hand-wash", "--vary", "active.at_least=9:10.9:0.02"]
    script = [sys.executable, "script.py", *COMMAND, *args]
    done = subprocess.run(script, cwd=tmp_path, capture_output=True, text=True, timeout=240, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    subprocess.run([*COMMAND, *args, "--out", "alone.csv"], cwd=tmp_path, capture_output=True, check=True)
    assert (tmp_path / "t.csv").read_bytes() == (tmp_path / "alone.csv").read_bytes()


def test_common_ground_of_a_folder_is_no_brief(tmp_path: Path) -> None:
    (tmp_path / "ground.toml").write_text('name = "ground"')
    (tmp_path / "wash.toml").write_text('name = "wash"\nproduct = "wash"\nextends = "ground.toml"')
    (tmp_path / "mild.toml").write_text('name = "mild"\nextends = "wash.toml"')
    (tmp_path / "torn.toml").write_text("name = ")
    assert [source.name for source in sources_of(str(tmp_path))] == ["mild", "torn", "wash"]


def test_what_a_range_cannot_vary_is_told_with_a_way_out() -> None:
    from optimizer.sweep.source import unknown_keys

    brief = load_brief(find_scenario("hand-wash"), changes=[("undissociated-acid.at_least", "0.08")])
    (problem,) = unknown_keys(brief, ["thickening.active"], "hand-wash")
    assert problem.what == "a range varies plain limits only, and this is none."
    assert "give range the folder" in problem.step
    assert not unknown_keys(brief, ["active.at_least", "undissociated-acid.at_least"], "hand-wash")
