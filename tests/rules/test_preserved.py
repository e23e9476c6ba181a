"""A wash without preservative: said first of everything, and never made worse by what the tool changes itself.

Doses and prices are made up; low uses are those of the shipped library, whose source stands there.
"""

from __future__ import annotations

import json
from math import inf, isnan
from pathlib import Path
from typing import Any

import pytest

from optimizer.assessment.alarms import alarms_of, cautions_at
from optimizer.brief.brief import Brief, make_brief, protecting, widened
from optimizer.brief.scenario import scenario_from
from optimizer.data.library import read_library
from optimizer.data.shelf import Shelf, ShelfLine
from optimizer.files import shipped
from optimizer.rules import Preserved
from optimizer.rules.row import Setting
from optimizer.solve.best import solve
from optimizer.solve.existing import best_setting, formula_at
from optimizer.studies.check import check
from optimizer.studies.restandardise import BatchAsked, restandardise
from optimizer.studies.substitute import stand_ins, substitute
from optimizer.studies.variants import Variant, VariantFile, varied
from optimizer.units import KEPT
from tests.support.command import Run
from tests.support.solved import SHIPPED, solved

RULE = Preserved(id="preserved", source="default")
AT_5 = Setting(5.0, 4.8, 5.2)
LIBRARY = read_library([shipped("library")])
BASE = {"sodium-laureth-sulfate-2eo-28": 30.0, "cocamidopropyl-betaine": 10.0}
PRICES = {
    "aqua": 0.0, "sodium-laureth-sulfate-2eo-28": 1.6, "cocamidopropyl-betaine": 2.7, "sodium-benzoate": 6.0,
    "potassium-sorbate": 9.8, "phenoxyethanol-ethylhexylglycerin": 17.5, "essential-oil-lavender": 98.0,
    "glycerin": 2.3, "polysorbate-20": 6.3,
}  # fmt: skip


def brief_of(*rules: dict[str, Any], **more: Any) -> Brief:
    """Return a brief with a few rules of the shipped library's materials."""
    table = {"name": "wash", "ph": {"low": 4.8, "high": 7.0}, "rule": list(rules), **more}
    lines = tuple(
        ShelfLine.model_validate({"row": n, "material": k, "price_per_kg": p})
        for n, (k, p) in enumerate(PRICES.items())
    )
    return make_brief(scenario_from(table, "made up"), LIBRARY, Shelf(where="shelf", lines=lines))


def doses_of(**preservatives: float) -> dict[str, float]:
    """Return a wash of the base with doses of further materials, water taking up the rest."""
    doses = {**BASE, **{k.replace("_", "-"): p for k, p in preservatives.items()}}
    return {**doses, "aqua": 100 - sum(doses.values())}


def told(brief: Brief, doses: dict[str, float], setting: Setting = AT_5) -> str:
    return " ".join(c.text for c in alarms_of(brief, formula_at(brief.pool, doses), setting))


@pytest.mark.parametrize(
    ("doses", "setting", "value"),
    [
        ({}, AT_5, 0.0),
        ({"sodium_benzoate": 0.3}, AT_5, 1.0),  # its low use
        ({"sodium_benzoate": 0.15, "potassium_sorbate": 0.1}, AT_5, 1.0),  # half a low use of each
        ({"sodium_benzoate": 0.5}, Setting(5.2, 5.0, 5.4), 0.0),  # acts up to pH 5.2
        ({"sodium_benzoate": 0.5, "potassium_sorbate": 0.3}, Setting(5.2, 5.0, 5.4), 1.5),  # the sorbate up to 5.8
        ({"phenoxyethanol_ethylhexylglycerin": 0.9}, Setting(6.5, 6.3, 6.7), 1.8),
        ({"ethylhexylglycerin": 1.0}, AT_5, 0.0),  # a booster is no preservative
        ({}, Setting(2.5, 2.3, 2.7), inf),
        ({}, Setting(10.5, 10.3, 10.7), inf),
        ({"sodium_benzoate": 0.3}, Setting(), 1.0),  # without a pH no window can be asked
    ],
)
def test_low_uses_of_what_acts_are_added_up(doses: dict[str, float], setting: Setting, value: float) -> None:
    brief = widened(brief_of(), [*doses_of(**doses)])
    found = RULE.value(formula_at(brief.pool, doses_of(**doses)), setting)
    assert isnan(found) if value == inf else found == pytest.approx(value)


def test_so_little_water_needs_no_preservative() -> None:
    brief = widened(brief_of(), ["sodium-cocoyl-isethionate", "glycerin"])
    bar = {"sodium-cocoyl-isethionate": 60.0, "glycerin": 32.0, "aqua": 8.0}
    assert isnan(RULE.value(formula_at(brief.pool, bar), AT_5))
    assert told(brief, bar) == ""
    wetter = {**bar, "glycerin": 25.0, "aqua": 15.0}
    assert "NOT PRESERVED" in told(brief, wetter)
    # What is changed in it must stay as dry.
    guard = next(r for r in protecting(brief, formula_at(brief.pool, bar), AT_5).modelled if isinstance(r, Preserved))
    assert [(row.high, row.doses[brief.pool.index["aqua"]]) for row in guard.rows(brief.pool, AT_5)] == [(10.0, 1.0)]


def test_the_rule_guards_its_row_as_far_as_a_formula_keeps_it() -> None:
    brief = brief_of()
    for dose, level in ((0.0, 0.0), (0.1, 1 / 3), (0.3, 1.0), (0.6, 1.0)):
        guard = RULE.no_worse(formula_at(brief.pool, doses_of(sodium_benzoate=dose)), AT_5)
        assert guard.at_least == pytest.approx(level, rel=2 * KEPT)
        assert len(guard.rows(brief.pool, AT_5)) == (level > 0)
    alkaline = Setting(10.5, 10.3, 10.7)
    guard = RULE.no_worse(formula_at(brief.pool, doses_of()), alkaline)
    assert guard.rows(brief.pool, alkaline) == ()
    assert len(guard.rows(brief.pool, AT_5)) == 1  # it must not be moved to where something grows


@pytest.mark.parametrize(
    ("doses", "reason"),
    [
        ({}, "and no preservative"),
        ({"sodium_benzoate": 0.1}, "Sodium Benzoate stands at 0.1 %, its low use is 0.3 %"),
    ],
)
def test_why_is_said_with_its_figures(doses: dict[str, float], reason: str) -> None:
    assert reason in told(brief_of(), doses_of(**doses))


def test_an_acid_above_its_window_does_not_count() -> None:
    words = told(brief_of(), doses_of(sodium_benzoate=0.5), Setting(6.5, 6.3, 6.7))
    assert "Sodium Benzoate acts at pH 3 to 5.2 only" in words


def test_a_preserved_wash_is_left_alone() -> None:
    assert told(brief_of(), doses_of(phenoxyethanol_ethylhexylglycerin=0.9)) == ""


def test_a_brief_may_switch_it_off_with_a_reason_that_is_printed() -> None:
    brief = brief_of(unpreserved="Sealed single doses, made up for this test.")
    assert not any(isinstance(r, Preserved) for r in brief.rules)
    words = told(brief, doses_of())
    assert "NOT PRESERVED" not in words
    assert "Sealed single doses, made up for this test." in words


def test_the_mend_of_too_little_preservative_is_not_to_take_it_out() -> None:
    """Cheapest is to leave 0.1 % out, which the brief's own rule of 'if used' allows."""
    used = {"id": "dose", "kind": "if-used", "of": ["sodium-benzoate"], "at_least": 0.5}
    brief = brief_of(used, {"id": "one", "kind": "dose", "of": ["potassium-sorbate"], "at_most": 0})
    found = check(brief, doses_of(sodium_benzoate=0.1), 0.0)
    assert found.broken == ("dose",)
    assert [m.changed for m in found.mends] == [("sodium-benzoate",)]
    assert found.nearest is not None
    assert found.nearest.formula.dose("sodium-benzoate") == pytest.approx(0.5)


def test_the_mend_of_a_preservative_that_does_not_act_at_the_ph_is_not_to_take_it_out() -> None:
    """0.1 % benzoate alone cannot stand pH 5.5 to 6: left out, the brief is kept, and nothing protects."""
    brief = brief_of(ph={"low": 5.5, "high": 6.0})
    found = check(brief, doses_of(sodium_benzoate=0.1), 0.0)
    assert found.broken == ("ph",)
    assert found.nearest is not None
    setting = found.nearest.setting
    assert RULE.value(found.nearest.formula, setting) >= 1 - 2 * KEPT
    assert [m.changed for m in found.mends] != [("sodium-benzoate",)]


def test_what_mends_too_little_of_one_preservative_is_enough_of_another() -> None:
    """0.2 % sorbate, its low use, moves less than benzoate raised by 0.4 %."""
    brief = brief_of({"id": "dose", "kind": "if-used", "of": ["sodium-benzoate"], "at_least": 0.5})
    found = check(brief, doses_of(sodium_benzoate=0.1), 0.0)
    assert found.nearest is not None
    assert RULE.value(found.nearest.formula, AT_5) >= 1 - 2 * KEPT


def test_no_nearest_formula_is_offered_that_is_preserved_less() -> None:
    """The brief bars what preserves the formula and has nothing else that does."""
    brief = brief_of({"id": "none", "kind": "dose", "of": {"functions": ["preservative"]}, "at_most": 0})
    found = check(brief, doses_of(phenoxyethanol_ethylhexylglycerin=0.9), 0.0)
    assert found.broken == ("none",)
    assert (found.nearest, found.unprotected) == (None, True)


def test_a_missing_preservative_is_replaced_by_one_that_acts() -> None:
    brief = brief_of({"id": "act", "kind": "active", "at_least": 10})
    wide = widened(brief, [*brief.pool.ids, *stand_ins(brief, "phenoxyethanol-ethylhexylglycerin")])
    doses = doses_of(phenoxyethanol_ethylhexylglycerin=0.9)
    done = substitute(brief, wide, "phenoxyethanol-ethylhexylglycerin", doses=doses)
    assert done.answer is not None
    setting = done.answer.ph.setting if done.answer.ph else AT_5
    assert RULE.value(done.answer.formula, setting) >= 1 - 2 * KEPT


def test_a_variant_that_loses_its_preservative_breaks_a_rule() -> None:
    variant = Variant(name="bare", dose={"sodium-benzoate": 0.0, "potassium-sorbate": 0.0})
    scenario = shipped("scenarios") / "hand-wash.toml"
    best = solved("hand-wash").weighable
    assert best is not None
    found = varied("hand wash", best, scenario, VariantFile(variant=(variant,)))
    assert "preserved" in found.outcomes[0].newly_broken
    assert "NOT PRESERVED" in found.cautions[0]


def test_a_rounded_formula_is_preserved_as_far_as_the_optimum() -> None:
    """The optimum sits at a low use by a curious rule; rounding down would cost less and lose it."""
    rule = {"id": "some", "kind": "dose", "of": ["sodium-benzoate"], "at_least": 0.3}
    brief = brief_of({"id": "act", "kind": "active", "at_least": 10}, rule, scale_step=0.2)
    found = solve(brief, weighable=True)
    assert found.rounded is not None
    assert found.rounded.formula is not None
    assert RULE.value(found.rounded.formula, found.setting) >= 1 - 2 * KEPT


def test_rounding_looks_anew_where_the_first_grid_formula_is_preserved_less() -> None:
    """Undissociated acid keeps benzoate in at 0.3 to 0.4 %, no rule of doses does; a grid of 0.25 % would take 0.25."""
    asked = {"id": "acid", "kind": "undissociated-acid", "at_least": 0.0226, "pka": "low"}
    brief = brief_of({"id": "act", "kind": "active", "at_least": 10}, asked, scale_step=0.25)
    found = solve(brief, weighable=True)
    assert found.formula is not None
    assert found.rounded is not None
    kept = RULE.value(found.formula, found.setting)
    if found.rounded.formula is not None:
        assert RULE.value(found.rounded.formula, found.setting) >= min(1.0, kept) - 2 * KEPT


def test_measured_lots_do_not_weigh_a_preservative_away() -> None:
    brief = brief_of()
    doses = doses_of(sodium_benzoate=0.3)
    done = restandardise(brief, doses, {"cocamidopropyl-betaine": 28.0}, BatchAsked(kg=1.0, step=0.1))
    assert done.weighed is not None
    assert RULE.value(done.weighed, done.setting) >= 1 - 1e-3  # 0.1 g of 1 kg is a thirtieth of the low use


@pytest.mark.parametrize(("dose", "warned"), [(0.9, False), (2.0, True)])
def test_two_percent_of_an_essential_oil_is_told(dose: float, warned: bool) -> None:
    brief = brief_of()
    formula = formula_at(brief.pool, doses_of(essential_oil_lavender=dose, phenoxyethanol_ethylhexylglycerin=0.9))
    words = [c.text for c in cautions_at(brief, formula, AT_5)]
    assert any("Much perfume or essential oil: 2 % where at most 1 % is usual" in w for w in words) is warned


def test_every_preservative_and_scent_of_the_library_has_its_usual_use_with_a_source() -> None:
    asked = [m for m in LIBRARY.materials if "preservative" in m.functions or m.lipid in ("perfume", "essential oil")]
    assert len(asked) >= 15
    for material in asked:
        assert material.use is not None, material.id
        assert "use" in material.backing, material.id
        assert material.use[0] > 0


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_brief_blends_a_preserved_wash(name: str) -> None:
    found = solved(name)
    assert found.weighable is not None
    assert alarms_of(found.brief, found.weighable, found.setting) == ()


PLAIN = """
name = "Plain wash"
shelf = "shelf.csv"
[ph]
low = 4.8
high = 6.8
[[rule]]
kind = "active"
at_least = 10
"""
BARE = "material,percent\naqua,75.8\nsodium-laureth-sulfate-2eo-28,20\ncocamidopropyl-betaine,4.2\n"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plain.toml").write_text(PLAIN, encoding="utf-8")
    (tmp_path / "bare.csv").write_text(BARE, encoding="utf-8")
    (tmp_path / "shelf.csv").write_text("material,price per kg\n" + "".join(f"{k},{p}\n" for k, p in PRICES.items()))
    return tmp_path


@pytest.mark.parametrize(
    "words",
    [
        ["blend", "plain.toml"],
        ["check", "bare.csv", "plain.toml"],
        ["card", "bare.csv", "--for", "plain.toml"],
        ["label", "bare.csv", "--for", "plain.toml"],
        ["advice", "bare.csv", "--for", "plain.toml"],
        ["weigh", "batch.toml"],
        ["made", "batch.toml"],
    ],
    ids=lambda words: words[0],
)
def test_every_answer_says_it_first(words: list[str], folder: Path, run: Run) -> None:
    laid = run("batch", "bare.csv", "--for", "plain.toml", "--size", "1kg", "--out", "batch.toml")
    assert laid.code == 0
    if words[0] == "made":
        run("weighed", "batch.toml", "aqua=758", "sodium-laureth-sulfate-2eo-28=200", "cocamidopropyl-betaine=42")
    first = json.loads(run(*words, "--json").out)["cautions"][0]
    assert "NOT PRESERVED" in (first if isinstance(first, str) else first["text"])
    text = run(*words).out
    assert text.index("NOT PRESERVED") < (text.index("A candidate for the bench"))


@pytest.mark.parametrize(
    ("words", "below"),
    [
        (["cost", "bare.csv", "--for", "plain.toml"], "What the batch costs"),
        (["thicken", "batch.toml"], "Next step"),
    ],
    ids=lambda words: words[0],
)
def test_costs_and_steps_say_it_first_too(words: list[str], below: str, folder: Path, run: Run) -> None:
    kept = "\n[held_back]\npercent = 3\nthickeners = ['sorbitan-sesquicaprylate']\n"
    (folder / "plain.toml").write_text(PLAIN + kept, encoding="utf-8")
    (folder / "bare.csv").write_text(BARE.replace("75.8", "72.8"), encoding="utf-8")
    laid = run("batch", "bare.csv", "--for", "plain.toml", "--size", "1kg", "--held", "3", "--out", "batch.toml")
    assert laid.code == 0, laid.err
    text = run(*words).out
    assert text.index("NOT PRESERVED") < text.index(below)
    told = json.loads(run(*words, "--json").out)
    assert "NOT PRESERVED" in [*told.get("alarms", []), *told.get("cautions", [])][0]["text"]


def test_a_page_says_it_above_the_formula(folder: Path, run: Run) -> None:
    assert run("page", "bare.csv", "--for", "plain.toml", "--out", "page.html").code == 4
    page = (folder / "page.html").read_text(encoding="utf-8")
    page = page[page.index("<main") :]
    assert page.index("NOT PRESERVED") < page.index("% w/w as supplied")


def test_a_setting_is_found_where_the_preservative_acts() -> None:
    brief = brief_of()
    formula = formula_at(brief.pool, doses_of(sodium_benzoate=0.5))
    assert told(brief, doses_of(sodium_benzoate=0.5), best_setting(brief, formula)) == ""
