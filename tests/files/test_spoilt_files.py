"""Sound files of every kind, spoilt at random: each is read or refused in the house's words, and nothing traces."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.data.library import read_library
from optimizer.files import shipped
from tests.support.hostile import fuzzed, read_again, sound_files, spoilt


@pytest.mark.thorough
@pytest.mark.parametrize("name", sorted(sound_files()))
def test_a_spoilt_file_is_refused_or_read(name: str, tmp_path: Path) -> None:
    outcomes = list(fuzzed(tmp_path, seed=1, count=30, names=[name]))
    wrong = [(which, outcome) for which, outcome in outcomes if outcome not in ("accepted", "refused")]
    assert not wrong, wrong[0]
    assert sum(outcome == "refused" for _, outcome in outcomes) >= 8, "most of these are no sound files"


def test_the_files_are_sound_before_they_are_spoilt(tmp_path: Path) -> None:
    library = read_library([shipped("library")])
    for name, content in sound_files().items():
        (tmp_path / name).write_bytes(content)
    for name in sound_files():
        read_again(tmp_path / name, library)


def test_the_same_seed_spoils_in_the_same_way() -> None:
    for name, content in sound_files().items():
        if not name.endswith(".xlsx"):  # a workbook holds the time at which it was packed
            assert list(spoilt(name, content, 3, 6)) == list(spoilt(name, content, 3, 6))
