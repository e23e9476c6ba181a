"""From formula to weigh sheet: sizes, grams that sum, what is too small, steps in order."""

from __future__ import annotations

from decimal import Decimal
from functools import cache
from math import fsum
from pathlib import Path

import pytest
import tomli
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.answers.bench import lay_batch
from optimizer.answers.following import after_blend
from optimizer.answers.subject import subject_of
from optimizer.bench.batch import Batch, Scale, batch_from
from optimizer.bench.grams import diluted, grams_of
from optimizer.bench.plan import BatchHead, batch_size, batch_text, brief_reference, formula_table, hold_back
from optimizer.bench.steps import heat
from optimizer.bench.weigh import WeighSheet, weigh_sheet
from optimizer.data.formula import Formula, Line
from optimizer.data.formula_file import read_formula
from optimizer.data.library import Library, read_library
from optimizer.errors import DataError, UsageError
from optimizer.files import shipped
from optimizer.rules.row import Setting
from tests.support.draws import CI, drawn
from tests.support.solved import solved


@cache
def library() -> Library:
    return read_library([shipped("library")])


def batch_of(doses: dict[str, float], size_g: float = 1000.0, held: float = 0.0, **more: object) -> Batch:
    line = [{"material": n, "percent": p} for n, p in doses.items()]
    return batch_from(
        {"batch": "T-1", "brief": "hand-wash", "size_g": size_g, "held_back_percent": held, "line": line, **more}, "t"
    )


def names(count: int) -> list[str]:
    """Return water and further ids of the shipped library, spread over its phases."""
    others = [m.id for m in library().materials if m.id != "aqua"]
    return ["aqua", *others[:: max(1, len(others) // count)]][:count]


# Recipes that are printed ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("percents", "size_g", "printed"),
    [
        # Two foaming-gel recipes of an ingredient supplier (name withheld), as printed.
        ([15, 15, 62, 3, 1, 1, 3], 500, [75, 75, 310, 15, 5, 5, 15]),
        ([40, 51.5, 3, 1, 1, 3.5], 250, [100, 128.75, 7.5, 2.5, 2.5, 8.75]),
        # Answer on dilutions on a study site: 50 g of 5 % citric acid are 2.5 g and 47.5 g.
        ([5, 95], 50, [2.5, 47.5]),
        # Tutorial of an ingredient seller (name withheld): 50 % citric acid is 20 g and 20 g.
        ([50, 50], 40, [20, 20]),
    ],
)
def test_grams_as_printed(percents: list[float], size_g: float, printed: list[float]) -> None:
    ids = names(len(percents))
    batch = batch_of(dict(zip(ids, percents, strict=True)), size_g, scale={"step_g": 0.01})
    assert list(grams_of(batch).values()) == printed


def test_a_printed_recipe_that_does_not_sum_is_rounded_so_that_it_does() -> None:
    """Thread 'Lost in lotion bars' of a soap makers' forum: 40, 23, 10, 1.5, 0.5 g were rounded to 99.8 in all.

    53.3 + 30.7 + 13.3 + 2 + 0.6 leaves 0.1; the largest remainder is that of 0.6667.
    """
    parts = [40, 23, 10, 1.5, 0.5]
    doses = dict(zip(names(5), [100 * p / 75 for p in parts], strict=True))
    grams = grams_of(batch_of(doses, 100, scale={"step_g": 0.1}))
    assert list(grams.values()) == [53.3, 30.7, 13.3, 2.0, 0.7]
    assert fsum(grams.values()) == 100.0


def test_percent_stays_percent_at_twenty_times_the_size() -> None:
    """Thread 'Scaling up a formula from 100g to 2,000g' of a formulators' forum asks for 20 %: it is 1 % and 20 g."""
    doses = {"aqua": 99.0, "sodium-benzoate": 1.0}
    small, large = (weigh_sheet(batch_of(doses, size), library()) for size in (100, 2000))
    assert [line.percent for line in small.lines] == [line.percent for line in large.lines] == [99.0, 1.0]
    assert [line.grams for line in large.lines] == [1980.0, 20.0]


def test_a_formula_of_108_percent_is_normalised_and_that_is_said(tmp_path: Path) -> None:
    """Thread 'Rounding off numbers' of a formulators' forum: 41.398 % of 108 is 38.331 % of 100."""
    table = tmp_path / "late.csv"
    table.write_text("material,percent\naqua,41.398\ndecyl-glucoside,50\nglycerin,16.602\n")
    found = read_formula(table, library().materials, 0.0)
    assert found.doses["aqua"] == pytest.approx(38.331, abs=5e-4)
    assert fsum(found.doses.values()) == pytest.approx(100, abs=1e-12)
    assert "the doses sum to 108 %, not 100" in found.notes[0]


@pytest.mark.parametrize(
    ("error_mg", "allowed", "least_mg"),
    [
        # 'Weighing', pharmacy laboratory of the University of North Carolina: a balance with an error of 6 mg.
        (6, 5, 120),
        (6, 1, 600),
        # A page on the minimum weighable quantity (name withheld).
        (10, 5, 200),
        (2.5, 3, 83.333),
    ],
)
def test_least_weighable_amount(error_mg: float, allowed: float, least_mg: float) -> None:
    scale = Scale(step_g=0.001, error_g=error_mg / 1000, allowed_percent=allowed)
    assert scale.least_g * 1000 == pytest.approx(least_mg, abs=1e-3)


def test_fifty_milligrams_on_that_balance_may_be_off_by_twelve_percent() -> None:
    """The exercise of the same laboratory page."""
    batch = batch_of(
        {"aqua": 99.95, "disodium-edta": 0.05}, 100, scale={"step_g": 0.001, "error_g": 0.006, "allowed_percent": 5}
    )
    line = weigh_sheet(batch, library()).lines[1]
    assert (line.grams, line.small) == (0.05, True)
    assert line.error_percent == pytest.approx(12)


# Grams -----------------------------------------------------------------------------------------------


@st.composite
def batches(draw: st.DrawFn) -> Batch:
    ids = draw(st.lists(st.sampled_from([m.id for m in library().materials]), min_size=1, max_size=14, unique=True))
    ids = ["aqua", *(i for i in ids if i != "aqua")]
    parts = [draw(st.floats(0.001, 60)) for _ in ids]
    held = draw(st.sampled_from([0.0, 1.0, 4.0, 7.3]))
    doses = {n: p * (100 - held) / fsum(parts) for n, p in zip(ids, parts, strict=True)}
    step = draw(st.sampled_from([0.001, 0.01, 0.02, 0.05, 0.1, 0.125, 0.2, 0.25, 0.3, 0.5, 1, 2, 5]))
    size = draw(st.floats(50, 50_000))
    return batch_of(doses, size, held, scale={"step_g": step})


@settings(CI, max_examples=drawn(6, of=150))
@given(batches(), st.booleans())
def test_grams_and_the_part_held_back_sum_to_the_batch(batch: Batch, predilute: bool) -> None:
    """For any formula, any step of the scale and any size, as decimals and not only nearly."""
    sheet = weigh_sheet(batch, library(), predilute=predilute)
    step = Decimal(str(batch.scale.step_g))
    grams = [Decimal(repr(line.grams)) for line in sheet.lines]
    assert all(g % step == 0 and g >= 0 for g in grams)
    asked = batch.size_g * (100 - batch.held_back_percent) / 100
    assert sum(grams) == Decimal(repr(sheet.total_g))
    assert abs(sheet.total_g - asked) <= batch.scale.step_g / 2 + 1e-6
    assert sheet.total_g + sheet.held_g == pytest.approx(batch.size_g, abs=1e-6)
    assert sorted(line.number for line in sheet.lines) == list(range(1, len(grams) + 1))
    if not predilute:
        assert all(abs(line.grams - line.exact_g) < batch.scale.step_g * 1.01 for line in sheet.lines)


@settings(CI, max_examples=drawn(6, of=150))
@given(batches())
def test_a_pre_dilution_brings_what_is_planned(batch: Batch) -> None:
    plain, diluted_sheet = (weigh_sheet(batch, library(), predilute=p) for p in (False, True))
    before = {line.material.id: line for line in plain.lines}
    for line in diluted_sheet.lines:
        found = line.dilution
        if not line.used or found is None:
            continue
        least, step = batch.scale.least_g, batch.scale.step_g
        assert line.small
        assert found.weigh_g >= least - 1e-6
        assert found.take_g >= least - 1e-6
        assert found.take_g * found.factor == pytest.approx(found.weigh_g + found.into_g)
        assert found.brings_g == pytest.approx(found.weigh_g / found.factor)
        assert abs(found.brings_g - line.exact_g) <= step / found.factor + 1e-6
        assert line.grams == pytest.approx(before[line.material.id].grams + found.less_g)


def test_a_worked_pre_dilution() -> None:
    """Common practice: 0.5 g on a scale of 0.1 g; 2 g is the least. 2.5 g in 22.5 g, of which a fifth is taken."""
    found = diluted(0.5, 0.5, Scale(step_g=0.1), "aqua", 400.0)
    assert found is not None
    assert (found.factor, found.weigh_g, found.into_g, found.take_g) == (5, 2.5, 22.5, 5.0)
    assert (found.brings_g, found.less_g) == (0.5, 4.5)


def test_offers_together_never_take_more_than_there_is() -> None:
    """Two small oils and one solubiliser: only one of them can take it along whole."""
    doses = {"aqua": 98.9, "parfum": 0.1, "essential-oil-lavender": 0.1, "polysorbate-20": 0.9}
    sheet = weigh_sheet(batch_of(doses, 2000, scale={"step_g": 0.2}), library())
    offers = [li.dilution for li in sheet.lines if li.dilution is not None]
    assert offers
    assert fsum(o.less_g for o in offers if o.diluent == "polysorbate-20") <= 18.0 + 1e-9


def test_no_pre_dilution_in_water_that_is_not_there() -> None:
    assert diluted(0.5, 0.5, Scale(step_g=0.1), "aqua", 1.0) is None


def test_perfume_is_never_spread_in_water() -> None:
    doses = {"aqua": 89.9, "decyl-glucoside": 10.0, "parfum": 0.1}
    line = next(li for li in weigh_sheet(batch_of(doses), library()).lines if li.material.id == "parfum")
    assert line.small
    assert line.dilution is None
    assert line.enough_g == pytest.approx(20_000)
    helped = weigh_sheet(
        batch_of({"aqua": 89.4, "decyl-glucoside": 10.0, "parfum": 0.1, "polysorbate-20": 0.5}), library()
    )
    mixed = next(li for li in helped.lines if li.material.id == "parfum")
    assert mixed.dilution is None or mixed.dilution.diluent == "polysorbate-20"


# Steps -----------------------------------------------------------------------------------------------


FULL = {
    "aqua": 70.2, "glycerin": 3.0, "xanthan-gum": 0.3, "sodium-laureth-sulfate-2eo-28": 12.0, "disodium-edta": 0.1,
    "cocamidopropyl-betaine": 6.0, "glycol-distearate": 1.5, "parfum": 0.3, "polysorbate-20": 1.2,
    "hydrolyzed-wheat-protein": 0.5, "phenoxyethanol-ethylhexylglycerin": 0.9,
}  # fmt: skip


def sheet_of(doses: dict[str, float], held: float = 4.0, size_g: float = 5000.0) -> WeighSheet:
    later = [library().by_id[n] for n in ("citric-acid", "sodium-chloride")] if held else []
    ph = {"ph_low": 5.0, "ph_target": 5.2, "ph_high": 5.4}
    return weigh_sheet(batch_of(doses, size_g, held, **ph), library(), later)


def test_steps_follow_the_order_of_addition() -> None:
    sheet = sheet_of(FULL)
    assert [[line.material.id for line in step.lines] for step in sheet.steps] == [
        ["aqua", "disodium-edta"],
        ["glycerin", "xanthan-gum"],
        ["sodium-laureth-sulfate-2eo-28"],
        ["cocamidopropyl-betaine"],
        ["glycol-distearate"],
        ["parfum", "polysorbate-20"],
        ["phenoxyethanol-ethylhexylglycerin", "hydrolyzed-wheat-protein"],
        [],
        [],
        [],
    ]
    slurry, premix, late, ph, thick, end = (sheet.steps[k].part for k in (1, 5, 6, 7, 8, 9))
    assert "wet Xanthan Gum with Glycerin" in slurry.do[0]
    assert "swell" in slurry.wait
    assert "one small dry beaker" in premix.do[0]
    assert "clouds" in premix.see[0]
    assert "below 40 °C" in late.do[0]
    assert late.temperature == "below 40 °C"
    assert "at least 5 and at most 5.4" in ph.do[1]
    assert "Citric Acid" in ph.do[2]
    assert "Sodium Chloride" in thick.do[1]
    assert "5000 g" in end.do[0]
    assert sheet.held_g == 200.0


def test_without_a_solubiliser_a_surfactant_that_dissolves_perfume_takes_its_place() -> None:
    doses = {"aqua": 89.7, "caprylyl-capryl-glucoside": 10.0, "parfum": 0.3}
    premix = next(s for s in sheet_of(doses, 0.0).steps if "Perfume" in s.part.title)
    assert [line.material.id for line in premix.lines] == ["parfum", "caprylyl-capryl-glucoside"]


def test_cautions_stand_where_they_apply_once_in_full() -> None:
    steps = sheet_of(FULL).steps
    full = [(s.number, c.text) for s in steps for c in s.cautions]
    assert len({text for _, text in full}) == len(full)
    told = {number: [t for n, t in full if n == number] for number, _ in full}
    assert any("dust" in t for t in told[1])
    assert any("irritate skin and eyes" in t for t in told[3])
    assert ("concentrate", 3) in steps[3].again
    assert any("goggles" in t for t in told[8])
    assert not any("1,4-dioxane" in t for _, t in full)


def test_nothing_held_back_is_told() -> None:
    assert any("no water is held back" in note for note in sheet_of({"aqua": 90.0, "decyl-glucoside": 10.0}, 0.0).notes)


@pytest.mark.parametrize(
    ("material", "needs", "below"),
    [
        ("glycol-distearate", 65.0, None),
        ("cocamide-mea", 70.0, None),
        ("hydrolyzed-wheat-protein", None, 40.0),
        ("phenoxyethanol", None, 60.0),
        ("sodium-lauroyl-methyl-isethionate", None, None),
        ("aqua", None, None),
    ],
)
def test_temperatures_come_from_the_librarys_handling(material: str, needs: float | None, below: float | None) -> None:
    assert heat(library().by_id[material]) == (needs, below)


@pytest.mark.thorough
def test_every_material_of_the_library_can_be_weighed() -> None:
    for material in library().materials:
        if material.id != "aqua":
            sheet = sheet_of({"aqua": 95.0, material.id: 5.0}, 0.0)
            assert {line.material.id for line in sheet.lines} == {"aqua", material.id}


def test_an_unknown_material_is_named_with_the_nearest() -> None:
    with pytest.raises(DataError, match="Did you mean 'glycerin'"):
        weigh_sheet(batch_of({"aqua": 90.0, "glycerine": 10.0}), library())


# Sizes and the batch file ------------------------------------------------------------------------------


def test_bottles_need_density_and_content() -> None:
    found = batch_size(bottles=20, bottle_ml=250, density=1.02, loss_percent=2, step_g=1)
    assert found.grams == 5205  # 20 x 250 x 1.02 / 0.98 = 5204.08, up to the next gram
    assert batch_size("20 bottles", bottle_ml=250, density=1.02).grams == 5100
    assert batch_size("5kg").grams == 5000
    assert batch_size("3 L", density=1.02).grams == 3060
    with pytest.raises(DataError, match="no density is stated"):
        batch_size(bottles=20, bottle_ml=250)
    with pytest.raises(DataError, match="no density is stated"):
        batch_size("3 L")
    with pytest.raises(UsageError, match="content of a bottle"):
        batch_size(bottles=20, density=1.0)
    with pytest.raises(UsageError, match="say how much"):
        batch_size()
    with pytest.raises(UsageError, match="say how much"):
        batch_size("5kg", bottles=3)


def test_bottles_that_a_batch_fills() -> None:
    batch = batch_of({"aqua": 100.0}, 5205, bottle_ml=250, density_g_per_ml=1.02, loss_percent=2)
    sheet = weigh_sheet(batch, library())
    assert (sheet.fill_g, sheet.bottles) == (255.0, 20)


def hand_wash() -> tuple[Formula, Setting]:
    result = solved("hand-wash")
    assert result.weighable is not None
    return result.weighable, result.setting


def test_a_laid_batch_file_reads_back_as_the_plan() -> None:
    formula, setting = hand_wash()
    nasty = 'Wash "1"\\n [x]'
    head = BatchHead(nasty, nasty, "hand-wash", "2026-11-25")
    text = batch_text(formula, setting, batch_size("5kg"), head, 0.5)
    batch = batch_from(tomli.loads(text), "t")
    assert batch.doses == pytest.approx(formula.doses)
    assert fsum(batch.doses.values()) + batch.held_back_percent == pytest.approx(100, abs=1e-9)
    assert (batch.batch, batch.ph_target, batch.scale.step_g) == (nasty, setting.target, 0.5)


def test_doses_on_no_grid_are_written_so_that_they_sum() -> None:
    formula, setting = hand_wash()
    share = 100 / len(formula.lines)
    odd = Formula(tuple(Line(line.item, share) for line in formula.lines[:-1]), share)
    text = batch_text(odd, setting, batch_size("5kg"), BatchHead("1", "", "hand-wash", ""), 1)
    batch = batch_from(tomli.loads(text), "t")
    assert fsum(batch.doses.values()) + batch.held_back_percent == pytest.approx(100, abs=1e-6)


def test_holding_back_comes_off_the_water() -> None:
    formula, _ = hand_wash()
    more = hold_back(formula, 10.0)
    assert more.dose("aqua") == pytest.approx(formula.dose("aqua") - 6.0)
    assert more.held_back == 10.0
    with pytest.raises(DataError, match="cannot be held back"):
        hold_back(formula, 90.0)
    table = formula_table(formula).splitlines()
    assert table[0] == "material,percent"
    assert fsum(float(row.split(",")[1]) for row in table[1:]) == pytest.approx(100, abs=1e-9)


def test_a_batch_file_names_no_scenario_of_another_folder(tmp_path: Path) -> None:
    assert brief_reference(shipped("scenarios") / "hand-wash.toml", tmp_path / "b.toml") == "hand-wash"
    (tmp_path / "in").mkdir()
    assert brief_reference(tmp_path / "in" / "my.toml", tmp_path / "b.toml") == "in/my.toml"
    with pytest.raises(DataError, match="does not lie in the batch file's folder"):
        brief_reference(tmp_path / "my.toml", tmp_path / "in" / "b.toml")


def test_a_batch_is_as_large_as_its_brief_says_unless_it_is_said_otherwise(tmp_path: Path) -> None:
    """12 kg are made up."""
    found = subject_of("hand-wash", changes=[("batch_kg", "12")])
    laid = lay_batch(found, tmp_path / "brief.toml")
    assert laid.batch.size_g == 12_000
    assert "size: 12kg, the batch_kg of the brief" in laid.notes
    assert lay_batch(found, tmp_path / "other.toml", size="5kg").batch.size_g == 5000
    assert found.result is not None
    assert after_blend("x.toml", found.result) == "tenside batch x.toml --out batch.toml"
