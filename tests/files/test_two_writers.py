"""Two commands on one file: what was acknowledged is there afterwards; killed anywhere, the old file or the new."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
from pathlib import Path
from types import FrameType
from typing import Any

import pytest
from tomlkit import TOMLDocument

from optimizer import files
from optimizer.bench.batch import Batch, append, change_batch, read_batch
from optimizer.errors import DataError
from optimizer.files import changing, read_text, report_mark, write_atomic, write_report
from tests.support.hostile import ask

REMARK = "# keep the whisk away from the wall"
ENTRIES = 40
WRITERS = {
    "weights": "['weighed', 'batch.toml', f'glycerin=+{k / 1000:.3f}@L{k}', '--sure', '--on', '2026-11-28']",
    "readings": "['ph', 'batch.toml', '--read', f'{7 - k / 100:.2f}', *(['--of', 'batch'] * (k == first))]",
}
"""Commands that note line `k`, as Python."""
LOOP = """
import contextlib, io, sys
from optimizer import cli
first = int(sys.argv[1])
for k in range(first, first + {entries}):
    sys.argv = ["tenside", *{command}]
    said = io.StringIO()
    try:
        with contextlib.redirect_stdout(said):
            cli.main()
    except SystemExit as ended:
        if ended.code:
            continue
    print(k, flush=True)
"""
"""Notes one line after another in one process, and prints the number of each that was acknowledged."""


@pytest.fixture(autouse=True)
def _folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("f.csv").write_text("material,percent\naqua,60\nglycerin,20\ncocamidopropyl-betaine,20\n", encoding="utf-8")
    assert ask("batch", "f.csv", "--for", "hand-wash", "--size", "1kg", "--out", "batch.toml").code == 0
    path = Path("batch.toml")
    path.write_text(f"{REMARK}\n{path.read_text(encoding='utf-8')}", encoding="utf-8")


def _writer(command: str, first: int) -> subprocess.Popen[str]:
    code = LOOP.format(entries=ENTRIES, command=WRITERS[command])
    return subprocess.Popen(
        [sys.executable, "-c", code, str(first)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


@pytest.mark.thorough
@pytest.mark.parametrize("others", ["weights", pytest.param("readings", marks=pytest.mark.slow)])
def test_two_processes_note_forty_lines_each_and_none_is_lost(others: str) -> None:
    noting = [_writer("weights", 0), _writer(others, 100)]
    said = [process.communicate(timeout=300) for process in noting]
    acknowledged = [out.split() for out, _ in said]
    assert [len(numbers) for numbers in acknowledged] == [ENTRIES, ENTRIES], [err[-300:] for _, err in said]
    batch = read_batch(Path("batch.toml"))
    noted = [line.lot.removeprefix("L") for line in batch.weighed]
    if others == "weights":
        assert sorted(noted) == sorted(acknowledged[0] + acknowledged[1])
    else:
        assert noted == acknowledged[0]
        assert [f"{r.ph:.2f}" for r in batch.adjustment[0].reading] == [
            f"{7 - int(k) / 100:.2f}" for k in acknowledged[1]
        ]
    assert Path("batch.toml").read_text(encoding="utf-8").startswith(REMARK)
    assert sorted(os.listdir()) == ["batch.toml", "f.csv"]


def _add(line: str) -> None:
    """Change a file in the least way: one more line."""
    with changing(Path("batch.toml")) as place:
        write_atomic(place, f"{read_text(place)}# {line}\n", overwrite=True)


def _killed_at(step: int) -> bool:
    """Add a line in a process of its own that is killed before the given line of `files`; whether it was."""
    child = os.fork()
    if child == 0:
        left = step

        def watch(frame: FrameType, event: str, arg: object) -> Any:
            nonlocal left
            if frame.f_code.co_filename != files.__file__:
                return None
            if event == "line":
                left -= 1
                if left < 0:
                    os.kill(os.getpid(), signal.SIGKILL)
            return watch

        try:
            sys.settrace(watch)
            _add("killed")
            os._exit(0)
        finally:
            os._exit(1)
    status = os.waitpid(child, 0)[1]
    assert os.WIFSIGNALED(status) or status == 0
    return os.WIFSIGNALED(status)


@pytest.mark.thorough
@pytest.mark.skipif(not hasattr(os, "fork"), reason="the system cannot copy a process")
def test_killed_anywhere_the_old_file_or_the_new_one_is_there_and_the_next_command_works() -> None:
    path = Path("batch.toml")
    old = path.read_bytes()
    new, steps, seen = old + b"# killed\n", 0, set()
    while True:
        path.write_bytes(old)
        if not _killed_at(steps):
            break
        seen.add(path.read_bytes())
        for draft in set(os.listdir()) - {"batch.toml", "f.csv", ".batch.toml.lock"}:
            assert re.fullmatch(r"\.batch\.toml\.[a-z0-9_]{8}", draft)
            os.unlink(draft)
        _add("after")
        assert path.read_bytes().endswith(b"# after\n")
        steps += 1
    assert steps > 60
    assert seen == {old, new}
    assert sorted(os.listdir()) == ["batch.toml", "f.csv"]


def test_who_waits_too_long_is_told_and_nothing_is_written(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "PATIENCE", 0.05)
    before = Path("batch.toml").read_bytes()
    with changing(Path("batch.toml")):
        answer = ask("weighed", "batch.toml", "glycerin=200")
    assert answer.code == 3
    assert answer.err == (
        "tenside: this cannot be used as it is:\n  batch.toml: other commands have been changing it for 0.05 s; "
        "nothing was written. Wait until they end, then run the command again.\n"
    )
    assert Path("batch.toml").read_bytes() == before


def test_an_editor_that_saves_in_the_meantime_is_not_overwritten() -> None:
    path = Path("batch.toml")

    def change(document: TOMLDocument, batch: Batch) -> None:
        path.write_text(f"{path.read_text(encoding='utf-8')}\n# mine\n", encoding="utf-8")
        append(document, "weighed", {"material": "glycerin", "grams": 1.0})

    with pytest.raises(DataError, match="it was changed in an editor in the meantime"):
        change_batch(path, change)
    assert path.read_text(encoding="utf-8").endswith("# mine\n")


def test_what_depends_on_the_file_is_looked_up_under_the_lock() -> None:
    """Readings that another command notes between reading and writing count for the check of this one."""
    seen = []

    def change(document: TOMLDocument, batch: Batch) -> None:
        seen.append(len(batch.weighed))
        append(document, "weighed", {"material": "glycerin", "grams": 1.0})

    several = [threading.Thread(target=change_batch, args=(Path("batch.toml"), change)) for _ in range(8)]
    for thread in several:
        thread.start()
    for thread in several:
        thread.join()
    assert seen == list(range(8))


def test_two_reports_at_once_leave_one_whole_report() -> None:
    path = Path("page.html")

    def write(k: int) -> None:
        write_report(path, f"<!-- {report_mark('report')} -->{k * 1000}".encode(), "report")

    several = [threading.Thread(target=write, args=(k,)) for k in range(8)]
    for thread in several:
        thread.start()
    for thread in several:
        thread.join()
    write(9)  # is refused unless what lies there is as it was written
    assert path.read_text(encoding="utf-8").endswith("9000")
    assert sorted(os.listdir()) == ["batch.toml", "f.csv", "page.html"]
