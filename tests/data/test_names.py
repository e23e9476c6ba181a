"""Which raw material a maker's own word means, wherever one is asked for; a guess is offered, never taken."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import tomli

from optimizer.answers.subject import subject_of
from optimizer.bench.batch import read_batch
from optimizer.bench.costs import read_costs
from optimizer.brief.brief import load_brief
from optimizer.data.formula_file import read_formula
from optimizer.data.names import Names, found_by, material_of
from optimizer.errors import UsageError
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


def test_a_word_of_names_is_offered_with_the_materials_that_have_it() -> None:
    scents = [m for m in KNOWN if m.lipid == "essential oil"]
    with pytest.raises(UsageError, match=r"'lavender' could be essential-oil-lavender. Write the id\."):
        material_of("lavender", scents)


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


BRIEF = """name = "W"
product = "hand wash"
[pool]
materials = ["Water", "CAPB", "sodium-laureth-sulfate-2eo-28", "Glycerine", "phenoxyethanol"]
also = ["Sodium Benzoate"]
unpriced = true
[held_back]
percent = 2
acids = ["citric-acid"]
thickeners = ["table salt"]
[held_back.planned]
"table salt" = 0.5
[fixed]
glycerol = 2
[ph]
low = 4.6
high = 5
[objective]
minimise = "active"
[[rule]]
kind = "active"
at_least = 9
[[rule]]
id = "mild"
kind = "dose"
of = ["capb"]
at_least = 5
"""


def test_a_brief_may_name_materials_by_everyday_words(tmp_path: Path) -> None:
    path = tmp_path / "w.toml"
    path.write_text(BRIEF, encoding="utf-8")
    brief = load_brief(path)
    assert {"aqua", "cocamidopropyl-betaine", "glycerin"} <= set(brief.pool.ids)
    assert brief.scenario.fixed == {"glycerin": 2}
    assert brief.scenario.held_back.acids == ("citric-acid",)
    assert brief.scenario.held_back.planned == {"sodium-chloride": 0.5}
    told = json.loads(ask("blend", str(path), "--json").out)
    doses = {line["id"]: line["percent"] for line in told["formula"]}
    assert doses["glycerin"] == 2
    assert doses["cocamidopropyl-betaine"] >= 5
    by_word, by_id = (ask("blend", str(path), "--set", f"fixed.{w}=1", "--json") for w in ("parfum", "perfume"))
    assert by_word.out == by_id.out


def test_two_words_for_one_material_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "w.toml"
    path.write_text(BRIEF, encoding="utf-8")
    told = ask("blend", str(path), "--set", "fixed.glycerine=3")
    assert told.code == 3
    assert "'glycerine' is 'glycerin', of which a dose stands here too" in told.err
    twice = ask("range", str(path), "--vary", "price.CAPB=1,2", "--vary", "price.cocamidopropyl-betaine=1,2")
    assert "by two names of one material" in twice.err


def test_what_could_be_several_or_nothing_is_refused_in_a_brief(tmp_path: Path) -> None:
    path = tmp_path / "w.toml"
    path.write_text(BRIEF.replace('"CAPB"', '"SLES"').replace('"Glycerine"', '"moon dust"'), encoding="utf-8")
    told = ask("blend", str(path)).err
    assert "'SLES' could be sodium-laureth-sulfate-1eo-70" in told
    assert "'moon dust'" in told


def test_a_range_varies_materials_by_everyday_words(tmp_path: Path) -> None:
    path = tmp_path / "w.toml"
    path.write_text(BRIEF.replace("unpriced = true", "").replace('name = "W"', 'name = "W"\nshelf = "s.csv"'))
    shelf = "material,price per kg\nCAPB,3\nsodium-laureth-sulfate-2eo-28,2\nglycerine,2\nphenoxyethanol,9\n"
    (tmp_path / "s.csv").write_text(f"{shelf}sodium benzoate,4\ncitric-acid,3\nsalt,1\n", encoding="utf-8")
    words = ask("range", str(path), "--vary", "price.CAPB=2:4:1", "--missing", "Phenoxyethanol", "--json")
    price = "price.cocamidopropyl-betaine=2:4:1"
    ids = ask("range", str(path), "--vary", price, "--missing", "phenoxyethanol", "--json")
    assert (words.code, words.err) == (0, "")
    assert words.out == ids.out
    assert "missing.phenoxyethanol" in words.out


def test_an_import_is_told_by_everyday_words_what_a_name_means(tmp_path: Path) -> None:
    path = tmp_path / "f.csv"
    path.write_text("name,%\nmy mild base,30\nwater,70\n", encoding="utf-8")
    told = json.loads(ask("import", "formula", str(path), "--as", "my mild base=CAPB", "--json").out)
    assert "cocamidopropyl-betaine" in [line["material"] for line in told["lines"]]
    assert "could be" in ask("import", "formula", str(path), "--as", "my mild base=SLES").err
    assert "there is no material 'moon dust'" in ask("import", "formula", str(path), "--as", "x=moon dust").err


def test_a_formula_file_and_freight_take_everyday_words(tmp_path: Path) -> None:
    path = tmp_path / "f.csv"
    path.write_text("material,percent\nCAPB,30\nvegetable glycerine,2\nwater,q.s.\n", encoding="utf-8")
    assert set(read_formula(path, KNOWN, 0.0).doses) == {"cocamidopropyl-betaine", "glycerin", "aqua"}
    costs = tmp_path / "c.toml"
    costs.write_text('[[freight]]\namount = 9\ncovers_kg = 25\nmaterials = ["CAPB"]\n', encoding="utf-8")
    assert read_costs(str(costs), library().by_id).freight[0].materials == ("cocamidopropyl-betaine",)


# The batch file, written by hand: everyday words in every section that names a material. ------------------------

BATCH = """batch = "B1"
brief = "w.toml"
size_g = 1000
held_back_percent = 4
ph_low = 4.8
ph_target = 5.0
ph_high = 5.2
line = [
  {material = "Water", percent = 50}, {material = "CAPB", percent = 10}, {material = "lavender water", percent = 6},
  {material = "sodium-laureth-sulfate-2eo-28", percent = 30},
]
weighed = [
  {material = "cocamidopropyl betaine", grams = 60, lot = "Q-1"}, {material = "capb", grams = 40, lot = "Q-2"},
  {material = "Lavender Water", grams = 60}, {material = "aqua", grams = 500},
  {material = "sodium-laureth-sulfate-2eo-28", grams = 300},
]
[[adjustment]]
start_g = 960
chemical = "citric acid anhydrous"
strength_percent = 50
material = "citric-acid"
lot = "C-1"
reading = [{added_g = 0, ph = 7.0}, {added_g = 4, ph = 5.0}]
[[thickening]]
material = "table salt"
step = [{added_percent = 0.2, judged = 2}]
"""


@pytest.fixture
def by_hand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("w.toml").write_text(BRIEF, encoding="utf-8")
    Path("b.toml").write_text(BATCH, encoding="utf-8")
    return tmp_path / "b.toml"


def test_a_batch_written_by_hand_may_name_materials_by_everyday_words(by_hand: Path) -> None:
    batch = subject_of(str(by_hand)).batch
    assert batch is not None
    assert list(batch.doses) == [
        "aqua", "cocamidopropyl-betaine", "hydrosol", "sodium-laureth-sulfate-2eo-28",
    ]  # fmt: skip
    weighed = [w.material for w in batch.weighed]
    assert weighed[:3] == ["cocamidopropyl-betaine", "cocamidopropyl-betaine", "hydrosol"]
    assert batch.adjustment[0].material == "citric-acid"
    assert batch.thickening[0].material == "sodium-chloride"


def test_a_batch_file_in_the_place_of_a_brief_is_told_as_such(by_hand: Path) -> None:
    for command in ("blend", "stock", "frontier"):
        told = ask(command, "b.toml")
        assert (told.code, told.out) == (3, "")
        assert "b.toml: this is a batch file, a brief was expected. Its brief is 'w.toml'." in told.err


def test_every_command_of_the_bench_reads_such_a_batch_and_adds_to_it(by_hand: Path) -> None:
    """What is in already counts, whatever word stands for it: 100 g of 100 g betaine, 0.2 % of salt."""
    twice = ask("weighed", "b.toml", "capb=50")
    assert twice.code == 3
    assert "cocamidopropyl-betaine" in twice.err
    assert "100 g" in twice.err
    assert ask("made", "b.toml").code == 4  # a made-up batch: it breaks a rule of its brief
    for command in ("weigh", "ph", "thicken", "card", "label", "cost"):
        assert ask(command, "b.toml").code == 0, command
    assert ask("thicken", "b.toml", "--material", "salt", "--added", "0.4%", "--judged", "3").code == 0
    assert ask("weighed", "b.toml", "--finish-mass", "950").code == 0
    logs = tomli.loads(by_hand.read_text("utf-8"))["thickening"]
    assert [(log["material"], len(log["step"])) for log in logs] == [("table salt", 2)]
    assert ask("records", "keep", "b.toml").code == 0
    traced = json.loads(ask("records", "where", "Q-2", "--json").out)
    assert "cocamidopropyl-betaine" in json.dumps(traced)
    assert ask("records", "check").code == 0


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('"Lavender Water", grams', '"SLES", grams', "weighed.material: 'SLES' could be sodium-laureth-sulfate-1eo-70"),
        ('"lavender water", percent', '"betain", percent', "line.material: there is no 'betain'. Did you mean"),
        ('"Lavender Water", grams', '"lavendar wine", grams', "weighed.material: there is no 'lavendar wine'"),
        (
            '{material = "Water", percent',
            '{material = "capb", percent',
            "'capb' is 'cocamidopropyl-betaine', which is planned twice. Add the two doses up",
        ),
        ('"table salt"', '"tabel salt"', "thickening.material: there is no 'tabel salt'"),
    ],
)
def test_a_word_of_a_batch_that_means_none_or_several_is_refused(by_hand: Path, old: str, new: str, told: str) -> None:
    by_hand.write_text(BATCH.replace(old, new), encoding="utf-8")
    for command in ("made", "thicken", "cost", "label"):
        answer = ask(command, "b.toml")
        assert answer.code == 3, (command, answer.out[:200])
        assert told in answer.err
