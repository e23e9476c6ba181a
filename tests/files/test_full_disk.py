"""Full disks, drafts left behind, lost parts and lost clusters: told, nothing half-written, nothing lost."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import CancelledError, Executor, Future
from pathlib import Path
from typing import Any

import pytest

from optimizer.errors import DataError, SolverError
from optimizer.files import STALE, write_atomic
from optimizer.sweep import run as range_run
from optimizer.sweep.grid import axis, crossed
from optimizer.sweep.source import sources_of
from optimizer.sweep.state import State
from tests.support.hostile import ask

WRITING = (
    ("blend", "hand-wash", "--export", "model.lp"),
    ("blend", "hand-wash", "--html", "page.html"),
    ("weigh", "batch.toml", "--xlsx", "sheet.xlsx"),
    ("range", "hand-wash", "--vary", "active.at_least=8,9", "--out", "table.xlsx"),
    ("import", "formula", "f.csv", "--out", "taken.csv"),
)
GRID = crossed([axis("active.at_least=7:10:0.5")])


@pytest.fixture(autouse=True)
def _folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("f.csv").write_text("material,percent\naqua,80\ncocamidopropyl-betaine,20\n", encoding="utf-8")
    assert ask("batch", "f.csv", "--for", "hand-wash", "--size", "1kg", "--out", "batch.toml").code == 0


@pytest.mark.parametrize("args", WRITING, ids=[f"{a[0]} {a[-1]}" for a in WRITING])
def test_a_full_disk_is_told_and_leaves_no_half_file(args: tuple[str, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    answer = ask(*args)
    assert answer.code == 3, answer
    assert "the disk is full or the file too large for it" in answer.err
    left = sorted(p.name for p in Path().iterdir() if not p.name.endswith(".parts"))
    assert left == ["batch.toml", "f.csv"]


@pytest.mark.thorough
def test_a_limit_on_the_size_of_files_is_told() -> None:
    code = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000));"
        "from optimizer import cli; cli.main()"
    )
    for args in (WRITING[0], WRITING[2]):
        done = subprocess.run(
            [sys.executable, "-c", code, *args], capture_output=True, text=True, timeout=120, check=False
        )
        assert done.returncode == 3, done.stderr
        assert "File too large" in done.stderr
        assert "Traceback" not in done.stderr
        assert sorted(os.listdir()) == ["batch.toml", "f.csv"]


@pytest.mark.thorough
@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="the system has no /dev/full")
def test_an_answer_that_finds_no_room_is_told() -> None:
    code = "from optimizer import cli; cli.main()"
    with open("/dev/full", "w", encoding="utf-8") as full:
        done = subprocess.run(
            [sys.executable, "-c", code, "rules"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
            check=False,
        )
    assert done.returncode == 3
    assert "the answer could not be written" in done.stderr
    assert "Traceback" not in done.stderr


def test_drafts_of_a_killed_command_are_swept_after_an_hour() -> None:
    old, young, other = Path(".a.csv.abcd1234"), Path(".a.csv.efgh5678"), Path(".b.csv.abcd1234")
    for path in (old, young, other, Path(".a.csv.notes-of-mine")):
        path.write_text("half", encoding="utf-8")
        if path != young:
            os.utime(path, (path.stat().st_mtime - STALE - 60,) * 2)
    write_atomic(Path("a.csv"), "whole")
    assert sorted(os.listdir()) == sorted(
        [young.name, other.name, ".a.csv.notes-of-mine", "a.csv", "batch.toml", "f.csv"]
    )


def test_an_empty_or_damaged_part_is_answered_again() -> None:
    sources, folder, few = sources_of("hand-wash"), Path("t.csv.parts"), crossed([axis("active.at_least=7,8")])
    whole = range_run.run_range(sources, few, state=folder)
    part = folder / "000000.npz"
    content = part.read_bytes()
    for damaged in (b"", b"PK", content[: len(content) // 2], content.replace(b"ids", b"idx")):
        part.write_bytes(damaged)
        again = range_run.run_range(sources, few, state=folder)
        assert again.frame.cost.tolist() == whole.frame.cost.tolist()
    for plan in ("", "[]", '{"range": 5}', '{"pieces": [[1]]}', '{"pieces": 7}'):
        (folder / "plan.json").write_text(plan, encoding="utf-8")
        with pytest.raises(DataError, match=r"plan\.json is damaged"):
            State(folder).open("x", [])


class Cluster(Executor):
    """An executor that answers some pieces and then does what it is told to do."""

    def __init__(self, answers: int, then: Callable[[Future[Any]], None]) -> None:
        self.answers, self.then = answers, then

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Answer at once, or not at all."""
        future: Future[Any] = Future()
        if self.answers > 0:
            self.answers -= 1
            future.set_result(fn(*args, **kwargs))
        else:
            self.then(future)
        return future


def test_a_scheduler_that_dies_is_told_and_what_is_answered_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(range_run, "TOGETHER", 2)
    monkeypatch.setattr(range_run, "WITH_CHOICES", 2)
    sources, folder = sources_of("hand-wash"), Path("t.csv.parts")
    lost = Cluster(1, lambda future: future.set_exception(OSError("scheduler is gone")))
    with pytest.raises(SolverError, match=r"the cluster failed .OSError: scheduler is gone.. What is answered is kept"):
        range_run.run_range(sources, GRID, executor=lost, state=folder)
    cancelled = Cluster(0, lambda future: future.set_exception(CancelledError()))
    with pytest.raises(SolverError, match="the cluster failed"):
        range_run.run_range(sources, GRID, executor=cancelled, state=folder)
    assert range_run.run_range(sources, GRID, state=folder).kept == 2


def test_a_cluster_without_workers_is_given_up_after_the_stated_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(range_run, "LOOK_S", 0.02)
    monkeypatch.setattr(range_run, "IDLE_S", 0.1)
    with pytest.raises(SolverError, match=r"has had no worker for 0\.1 s\. What is answered is kept"):
        range_run.run_range(sources_of("hand-wash"), GRID, executor=Cluster(0, lambda f: None), workers=lambda: 0)


@pytest.mark.parametrize(
    "address", ["nonsense", "tcp://127.0.0.1:1", "tcp://127.0.0.1:99999", "http://x:y", "tcp://", "  "]
)
def test_a_wrong_address_of_a_cluster_is_told(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    distributed = pytest.importorskip("distributed")
    real = distributed.Client
    monkeypatch.setattr(distributed, "Client", lambda where, timeout: real(where, timeout=0.3))
    answer = ask("range", "hand-wash", "--vary", "active.at_least=8,9", "--cluster", address)
    assert answer.code == 2, answer
    assert f"--cluster {address}: no scheduler answers there" in answer.err
