"""Variants of a locked base. The 90/10 rule is common practice, no source; figures of the cases are invented."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from optimizer.answers.answer import Answer
from optimizer.answers.subject import subject_of
from optimizer.bench.batch import read_batch
from optimizer.cli.every import app
from optimizer.errors import DataError, UsageError
from optimizer.files import shipped
from optimizer.report.document import Table
from optimizer.report.variants import variants_document
from optimizer.studies.variants import Variant, VariantFile, Variants, _doses, read_variants, varied
from tests.support.benches import library
from tests.support.hostile import ask

RUN = CliRunner()
BASE = subject_of("hand-wash")


PRICED = {item.id for item in BASE.brief.pool.items} | set(BASE.brief.left_out)


def summary(found: Variants) -> Table:
    """Return the table of all variants."""
    return next(s for s in variants_document(found).sections if isinstance(s, Table) and s.title == "Variants")


def hold(*variants: Variant, **limits: object) -> Variants:
    wanted = VariantFile.model_validate({"variant": variants, **limits})
    return varied(BASE.name, BASE.formula, BASE.scenario, wanted)


def test_a_swap_keeps_the_dose_and_tells_what_the_label_gains() -> None:
    swap = Variant(name="oil", swap={"parfum": "essential-oil-lavender"}, without_rules=("perfume",))
    outcome = hold(swap).outcomes[0]
    before, after = BASE.formula.doses, outcome.checked.formula.doses
    assert after["essential-oil-lavender"] == before["parfum"]
    assert "parfum" not in after
    assert outcome.changed == pytest.approx(before["parfum"])
    assert outcome.new_materials == ("essential-oil-lavender",)
    assert "perfume" in outcome.checked.broken
    assert outcome.newly_broken == ()
    assert "Linalyl Acetate" in {a.name for a in outcome.label.named}
    assert "Parfum" not in outcome.label.line


def test_water_takes_up_the_difference_and_the_rest_is_locked() -> None:
    outcome = hold(Variant(name="aloe", dose={"aloe-vera-juice": 2.0})).outcomes[0]
    before, after = BASE.formula.doses, outcome.checked.formula.doses
    assert after["aqua"] == pytest.approx(before["aqua"] - 2.0)
    assert {k: v for k, v in after.items() if k not in ("aqua", "aloe-vera-juice")} == pytest.approx(
        {k: v for k, v in before.items() if k != "aqua"}
    )
    assert {d.id for d in outcome.differences} == {"aqua", "aloe-vera-juice"}


def test_what_has_no_price_is_no_saving() -> None:
    """A chelator that the shipped shelf does not price, and glycerin, which it does."""
    unpriced = next(m.id for m in library().materials if m.id not in PRICED and m.function == "chelator")
    found = hold(Variant(name="free", dose={unpriced: 0.1}), Variant(name="paid", dose={"glycerin": 3.0}))
    told = {row[0]: row[2] for row in summary(found).rows}
    assert told["free"] == "no price"
    assert isinstance(told["paid"], float)
    record = json.loads(Answer("variants", found).to_json())
    assert {o["name"]: o["cost_change"] is None for o in record["variants"]} == {"free": True, "paid": False}


def test_more_than_a_variant_is_told_and_so_is_a_broken_rule() -> None:
    found = hold(
        Variant(name="much", dose={"aloe-vera-juice": 12.0}),
        Variant(name="strong", dose={"parfum": 0.6}),
        changed_at_most=10,
        new_materials_at_most=0,
    )
    much, strong = found.outcomes
    assert much.too_much == (
        "12 % of it differs from the base, more than 10 %",
        "1 material is new, more than 0",
    )
    assert strong.too_much == ()
    assert "perfume" in strong.newly_broken


@pytest.mark.thorough
@settings(max_examples=20, deadline=None)
@given(aloe=st.floats(0.01, 9), glycerin=st.floats(0, 9))
def test_every_variant_sums_to_100_and_its_share_is_half_of_all_that_moved(aloe: float, glycerin: float) -> None:
    found = hold(Variant(name="v", dose={"aloe-vera-juice": aloe, "glycerin": glycerin}))
    outcome = found.outcomes[0]
    formula = outcome.checked.formula
    assert sum(line.percent for line in formula.lines) + formula.held_back == pytest.approx(100)
    # What is more equals what is less, because both sum to 100.
    assert outcome.changed == pytest.approx(sum(abs(d.after - d.before) for d in outcome.differences) / 2)


def test_all_problems_of_a_file_are_told_at_once() -> None:
    with pytest.raises(DataError) as error:
        hold(
            Variant(name="a", swap={"perfum": "parfum"}),
            Variant(name="a", dose={"aqua": 3}),
            Variant(name="c", dose={"glycerine": 3}),
            Variant(name="d", dose={"glycerin": 95}, without_rules=("perfumes",)),
        )
    said = "\n".join(map(str, error.value.problems))
    for part in (
        "the base holds no 'perfum'. Did you mean 'parfum'?",
        "another variant has this name",
        "aqua takes up the difference",
        "'glycerine' is not in the library. Did you mean 'glycerin'?",
        "the brief has no rule 'perfumes'. Did you mean 'perfume'?",
    ):
        assert part in said
    with pytest.raises(DataError, match="more aqua than the base holds"):
        hold(Variant(name="d", dose={"glycerin": 95}))


def test_a_file_with_unknown_keys_or_no_change_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "v.toml"
    path.write_text('[[variant]]\nname = "x"\nswop = { a = "b" }\n[[variant]]\nname = "y"\n', encoding="utf-8")
    with pytest.raises(DataError) as error:
        read_variants(path)
    said = "\n".join(map(str, error.value.problems))
    assert "Did you mean 'swap'?" in said
    assert "changes nothing" in said


def test_a_warning_names_the_variant_that_it_is_about(tmp_path: Path) -> None:
    # The base is preserved, the variant without its two preservatives is not.
    file = tmp_path / "v.toml"
    dose = "{ sodium-benzoate = 0, potassium-sorbate = 0 }"
    file.write_text(f'base = "hand-wash"\n[[variant]]\nname = "Bare"\ndose = {dose}\n', encoding="utf-8")
    cautions = json.loads(RUN.invoke(app, ["variants", str(file), "--json"]).stdout)["cautions"]
    assert cautions[0].startswith("Bare: NOT PRESERVED")
    assert sum("from memory" in c for c in cautions) == 1
    assert len(set(cautions)) == len(cautions)


@pytest.mark.thorough
def test_the_command_shows_the_shipped_variants_and_keeps_to_the_file(tmp_path: Path) -> None:
    file = str(shipped("scenarios") / "variants" / "hand-wash.toml")
    done = RUN.invoke(app, ["variants", file, "--json"])
    assert done.exit_code == 4  # one of them breaks a rule, by intention
    record = json.loads(done.stdout)
    assert [v["name"] for v in record["variants"] if v["newly_broken"]] == ["Scent of the sea"]
    assert any("dust" in c for c in record["cautions"])
    assert any("Fragrance" in c or "fragrance" in c for c in record["cautions"])
    text = RUN.invoke(app, ["variants", file])
    assert "3 of 4 variants keep the base's rules and size." in text.stdout
    assert "breaks perfume and solubiliser per perfume or essential oil" in " ".join(text.stdout.split())
    strict = RUN.invoke(app, ["variants", file, "--changed", "1", "--json"])
    assert sum(bool(v["too_much"]) for v in json.loads(strict.stdout)["variants"]) == 2
    lone = tmp_path / "lone.toml"
    lone.write_text('[[variant]]\nname = "x"\ndose = { glycerin = 3 }\n', encoding="utf-8")
    assert isinstance(RUN.invoke(app, ["variants", str(lone)]).exception, UsageError)
    away = tmp_path / "away.toml"
    away.write_text('base = "../x.toml"\n[[variant]]\nname = "x"\ndose = { glycerin = 3 }\n', encoding="utf-8")
    assert "leaves the folder" in str(RUN.invoke(app, ["variants", str(away)]).exception)


def swapped(**swap: str) -> dict[str, float]:
    """Return the doses of a base of 3 a, 2 b, 1 c and water after swaps; made-up figures."""
    return _doses(Variant(name="v", swap=swap), {"a": 3.0, "b": 2.0, "c": 1.0, "aqua": 94.0}, "aqua")


def test_swaps_are_read_from_the_old_doses_all_at_once() -> None:
    assert swapped(a="b", b="a") == {"b": 3.0, "a": 2.0, "c": 1.0, "aqua": 94.0}
    assert swapped(b="a", a="b") == {"b": 3.0, "a": 2.0, "c": 1.0, "aqua": 94.0}
    assert swapped(a="b", b="c", c="a") == {"b": 3.0, "c": 2.0, "a": 1.0, "aqua": 94.0}


def test_a_material_swapped_for_itself_keeps_its_dose() -> None:
    assert swapped(a="a") == {"a": 3.0, "b": 2.0, "c": 1.0, "aqua": 94.0}


def test_a_swap_for_what_the_base_holds_adds_to_it() -> None:
    assert swapped(a="b") == {"b": 5.0, "c": 1.0, "aqua": 94.0}
    assert swapped(a="d", b="d") == {"d": 5.0, "c": 1.0, "aqua": 94.0}


def test_a_variant_at_its_limits_is_no_more_than_a_variant() -> None:
    aloe = Variant(name="aloe", dose={"aloe-vera-juice": 8.0})
    (outcome,) = hold(aloe, changed_at_most=8, new_materials_at_most=1).outcomes
    assert outcome.too_much == ()
    (past,) = hold(aloe, changed_at_most=7.99, new_materials_at_most=1).outcomes
    assert len(past.too_much) == 1


def test_a_variant_tells_what_it_costs_more_and_keeps_what_is_held_back() -> None:
    # The shelf of the demo: aloe vera juice 24.00 for 5 kg, water 25.00 for 1000 kg.
    (outcome,) = hold(Variant(name="aloe", dose={"aloe-vera-juice": 2.0})).outcomes
    assert outcome.cost_change == pytest.approx(0.02 * (24 / 5 - 25 / 1000))
    assert BASE.formula.held_back > 0
    assert outcome.checked.formula.held_back == BASE.formula.held_back
    assert {o.id: o.value for o in outcome.checked.rules}["total"] == pytest.approx(100)


def test_what_the_base_breaks_already_is_not_newly_broken() -> None:
    (strong,) = hold(Variant(name="strong", dose={"parfum": 0.6})).outcomes
    wanted = VariantFile(variant=(Variant(name="aloe", dose={"aloe-vera-juice": 1.0}),))
    found = varied("strong", strong.checked.formula, BASE.scenario, wanted)
    assert "perfume" in found.base.broken
    assert found.outcomes[0].checked.broken == found.base.broken
    assert found.outcomes[0].newly_broken == ()


def test_the_filler_is_not_swapped_away() -> None:
    with pytest.raises(DataError, match="aqua takes up the difference"):
        hold(Variant(name="dry", swap={"aqua": "aloe-vera-juice"}))


def test_a_dose_of_a_fixed_material_needs_no_further_key(tmp_path: Path) -> None:
    for file in shipped("scenarios").glob("*.*"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    brief = tmp_path / "hand-wash.toml"
    text = brief.read_text(encoding="utf-8")
    brief.write_text(text + "\n[fixed]\naloe-vera-juice = 1.0\n", encoding="utf-8")
    subject = subject_of(str(brief))
    wanted = VariantFile.model_validate({"variant": [{"name": "more", "dose": {"aloe-vera-juice": 1.5}}]})
    outcome = varied(subject.name, subject.formula, subject.scenario, wanted).outcomes[0]
    assert "fixed-aloe-vera-juice" in outcome.checked.broken
    assert outcome.newly_broken == ()


def test_by_how_much_a_rule_is_broken_is_told(tmp_path: Path) -> None:
    outcome = hold(Variant(name="strong", dose={"parfum": 0.6})).outcomes[0]
    assert "perfume" in outcome.newly_broken
    rule = next(o for o in outcome.checked.rules if o.id == "perfume")
    assert outcome.off_by["perfume"] == rule.violation > 0
    (said,) = outcome.readings(("perfume",))
    assert said == f"{rule.reading}, here 0.6, off by 0.1"


@pytest.mark.thorough
def test_make_this_one_as_a_formula_and_as_a_batch(tmp_path: Path) -> None:
    shown = shipped("scenarios") / "variants" / "hand-wash.toml"
    formula, batch = tmp_path / "aloe.csv", tmp_path / "aloe.toml"
    base = ("variants", str(shown), "--base", "hand-wash")
    assert "wrote" in ask(*base, "--make", "aloe", "--out", str(formula)).err
    assert "aloe-vera-juice,2" in formula.read_text(encoding="utf-8")
    checked = json.loads(ask("check", str(formula), "hand-wash", "--json").out)
    assert not [r["id"] for r in checked["rules"] if r.get("broken")]
    ask(*base, "--make", "Aloe", "--out", str(batch), "--size", "2kg")
    laid = read_batch(batch)
    assert (laid.product, laid.size_g, laid.brief, laid.doses["aloe-vera-juice"]) == ("Aloe", 2000, "hand-wash", 2.0)
    assert "would be lost" in ask(*base, "--make", "Aloe", "--out", str(batch), "--size", "2kg").err
    assert "Did you mean 'Aloe'" in ask(*base, "--make", "Alo", "--out", str(tmp_path / "x.csv")).err
    assert "give both" in ask(*base, "--make", "Aloe").err
    assert "with --size a batch file" in ask(*base, "--make", "Aloe", "--out", str(tmp_path / "x.toml")).err
