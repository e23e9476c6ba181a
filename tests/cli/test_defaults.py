"""Defaults of the bench in `bench.toml`: taken where nothing else is said, told, and never taken for another file."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from optimizer.bench.batch import read_batch
from optimizer.files import shipped
from tests.support.hostile import ask

BENCH = """scale_g = 0.1
bottle_ml = 250
density_g_per_ml = 1.02
loss_percent = 2
size = "20 bottles"
costs = "mine.toml"
shelf = "mine.csv"
"""


@pytest.fixture(autouse=True)
def _folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("bench.toml").write_text(BENCH, encoding="utf-8")
    rows = (shipped("scenarios") / "shelf.csv").read_text(encoding="utf-8")
    Path("mine.csv").write_text(rows.replace("Quay Nine Drysalters", "My own cellar"), encoding="utf-8")
    Path("mine.toml").write_text('[[packaging]]\nwhat = "my bottle"\nprice = 0.4\n', encoding="utf-8")


def test_what_is_not_said_is_taken_from_there_and_told() -> None:
    told = json.loads(ask("batch", "hand-wash", "--out", "a.toml", "--json").out)
    batch = read_batch(Path("a.toml"))
    assert (batch.scale.step_g, batch.bottle_ml, batch.density_g_per_ml, batch.loss_percent) == (0.1, 250, 1.02, 2)
    # By hand: 20 bottles of 255 g and 2 % loss are 5100 / 0.98 = 5204.1 g, rounded up to 0.1 g.
    assert batch.size_g == pytest.approx(5204.1)
    for field in ("scale_g = 0.1", "bottle_ml = 250", "size = 20 bottles", "shelf = mine.csv"):
        assert f"{field} from bench.toml" in told["notes"]
    cost = json.loads(ask("cost", "hand-wash", "--json").out)
    assert [p["detail"] for p in cost["parts"] if p["what"] == "packaging"] == ["my bottle"]
    assert cost["size"]["bottles"] == 20
    label = json.loads(ask("label", "hand-wash", "--json").out)
    assert "250" in json.dumps(label["content"])


def test_what_is_said_goes_before_it() -> None:
    told = ("--size", "1kg", "--scale", "1", "--loss", "0", "--density", "1.01")
    assert ask("batch", "hand-wash", *told, "--out", "b.toml").code == 0
    batch = read_batch(Path("b.toml"))
    assert (batch.size_g, batch.scale.step_g, batch.loss_percent, batch.density_g_per_ml) == (1000, 1, 0, 1.01)
    other = shipped("scenarios") / "shelf.csv"
    lines = json.loads(ask("blend", "hand-wash", "--shelf", str(other), "--json").out)
    assert "shelf = mine.csv from bench.toml" not in lines["assumptions"]


def test_a_brief_of_ones_own_keeps_its_shelf() -> None:
    for file in shipped("scenarios").glob("*.*"):
        Path(file.name).write_bytes(file.read_bytes())
    found = json.loads(ask("blend", "hand-wash.toml", "--json").out)
    assert "shelf = mine.csv from bench.toml" not in found["assumptions"]


def test_mistakes_are_told_and_another_file_of_that_name_is_left_alone() -> None:
    Path("bench.toml").write_text("scale = 0.1\n", encoding="utf-8")
    assert "bench.toml, scale: this key is not known. Did you mean 'scale_g'?" in ask("blend", "hand-wash").err
    Path("bench.toml").write_text('shelf = "../away.csv"\n', encoding="utf-8")
    assert "leaves the folder" in ask("blend", "hand-wash").err
    Path("bench.toml").unlink()
    assert ask("batch", "hand-wash", "--size", "1kg", "--number", "B", "--out", "bench.toml").code == 0
    assert ask("blend", "hand-wash").code == 0
    assert ask("weigh", "bench.toml").code == 0


def test_the_first_folder_brings_one_to_fill_in() -> None:
    assert ask("start", "mine").code == 0
    path = Path("mine", "bench.toml")
    path.write_text(path.read_text(encoding="utf-8").replace("# scale_g", "scale_g"), encoding="utf-8")
    assert ask("batch", "mine/first-brief.toml", "--size", "1kg", "--out", "mine/b.toml").code == 0
    assert read_batch(Path("mine", "b.toml")).scale.step_g == 0.1
