"""What the bench must refuse or say first: acid on soap, a legal ceiling that a weighed batch breaks.

Recipes and prices are made up; the ceiling is entry 29 of Annex V, 1.0 % (CosIng export of 17 June 2026).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.command import Run

SHELF = """material,price per kg
potassium-cocoate,3
cocamidopropyl-betaine,2.7
glycerin,2.3
phenoxyethanol,9
sodium-laureth-sulfate-2eo-28,1.6
"""
SOAP = """material,percent
aqua,{water}
potassium-cocoate,20
glycerin,5
phenoxyethanol,0.8
"""
BRIEF = """
name = "Wash"
shelf = "shelf.csv"
[ph]
low = {low}
high = 10.5
[held_back]
percent = 3
acids = ["citric-acid"]
[[rule]]
kind = "active"
at_least = 5
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "shelf.csv").write_text(SHELF, encoding="utf-8")
    (tmp_path / "soap.csv").write_text(SOAP.format(water=71.2), encoding="utf-8")
    return tmp_path


def test_no_acid_is_dosed_that_splits_a_soap(folder: Path, run: Run) -> None:
    (folder / "wash.toml").write_text(BRIEF.format(low=4.8), encoding="utf-8")
    ran = run("ph", "soap.csv", "--for", "wash.toml", "--set", "ph.high=6")
    assert ran.code == 3
    assert ran.out == ""
    assert "splits the soap: below pH 9 it becomes fatty acid" in ran.err
    assert "no dose is told" in ran.err


def test_acid_that_leaves_the_soap_whole_is_dosed(folder: Path, run: Run) -> None:
    (folder / "wash.toml").write_text(BRIEF.format(low=9.2), encoding="utf-8")
    assert run("ph", "soap.csv", "--for", "wash.toml").code == 0


def test_without_soap_the_same_target_is_dosed(folder: Path, run: Run) -> None:
    (folder / "wash.toml").write_text(BRIEF.format(low=4.8), encoding="utf-8")
    mild = (
        "material,percent\naqua,69.2\nsodium-laureth-sulfate-2eo-28,20\ncocamidopropyl-betaine,10\nphenoxyethanol,0.8\n"
    )
    (folder / "mild.csv").write_text(mild, encoding="utf-8")
    assert run("ph", "mild.csv", "--for", "wash.toml", "--set", "ph.high=6").code == 0


def test_a_reading_of_a_soap_batch_is_kept_although_no_dose_is_told(folder: Path, run: Run) -> None:
    (folder / "wash.toml").write_text(BRIEF.format(low=4.8), encoding="utf-8")
    laid = run("batch", "soap.csv", "--for", "wash.toml", "--size", "1kg", "--held", "3", "--out", "batch.toml")
    assert laid.code == 0
    text = (folder / "batch.toml").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith(("ph_low", "ph_target", "ph_high"))]
    aim = ["ph_low = 5.3", "ph_target = 5.5", "ph_high = 5.7"]
    at = next(n for n, line in enumerate(lines) if line.startswith("held_back_percent"))
    (folder / "batch.toml").write_text("\n".join([*lines[: at + 1], *aim, *lines[at + 1 :]]), encoding="utf-8")
    ran = run("ph", "batch.toml", "--read", "9.9", "--of", "batch")
    assert ran.code == 3
    assert "splits the soap" in ran.err
    assert "ph = 9.9" in (folder / "batch.toml").read_text(encoding="utf-8")


def test_a_legal_ceiling_that_a_weighed_batch_breaks_is_the_headline(folder: Path, run: Run) -> None:
    (folder / "wash.toml").write_text(BRIEF.format(low=4.8), encoding="utf-8")
    plan = "material,percent\naqua,79.2\nsodium-laureth-sulfate-2eo-28,20\nphenoxyethanol,0.8\n"
    (folder / "plan.csv").write_text(plan, encoding="utf-8")
    assert run("batch", "plan.csv", "--for", "wash.toml", "--size", "1kg", "--out", "batch.toml").code == 0
    run("weighed", "batch.toml", "aqua=792", "sodium-laureth-sulfate-2eo-28=200", "phenoxyethanol=14", "--sure")
    ran = run("made", "batch.toml")
    headline = ran.out.strip().split("\n\n")[0]
    assert "BROKEN LAW: Phenoxyethanol at most 1 % (law), here 1.392 %" in headline.replace("\n", " ")
    assert "Do not fill, use or sell" in headline.replace("\n", " ")
    assert run("made", "batch.toml", "--json").json["cautions"][0]["text"].startswith("ABOVE A LEGAL CEILING")
