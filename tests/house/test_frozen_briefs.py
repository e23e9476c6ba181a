"""The data that the benchmarks are measured on: still read and solved, and nothing of what is shipped is touched."""

from __future__ import annotations

import gc
import sys
from pathlib import Path
from typing import Any

import pytest

from optimizer import files
from optimizer.brief.brief import load_brief
from optimizer.solve.best import solve

BENCHMARKS = Path(__file__).resolve().parents[1] / "benchmarks"


@pytest.fixture
def measure(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Any:
    """Return what the benchmarks share, in a house that ships nothing."""
    monkeypatch.setattr(files, "PACKAGE", tmp_path / "nothing" / "optimizer")
    monkeypatch.syspath_prepend(str(BENCHMARKS))
    before = set(sys.modules)
    import measure

    yield measure
    gc.enable()  # the runner stops it
    for name in set(sys.modules) - before:
        if Path(getattr(sys.modules[name], "__file__", None) or "").parent == BENCHMARKS:
            del sys.modules[name]


def test_frozen_briefs_are_read_from_frozen_files_alone_and_solved(measure: Any) -> None:
    assert not files.shipped("library").exists()
    for path, libraries in measure.BRIEFS.items():
        brief = load_brief(path, libraries=libraries)
        assert all(Path(name).is_relative_to(measure.FROZEN) for name in brief.files)
        assert solve(brief).ending == "optimal", path.name


def test_generated_briefs_are_made_of_frozen_materials_alone_and_solved(measure: Any) -> None:
    from shop import brief_of  # type: ignore[import-not-found]

    assert solve(brief_of(40)).ending == "optimal"


def test_the_table_names_what_missed_its_goal(measure: Any) -> None:
    line = measure.Line
    assert line("a", [1.0, 1.2, 9.0], 1.2).verdict == "met"
    assert line("a", [1.0, 1.21, 9.0], 1.2).verdict == "MISSED"
    told = ("a", "1.2", "9", "1.2 / 8", "MISSED", "no presolve")
    assert line("a", [1.0, 1.2, 9.0], 1.2, 8, peer="no presolve").cells() == told
    assert line("a", [0.1, 0.2], worst=0.2).verdict == "met"
    assert line("a", [1.0]).verdict == ""


@pytest.mark.slow
def test_a_part_that_breaks_is_told_and_the_others_are_measured_all_the_same(
    measure: Any, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("phreeqc")
    import run  # type: ignore[import-not-found]

    def broken() -> Any:
        yield measure.Line("first half", [1.0], 2)
        raise AssertionError("answers differ")

    parts = {"broken": broken, "late": lambda: [measure.Line("late one", [3.0], 2)], "good": list}
    monkeypatch.setattr(run, "PARTS", parts)
    for asked, code in ((["broken", "good"], 1), (["late"], 1), (["good"], 0), (["none"], 2), ([], 1)):
        monkeypatch.setattr(sys, "argv", ["run.py", *asked])
        with pytest.raises(SystemExit) as ended:
            run.main()
        assert int(ended.value.code or 0) == code, asked
    told = capsys.readouterr().out.split("what, as a ratio")[-1]
    assert "first half" in told
    assert "broken: broke off" in told
    assert "MISSED" in told.split("late one")[1]
