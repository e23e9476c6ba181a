"""Files that older versions made are opened, continued and kept; nothing that was answered is computed again.

The folders `made_by_*` come from `make_old_files.py`, run once by the version of their name. All figures are made up.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path
from shutil import copytree
from typing import Any

import pytest

from optimizer.sweep.grid import Grid
from optimizer.sweep.source import Source
from tests.make_old_files import AS_WEIGHED, VARIED
from tests.support.hostile import ask

MADE = sorted(Path(__file__).resolve().parents[1].glob("made_by_*"))
RANGE = ("range", "range-brief.toml", *(word for axis in VARIED for word in ("--vary", axis)), "--out", "range.csv")


@pytest.fixture(params=MADE, ids=lambda folder: folder.name)
def old(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a copy of a folder that an older version made, which is where the commands run."""
    folder = copytree(request.param, tmp_path / "elsewhere")
    monkeypatch.chdir(folder)
    return folder


def told(*words: str) -> str:
    """Return what a command that succeeds prints."""
    answer = ask(*words)
    assert answer.code == 0, f"{' '.join(words)}\n{answer.out}{answer.err}"
    return answer.out


def record(*words: str) -> Any:
    """Return what a command that succeeds answers as JSON."""
    return json.loads(told(*words, "--json"))


def test_there_are_old_files_and_they_stay_small() -> None:
    assert "made_by_0_1_0" in [folder.name for folder in MADE]
    for folder in MADE:
        assert sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) < 400_000


@pytest.mark.usefixtures("old")
@pytest.mark.parametrize(
    "words",
    [
        ("blend", "first-brief.toml"),
        ("check", "next.csv", "first-brief.toml"),
        ("weigh", "batch.toml", "--pdf", "sheet.pdf"),
        ("made", "batch.toml", "--master", "again.csv"),
        ("label", "batch.toml"),
        ("cost", "batch.toml", "--costs", "costs.toml"),
        ("page", "batch.toml", "--out", "page.html"),
        ("records", "check"),
        ("records", "list"),
        ("records", "versions", "My first wash"),
        ("records", "tests", "FW-001"),
    ],
    ids=lambda words: " ".join(words[:2]),
)
def test_they_open(words: tuple[str, ...]) -> None:
    assert told(*words)


@pytest.mark.usefixtures("old")
def test_what_was_weighed_and_read_is_still_known() -> None:
    made = record("made", "batch.toml")
    weights = {line["material"]: line["grams"] for line in made["inputs"] if line["kind"] == "weighed"}
    typed = {word.partition("=")[0]: float(word.partition("=")[2].partition("@")[0]) for word in AS_WEIGHED.split()}
    assert weights == typed
    assert (made["mass_g"], made["ph"]) == (1034, 5.7)
    lots = record("records", "lots", "FW-001")
    assert {word.partition("@")[2] for word in AS_WEIGHED.split()} <= {row["lot"] for row in lots["lots"]}
    shown = record("records", "show", "FW-001")
    assert "dense, quick" in json.dumps(shown)


def test_a_batch_goes_on(old: Path) -> None:
    before = (old / "batch.toml").read_text(encoding="utf-8")
    told("weighed", "batch.toml", "parfum=+0.1@GL-8", "--on", "2026-03-04")
    told("ph", "batch.toml", "--added", "3.5", "--read", "5.65", "--water", "9", "--on", "2026-03-04")
    thick = ("thicken", "batch.toml", "--material", "sodium-chloride", "--added", "0.85%", "--viscosity", "3150")
    told(*thick, "--ph", "5.65", "--temperature", "22", "--on", "2026-03-04")
    after = (old / "batch.toml").read_text(encoding="utf-8")
    assert [line for line in before.splitlines() if line.strip() and line not in after] == []
    assert len(after) > len(before)
    told("records", "keep", "batch.toml", "--shelf", "shelf.csv", "--on", "2026-03-04")
    assert record("records", "show", "FW-001")["revision"] == 2
    told("records", "result", "FW-001", "ph-room", "--value", "5.6", "--on", "2026-03-17")
    told("records", "check")


@pytest.mark.usefixtures("old")
def test_a_formula_gets_its_next_version() -> None:
    told("records", "master", "next.csv", "--for", "first-brief.toml", "--name", "My first wash", "--why", "as made")
    assert [v["version"] for v in record("records", "versions", "My first wash")["versions"]] == [2, 1]


def test_an_export_is_put_back(old: Path) -> None:
    told("records", "import", "kept-records", "--store", "back.db")
    told("records", "check", "--store", "back.db")
    told("records", "export", "again", "--store", "back.db")
    for path in sorted((old / "kept-records").glob("*.csv")):
        if path.name != "due.csv":
            with (
                path.open(encoding="utf-8-sig", newline="") as was,
                (old / "again" / path.name).open(encoding="utf-8-sig", newline="") as now,
            ):
                kept, back = list(csv.DictReader(was)), list(csv.DictReader(now))
            assert [{key: row[key] for key in kept[0]} for row in back] == kept if kept else not back, path.name


@pytest.fixture
def answered(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Return how many scenarios each piece had that was answered anew."""
    sizes: list[int] = []
    families = Source.families

    def counted(self: Source, grid: Grid, *known: Any) -> Any:
        sizes.append(len(grid))
        return families(self, grid, *known)

    monkeypatch.setattr(Source, "families", counted)
    return sizes


def test_a_range_goes_on_elsewhere_and_nothing_is_computed_again(old: Path, answered: list[int]) -> None:
    told(*RANGE)
    assert answered == []
    assert not (old / "range.csv.parts").exists()
    told(*RANGE[:-1], "anew.csv")
    assert sum(answered) == 20
    assert (old / "range.csv").read_bytes() == (old / "anew.csv").read_bytes()


def test_only_a_part_that_is_missing_is_computed(old: Path, answered: list[int]) -> None:
    (old / "range.csv.parts" / "000002.npz").unlink()
    told(*RANGE)
    assert answered == [3]


def test_parts_of_another_brief_are_refused(old: Path) -> None:
    brief = old / "range-brief.toml"
    brief.write_text(brief.read_text(encoding="utf-8").replace("hand wash", "body wash"), encoding="utf-8")
    answer = ask(*RANGE)
    assert answer.code == 3
    assert "parts of another range" in answer.err
