"""`tenside ph`: what each ingredient rests on, the blind plan, the log in the batch file, doubts and errors."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import tomlkit

from optimizer import cli
from optimizer.answers.subject import subject_of
from optimizer.assessment.alkalinity import AlkalinityBasis, ingredients_of, known_of
from optimizer.bench.acid import (
    BLIND,
    BLIND_TITRATED,
    POINTS,
    SURE,
    as_ingredient,
    first_portion,
    ph_answer,
    sessions_of,
)
from optimizer.bench.acid_log import Noted, note_reading, read_points
from optimizer.bench.batch import Batch, WeighedLine, read_batch
from optimizer.bench.stage import stage_of
from optimizer.chemistry.alkalinity import KINDS, USUAL_ACTIVE, know
from optimizer.chemistry.constants import WEAK, Weak
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.ph import Mixture, diluted, solve, stock
from optimizer.chemistry.titration import PhLog
from optimizer.data.facts import Material
from optimizer.data.formula import Formula, Line
from optimizer.data.library import chosen_library
from optimizer.data.pool import Ingredient
from optimizer.data.shelf import ShelfLine, read_shelf
from optimizer.errors import DataError
from tests.make_ph_table import PAGE
from tests.support.briefs import material, substance
from tests.support.closed_forms import dose_to, mixed_with

DOSES = {
    "sodium-laureth-sulfate-2eo-70": 6.08,
    "cocamidopropyl-betaine": 7.61,
    "coco-glucoside": 2.9,
    "caprylyl-capryl-glucoside": 1.63,
    "glycerin": 2.0,
    "parfum": 0.3,
    "sodium-benzoate": 0.5,
    "potassium-sorbate": 0.3,
    "tetrasodium-glutamate-diacetate": 0.1,
    "aqua": 74.58,
}
TARGET = Interval(4.8, 5.0, 5.2)
ACID = stock("citric acid anhydrous", 50)


def write(folder: Path, name: str = "batch.toml", **changes: Any) -> Path:
    """Write the batch file of a hand wash."""
    values = {
        "batch": "HW-1",
        "brief": "hand-wash",
        "size_g": 5000,
        "held_back_percent": 4,
        "ph_low": 4.8,
        "ph_target": 5.0,
        "ph_high": 5.2,
        "line": [{"material": m, "percent": p} for m, p in DOSES.items()],
        **changes,
    }
    path = folder / name
    path.write_text(f"# kept: a maker's remark\n{tomlkit.dumps(values)}", encoding="utf-8")
    return path


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    def call(*arguments: object) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.argv", ["tenside", "ph", *map(str, arguments)])
        with pytest.raises(SystemExit) as done:
            cli.main()
        out, err = capsys.readouterr()
        return int(done.value.code or 0), out, err

    return call


def basis_of(entry: dict[str, Any], percent: float = 10.0, titrated: float | None = None) -> AlkalinityBasis:
    line = None if titrated is None else ShelfLine(row=2, material="x", titrated_mmol_per_g=titrated)
    item = Ingredient(Material.model_validate(entry), 1.0, line)
    water = Ingredient(Material.model_validate(material("aqua", [substance("Aqua", 100, "water")], "solvent")), 0.0)
    (basis,) = ingredients_of(Formula((Line(item, percent), Line(water, 100 - percent))))
    return basis


# What it rests on.


def test_every_surfactant_of_the_library_has_a_basis_and_marks_its_kind_as_an_assumption() -> None:
    library = chosen_library()
    for found in library.materials:
        kinds = {s.alkalinity for s in found.substances if s.surfactant} - {None}
        if found.function == "surfactant":
            assert kinds or any(s.buffer for s in found.substances), found.id
        if kinds:
            source, confidence = found.backing["alkalinity"]
            assert library.sources[source].startswith("Assumption")
            assert confidence == "from memory"


def test_a_kind_is_scaled_to_the_active_matter() -> None:
    surfactant = {"charge": "nonionic", "surfactant": True, "alkalinity": "alkaline glucoside"}
    for active in (25.0, 50.0):
        basis = basis_of(material("x", [substance("X", active, **surfactant), substance("Aqua", 100 - active)]))
        assert basis.rests_on == "assumed range"
        assert basis.known is not None
        factor = active / USUAL_ACTIVE["alkaline glucoside"]
        assert basis.known.alkali.typical == pytest.approx(factor * KINDS["alkaline glucoside"].alkali.typical)


def test_a_materials_own_kind_goes_before_that_of_its_surfactant() -> None:
    surfactant = {"charge": "nonionic", "surfactant": True, "alkalinity": "alkaline glucoside"}
    entry = material("x", [substance("X", 50, **surfactant), substance("Aqua", 50)], alkalinity="neutral glucoside")
    assert "neutral glucoside" in basis_of(entry).words


def test_supplied_ph_counts_where_its_strength_is_known() -> None:
    surfactant = {"charge": "nonionic", "surfactant": True, "alkalinity": "neutral glucoside"}
    parts = [substance("X", 50, **surfactant), substance("Aqua", 50)]
    told = basis_of(material("x", parts, ph_supplied=[6, 8], ph_supplied_at="15 % in water"))
    assert (told.rests_on, told.known and told.known.supplied) == ("supplied pH", (6.0, 8.0, 15.0))
    vague = basis_of(material("x", parts, ph_supplied=[6, 8]))
    assert (vague.rests_on, vague.known and vague.known.supplied) == ("assumed range", None)


def test_weak_acids_count_by_formula() -> None:
    """Citric acid 192.12 g/mol: 10 % of it are 520.5 mmol/kg, and 2.7 charges each are taken up to pH 6 from acid."""
    library = chosen_library().by_id

    def at(name: str, ph: float) -> float:
        item = Ingredient(library[name], 1.0)
        water = Ingredient(library["aqua"], 0.0)
        (basis,) = ingredients_of(Formula((Line(item, 1.0), Line(water, 99.0))))
        assert basis.rests_on == "formula"
        return basis.takes_up(ph)[0]

    # mmol per kg at 1 %, against the charge that each takes up by its own family at the ionic strength of a product.
    damp = 0.509 * 0.15**0.5 / (1 + 1.5 * 0.15**0.5)
    assert at("citric-acid", 6.0) == pytest.approx(-0.995 * 10000 / 192.12 * ACID.taken_up(6.0, damp), rel=1e-3)
    trisodium = stock("sodium citrate dihydrate", 50)
    assert at("sodium-citrate", 5.0) == pytest.approx(-0.995 * 10000 / 294.1 * trisodium.taken_up(5.0, damp), rel=1e-3)
    assert at("sodium-hydroxide-20", 6.0) == pytest.approx(0.2 * 10000 / 40.0, rel=1e-3)
    # Half of the benzoate takes a proton up at its pKa (4.2, at this ionic strength 4.08).
    assert at("sodium-benzoate", 4.204 - damp) == pytest.approx(0.5 * 0.99 * 10000 / 144.11, rel=1e-3)
    # Salicylic acid itself (pKa 2.98 and a phenol at 13.7) has half of its first proton to give: it needs alkali.
    assert at("salicylic-acid", 2.98 - damp) == pytest.approx(-0.5 * 10000 / 138.12, rel=2e-2)
    # A paraben is sold with its phenol's proton (pKa 8.3): at pH 6 it takes up next to nothing.
    assert abs(at("methylparaben", 6.0)) < 0.01 * 10000 / 152.15


def test_a_titration_is_as_good_as_a_small_balance() -> None:
    """A tenth of the figure, at least 0.005 mmol/g: assumptions."""
    library = chosen_library().by_id
    for name, dose in (("cocamidopropyl-betaine", 10.0), ("sodium-cocoamphoacetate", 10.0)):
        line, water = Line(Ingredient(library[name], 1.0), dose), Line(Ingredient(library["aqua"], 0.0), 100 - dose)
        known = ingredients_of(Formula((line, water)))[0].if_titrated().known
        assert known is not None
        assert known.titrated is not None
        value, sd = known.titrated
        assert sd == pytest.approx(max(0.1 * abs(value), 0.005))


def test_titration_on_the_shelf_goes_before_everything(tmp_path: Path) -> None:
    shelf = tmp_path / "shelf.csv"
    shelf.write_text('Material,Price per kg,Titrated mmol/g\ncoco-glucoside,4,"0,12"\naqua,0,\n', encoding="utf-8")
    line = read_shelf(shelf).lines[0]
    assert line.titrated_mmol_per_g == 0.12
    surfactant = {"charge": "nonionic", "surfactant": True, "alkalinity": "alkaline glucoside"}
    entry = material("x", [substance("X", 50, **surfactant), substance("Aqua", 50)], ph_supplied=[11.5, 12.5])
    before, after = basis_of(entry), basis_of(entry, titrated=0.12)
    assert after.rests_on == "titrated"
    # 10 % of 0.12 mmol/g are 12 mmol/kg to pH 6, within a tenth.
    mean, sd = after.takes_up(6.0)
    assert mean == pytest.approx(12, abs=0.6)
    assert sd < 0.5 * before.takes_up(6.0)[1]


def test_what_nobody_knows_is_said() -> None:
    protein = basis_of(material("x", [substance("P", 20, charge="amphoteric"), substance("Aqua", 80)], "conditioner"))
    assert protein.rests_on == "nothing known"
    assert protein.takes_up(6.0)[1] > 0
    glycerin = basis_of(material("x", [substance("Glycerin", 100)], "humectant"))
    assert (glycerin.rests_on, glycerin.takes_up(6.0)) == ("taken as neutral", (0.0, 0.0))


def test_doses_count_in_the_blend_without_the_part_held_back() -> None:
    subject = subject_of("hand-wash")
    bases = ingredients_of(subject.formula)
    line = next(x for x in subject.formula.lines if x.item.id == "sodium-benzoate")
    (basis,) = [b for b in bases if b.id == "sodium-benzoate"]
    assert basis.percent == pytest.approx(line.percent * 100 / (100 - subject.formula.held_back))


def test_acid_that_is_in_already_is_an_ingredient_of_known_formula() -> None:
    for name in ("citric acid anhydrous", "sodium hydroxide", "sodium citrate dihydrate", "triethanolamine"):
        one = stock(name, 30)
        known = know((as_ingredient(one.chemical, one.percent, 2.0),), unnamed=1e-9)
        log = PhLog(ACID, Interval(5, 5.5, 6), 100, known, water=0.0, ionic_strength=0.0)
        row, value, _, _ = log.line_at(6.0, 0.0, 0.0, 25.0)
        # 2 % of it: 20 g per kg; the balance asks for the acid that undoes what it takes up.
        assert float(row @ known.mean) - value == pytest.approx(-20 * one.millimoles * one.taken_up(6.0), rel=2e-3)


# The blind plan.


def test_blind_plan_of_a_brief(run: Callable[..., tuple[int, str, str]]) -> None:
    code, out, _ = run("hand-wash", "--batch", "5kg", "--json")
    assert code == 0
    told = json.loads(out)
    assert told["estimate"]["low"] < told["estimate"]["typical"] < told["estimate"]["high"]
    assert told["estimate"]["high"] - told["estimate"]["low"] > 0.5
    assert told["batch_dose"]["of_g"] == pytest.approx(4800)
    for end in ("low", "typical", "high"):
        assert told["batch_dose"]["grams"][end] == pytest.approx(48 * told["dose"]["grams"][end])
    assert told["worth"] == BLIND
    assert told["solution"]["mmol_per_g"] == pytest.approx(2.60, abs=0.005)  # common practice, no source
    assert told["window"]["high_by"] == ["Sodium Benzoate"]
    assert told["titrate"]["after"]["high"] < told["titrate"]["before"]["high"]
    assert {i["rests_on"] for i in told["ingredients"]} == {"supplied pH", "formula", "taken as neutral"}


def test_every_dose_carries_its_caution(tmp_path: Path, run: Callable[..., tuple[int, str, str]]) -> None:
    path = write(tmp_path)
    assert run(path, "--read", 9.0, "--sample", 100)[0] == 0
    told = json.loads(run(path, "--json")[1])
    doses = [told["dose"], told["batch_dose"], told["log"][0]["total"], told["log"][0]["for_batch"], told["solution"]]
    assert all("Goggles and gloves" in d["caution"] for d in doses)
    assert "Goggles and gloves" in run(path)[1]
    assert "can blind" in run("hand-wash", "--with", "sodium hydroxide", "--strength", 10)[1]


def test_a_weaker_solution_of_the_hydrate_asks_for_more(run: Callable[..., tuple[int, str, str]]) -> None:
    """Citric acid monohydrate is 9 % weaker by weight: 210.14 against 192.12 g/mol (molecular formulas)."""
    acids = ("citric acid anhydrous", "citric acid monohydrate")
    one, two = (
        json.loads(run("hand-wash", "--with", a, "--strength", 50, "--json")[1])["dose"]["grams"] for a in acids
    )
    assert two["typical"] / one["typical"] == pytest.approx(210.14 / 192.12, rel=2e-3)


def test_below_the_target_alkali_is_planned(tmp_path: Path, run: Callable[..., tuple[int, str, str]]) -> None:
    path = tmp_path / "f.csv"
    path.write_text("material,percent\ncocamidopropyl-betaine,20\ncitric-acid,0.5\naqua,q.s.\n", encoding="utf-8")
    code, out, _ = run(path, "--for", "hand-wash")
    assert code == 0
    assert "sodium hydroxide, 10 % w/w, because the blend lies below the target" in " ".join(out.split())
    assert "can blind" in out


def test_windows_that_do_not_meet_are_named(tmp_path: Path) -> None:
    """A thickener for pH 6 to 6.8 has no pH in common with benzoate (5.2) or sorbate (5.8); common practice."""
    subject = subject_of("hand-wash")
    build = {"type": "associative", "use": [1, 3], "ph": [6, 6.8]}
    gum = Ingredient(Material.model_validate(material("gum", [substance("G", 100)], "thickener", thickener=build)), 1.0)
    for name, end in (("sodium-benzoate", 5.2), ("potassium-sorbate", 5.8)):
        used = tuple(x for x in subject.formula.lines if x.item.id in (name, "aqua", "coco-glucoside"))
        formula = replace(subject.formula, lines=used, thickeners=(gum,))
        window = ph_answer(subject.brief, formula, subject.setting).window
        assert window is not None
        (doubt,) = window.doubts
        assert doubt.startswith("gum thickens from pH 6 to 6.8, not over all of")
        assert f"only reaches {end:g}, so the two share no pH" in doubt


def test_no_ph_in_the_brief_is_told() -> None:
    subject = subject_of("hand-wash")
    bare = replace(subject.setting, target=None, low=None, high=None)
    with pytest.raises(DataError, match="neither the brief nor the batch names a target pH"):
        ph_answer(subject.brief, subject.formula, bare)


def test_no_more_is_promised_than_the_simulations_show() -> None:
    """The words against docs/ph-accuracy.md, which `make_ph_table.py` writes."""
    found: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for line in PAGE.read_text(encoding="utf-8").splitlines():
        cells = [c.strip() for c in line.strip("|").split("|")]
        if len(cells) == 9 and cells[2] == "meter":
            at = tuple(int(c.removesuffix(" %")) for c in cells[5:7])
            found.setdefault((cells[1], cells[3]), []).append((at[0], at[1]))
    assert len(found) == 10
    blind = [half for _, half in found["supplied pH", "0"]]
    assert f"in {min(blind)} to {max(blind)} of 100" in BLIND
    assert "2 of 3" in BLIND_TITRATED
    assert min(half for _, half in found["titrated", "0"]) >= 67
    assert "more than half of" in SURE
    assert min(third for third, _ in found["supplied pH", "3"]) > 50
    assert "9 of 10 or more with titrated" in SURE
    assert min(third for third, _ in found["titrated", "3"]) >= 90


# The log in the batch file.


def test_a_reading_is_written_and_the_rest_is_kept(tmp_path: Path, run: Callable[..., tuple[int, str, str]]) -> None:
    path = write(tmp_path)
    code, out, _ = run(
        path, "--read", 9.1, "--sample", 100, "--water", 9, "--strip", "--temperature", 31, "--foam", "--taken", 2,
        "--on", "2026-11-25", "--note", "first", "--with", "citric acid monohydrate", "--strength", 25,
    )  # fmt: skip
    assert code == 0
    text = path.read_text(encoding="utf-8")
    assert text.startswith("# kept: a maker's remark\n")
    (adjustment,) = read_batch(path).adjustment
    assert (adjustment.of, adjustment.start_g) == ("sample", 100)
    assert (adjustment.chemical, adjustment.strength_percent) == ("citric acid monohydrate", 25)
    (reading,) = adjustment.reading
    assert (reading.ph, reading.water_per_g, reading.with_, reading.temperature_c) == (9.1, 9, "strip", 31)
    assert (reading.foam_free, reading.taken_g, reading.on, reading.note) == (False, 2, "2026-11-25", "first")
    assert "strip, 10 % in water, 31 °C, foam" in " ".join(out.split())
    assert not [p for p in tmp_path.iterdir() if p != path]


def test_an_addition_says_of_what_and_none_is_told_that_no_balance_shows(
    tmp_path: Path, run: Callable[..., tuple[int, str, str]]
) -> None:
    path = write(tmp_path)
    _, out, _ = run(path, "--read", 9.1, "--of", "batch", "--with", "citric acid monohydrate", "--strength", 25)
    assert " g of citric acid monohydrate, 25 % now, stir" in " ".join(out.split())
    small = write(tmp_path, "small.toml")
    _, out, _ = run(small, "--read", 5.21, "--sample", 0.1)  # made up: next to nothing is left to add
    words = " ".join(out.split())
    assert "The next step is less than 0.005 g of citric acid" in words
    assert "leave the pH" not in words, "it is outside the target, and there is more to add than a step"
    assert "e-0" not in words.partition("Log:")[0]


def test_without_added_the_amount_stays(tmp_path: Path, run: Callable[..., tuple[int, str, str]]) -> None:
    path = write(tmp_path)
    run(path, "--read", 9.1, "--sample", 100)
    run(path, "--added", 0.2, "--read", 7.9)
    run(path, "--read", 7.95)
    assert [r.added_g for r in read_batch(path).adjustment[0].reading] == [0, 0.2, 0.2]


def test_a_struck_reading_stays_and_the_log_goes_on_without_it(
    tmp_path: Path, run: Callable[..., tuple[int, str, str]]
) -> None:
    path = write(tmp_path)
    run(path, "--read", 9.1, "--of", "batch")
    run(path, "--added", 20, "--read", 6.1)
    code, out, _ = run(path, "--strike", 2, "--why", "the meter was not calibrated", "--not-added")
    assert code == 0
    assert "2: pH 6.1 at 20 g of citric acid anhydrous, batch; " in " ".join(out.split())
    run(path, "--added", "0.25%", "--read", 6.6)  # 12 of 4800 g
    found = read_batch(path).adjustment[0]
    assert [(r.added_g, r.ph) for r in found.reading] == [(0, 9.1), (12, 6.6)]
    assert [(r.added_g, r.struck) for r in found.all_readings if r.struck] == [(20, "the meter was not calibrated")]
    _, out, _ = run(path, "--json")
    told = json.loads(out)
    assert [r["number"] for r in told["log"][0]["readings"]] == [1, 3]
    assert [s["number"] for s in told["struck"]] == [2]
    code, _, err = run(path, "--strike", 1, "--why", "x", "--read", 7)
    assert (code, "strike the wrong reading first" in err) == (2, True)
    code, _, err = run("hand-wash", "--strike", 1, "--why", "x")
    assert (code, "readings are kept in a batch file" in err) == (2, True)


def test_what_was_added_before_a_misread_ph_stays_in(tmp_path: Path, run: Callable[..., tuple[int, str, str]]) -> None:
    """1.8 g are in, whatever the meter said: the sum, the next dose and the formula as made count them (made up)."""
    path = write(tmp_path)
    run(path, "--read", 8.4, "--of", "batch")
    run(path, "--added", 8, "--read", 7.0)
    run(path, "--added", 18, "--read", 13)
    _, out, _ = run(path, "--strike", 3, "--why", "misread", "--json")
    told = json.loads(out)
    assert told["struck"][0]["line"].endswith("(what was added stays in)")
    log = told["log"][0]
    assert (log["state"], log["next_addition_g"]) == ("measure", 0)
    assert "18 g are in, and the last reading that counts was taken at 8 g" in log["reason"]
    batch = read_batch(path)
    assert (batch.adjustment[0].added_g, batch.ph_readings[-1].ph) == (18, 7.0)
    weighed = tuple(WeighedLine(material=name, grams=grams) for name, grams in batch.planned_g.items())
    assert stage_of(batch.model_copy(update={"all_weighed": weighed})).words == "Read the pH."
    run(path, "--read", 6.0)
    found = read_batch(path).adjustment[0]
    assert [(r.added_g, r.ph) for r in found.reading] == [(0, 8.4), (8, 7.0), (18, 6.0)], "counted on from 18 g"
    run(path, "--strike", 3, "--why", "the bottle was never opened", "--not-added")
    assert not read_batch(path).adjustment[0].all_readings[2].addition_stays
    code, _, err = run(path, "--strike", 3, "--why", "again", "--not-added")
    assert (code, "struck already" in err) == (3, True)


def test_a_line_that_an_older_version_struck_counts_as_not_added(tmp_path: Path) -> None:
    path = write(tmp_path)
    more = """
[[adjustment]]
start_g = 4800
chemical = "citric acid anhydrous"
strength_percent = 50
reading = [ { added_g = 0, ph = 9.1 }, { added_g = 20, ph = 6.1, struck = "misread" } ]
"""
    path.write_text(path.read_text(encoding="utf-8") + more, encoding="utf-8")
    assert read_batch(path).adjustment[0].added_g == 0


def test_more_solution_than_is_held_back_is_doubted(tmp_path: Path, run: Callable[..., tuple[int, str, str]]) -> None:
    path = write(tmp_path)
    run(path, "--read", 9.1, "--of", "batch")
    before = path.read_bytes()
    code, _, err = run(path, "--added", 201, "--read", 6.1)
    assert code == 3
    assert "201 g more of the solution, and 200 g of the batch are held back for it." in err
    assert path.read_bytes() == before
    code, _, _ = run(path, "--added", "4.3%", "--read", 2.1, "--sure")
    assert code == 0
    assert read_batch(path).adjustment[0].reading[-1].added_g == pytest.approx(0.043 * 4800)
    run(path, "--read", 9.1, "--sample", 50)
    code, _, err = run(path, "--added", 51, "--read", 3)
    assert (code, "the sample itself weighs 50 g" in err) == (3, True)


def test_another_solution_or_sample_begins_a_new_log(tmp_path: Path, run: Callable[..., tuple[int, str, str]]) -> None:
    path = write(tmp_path)
    run(path, "--read", 9.1, "--sample", 100)
    run(path, "--added", 0.2, "--read", 7.9, "--with", "citric acid anhydrous", "--strength", 50)
    run(path, "--read", 9.0, "--sample", 50)
    run(path, "--read", 9.0, "--of", "batch")
    run(path, "--added", 20, "--read", 4.5)
    run(path, "--read", 4.5, "--with", "sodium hydroxide", "--strength", 10)
    found = read_batch(path).adjustment
    assert [(a.of, a.start_g, len(a.reading)) for a in found] == [
        ("sample", 100, 2),
        ("sample", 50, 1),
        ("batch", 4800, 2),
        ("batch", 4820, 1),
    ]
    assert [a.chemical for a in found][-1] == "sodium hydroxide"


def test_batch_starts_from_what_was_weighed(tmp_path: Path) -> None:
    path = write(tmp_path, weighed=[{"material": "aqua", "grams": 3700.5}, {"material": "glycerin", "grams": 99.0}])
    subject = subject_of(str(path))
    kept = note_reading(path, subject.brief, subject.formula, subject.setting, Noted(9.0), of="batch")
    assert kept.adjustment[0].start_g == 3799.5


def test_a_sample_informs_its_batch(tmp_path: Path) -> None:
    path = write(tmp_path)
    subject = subject_of(str(path))
    for added, ph in ((0.0, 9.1), (0.2, 7.3), (0.3, 5.6)):
        noted = Noted(ph, (added, "g"))
        note_reading(path, subject.brief, subject.formula, subject.setting, noted, of="sample", sample_g=100)
    note_reading(path, subject.brief, subject.formula, subject.setting, Noted(9.1), of="batch")
    answer = ph_answer(subject.brief, subject.formula, subject.setting, batch=read_batch(path))
    sample, whole = answer.sessions
    assert sample.for_batch is not None
    # At most 60 % of the lower end may go into the whole batch at once (common practice).
    assert first_portion(sample) == pytest.approx(0.6 * sample.for_batch.low)
    # What the whole batch needs follows from the sample; the start pH alone would leave it far wider.
    assert whole.total.typical == pytest.approx(sample.for_batch.typical, rel=0.1)
    bare = PhLog(ACID, TARGET, 4800, know(known_of(ingredients_of(subject.formula))), whole.log.readings)
    assert abs(bare.total(4800).typical / whole.total.typical - 1) > 0.3
    assert whole.total.high - whole.total.low < 0.7 * (bare.total(4800).high - bare.total(4800).low)
    assert answer.worth == SURE


def test_alkali_after_too_much_acid_counts_the_acid(tmp_path: Path) -> None:
    path = write(tmp_path)
    subject = subject_of(str(path))
    steps = ((0.0, 9.1, ACID), (20.0, 4.4, ACID), (0.0, 4.4, stock("sodium hydroxide", 10)))
    for added, ph, solution in steps:
        noted = Noted(ph, (added, "g"))
        note_reading(path, subject.brief, subject.formula, subject.setting, noted, of="batch", solution=solution)
    answer = ph_answer(subject.brief, subject.formula, subject.setting, batch=read_batch(path))
    acid, alkali = answer.sessions
    assert acid.advice.state == "passed"
    assert alkali.advice.state == "add"
    assert 0 < alkali.advice.next_addition < 0.6 * alkali.total.high
    assert "citric acid" in {w.name for w in alkali.log.known.sites}


def test_added_in_active_and_salt_terms(tmp_path: Path) -> None:
    """1 g of 50 % citric acid: 0.5 g active, 2.60 mmol; as sodium salt 21.98 g more per mole of charge."""
    path = write(tmp_path)
    subject = subject_of(str(path))
    note_reading(path, subject.brief, subject.formula, subject.setting, Noted(9.1), of="sample", sample_g=100)
    note_reading(path, subject.brief, subject.formula, subject.setting, Noted(6.0, (1.0, "")))
    so_far = ph_answer(subject.brief, subject.formula, subject.setting, batch=read_batch(path)).sessions[0].so_far
    assert so_far is not None
    assert so_far.active == pytest.approx(0.5)
    assert so_far.millimoles == pytest.approx(2.60, abs=0.005)
    assert so_far.as_salt == pytest.approx(0.5 + so_far.equivalents * 21.982 / 1000, abs=1e-6)


def test_contradicting_readings_add_nothing(tmp_path: Path, run: Callable[..., tuple[int, str, str]]) -> None:
    path = write(tmp_path)
    run(path, "--read", 9.1, "--sample", 100)
    run(path, "--added", 0.2, "--read", 7.5)
    code, out, _ = run(path, "--added", 0.3, "--read", 8.2)
    assert code == 0
    assert "Add nothing: check first." in out
    assert "although acid was added" in " ".join(out.split())


REFUSED = [
    (("--read", "15"), "--read: 15 is not a pH. Write a number from 0 to 14."),
    (("--read", "nan"), "--read: nan is not a pH."),
    (("--added", "-1", "--read", "6"), "--added: -1 g is not an amount. Write zero or more."),
    (("--water", "-1", "--read", "6"), "--water: -1 g is not an amount."),
    (("--added", "0.1", "--read", "7.5"), "0.1 g is less than the 0.2 g of the line before."),
    (("--read", "7", "--temperature", "95"), "95 °C is not a temperature of a sample."),
    (("--read", "7", "--taken", "500"), "more was taken out than the sample held."),
    (("--read", "7", "--with", "lactic acit"), "Did you mean 'lactic acid'?"),
    (("--read", "7", "--with", "lactic acid", "--strength", "0"), "0 % is not a strength."),
    (("--read", "7", "--on", "yesterday"), "on: 'yesterday': a day is written as year, month and day"),
    (("--read", "7", "--sample", "-5"), "'-5' is not in the range"),
    (("--added", "0.3"), "a line of the log needs the pH that was read"),
    (("--read", "7", "--with", "lactic acid"), "how strong is the lactic acid? Add --strength PERCENT"),
    (("--read", "7", "--strength", "40"), "--strength needs --with"),
    (("--read", "7", "--batch", "5kg"), "the batch file states its size"),
    (("--read", "7", "--of", "bottle"), "--of 'bottle': write batch or sample."),
]


@pytest.mark.thorough
@pytest.mark.parametrize(("options", "message"), REFUSED, ids=lambda v: " ".join(v) if isinstance(v, tuple) else "")
def test_what_cannot_be_is_told_and_nothing_is_written(
    options: tuple[str, ...], message: str, tmp_path: Path, run: Callable[..., tuple[int, str, str]]
) -> None:
    path = write(tmp_path)
    run(path, "--read", 9.1, "--sample", 100)
    run(path, "--added", 0.2, "--read", 7.9)
    before = path.read_bytes()
    code, _, err = run(path, *options)
    assert code in (2, 3)
    assert message in " ".join(err.split())
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_first_reading_must_say_of_what(tmp_path: Path, run: Callable[..., tuple[int, str, str]]) -> None:
    path = write(tmp_path)
    code, _, err = run(path, "--read", 9)
    assert code == 3
    assert "Begin with --sample GRAMS, or --of batch for the batch itself." in err


def test_a_log_that_was_typed_wrong_is_told_with_its_line(tmp_path: Path) -> None:
    readings = [{"added_g": 0.2, "ph": 9.0}, {"added_g": 0.1, "ph": 8.0}]
    wrong = {"start_g": 100, "chemical": "citric acid anhydrous", "strength_percent": 50, "reading": readings}
    batch_ = Batch.model_validate(read_batch(write(tmp_path, adjustment=[wrong])))
    with pytest.raises(DataError, match=r"b\.toml, adjustment 1, reading 2 grams: 0\.1 g is less than the 0\.2 g"):
        sessions_of(batch_, TARGET, (), None, "b.toml")


def test_readings_need_a_batch_file(run: Callable[..., tuple[int, str, str]]) -> None:
    code, _, err = run("hand-wash", "--read", 7)
    assert code == 2
    assert "readings are kept in a batch file" in err


# Measured points alone.


def test_points_alone(tmp_path: Path, run: Callable[..., tuple[int, str, str]]) -> None:
    truth = Mixture(0.06, ((WEAK["carbonic acid"], 0.01), (WEAK["benzoic acid"], 0.035)), 0.1)
    right = dose_to(truth, 5.5, ACID).grams
    rows = ["added_g;ph;with"]
    for part in (0, 0.5, 0.75, 0.9):
        rows.append(f"{part * right:.4f};{solve(mixed_with(truth, ACID, part * right)).ph:.3f};meter")
    path = tmp_path / "points.csv"
    path.write_text("\n".join(rows), encoding="utf-8")
    options = ("--sample", 100, "--target", "5.5:0.3", "--with", "citric acid anhydrous", "--strength", 50, "--json")
    code, out, _ = run("--points", path, *options)
    assert code == 0
    told = json.loads(out)
    assert told["log"][0]["total"]["grams"]["typical"] == pytest.approx(right, rel=0.05)
    assert told["worth"] == POINTS
    assert run("--points", path, "--sample", 100)[0] == 2
    assert run("--points", path, "hand-wash")[0] == 2


def test_points_that_cannot_be_read_are_all_told(tmp_path: Path) -> None:
    path = tmp_path / "p.csv"
    path.write_text("added_g,ph,with\n0,9,glass\nx,8,meter\n", encoding="utf-8")
    with pytest.raises(DataError) as told:
        read_points(path)
    assert [p.what for p in told.value.problems] == ["'glass' is no instrument.", "'x' is not a number."]
    path.write_text("grams,ph\n0,9\n", encoding="utf-8")
    with pytest.raises(DataError, match="no column 'added_g'"):
        read_points(path)


# From the first reading to stop, through the command line.


def _truth(seed: int) -> Mixture:
    """Return a hand wash whose pKa, alkali and buffers are drawn and are not those of the log."""
    draw = random.Random(seed)
    soap = Weak("fat", (draw.uniform(5.9, 7.5),), "simulated", "assumption")
    amine = Weak("amine", (draw.uniform(8.5, 9.8),), "simulated", "assumption", 1)
    benzoic = Weak("benzoic", (draw.uniform(4.1, 4.3),), "simulated", "assumption")
    sorbic = Weak("sorbic", (draw.uniform(4.6, 4.9),), "simulated", "assumption")
    fat, weak, benzoate, sorbate = draw.uniform(3e-4, 2e-3), draw.uniform(5e-4, 3e-3), 0.036, 0.0205
    alkali = draw.uniform(1e-3, 8e-3)
    parts = ((soap, fat), (amine, weak), (benzoic, benzoate), (sorbic, sorbate))
    return Mixture(alkali + fat + benzoate + sorbate - 0.5 * weak, parts, draw.uniform(0.05, 0.2))


@pytest.mark.parametrize(("seed", "of"), [(1, "sample"), (2, "sample"), (3, "batch"), (4, "batch")])
def test_followed_through_the_command_line_a_batch_ends_inside(
    seed: int, of: str, tmp_path: Path, run: Callable[..., tuple[int, str, str]]
) -> None:
    truth, draw, path = _truth(seed), random.Random(seed), write(tmp_path)
    mass, grams, told = (4800.0 if of == "batch" else 100.0), 0.0, {}
    for step in range(12):
        ph = solve(diluted(mixed_with(truth, ACID, 100 * grams / mass), 9.0)).ph
        assert ph > TARGET.low, "never past the low edge"
        read = round(ph + draw.gauss(0, 0.02), 2)
        begin = () if step else (("--of", "batch") if of == "batch" else ("--sample", mass))
        code, out, err = run(path, "--added", round(grams, 3), "--read", read, "--water", 9, *begin, "--json")
        assert code == 0, err
        told = json.loads(out)["log"][-1]
        assert told["readings"][-1]["with"] == "meter", "as the schema says, not with_"
        if told["state"] != "add":
            break
        needed = told["total"]["grams"]["typical"] - grams
        assert 0 < told["next_addition_g"] <= 0.6 * needed * (1 + 1e-6)
        grams += round(told["next_addition_g"], 3)
    assert told["state"] == "stop"
    end = solve(diluted(mixed_with(truth, ACID, 100 * grams / mass), 9.0)).ph
    assert TARGET.low <= end <= TARGET.high + 0.05
    assert 2 <= len(told["readings"]) <= 9
    assert len(read_batch(path).adjustment[0].reading) == len(told["readings"])
    assert "stop. Read again after some hours" in told["reason"]
