"""What was really made: mass balances of printed examples, the traps that makers fall into, the next master formula."""

from __future__ import annotations

from functools import cache
from math import fsum
from pathlib import Path
from shutil import copytree
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.answers.subject import subject_of
from optimizer.assessment.planned import planned_cost
from optimizer.bench.batch import Batch, batch_from, read_batch
from optimizer.bench.made import adjuster_of, booked, last_ph, lots_used, made_formula, materials_in, went_in
from optimizer.bench.reconcile import Made, reconcile
from optimizer.bench.weighed import check_finish, checked, weight_of, with_actives
from optimizer.data.library import Library, read_library
from optimizer.errors import DataError, UsageError
from optimizer.files import shipped
from optimizer.report.made import made_document
from tests.support.command import Run
from tests.support.draws import CI, drawn


@cache
def library() -> Library:
    return read_library([shipped("library")])


def batch_of(doses: dict[str, float], size_g: float = 1000.0, held: float = 0.0, **more: Any) -> Batch:
    line = [{"material": n, "percent": p} for n, p in doses.items()]
    return batch_from(
        {"batch": "T-1", "brief": "hand-wash", "size_g": size_g, "held_back_percent": held, "line": line, **more}, "t"
    )


def weights(**grams: float) -> list[dict[str, Any]]:
    return [{"material": n.replace("_", "-"), "grams": g} for n, g in grams.items()]


def made_of(batch: Batch) -> dict[str, float]:
    return made_formula(batch, library().by_id)


# Printed mixing problems -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("strength", "start", "water", "expected"),
    [
        (10, 100, 150, 4),  # University of Kent, leaflet on dilutions: 100 ml of 10 % to 4 % takes 150 ml.
        (40, 160, 40, 32),  # University of Guelph, Food Science book, 'Standardization problems': 160 kg, 40 kg.
        (0.5, 100, 100, 0.25),  # Blog on foamer bottles (2011-2012): base with 0.5 % preservative and as much water.
        (50, 40, 0, 50),  # Tutorial of an ingredient seller (name withheld): 20 g citric acid and 20 g water.
    ],
)
def test_water_dilutes(strength: float, start: float, water: float, expected: float) -> None:
    doses = {"citric-acid": strength, "aqua": 100.0 - strength}
    batch = batch_of(doses, start, finish={"water_added_g": water} if water else {})
    assert made_of(batch)["citric-acid"] == pytest.approx(expected, abs=1e-12)


def test_preservative_is_restored_by_its_share_of_the_water() -> None:
    """The same blog: 0.5 % of the added water brings 0.25 % back to 0.5 % (exactly 0.4988 of the heavier whole)."""
    batch = batch_of(
        {"sodium-benzoate": 0.5, "aqua": 99.5},
        100,
        weighed=[*weights(aqua=99.5), *weights(sodium_benzoate=0.5), *weights(sodium_benzoate=0.5)],
        finish={"water_added_g": 100.0},
    )
    assert made_of(batch)["sodium-benzoate"] == pytest.approx(100 * 1.0 / 200.5)


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        ([(12, 50), (8, 100)], 70),  # Answer on a chemistry tutoring site: 20 ml of 70 % from 50 % and 100 %.
        ([(1, 50), (1, 20), (10, 5)], 10),  # Dilution module of a pharmacy-school site: 1 : 1 : 10.
        ([(120, 35), (500, 4)], 10),  # University of Guelph, as above: 35 % into 500 kg of 4 %: 120 kg, 620 in all.
        ([(5, 22), (90, 3)], 4),  # Dairy laboratory manual, early 1900s: 95 lb of 4 % from 22 % and 3 %.
        ([(357.14, 70), (642.86, 1e-9)], 25),  # Pharmacy technician study page, recomputed: 5/14 of 1000 ml.
        ([(360, 70), (640, 1e-9)], 25.2),  # The same page as printed: it rounds 5/14 to 0.36 and misses 25 %.
    ],
)
def test_lots_of_several_strengths_mix_by_mass(parts: list[tuple[float, float]], expected: float) -> None:
    weighed = [
        {"material": "decyl-glucoside", "grams": g, "lot": str(k), "lot_active_percent": a}
        for k, (g, a) in enumerate(parts)
    ]
    batch = batch_of({"decyl-glucoside": 100.0}, fsum(g for g, _ in parts), weighed=weighed)
    assert lots_used(batch)["decyl-glucoside"] == pytest.approx(expected, abs=2e-3)


# The mass balance ---------------------------------------------------------------------------------------


DOSES = {"aqua": 76.0, "decyl-glucoside": 20.0}
CITRIC = {"start_g": 960, "chemical": "citric acid monohydrate", "strength_percent": 50}


def test_a_worked_batch() -> None:
    """By hand: 960 g weighed, 8 g of 50 % citric acid monohydrate, 5 g thickener, 30 g water, 990 g at the end.

    4 g of monohydrate are 4 x 192.12 / 210.14 = 3.657 g of anhydrous acid; 1003 - 990 = 13 g have evaporated.
    """
    batch = batch_of(
        DOSES,
        held=4.0,
        weighed=weights(aqua=760, decyl_glucoside=200),
        adjustment=[
            {**CITRIC, "reading": [{"added_g": 0, "ph": 8}, {"added_g": 5, "ph": 6}, {"added_g": 8, "ph": 5.3}]},
            {**CITRIC, "of": "sample", "start_g": 100, "reading": [{"added_g": 50, "ph": 3}]},
        ],
        thickening=[{"material": "sodium-chloride", "step": [{"added_percent": 0.2, "judged": 2},
                                                              {"added_percent": 0.5, "judged": 3}]}],
        finish={"mass_g": 990, "water_added_g": 30},
    )  # fmt: skip
    went = went_in(batch, library().by_id)
    acid = 4 * 192.12 / 210.14
    assert went.evaporated_g == pytest.approx(13)
    assert went.grams["citric-acid"] == pytest.approx(acid)
    assert went.grams["sodium-chloride"] == pytest.approx(5)
    assert went.grams["aqua"] == pytest.approx(760 + 8 - acid + 30 - 13)
    assert went.percent["decyl-glucoside"] == pytest.approx(100 * 200 / 990)
    assert last_ph(batch) == 5.3
    assert materials_in(batch, library().by_id) == ("aqua", "citric-acid", "decyl-glucoside", "sodium-chloride")


def test_a_sample_takes_its_share_of_everything_and_later_acid_counts_more() -> None:
    """By hand: half of 100 g is taken before 10 g of pure acid goes in: 10 of 60, not 10 of 110."""
    reading = [{"added_g": 0, "ph": 8, "taken_g": 50}, {"added_g": 10, "ph": 5}]
    adjustment = [{"start_g": 100, "chemical": "citric acid anhydrous", "strength_percent": 100, "reading": reading}]
    made = made_of(batch_of({"aqua": 100.0}, 100, adjustment=adjustment))
    assert made == pytest.approx({"aqua": 100 * 50 / 60, "citric-acid": 100 * 10 / 60})


def test_product_left_behind_changes_no_percentage() -> None:
    plain = batch_of(DOSES, 960, held=4.0, finish={"mass_g": 921.6})
    lost = batch_of(DOSES, 960, held=4.0, finish={"mass_g": 821.6, "lost_g": 100})
    assert made_of(plain) == pytest.approx(made_of(lost))
    assert went_in(lost, library().by_id).evaporated_g == pytest.approx(0)


def test_acids_by_name() -> None:
    def found(chemical: str, **more: Any) -> str:
        batch = batch_of(DOSES, held=4.0, adjustment=[{**CITRIC, "chemical": chemical, **more}])
        return adjuster_of(batch.adjustment[0], library().by_id, batch.where)

    assert found("citric acid monohydrate") == "citric-acid"
    assert found("Citric acid anhydrous") == "citric-acid"
    assert found("sodium hydroxide") == "sodium-hydroxide-20"
    assert found("lactic acid") == "lactic-acid"
    assert found("anything", material="my-acid") == "my-acid"
    with pytest.raises(DataError, match="Did you mean 'citric acid'"):
        found("citrik acid")
    with pytest.raises(DataError, match="so no formula, label or cost can count it") as refused:
        found("hydrochloric acid")
    assert "Did you mean" not in str(refused.value), "it is spelt as it should be"


def test_an_acid_that_is_a_solution_brings_its_own_water() -> None:
    """By hand: 10 g of 10 % sodium hydroxide hold 1 g; of the library's 20 % solution that is 5 g, and 5 g of water."""
    reading = [{"added_g": 10, "ph": 6}]
    adjustment = [{"start_g": 90, "chemical": "sodium hydroxide", "strength_percent": 10, "reading": reading}]
    made = made_of(batch_of({"glycerin": 100.0}, 90, adjustment=adjustment))
    assert made == pytest.approx({"glycerin": 90, "sodium-hydroxide-20": 5, "aqua": 5})


def test_acid_from_a_priced_bottle_is_booked_as_that_bottle_once() -> None:
    """By hand: 10 g of the 50 % solution are 10 g of that bottle, no water beside it; also weighed, once."""
    bottle = {**CITRIC, "chemical": "citric acid anhydrous", "reading": [{"added_g": 10, "ph": 5}]}
    plain = batch_of({"glycerin": 100.0}, 90, adjustment=[bottle], weighed=weights(glycerin=90, citric_acid_50=10))
    known = library().by_id
    made = made_formula(booked(plain, known, {"citric-acid-50"}), known)
    assert made == pytest.approx({"glycerin": 90, "citric-acid-50": 10})
    notes = went_in(booked(plain, known, {"citric-acid-50"}), known).notes
    assert "citric-acid-50 stands among the weights and in the pH log: the log counts" in notes
    alone = batch_of({"glycerin": 100.0}, 90, adjustment=[bottle], weighed=weights(glycerin=90))
    assert made_formula(booked(alone, known, {"citric-acid"}), known)["citric-acid"] == pytest.approx(5), "own solution"
    weak = batch_of({"glycerin": 100.0}, 90, adjustment=[{**bottle, "strength_percent": 20}])
    assert booked(weak, known, {"citric-acid-50"}).adjustment[0].material is None, "another strength"


def test_more_water_cannot_leave_than_went_in() -> None:
    with pytest.raises(DataError, match="more than the water that went in"):
        made_of(batch_of({"glycerin": 99.0, "aqua": 1.0}, 100, finish={"mass_g": 90}))


def test_a_batch_that_is_heavier_than_its_inputs_is_told() -> None:
    went = went_in(batch_of({"aqua": 50.0, "glycerin": 50.0}, 100, finish={"mass_g": 110}), library().by_id)
    assert went.percent["aqua"] == pytest.approx(100 * 60 / 110)
    assert any("more than all that is noted" in note for note in went.notes)


def test_what_nobody_noted_is_taken_as_planned_and_told() -> None:
    batch = batch_of({"aqua": 80.0, "glycerin": 15.0, "betaine": 5.0}, weighed=weights(aqua=790, betaine=0))
    went = went_in(batch, library().by_id)
    assert went.grams == {"aqua": 790, "betaine": 0, "glycerin": 150}
    assert "betaine" not in went.percent
    assert any("taken as planned: glycerin" in note for note in went.notes)


def test_an_unknown_material_is_named_with_the_nearest() -> None:
    batch = batch_of({"aqua": 90.0, "glycerine": 10.0})
    with pytest.raises(DataError, match="Did you mean 'glycerin'"):
        made_of(batch)


@st.composite
def batches(draw: st.DrawFn) -> Batch:
    ids = draw(st.lists(st.sampled_from(sorted(library().by_id)), min_size=1, max_size=9, unique=True))
    ids = ["aqua", *(i for i in ids if i != "aqua")]
    parts = [draw(st.floats(0.01, 50)) for _ in ids]
    held = draw(st.sampled_from([0.0, 4.0]))
    doses = {n: p * (100 - held) / fsum(parts) for n, p in zip(ids, parts, strict=True)}
    size = draw(st.floats(100, 10_000))
    grams = st.floats(0, 2 * size)
    weighed = [
        {"material": draw(st.sampled_from(ids)), "grams": draw(grams)} for _ in range(draw(st.integers(0, 6)))
    ] + weights(aqua=size / 2)
    acids = ["citric acid monohydrate", "citric acid anhydrous", "lactic acid", "sodium hydroxide"]
    adjustment = [
        {
            "start_g": size,
            "chemical": draw(st.sampled_from(acids)),
            "strength_percent": draw(st.floats(0.1, 100)),
            "of": draw(st.sampled_from(["batch", "sample"])),
            "reading": [
                {"added_g": draw(st.floats(0, size / 10)), "ph": 6.0, "taken_g": draw(st.sampled_from([0.0, 10.0]))}
                for _ in range(draw(st.integers(0, 3)))
            ],
        }
        for _ in range(draw(st.integers(0, 2)))
    ]
    thickening = [{"material": "sodium-chloride", "step": [{"added_percent": draw(st.floats(0, 3)), "judged": 3}]}]
    finish: dict[str, float] = {"water_added_g": draw(st.floats(0, size / 5))}
    batch = batch_of(
        doses, size, held, weighed=weighed, adjustment=adjustment, thickening=thickening, finish=finish
    )  # fmt: skip
    whole = went_in(batch, library().by_id)
    share = draw(st.sampled_from([None, 0.0, 0.5, 1.0, -0.1]))
    if share is not None:
        finish["mass_g"] = whole.mass_g - share * whole.grams["aqua"] * 0.999
    return batch.model_copy(update={"finish": type(batch.finish).model_validate(finish)})


@settings(CI, max_examples=drawn(60, of=200))
@given(batches())
def test_what_was_made_always_sums_to_100(batch: Batch) -> None:
    made = made_of(batch)
    assert fsum(made.values()) == pytest.approx(100, abs=1e-10)
    assert all(0 < p <= 100 + 1e-9 for p in made.values())
    went = went_in(batch, library().by_id)
    if batch.finish.mass_g is not None:
        assert went.mass_g == pytest.approx(batch.finish.mass_g + batch.finish.lost_g, rel=1e-9)
    entered = fsum(i.grams for i in went.inputs)
    assert entered == pytest.approx(went.mass_g + went.taken_g + went.evaporated_g, rel=1e-9)


# Against plan and brief ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a batch file of the hand wash at 5 kg with a scale that shows 0.01 g."""
    from optimizer.bench.plan import BatchHead, batch_size, batch_text

    path = tmp_path_factory.mktemp("batch") / "plan.toml"
    found = subject_of("hand-wash")
    head = BatchHead("HW-1", "Harbour hand wash", "hand-wash", "2026-11-25")
    text = batch_text(found.formula, found.setting, batch_size("5kg"), head, 0.01)
    path.write_text(text)
    return path


def reconciled(plan: Path, tmp_path: Path, weighed: dict[str, float] | None = None, more: str = "") -> Made:
    batch = read_batch(plan)
    grams = {n: p * batch.size_g / 100 for n, p in batch.doses.items()}
    rows = [f'[[weighed]]\nmaterial = "{n}"\ngrams = {g!r}\n' for n, g in {**grams, **(weighed or {})}.items()]
    path = tmp_path / "made.toml"
    path.write_text("\n".join([plan.read_text(), *rows, more]))
    found = subject_of(str(path))
    assert found.batch is not None
    return reconcile(found.brief, found.batch, found.formula, found.setting)


ADDED = """
[[adjustment]]
start_g = 4800
chemical = "citric acid monohydrate"
strength_percent = 50
reading = [ { added_g = 0, ph = 7.9 }, { added_g = 30, ph = 5.1 } ]
[[thickening]]
material = "sorbitan-sesquicaprylate"
step = [ { added_percent = 1.2, judged = 3 } ]
[finish]
mass_g = 5000
water_added_g = 120
"""


def test_a_batch_made_as_planned_keeps_its_rules_and_its_master_keeps_the_doses(plan: Path, tmp_path: Path) -> None:
    made = reconciled(plan, tmp_path, more=ADDED)
    assert not [r for r in made.rules if r.broken and not r.within_error]
    assert (made.ph, made.in_window) == (5.1, True)
    late = {line.id: line.made for line in made.lines if line.late}
    assert late == pytest.approx({"citric-acid": 100 * 15 * 192.12 / 210.14 / 5000, "sorbitan-sesquicaprylate": 1.2})
    assert not [line.id for line in made.lines if line.differs]
    formula = made.master.formula
    assert fsum(line.percent for line in formula.lines) + formula.held_back == pytest.approx(100, abs=1e-9)
    assert formula.dose("citric-acid") == pytest.approx(0.27)
    assert formula.dose("sorbitan-sesquicaprylate") == pytest.approx(1.2)
    assert formula.held_back == pytest.approx(4 - 1.2 - 0.27, abs=0.011)
    assert (made.master.changed, made.master.keeps) == ((), True)


def test_the_plan_that_a_cost_is_held_against_holds_what_the_bench_was_to_add(plan: Path, tmp_path: Path) -> None:
    made = reconciled(plan, tmp_path)
    planned = planned_cost(made.brief, made.planned, subject_of(str(plan)).setting)
    assert planned is not None
    assert planned.per_kg.typical > made.planned.cost
    assert made.planned_cost == pytest.approx(planned.per_kg.typical)
    assert set(made.brief.assumptions) <= set(made.notes)


def test_the_next_master_stops_where_it_was_thickest_and_too_much_salt_is_told(plan: Path, tmp_path: Path) -> None:
    """2.4 % of salt, more than is usual and past what thickened: told, and no part of the next batch."""
    salted = """
[[thickening]]
material = "sodium-chloride"
step = [{ added_percent = 0, judged = 2 }, { added_percent = 0.6, judged = 4 }, { added_percent = 2.4, judged = 1 }]
"""
    made = reconciled(plan, tmp_path, more=ADDED.partition("[[thickening]]")[0] + salted)
    limit, peak = (note for note in made.notes if "Sodium Chloride" in note)
    assert "2.4 % of Sodium Chloride went in, past the limit of" in limit
    assert "thickest at 0.6 %" in peak
    assert {line.id: line.made for line in made.lines}["sodium-chloride"] > 2.3
    assert made.master.formula.dose("sodium-chloride") == pytest.approx(0.6, abs=0.011)
    assert fsum(x.percent for x in made.master.formula.lines) + made.master.formula.held_back == pytest.approx(100)


def test_the_next_master_leaves_out_an_overshoot_and_the_alkali_against_it(plan: Path, tmp_path: Path) -> None:
    """65.1 g of 50 % citric acid, 6 g of 10 % sodium hydroxide against it, 5000 g at pH 5.1.

    By hand: 6 x 0.1 / 40.0 = 15.0 mmol of alkali; 65.1 x 0.5 / 192.12 = 169.4 mmol of acid. With pKa 3.128, 4.761 and
    6.396 (CRC Handbook of Chemistry and Physics; from memory, source believed to be it) a mole of it has given up
    (93.8 + 2 x 204.7 + 3 x 10.4) / (1 + 93.8 + 204.7 + 10.4) = 1.72 protons at pH 5.1: 8.7 mmol = 3.3 g in vain, and of
    0.651 % of acid 0.618 % are left.
    """
    against = """
[[adjustment]]
start_g = 4800
chemical = "citric acid anhydrous"
strength_percent = 50
reading = [{ added_g = 0, ph = 9.2 }, { added_g = 65.1, ph = 4.6 }]
[[adjustment]]
start_g = 4865
chemical = "sodium hydroxide"
strength_percent = 10
reading = [{ added_g = 0, ph = 4.6 }, { added_g = 6, ph = 5.1 }]
"""
    made = reconciled(plan, tmp_path, more=against)
    assert made.master.formula.dose("citric-acid") == pytest.approx(0.618, abs=0.006)
    assert not any(name.startswith("sodium-hydroxide") for name in made.master.formula.doses)
    said = next(note for note in made.notes if "against one another" in note)
    assert "65.1 g of Citric Acid and 6 g of Sodium Hydroxide" in said
    assert "leaves out 3.3" in said
    assert "and 6 g of them" in said
    alone = reconciled(plan, tmp_path, more=against.partition("[[adjustment]]\nstart_g = 4865")[0])
    assert alone.master.formula.dose("citric-acid") == pytest.approx(0.65, abs=0.011)


def test_a_weight_that_is_off_is_told_and_is_no_part_of_the_master(plan: Path, tmp_path: Path) -> None:
    """A quarter of the betaine is missing: the amphoteric share breaks; the next batch starts from the plan."""
    batch = read_batch(plan)
    short = 0.75 * batch.doses["cocamidopropyl-betaine"] * 50
    made = reconciled(plan, tmp_path, {"cocamidopropyl-betaine": short}, ADDED)
    assert "amphoteric-share" in made.broken
    assert "cocamidopropyl-betaine" in [line.id for line in made.lines if line.differs]
    formula = made.master.formula
    assert (made.master.broken, made.master.changed, made.master.keeps) == ((), (), True)
    assert fsum(line.percent for line in formula.lines) + formula.held_back == pytest.approx(100, abs=1e-9)
    assert formula.dose("cocamidopropyl-betaine") == pytest.approx(batch.doses["cocamidopropyl-betaine"], abs=0.006)
    assert formula.dose("sorbitan-sesquicaprylate") == pytest.approx(1.2)


def with_rule(plan: Path, folder: Path, rule: str) -> Path:
    """Return the plan for a brief of one's own with one rule more."""
    copytree(shipped("scenarios"), folder, dirs_exist_ok=True)
    brief, own = folder / "own.toml", folder / "plan.toml"
    brief.write_text((folder / "hand-wash.toml").read_text(encoding="utf-8") + rule, encoding="utf-8")
    own.write_text(plan.read_text().replace('brief = "hand-wash"', 'brief = "own.toml"'), encoding="utf-8")
    return own


def test_a_master_whose_additions_break_a_rule_tells_it(plan: Path, tmp_path: Path) -> None:
    """The acid that was needed, 0.27 %, is more than the brief allows: the master says which rule stands against it."""
    rule = '\n[[rule]]\nid = "acid"\nkind = "dose"\nof = { materials = ["citric-acid"] }\nat_most = 0.2\n'
    made = reconciled(with_rule(plan, tmp_path, rule), tmp_path, more=ADDED)
    assert len(made.master.broken) == 1
    assert not made.master.keeps


LOSING = """
[finish]
mass_g = {mass}
water_added_g = 200
"""


def test_water_that_evaporated_is_put_back(plan: Path, tmp_path: Path) -> None:
    """By hand: 4800 g weighed in and 200 g of water make 5000 g; 4900 g are there, so 100 g are missing."""
    made = reconciled(plan, tmp_path, more=LOSING.format(mass=4900))
    assert made.put_back is not None
    assert (made.put_back.grams, made.put_back.why_not) == (pytest.approx(100, abs=0.02), "")
    assert made.put_back.mass_after_g == pytest.approx(5000, abs=0.02)
    assert made.put_back.water_after_g == pytest.approx(300, abs=0.02)
    told = made_document(made)
    assert told.verdict.startswith("Put back 100 g of water. ")
    assert told.facts[1][1].endswith("made.toml --finish-mass 5000 --water-added 300")
    filled = reconciled(plan, tmp_path, more=LOSING.format(mass=4900) + "bottles = 19\n")
    assert filled.put_back is not None
    assert filled.put_back.why_not == "19 bottles are filled, and what is filled is not opened again"
    assert not made_document(filled).verdict.startswith("Put back")
    assert reconciled(plan, tmp_path, more=LOSING.format(mass=4990)).put_back is None


def test_water_that_was_put_back_is_not_asked_for_again(plan: Path, tmp_path: Path, run: Run) -> None:
    """By hand: 4850 g weighed once, then 150 g of water: 5000 g are there, weighed again or not."""
    reconciled(plan, tmp_path, more=LOSING.format(mass=4850))
    path = tmp_path / "made.toml"
    assert run("made", path, "--json").json["put_back"]["grams"] == pytest.approx(150, abs=0.02)
    run("weighed", path, "--water-added", "350")
    assert read_batch(path).finish.there_g == 5000
    told = run("made", path, "--json").json
    assert told["put_back"] is None
    assert sum(line["grams"] for line in told["formula"]) == pytest.approx(5000, abs=0.02)
    assert "150 g of the water were put back after the batch was weighed: 5000 g by sum" in told["notes"]
    run("weighed", path, "--water-added", "300")
    assert read_batch(path).finish.there_g == 4950, "a slip in the water is mended by noting it anew"
    run("weighed", path, "--finish-mass", "4990")
    assert read_batch(path).finish.there_g == 4990, "what is read counts more than the sum"
    run("weighed", path, "--water-added", "200")
    assert read_batch(path).finish.there_g == 4990, "less water noted than the mass held takes nothing out of it"


def test_missing_water_that_never_went_in_has_not_evaporated(plan: Path, tmp_path: Path) -> None:
    """By hand: 4800 g and 100 g of water went in, 4870 g are there: 130 g are missing, of which 30 g evaporated."""
    more = LOSING.format(mass=4870).replace("200", "100")
    made = reconciled(plan, tmp_path, more=more)
    assert made.put_back is not None
    assert made.put_back.where_it_is == "100 g of it were planned and are not in yet; 30 g have evaporated."


def test_water_is_not_put_back_where_a_rule_would_break(plan: Path, tmp_path: Path) -> None:
    """Too little sulfate was weighed: evaporated, the active matter is kept; filled up, it is not."""
    batch = read_batch(plan)
    name = "sodium-laureth-sulfate-2eo-70"
    short = {name: 0.9 * batch.doses[name] * 50}
    made = reconciled(plan, tmp_path, short, LOSING.format(mass=4600))
    assert made.put_back is not None
    assert "active" not in made.broken
    assert made.put_back.why_not == "with it these rules would break: active matter 9 to 11 %"


def test_much_evaporation_is_doubted(plan: Path, tmp_path: Path, run: Run) -> None:
    made = reconciled(plan, tmp_path, more=LOSING.format(mass=4740))  # 260 of 5000 g: 5.2 %
    assert any("5.2 % of what went in, would have evaporated" in note for note in made.notes)
    usual = reconciled(plan, tmp_path, more=LOSING.format(mass=4760))  # 4.8 %
    assert not any("would have evaporated" in note for note in usual.notes)
    path = tmp_path / "made.toml"
    before = path.read_bytes()
    told = run("weighed", path, "--finish-mass", "4700")
    assert told.code == 3
    assert "6 % of what went in, would have evaporated" in told.err
    assert path.read_bytes() == before
    assert run("weighed", path, "--finish-mass", "4700", "--sure").code == 0


def test_an_exact_dose_is_as_exact_as_the_scale_asks_of_a_line(plan: Path, tmp_path: Path) -> None:
    """Glycerin exactly 2 %: 2.08 % is within 5 % of the line, 2.2 % is not."""
    rule = '\n[[rule]]\nid = "exact"\nkind = "dose"\nof = { materials = ["glycerin"] }\nexactly = 2\n'
    own = with_rule(plan, tmp_path, rule)
    for dose, is_broken in ((2.08, False), (2.2, True)):
        made = reconciled(own, tmp_path, {"glycerin": dose * 50}, LOSING.format(mass=5000 + 50 * (dose - 2)))
        assert ("exact" in made.broken) is is_broken


def test_the_lots_that_were_weighed_count(plan: Path, tmp_path: Path) -> None:
    """Equal grams of a weaker lot are less active matter."""
    batch = read_batch(plan)
    grams = batch.doses["sodium-laureth-sulfate-2eo-70"] * 50
    lot = f'[[weighed]]\nmaterial = "sodium-laureth-sulfate-2eo-70"\ngrams = {grams}\nlot_active_percent = 60\n'
    made = reconciled(plan, tmp_path, {"sodium-laureth-sulfate-2eo-70": 0.0}, lot + ADDED)
    active = next(r for r in made.rules if r.outcome.id == "active")
    dose = next(line.made for line in made.lines if line.id == "sodium-laureth-sulfate-2eo-70")
    assert active.planned - active.outcome.value == pytest.approx(dose * (69.4 - 60) / 100, rel=1e-3)
    assert active.broken
    assert not active.within_error
    line = next(line for line in made.lines if line.id == "sodium-laureth-sulfate-2eo-70")
    assert (line.active, line.usual) == (60, (68, 72))


def test_a_ph_outside_the_window_is_told_and_is_no_matter_of_the_master(plan: Path, tmp_path: Path) -> None:
    made = reconciled(plan, tmp_path, more=ADDED.replace("ph = 5.1", "ph = 6.6"))
    assert made.in_window is False
    assert "ph" in made.broken
    assert made.master.keeps
    assert made.master.changed == ()


# Weights as typed -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "material", "grams", "lot"),
    [
        ("aqua=3400.5", "aqua", 3400.5, ""),
        ("aqua=3400,5@L-7", "aqua", 3400.5, "L-7"),
        (" aqua = 3.4005 kg @ a@b ", "aqua", 3400.5, "a@b"),
        ("aqua=0", "aqua", 0.0, ""),
    ],
)
def test_weights_as_people_type_them(text: str, material: str, grams: float, lot: str) -> None:
    weight = weight_of(text)
    assert (weight.material, weight.lot) == (material, lot)
    assert weight.grams == pytest.approx(grams)


@pytest.mark.parametrize(
    "text", ["aqua", "aqua=", "=3", "aqua=-3", "aqua=three", "aqua=3 ml", "aqua=1,234", "aqua=nan"]
)
def test_what_is_no_weight_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match=r"aqua|=3") as told:
        weight_of(text)
    assert "Write" in str(told.value) or "write" in str(told.value)


@pytest.mark.parametrize("amount", ["abc", "5ml", "20 bottles", "5 x"])
def test_what_is_no_weight_is_told_with_what_and_where_and_what_to_write(amount: str) -> None:
    with pytest.raises(UsageError) as told:
        weight_of(f"aqua={amount}")
    assert str(told.value) == (
        f"'aqua={amount}': '{amount}' is no weight. Write the grams that the scale shows, such as aqua=100.2, or a "
        "mass with its unit: mg, g, kg, t or lb."
    )


def test_weights_far_off_are_asked_about_all_at_once() -> None:
    batch = batch_of({"aqua": 90.0, "glycerin": 10.0}, weighed=weights(glycerin=90))
    known = library().by_id
    fine = checked("b", batch, [weight_of("aqua=900")], known)
    assert fine[0].grams == 900
    with pytest.raises(DataError) as told:
        checked("b", batch, map(weight_of, ["aqua=946", "glycerin=+15.1", "glycerine=1", "betaine=5"]), known)
    text = str(told.value)
    assert "946 g in all; 900 g are planned" in text  # 5 % of 900 g are 45 g
    assert "105.1 g in all, 90 g of it before; 100 g are planned" in text
    assert "Did you mean 'glycerin'" in text
    assert "betaine: this material is not in the plan" in text
    assert len(checked("b", batch, map(weight_of, ["aqua=946", "glycerin=+411", "betaine=5"]), known, sure=True)) == 3
    assert len(checked("b", batch, map(weight_of, ["aqua=945", "glycerin=+15"]), known)) == 2
    assert len(checked("b", batch, [weight_of("aqua=3")], known)) == 1, "a first portion may be small"


def test_the_same_line_weighed_twice_is_refused_unless_it_is_a_further_portion() -> None:
    batch = batch_of({"aqua": 90.0, "glycerin": 10.0}, weighed=weights(glycerin=37.9))
    known = library().by_id
    with pytest.raises(DataError) as told:
        checked("b.toml", batch, [weight_of("glycerin=37.9")], known, sure=True)
    assert str(told.value) == (
        "b.toml, glycerin: 37.9 g of it are noted already (line 1); 62 g are left to weigh. Write a further portion "
        "as glycerin=+37.9; or strike what is wrong: tenside weighed b.toml --strike 1 --why REASON glycerin=37.9."
    )
    with pytest.raises(DataError, match="two weights of it are given at once"):
        checked("b.toml", batch, [weight_of("aqua=300@A"), weight_of("aqua=200@B")], known)
    assert [w.grams for w in checked("b.toml", batch, map(weight_of, ["aqua=300@A", "aqua=+0.2kg@B"]), known)] == [
        300,
        200,
    ]


def test_what_is_left_of_a_line_is_told_in_steps_of_the_scale(tmp_path: Path, run: Run) -> None:
    path = tmp_path / "batch.toml"
    (tmp_path / "f.csv").write_text("material,percent\naqua,92.38\nglycerin,7.62\n", encoding="utf-8")
    assert run("batch", tmp_path / "f.csv", "--for", "hand-wash", "--size", "5204.1g", "--out", path).code == 0
    told = " ".join(run("weighed", path, "glycerin=350").out.split())
    # By hand: 7.62 % of 5204.1 g are 396.55242 g; the scale shows 1 g.
    assert "350 g of 397 g so far, 47 g left." in told


def test_a_struck_weight_stays_in_the_file_and_counts_no_more(tmp_path: Path, run: Run) -> None:
    path = tmp_path / "batch.toml"
    (tmp_path / "f.csv").write_text(
        "material,percent\naqua,80\nglycerin,10\ncocamidopropyl-betaine,10\n", encoding="utf-8"
    )
    assert run("batch", tmp_path / "f.csv", "--for", "hand-wash", "--size", "1kg", "--out", path).code == 0
    assert run("weighed", path, "glycerin=50@A", "--on", "2026-05-04").code == 0
    told = run("weighed", path, "glycerin=+30@B", "--on", "2026-05-04")
    assert "Glycerin, 99.5 %: 80 g of 100 g so far, 20 g left." in " ".join(told.out.split())
    again = run(
        "weighed", path, "--strike", 2, "--why", "typed twice", "glycerin=+20@B", "--on", "2026-05-05", "--json"
    )
    assert [w["noted_g"] for w in again.json["weights"] if w["material"] == "glycerin"] == [70]
    assert again.json["struck"] == [
        {"number": 2, "line": "glycerin 30 g of lot B", "why": "typed twice", "on": "2026-05-05"}
    ]
    text = path.read_text(encoding="utf-8")
    assert 'lot = "B"\non = "2026-05-04"' in text
    assert 'struck = "typed twice"' in text
    told = run("weighed", path, "aqua=700")
    assert "2: glycerin 30 g of lot B; 2026-05-05: typed twice" in told.out
    made = run("made", path, "--json").json
    assert [i["grams"] for i in made["inputs"] if i["material"] == "glycerin"] == [50, 20]
    for args, said in (
        (("--strike", 2, "--why", "x"), "this weight is struck already (typed twice)"),
        (("--strike", 9, "--why", "x"), "there is no weight of this number. There are 4: number 1 to 4."),
        (("--strike", 1), "say why with --why"),
        (("--why", "x"), "say which line with --strike NUMBER"),
    ):
        before = path.read_bytes()
        assert said in run("weighed", path, *args).err
        assert path.read_bytes() == before


def test_a_final_mass_far_off_is_asked_about() -> None:
    batch = batch_of({"aqua": 90.0, "glycerin": 10.0})
    with pytest.raises(DataError, match="far from the 1000 g"):
        check_finish("b", batch, 2100.0)
    check_finish("b", batch, 2100.0, sure=True)


def test_active_matter_of_lots_as_typed_or_of_the_shelf() -> None:
    typed = [weight_of("decyl-glucoside=5@A"), weight_of("glycerin=5@B")]
    found = with_actives(typed, ["glycerin=86%"], {("decyl-glucoside", "A"): 52.8, ("glycerin", "B"): 99.0})
    assert [w.active for w in found] == [52.8, 86.0]
    with pytest.raises(UsageError, match="no weight of it is noted"):
        with_actives(typed, ["betaine=98"], {})
    with pytest.raises(UsageError, match="above 0 and up to 100"):
        with_actives(typed, ["glycerin=860"], {})
