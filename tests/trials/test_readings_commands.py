"""Commands that read trials, on the shipped demo: endings, JSON, pages and paper, options that do not fit."""

import math
import re
from pathlib import Path

import pytest

from optimizer.answers.trials_fit import readings_in
from optimizer.files import shipped
from optimizer.immutable import replace
from optimizer.rules.dose import Dose
from optimizer.rules.fitted import MeasuredRule
from optimizer.solve.best import solve
from optimizer.studies.leeway import leeway

DEMO = str(shipped("scenarios") / "trials" / "gentle-wash.toml")
FORMULA = """material,percent
aqua,76.2
cocamidopropyl-betaine,8.6
coco-glucoside,5.2
glycerin,2
peg-7-glyceryl-cocoate,0.5
phenoxyethanol-ethylhexylglycerin,0.9
sodium-cocoyl-isethionate,2.5
tetrasodium-glutamate-diacetate,0.1
"""
"""Made up: beyond the demo's beakers, with more isethionate."""


def test_fit_tells_what_predicts_and_writes_page_and_paper(run, tmp_path):
    told = run("trials", "fit", DEMO, "--json").json
    by_name = {m["what"]: m for m in told["measures"]}
    assert by_name["viscosity"]["predicts"]
    assert by_name["viscosity"]["error_told"] < by_name["viscosity"]["error_of_mean_told"]
    assert not by_name["clarity"]["predicts"]
    assert by_name["separated"]["brier"] < by_name["separated"]["brier_of_guessing"]
    page, paper = tmp_path / "fit.html", tmp_path / "fit.pdf"
    assert run("trials", "fit", DEMO, "--html", str(page), "--pdf", str(paper)).code == 0
    text = page.read_text(encoding="utf-8")
    for title in ("Effects with their bands", "Predicted against measured", "seen from two factors"):
        assert title in text
    assert paper.stat().st_size > 5000


def test_rate_tells_a_formula_and_refuses_one_outside(run, tmp_path):
    told = run("trials", "rate", "gentle-wash", "--from", DEMO, "--json").json
    viscosity = next(e for e in told["expected"] if e["what"] == "viscosity")
    assert viscosity["reading_low"] < viscosity["low"] < viscosity["expected"] < viscosity["high"]
    assert viscosity["low"] <= viscosity["at_least"] < viscosity["expected"]
    (tmp_path / "f.csv").write_text(FORMULA, encoding="utf-8")
    beyond = run("trials", "rate", "gentle-wash", "--from", DEMO, "--formula", str(tmp_path / "f.csv"))
    assert beyond.code == 4
    assert "viscosity: it lies beyond the trials" in beyond.out


def test_blend_and_check_go_by_the_readings(run, tmp_path):
    told = run("blend", "gentle-wash", "--readings", DEMO, "--want", "viscosity=500:", "--json")
    assert told.code == 0
    rules = {r["id"]: r for r in told.json["rules"]}
    assert rules["viscosity"]["kind"] == "measured"
    assert rules["viscosity"]["value"] >= 500 * (1 - 1e-6)
    assert rules["viscosity"]["reading"] == "viscosity at least 500 mPas, 90 % sure (measured here, 12 trials)"
    assert rules["within-trials"]["violation"] == 0
    (tmp_path / "f.csv").write_text(FORMULA, encoding="utf-8")
    asked = ("check", str(tmp_path / "f.csv"), "gentle-wash", "--readings", DEMO, "--want", "viscosity=500:")
    checked = run(*asked, "--markdown")
    assert checked.code == 4
    assert "within what was tried (gentle-wash-1)" in checked.out


@pytest.mark.thorough
def test_an_objective_may_be_a_reading(run):
    most = run("blend", "gentle-wash", "--readings", DEMO, "--objective", "maximise viscosity", "--json").json
    least = run("blend", "gentle-wash", "--readings", DEMO, "--objective", "minimise viscosity", "--json").json
    assert most["objective_value"] > least["objective_value"]
    assert any("natural logarithm" in note for note in most["assumptions"])
    assert most["objective_is"].startswith("natural logarithm of viscosity (measured here")
    shown = next(r for r in most["rules"] if r["kind"] == "measured-line")
    assert shown["unit"] == "mPas"
    assert shown["value"] == pytest.approx(math.exp(most["objective_value"]), rel=1e-6)
    traded = run("frontier", "gentle-wash", "--readings", DEMO, "--against", "maximise viscosity", "--json").json
    assert len(traded["curves"][0]["breaks"]) > 2
    assert traded["curves"][0]["x"].startswith("natural logarithm of viscosity (measured here")


@pytest.mark.thorough
def test_a_viscosity_that_is_sought_is_told_in_its_unit_and_never_as_a_logarithm(run):
    """The formula's own figure of 'trials rate', fitted alike: the objective's value is that mean."""
    asked = ("--readings", DEMO, "--objective", "maximise viscosity")
    value = math.exp(run("blend", "gentle-wash", *asked, "--json").json["objective_value"])
    told = " ".join(run("blend", "gentle-wash", *asked).out.split())
    assert f"viscosity about {value:.0f} mPa·s, expected by the trials" in told
    assert "ln mPa" not in told
    assert re.search(r"lower x \d\.\d+ viscosity", told), "the price of a limit: what it multiplies viscosity by"
    traded = " ".join(run("frontier", "gentle-wash", "--readings", DEMO, "--against", "maximise viscosity").out.split())
    assert "ln mPa" not in traded
    assert f"{value:.1f}" in traded


@pytest.fixture
def half_read(tmp_path):
    """The demo's series with the readings of five beakers alone: what lies beyond them was never read."""
    text = Path(DEMO).read_text("utf-8")
    head, *readings = text.split("[[reading]]")
    kept = [r for r in readings if int(re.search(r"beaker = (\d+)", r)[1]) in READ and 'what = "viscosity"' in r]
    path = tmp_path / "half.toml"
    path.write_text(head + "".join(f"[[reading]]{r}" for r in kept), "utf-8")
    return path


READ = (1, 2, 3, 4, 5, 6)


def test_a_beaker_that_may_be_best_is_told_in_its_unit_and_beyond_what_was_read_as_an_extrapolation(run, half_read):
    found = run("trials", "next", half_read, "--goal", "maximise viscosity", "--count", "3", "--json")
    assert found.code == 0, found.err
    hoped = found.json["hoped"]
    assert len(hoped) == 3
    assert all(h["unit"] == "mPas" and h["low"] < h["expected"] < h["high"] and h["expected"] > 20 for h in hoped)
    assert any(h["beyond"] for h in hoped)


def test_next_tells_extrapolations_in_words(run, half_read):
    told = " ".join(run("trials", "next", half_read, "--goal", "maximise viscosity", "--count", "3").out.split())
    assert "What they may read" in told
    assert "viscosity, mPa·s" in told
    assert "beyond all beakers that were read: an extrapolation, no result" in told
    assert "A beaker is a question: only its reading answers." in told


@pytest.mark.thorough
@pytest.mark.parametrize("dose", ["cocamidopropyl-betaine", "coco-glucoside", "sodium-cocoyl-isethionate"])
def test_leeway_holds_the_bound_at_the_ends_of_each_dose(dose):
    """Held against single blends: with a dose at its end the cost is still within the loss, a little further not."""
    brief = readings_in("gentle-wash", Path(DEMO), want={"viscosity": (500.0, None)})
    found = leeway(brief, 0.02, alternatives=1)
    room = next(r for r in found.rooms if r.id == dose)
    limit = next(r for r in brief.modelled if isinstance(r, MeasuredRule) and r.at_least)
    for other in found.alternatives:
        assert limit.judged(other.formula, found.result.setting)[1] <= limit.slack(other.formula)
        assert other.objective <= found.best + 0.02 + 1e-6

    def cost(end, at):
        rule = Dose.model_validate({"id": "held", "of": {"materials": (dose,)}, "source": "made up", end: at})
        return solve(replace(brief, modelled=(*brief.modelled, rule))).objective

    for end, at, step in (("at_most", room.least, -0.02), ("at_least", room.most, 0.02)):
        if abs(at - room.dose) > 0.01:
            assert cost(end, at) <= found.best + 0.02 + 1e-4
            assert not cost(end, at + step) <= found.best + 0.02


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("blend", "gentle-wash", "--want", "viscosity=500:"), "--want and --at-ph go with --readings"),
        (("blend", "gentle-wash", "--readings", DEMO, "--want", "viscosity"), "write READING=LOW:HIGH"),
        (("blend", "gentle-wash", "--readings", DEMO, "--want", "viscosity=5:", "--sure", "100"), "--sure 100"),
        (("blend", "gentle-wash", "--readings", DEMO, "--want", "clarity=4:"), "do not predict clarity"),
        (("blend", "gentle-wash", "--readings", DEMO, "--objective", "maximise clarity"), "do not predict clarity"),
        (("trials", "fit", DEMO, "--only", "foam"), "the series measures no foam"),
        (("trials", "salt", "hand-wash", "0.2"), "write DOSE=VISCOSITY"),
    ],
)
def test_what_does_not_fit_is_refused(run, words, said):
    answer = run(*words)
    assert answer.code in (2, 3)
    assert said in answer.err.replace("\n", " ")
