"""The order of addition: nothing meets a pH on its way that destroys it, or it is said with the mend.

Recipes are made up; windows are those of the shipped library, whose source stands there.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import pytest

from optimizer.bench.batch import Batch, batch_from
from optimizer.bench.order import BEFORE, Order, order_of, stands
from optimizer.bench.steps import PhaseStep, parts_of
from optimizer.bench.weigh import weigh_sheet
from optimizer.brief.brief import load_brief
from optimizer.data.library import Library, doubts, read_library
from optimizer.files import shipped
from optimizer.solve.best import solve
from tests.support.command import Run

CITRIC = "citric-acid"


@cache
def library() -> Library:
    return read_library([shipped("library")])


def batch_of(doses: dict[str, float], target: float | None = 5.5) -> Batch:
    doses = {"aqua": 100 - sum(doses.values()), **doses}
    line = [{"material": n, "percent": p} for n, p in doses.items()]
    window = {} if target is None else {"ph_low": target - 0.2, "ph_target": target, "ph_high": target + 0.2}
    return batch_from({"batch": "T", "brief": "hand-wash", "size_g": 1000.0, "line": line, **window}, "t")


def steps_of(doses: dict[str, float], target: float | None = 5.5) -> list[PhaseStep]:
    batch, known = batch_of(doses, target), library().by_id
    later = () if target is None else (known[CITRIC],)
    return parts_of(batch, {n: known[n] for n in batch.doses}, later)


def place(steps: list[PhaseStep], name: str) -> int:
    return next(n for n, step in enumerate(steps) if name in step.materials)


def acid(steps: list[PhaseStep]) -> int:
    return next(n for n, step in enumerate(steps) if step.title == "pH")


GLUCOSIDES = {"decyl-glucoside": 12.0, "coco-glucoside": 6.0, "cocamidopropyl-betaine": 8.0}
"""A glucoside wash as it stands before the acid at about pH 11 by estimate."""


@pytest.mark.parametrize(
    "name",
    [
        "methylchloroisothiazolinone-methylisothiazolinone",
        "panthenol-75",
        "parfum",
        "hydrolyzed-oat-protein",
        "methylparaben",
    ],
)
def test_what_alkali_destroys_goes_in_after_the_acid(name: str) -> None:
    steps = steps_of({**GLUCOSIDES, name: 0.1})
    assert place(steps, name) > acid(steps)


@pytest.mark.parametrize("name", ["sodium-benzoate", "potassium-sorbate", "dehydroacetic-acid"])
def test_preservative_salts_still_dissolve_before_the_acid(name: str) -> None:
    steps = steps_of({**GLUCOSIDES, name: 0.5})
    assert place(steps, name) < acid(steps)


def test_in_a_mild_base_the_usual_order_stays() -> None:
    mild = {"sodium-laureth-sulfate-2eo-28": 30.0, "cocamidopropyl-betaine": 10.0, "panthenol-75": 0.5, "parfum": 0.3}
    steps = steps_of(mild)
    assert max(place(steps, n) for n in mild) < acid(steps)
    assert not any("no order of these materials" in line for step in steps for line in step.do)


def test_an_isethionate_is_melted_into_the_betaine_alone() -> None:
    steps = steps_of({**GLUCOSIDES, "sodium-cocoyl-isethionate": 4.0})
    told = " ".join(steps[place(steps, "sodium-cocoyl-isethionate")].do)
    assert "Melt it into Cocamidopropyl Betaine of the next step, alone" in told
    apart = steps[place(steps, "decyl-glucoside")]
    assert set(apart.materials) == {"decyl-glucoside", "coco-glucoside"}
    assert "bring them to pH 6 to 7" in apart.do[0]
    assert place(steps, "cocamidopropyl-betaine") < place(steps, "decyl-glucoside") < acid(steps)


def test_without_a_mild_surfactant_it_is_melted_once_the_alkaline_ones_are_neutral() -> None:
    steps = steps_of({"decyl-glucoside": 12.0, "sodium-cocoamphoacetate": 10.0, "sodium-cocoyl-isethionate": 4.0})
    told = " ".join(steps[place(steps, "sodium-cocoyl-isethionate")].do)
    assert "once that is at pH 6 to 7" in told


def test_an_alkaline_chelator_does_not_meet_a_polymer_in_plain_water() -> None:
    doses = {
        "guar-hydroxypropyltrimonium-chloride": 0.3,
        "tetrasodium-glutamate-diacetate": 0.2,
        "cocamidopropyl-betaine": 20.0,
    }
    steps = steps_of(doses)
    assert place(steps, "guar-hydroxypropyltrimonium-chloride") < place(steps, "tetrasodium-glutamate-diacetate")


def test_perfume_is_not_mixed_neat_with_an_alkaline_solubiliser() -> None:
    steps = steps_of({"sodium-laureth-sulfate-2eo-28": 30.0, "caprylyl-capryl-glucoside": 2.0, "parfum": 0.3})
    step = steps[place(steps, "parfum")]
    assert "caprylyl-capryl-glucoside" in step.materials
    assert step.do[0].startswith("First bring Caprylyl/Capryl Glucoside to pH 6 to 7")


def test_water_is_kept_back_for_dry_preservative_salts() -> None:
    steps = steps_of({"sodium-laureth-sulfate-2eo-28": 30.0, "sodium-benzoate": 0.5, "potassium-sorbate": 0.3})
    keep = "Keep back of the water 5 times the weight of Sodium Benzoate and Potassium Sorbate, to dissolve it in."
    assert keep in steps[place(steps, "aqua")].do
    salts = steps[place(steps, "sodium-benzoate")]
    assert "in the water that was kept back for it, without any acid" in salts.do[0]
    dry = steps_of({"sodium-laureth-sulfate-2eo-28": 94.0, "sodium-benzoate": 1.0})
    assert not any("Keep back" in line for step in dry for line in step.do)


def test_a_dry_blend_is_told_that_the_steps_are_those_of_a_liquid() -> None:
    doses = {"sodium-coco-sulfate": 40.0, "sodium-cocoyl-isethionate": 30.0, "sodium-citrate": 20.0}
    steps = steps_of(doses)
    assert steps[0].do[0].startswith("This is a dry blend")
    told = " ".join(steps[place(steps, "sodium-cocoyl-isethionate")].do)
    assert "Melt it into Sodium Coco-Sulfate of this step. There is no co-surfactant" in told
    assert "next step" not in told
    liquid = steps_of({"sodium-coco-sulfate": 10.0})
    assert not any("dry blend" in line for step in liquid for line in step.do)


def test_acid_that_a_step_uses_early_is_cautioned_there() -> None:
    """Citric acid neutralises the glucosides apart, steps before the pH is set."""
    doses = {**GLUCOSIDES, "sodium-cocoyl-isethionate": 5.0}
    sheet = weigh_sheet(batch_of(doses), library(), [library().by_id[CITRIC]])
    told = [(s.title, c.materials) for s in sheet.steps for c in s.cautions if c.text == library().cautions["acid"]]
    assert told == [("Alkaline surfactants, brought to pH 6 to 7 first", ("Citric Acid",))]


def test_where_no_order_suits_that_is_said_with_the_mend() -> None:
    """Ammonium gives ammonia off in alkali; soap is no soap below pH 9: they cannot share one bottle."""
    steps = steps_of({"potassium-cocoate": 20.0, "ammonium-lauryl-sulfate": 20.0}, target=9.5)
    told = [line for step in steps for line in step.do if "no order of these materials avoids it" in line]
    assert any("Ammonium Lauryl Sulfate stands pH 4.5 to 8" in line for line in told)
    assert all("to pH 6 to 7 first, or exchange one" in line for line in told)


def test_without_acid_nothing_waits_for_it() -> None:
    steps = steps_of({**GLUCOSIDES, "panthenol-75": 0.5}, target=None)
    assert any("Panthenol" in line and "no order" in line for step in steps for line in step.do)


def order(doses: dict[str, float]) -> Order:
    known = library().by_id
    by_phase: dict[str, list[str]] = {}
    for name in doses:
        by_phase.setdefault(known[name].phase, []).append(name)
    return order_of(by_phase, {n: known[n] for n in doses}, doses, acid=True)


def test_the_ph_of_each_step_is_that_of_what_is_in_by_then() -> None:
    found = order({"aqua": 70.0, "sodium-laureth-sulfate-2eo-28": 20.0, "decyl-glucoside": 10.0})
    anionic, mixed = found.ph["anionic"], found.ph["cosurfactant"]
    assert anionic.typical <= 8.5  # as the sheet of the sulfate prints it, not the alkali of an unbuffered solution
    assert 10.5 < mixed.typical <= 12.5
    assert list(found.ph) == [key for key in BEFORE if key in found.ph]


def test_every_material_stands_its_own_supplied_ph() -> None:
    asked = [m for m in library().materials if m.ph_supplied is not None]
    assert len(asked) > 70
    for material in asked:
        low, high = stands(material)
        assert low <= material.ph_supplied[0], material.id  # type: ignore[index]
        assert material.ph_supplied[1] <= high, material.id  # type: ignore[index]
        if material.ph_stable is not None:
            assert low <= material.ph_stable[0], material.id
            assert material.ph_stable[1] <= high, material.id


def test_a_material_outside_its_own_window_is_doubted() -> None:
    material = library().by_id["panthenol-75"].model_copy(update={"ph_making": (4.0, 7.0)})
    assert any("ph_making" in doubt for doubt in doubts(material))
    assert not any("ph_making" in d for m in library().materials for d in doubts(m))


@pytest.mark.thorough
def test_every_shipped_brief_has_an_order_that_hurts_nothing() -> None:
    for path in sorted(shipped("scenarios").glob("*.toml")):
        if path.stem in ("common", "impossible-wash"):
            continue
        brief = load_brief(path)
        formula = solve(brief, weighable=True).weighable
        assert formula is not None
        steps = steps_of({k: v for k, v in formula.doses.items() if k != "aqua"})
        assert not any("no order of these materials" in line for step in steps for line in step.do), path.stem


def test_the_sheet_prints_the_estimate_and_the_json_holds_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run("batch", "hand-wash", "--size", "1kg", "--out", "batch.toml").code == 0
    steps = json.loads(run("weigh", "batch.toml", "--json").out)["steps"]
    assert all(s["ph_estimate"]["low"] <= s["ph_estimate"]["high"] for s in steps if s["ph_estimate"])
    assert sum(s["ph_estimate"] is not None for s in steps) >= 3
    assert "pH by estimate: about" in run("weigh", "batch.toml").out
