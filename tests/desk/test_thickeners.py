"""Thickeners on the desk: each planned one has its log, and another one can be named, with what speaks against it.

Batches are those of the first working folder and of the shipped facial wash; readings are made up.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.answers.bench import lay_batch
from optimizer.answers.starter import lay
from optimizer.answers.subject import subject_of
from optimizer.bench.batch import read_batch
from tests.support.desk import Browser, desk_of

XANTHAN, SORBITAN = "xanthan-gum-clear", "sorbitan-sesquicaprylate"
READ = (
    '\n[[adjustment]]\nstart_g = 980\nchemical = "citric acid anhydrous"\nstrength_percent = 50\nof = "batch"\n'
    '[[adjustment.reading]]\nadded_g = 0\nph = 5.3\non = "2026-05-04"\n'
)


@pytest.fixture(scope="module")
def laid(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a batch of the first brief, which plans no thickener, its pH read."""
    folder = tmp_path_factory.mktemp("first")
    lay(folder)
    path = folder / "batch-1.toml"
    lay_batch(subject_of(str(folder / "first-brief.toml")), path, size="1kg", number="1", on="2026-05-04")
    path.write_text(path.read_text(encoding="utf-8") + READ, encoding="utf-8")
    return path


@pytest.fixture
def batch(laid: Path, tmp_path: Path) -> Path:
    """Return a copy of it that a test may change."""
    for file in laid.parent.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    return tmp_path / laid.name


@pytest.fixture
def desk(batch: Path) -> Browser:
    return desk_of(batch.parent)


def test_a_thickener_that_nobody_planned_can_be_named_and_logged(desk: Browser, batch: Path) -> None:
    page = desk.get("/batch/batch-1/thicken")
    assert "No thickener is planned for this batch." in page.text
    assert "held_back" not in page.text
    assert page.text.count("tenside") == 1, "in the title, never a command"
    page = desk.get("/batch/batch-1/thicken?material=Carbomer")
    assert "It was not planned for this batch." in page.text
    shown = page.html.partition("<details")[0]
    assert "Its gel collapses with salt" in shown
    assert "Fine dust floats and irritates airways" in shown
    assert "--" not in page.text
    page = desk.submit("/thicken", {"reading": "120"})
    assert page.status == 422
    assert "tick 'It is meant so'" in page.text
    assert "held_back" not in page.text
    page = desk.submit("/thicken", {"reading": "120", "sure": "yes"})
    assert (page.status, "Noted: 120" in page.text) == (200, True)
    assert [t.material for t in read_batch(batch).thickening] == ["carbomer"]


@pytest.mark.parametrize(("typed", "said"), [("glycerin", "no thickener"), ("qqqq", "no such thickener")])
def test_what_is_no_thickener_is_told_beside_the_field(desk: Browser, typed: str, said: str) -> None:
    page = desk.get(f"/batch/batch-1/thicken?material={typed}")
    assert page.status == 200
    assert said in page.text
    assert f'value="{typed}"' in page.html


def test_a_begun_log_leaves_the_others_within_reach(desk: Browser, batch: Path) -> None:
    brief = batch.with_name("first-brief.toml")
    text = brief.read_text(encoding="utf-8")
    planned = f'thickeners = ["{SORBITAN}", "{XANTHAN}"]\nacids = ["citric-acid"]'
    brief.write_text(text.replace('acids = ["citric-acid"]', planned), encoding="utf-8")
    desk.get(f"/batch/batch-1/thicken?material={XANTHAN}")
    page = desk.submit("/thicken", {"now": "4", "reading": "300"})
    assert "Noted: 300" in page.text
    assert f"/batch/batch-1/thicken?material={SORBITAN}" in page.links
    desk.get(f"/batch/batch-1/thicken?material={SORBITAN}")
    assert "Noted: 310" in desk.submit("/thicken", {"now": "2", "reading": "310"}).text
    assert {t.material for t in read_batch(batch).thickening} == {SORBITAN, XANTHAN}


def test_another_kind_of_reading_is_refused_in_words(desk: Browser) -> None:
    desk.get("/batch/batch-1/thicken?material=xanthan-gum-clear")
    desk.submit("/thicken", {"reading": "300", "sure": "yes"})
    page = desk.submit("/thicken", {"reading": "30", "kind": "flow_s", "sure": "yes"})
    assert "The log is read as a viscosity, this step as a time to run out" in page.text
