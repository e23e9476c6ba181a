"""Which raw material a maker's own word means, wherever one is asked for; a guess is offered, never taken."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from optimizer.bench.batch import read_batch
from optimizer.errors import UsageError
from optimizer.intake.names import Names, found_by, material_of
from tests.support.benches import library
from tests.support.hostile import ask

KNOWN = library().materials


@pytest.mark.parametrize(
    ("word", "meant"),
    [
        ("CAPB", "cocamidopropyl-betaine"),
        ("capb (30%)", "cocamidopropyl-betaine"),
        ("Glycerine", "glycerin"),
        ("lavender water", "hydrosol"),
        ("Lavender Hydrosol", "hydrosol"),
        ("lavender oil", "essential-oil-lavender"),
        ("Water", "aqua"),
        ("Water (distilled)", "aqua"),
        ("aqua", "aqua"),
    ],
)
def test_everyday_words_mean_materials(word: str, meant: str) -> None:
    assert material_of(word, KNOWN) == meant


@pytest.mark.parametrize("word", ["rose water", "Water (rose)", "aloe water", "Water [chamomile]"])
def test_the_water_of_a_plant_is_never_plain_water(word: str) -> None:
    assert Names(KNOWN).meaning(word).id != "aqua"
    with pytest.raises(UsageError):
        material_of(word, KNOWN)


def test_what_could_be_several_is_asked_about() -> None:
    with pytest.raises(UsageError, match="'SLES' could be sodium-laureth-sulfate-1eo-70, "):
        material_of("SLES", KNOWN)
    with pytest.raises(UsageError, match=r"there is no material 'decyl glucosid'\. Did you mean 'decyl-glucoside'"):
        material_of("decyl glucosid", KNOWN)


def test_materials_are_found_by_names_words_and_functions() -> None:
    assert [m.id for m in found_by("capb", KNOWN)] == ["cocamidopropyl-betaine"]
    assert "sodium-chloride" in [m.id for m in found_by("salt", KNOWN)]
    assert {m.id for m in found_by("chelator", KNOWN)} == {m.id for m in KNOWN if "chelator" in m.functions}
    assert "hydrosol" in [m.id for m in found_by("lavender water", KNOWN)]
    told = json.loads(ask("library", "find", "lavender", "--json").out)["materials"]
    assert {"hydrosol", "essential-oil-lavender"} <= {m["id"] for m in told}
    assert "nothing is called 'moon dust'" in ask("library", "find", "moon dust").err


def test_commands_take_words_and_weights_take_line_numbers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert ask("batch", "hand-wash", "--size", "1kg", "--scale", "0.01", "--out", "b.toml").code == 0
    sheet = json.loads(ask("weigh", "b.toml", "--json").out)
    lines = {line["number"]: line for step in sheet["steps"] for line in step["lines"]}
    number = next(n for n, line in lines.items() if line["id"] == "glycerin")
    told = ask("weighed", "b.toml", "CAPB=76.1@L-7", f"{number}={lines[number]['grams']}", "--active", "CAPB=30")
    assert told.code == 0, told.err
    assert [(w.material, w.lot_active_percent) for w in read_batch(Path("b.toml")).weighed] == [
        ("cocamidopropyl-betaine", 30),
        ("glycerin", None),
    ]
    assert f"the weigh sheet has the lines 1 to {len(lines)}" in ask("weighed", "b.toml", "99=1").err
    assert "Cocamidopropyl Betaine" in ask("why", "CAPB", "hand-wash").out
    assert "Cocamidopropyl Betaine" in ask("library", "show", "capb").out


def test_briefs_are_listed_with_what_they_are(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert ask("start", "my-bench").code == 0
    assert ask("batch", "hand-wash", "--size", "1kg", "--out", "b.toml").code == 0
    Path("broken.toml").write_text('name = "x"\nuse = "eaten"\n', encoding="utf-8")
    told = json.loads(ask("list", "--json").out)
    own = {b["call"]: b for b in told["own"]}
    assert set(own) == {str(Path("my-bench") / "first-brief.toml"), "broken.toml"}
    assert own["broken.toml"]["trouble"]
    shipped = {b["call"]: b for b in told["shipped"]}
    assert shipped["hand-wash"]["product"] == "hand wash"
    assert shipped["hand-wash"]["aim"] == "minimise cost"
    assert "common" not in shipped
    text = ask("list").out
    assert "hand-wash" in text
    assert "unusable" in text
    assert "there is no such folder" in ask("list", "nowhere").err


def test_a_folder_named_like_a_shipped_brief_does_not_hide_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("hand-wash").mkdir()
    assert ask("blend", "hand-wash").code == 0
    Path("other").mkdir()
    assert "this is a folder, a file was expected" in ask("blend", "other").err
