"""The lock as Windows has it, run here against a stand-in: a region is locked, open names stay, closing lets go late.

The stand-in follows what Python's documentation says of `msvcrt.locking`: LK_NBLCK raises OSError where the bytes are
taken, LK_UNLCK must be called before the file is closed. It was never run on Windows itself.
"""

from __future__ import annotations

import errno
import os
import sys
import threading
from pathlib import Path
from types import SimpleNamespace

import pytest

from optimizer import files
from optimizer.errors import DataError
from optimizer.files import changing, read_text, write_atomic

LK_UNLCK, LK_NBLCK = 0, 2
"""As in the C runtime."""


class Regions:
    """Locked bytes of files: by file and position, with the handle that holds them, until they are unlocked."""

    def __init__(self) -> None:
        self.held: dict[tuple[int, int, int], int] = {}
        self.refused = 0
        self.broken = 0
        self._one = threading.Lock()

    def locking(self, handle: int, mode: int, size: int) -> None:
        told = os.fstat(handle)
        where = (told.st_dev, told.st_ino, os.lseek(handle, 0, os.SEEK_CUR))
        assert size == 1
        with self._one:
            if self.broken:
                raise OSError(self.broken, os.strerror(self.broken))
            if mode == LK_UNLCK:
                assert self.held.pop(where) == handle, "only who holds it lets go"
            elif where in self.held:
                self.refused += 1
                raise PermissionError(errno.EACCES, "Permission denied")
            else:
                self.held[where] = handle


@pytest.fixture
def windows(monkeypatch: pytest.MonkeyPatch) -> Regions:
    regions, unlink = Regions(), os.unlink
    told = SimpleNamespace(locking=regions.locking, LK_NBLCK=LK_NBLCK, LK_UNLCK=LK_UNLCK)
    monkeypatch.setitem(sys.modules, "msvcrt", told)
    monkeypatch.setattr(files, "ON_WINDOWS", True)

    def keep_what_is_open(path: str | Path, **more: int) -> None:
        if str(path).endswith(".lock"):
            raise PermissionError(errno.EACCES, "it is open")
        unlink(path, **more)

    monkeypatch.setattr(os, "unlink", keep_what_is_open)
    return regions


def add(path: Path, line: str) -> None:
    with changing(path) as place:
        write_atomic(place, f"{read_text(place)}{line}\n", overwrite=True)


def test_what_many_write_is_all_there_and_nothing_stays_locked(windows: Regions, tmp_path: Path) -> None:
    path = tmp_path / "batch.toml"
    path.write_text("", encoding="utf-8")
    several = [threading.Thread(target=lambda k=k: [add(path, f"{k}-{n}") for n in range(10)]) for k in range(6)]
    for thread in several:
        thread.start()
    for thread in several:
        thread.join()
    assert sorted(path.read_text(encoding="utf-8").split()) == sorted(f"{k}-{n}" for k in range(6) for n in range(10))
    assert windows.refused > 0, "they did not meet"
    assert windows.held == {}
    assert sorted(os.listdir(tmp_path)) == [".batch.toml.lock", "batch.toml"], "only the empty lock stays"


def test_who_waits_too_long_is_told(windows: Regions, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "PATIENCE", 0.05)
    path = tmp_path / "batch.toml"
    path.write_text("old\n", encoding="utf-8")
    with changing(path), pytest.raises(DataError, match="other commands have been changing it"):
        add(path, "mine")
    add(path, "later")
    assert path.read_text(encoding="utf-8") == "old\nlater\n"


def test_a_fault_inside_lets_go(windows: Regions, tmp_path: Path) -> None:
    path = tmp_path / "batch.toml"
    path.write_text("", encoding="utf-8")
    with pytest.raises(KeyError), changing(path):
        raise KeyError
    assert windows.held == {}
    add(path, "after")


def test_a_folder_that_cannot_be_locked_is_told_and_no_turn_is_taken(windows: Regions, tmp_path: Path) -> None:
    path = tmp_path / "batch.toml"
    path.write_text("old\n", encoding="utf-8")
    windows.broken = errno.ENOLCK
    with pytest.raises(DataError):
        add(path, "mine")
    assert path.read_text(encoding="utf-8") == "old\n"
