"""Clusters that die in the middle of a range, workers that fail: told for what they are; what is answered stays."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Thread
from time import monotonic, sleep

import pytest

from optimizer.brief.brief import Brief
from optimizer.cli import sweep as cli_range
from optimizer.errors import DataError, Problem, SolverError, TensideError
from optimizer.sweep import run as range_run
from optimizer.sweep.frame import Frame
from optimizer.sweep.grid import Grid, axis, crossed
from optimizer.sweep.learnt import Pools
from optimizer.sweep.source import Source, sources_of
from tests.support.hostile import ask

pytest.importorskip("distributed")
pytestmark = pytest.mark.slow
ROOT = Path(__file__).resolve().parents[2]
VARY = "active.at_least=7:10:0.5"
CLUSTER = """
import os, signal, sys
from distributed import Client, LocalCluster
if __name__ == "__main__":
    with LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None) as cluster, Client(cluster) as client:
        print(cluster.scheduler_address, flush=True)
        for line in sys.stdin:
            for nanny in cluster.workers.values():
                nanny.auto_restart = False
            for pid in [n.pid for n in cluster.workers.values()]:
                os.kill(pid, signal.SIGKILL)
"""


class Broken(Source):
    """A brief whose answers fail on a worker."""

    def families(self, grid: Grid, pools: Pools | None = None, base: Brief | None = None) -> Frame:
        """Fail."""
        return self.name.no_such_thing  # type: ignore[attr-defined,no-any-return]


class Refusing(Source):
    """A brief that a worker refuses."""

    def families(self, grid: Grid, pools: Pools | None = None, base: Brief | None = None) -> Frame:
        """Refuse."""
        raise DataError([Problem("wash.toml", "goal", "it cannot be.", "Correct it."), Problem("b", "", "No.", "")])


class Unproven(Source):
    """A brief whose answers a worker cannot verify."""

    def families(self, grid: Grid, pools: Pools | None = None, base: Brief | None = None) -> Frame:
        """End without an answer."""
        raise SolverError("no answer could be verified")


def slow_piece(source: Source, grid: Grid, pools: Pools) -> range_run.Answer:
    """Answer the first piece at once and the others far too late."""
    if grid.columns[0].min() > 7:
        sleep(120)
    pools = dict(pools)
    return source.families(grid, pools), pools


@pytest.fixture
def cluster(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """Yield address and process of a scheduler that has one worker."""
    monkeypatch.chdir(tmp_path)
    Path("script.py").write_text(CLUSTER, encoding="utf-8")
    paths = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    started = subprocess.Popen(
        [sys.executable, "script.py"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "PYTHONPATH": paths},
        start_new_session=True,
    )
    try:
        assert started.stdout is not None
        address = started.stdout.readline().strip()
        assert address.startswith("tcp://")
        yield address, started
    finally:
        os.killpg(started.pid, signal.SIGKILL)
        started.communicate()


def scheduler_dies(process: subprocess.Popen[str]) -> None:
    """Kill the scheduler."""
    os.kill(process.pid, signal.SIGKILL)


def scheduler_hangs(process: subprocess.Popen[str]) -> None:
    """Stop the scheduler without closing its connections."""
    os.kill(process.pid, signal.SIGSTOP)


def workers_die(process: subprocess.Popen[str]) -> None:
    """Kill the worker, which nobody starts again."""
    assert process.stdin is not None
    process.stdin.write("kill\n")
    process.stdin.flush()


@pytest.mark.parametrize(
    ("event", "said"),
    [
        (scheduler_dies, "the cluster failed"),
        (scheduler_hangs, "the cluster has had no worker for 1 s"),
        (workers_die, "the cluster has had no worker for 1 s"),
    ],
)
def test_a_cluster_that_dies_ends_the_range_with_what_is_answered(
    event: Callable[[subprocess.Popen[str]], None],
    said: str,
    cluster: tuple[str, subprocess.Popen[str]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    address, process = cluster
    monkeypatch.setattr(range_run, "LOOK_S", 0.2)
    monkeypatch.setattr(range_run, "IDLE_S", 1.0)
    monkeypatch.setattr(cli_range, "PATIENCE_S", 2.0)
    monkeypatch.setattr(range_run, "TOGETHER", 2)
    monkeypatch.setattr(range_run, "WITH_CHOICES", 2)
    args = ("range", "hand-wash", "--vary", VARY, "--out", "t.csv")
    parts = Path("t.csv.parts")

    def later() -> None:
        until = monotonic() + 30
        while not list(parts.glob("0*.npz")) and monotonic() < until:
            sleep(0.02)
        event(process)

    with monkeypatch.context() as slow:
        slow.setattr(range_run, "answer_piece", slow_piece)
        waiting = Thread(target=later)
        waiting.start()
        start = monotonic()
        answer = ask(*args, "--cluster", address, seconds=60)
        waiting.join()
    assert answer.code == 5, answer
    assert said in answer.err
    assert "What is answered is kept beside --out" in answer.err
    assert monotonic() - start < 30
    assert len(list(parts.glob("0*.npz"))) == 1
    assert ask(*args).code == 0
    assert len(Path("t.csv").read_text(encoding="utf-8").splitlines()) == 8


def test_a_worker_that_fails_is_not_a_cluster_that_fails(cluster: tuple[str, subprocess.Popen[str]]) -> None:
    from distributed import Client

    grid = crossed([axis(VARY)])
    (sound,) = sources_of("hand-wash")
    with Client(cluster[0]) as client:

        def asked(kind: type[Source]) -> None:
            range_run.run_range((kind(sound.name, sound.path),), grid, executor=client.get_executor())

        with pytest.raises(range_run.DefectError, match="no_such_thing") as defect:
            asked(Broken)
        assert not isinstance(defect.value, TensideError), "a defect is traced, with exit code 1"
        assert "the cluster failed" not in str(defect.value)
        with pytest.raises(DataError) as refused:
            asked(Refusing)
        assert [p.where for p in refused.value.problems] == ["wash.toml", "b"]
        with pytest.raises(SolverError, match=r"^no answer could be verified$"):
            asked(Unproven)
