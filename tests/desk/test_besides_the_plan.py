"""What goes into a batch besides its plan, step by step on the desk, and what waits for the pH.

The product is begun by answers, as everybody begins one; weights, readings and lots are made up. Its batch is 5204.1 g
(20 bottles of 250 ml at 1.02 g/ml, 2 % lost), of which 3 % are held back: 156.1 g.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from optimizer.answers.beginning import begin_as_typed
from optimizer.answers.bench import batch_subject, lay_batch, made_of, note_weights, sheet_of, stage_now
from optimizer.answers.starter import lay
from optimizer.answers.subject import subject_of
from optimizer.bench.batch import Batch, read_batch
from optimizer.bench.made import last_ph
from optimizer.bench.weighed import Weight
from tests.support.command import Run
from tests.support.desk import TODAY, Answer, Browser, desk_of

ANSWERS = {
    "name": "Harbour shampoo", "mildness": "very gentle", "acidity": "like skin", "free": ["sulfate", "ethoxylate"],
    "perfume": "parfum", "perfume_percent": "0.3",
}  # fmt: skip
GUM, OWN, HEAD = "xanthan-gum-clear", "my-betaine", "/batch/HS-1"
SIZE = 5204.1


@pytest.fixture(scope="module")
def laid(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("laid") / "shop"
    lay(folder)
    brief = begin_as_typed(folder, "shampoo", ANSWERS).path
    lay_batch(
        subject_of(str(brief)), folder / "HS-1.toml",
        bottles=20, bottle_ml=250, density=1.02, loss=2, scale=0.1, on=TODAY,
    )  # fmt: skip
    return folder


@pytest.fixture
def batch(laid: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(laid, tmp_path / "shop")) / "HS-1.toml"


@pytest.fixture
def desk(batch: Path) -> Browser:
    return desk_of(batch.parent)


def told(answer: Answer) -> Answer:
    assert answer.status == 200, answer.text
    return answer


def weigh(batch: Path, upto: int, first: int = 1) -> None:
    """Weigh lines exactly as the sheet shows them."""
    found = batch_subject(batch)
    lines = sheet_of(found).lines[first - 1 : upto]
    note_weights(found, [Weight(line.id, line.grams, f"L-{line.number}") for line in lines], on=TODAY)


def gum(desk: Browser, grams: str, **more: str) -> Answer:
    """Note gum on the card of the step where it goes in or not at all."""
    assert "Before line 3" in desk.get(f"{HEAD}/weigh").text
    return desk.submit("/weigh", {"grams": grams, "material": GUM, **more})


def read_ph(desk: Browser, **typed: str) -> None:
    desk.get(f"{HEAD}/ph")
    told(desk.submit("/ph", typed))


def log_of(run: Run, batch: Path, material: str) -> Any:
    return run("thicken", batch, "--material", material, "--json").json["logs"][0]


def test_gum_that_was_weighed_counts_wherever_thickener_counts(desk: Browser, batch: Path, run: Run) -> None:
    """By hand: 36.4 / 5204.1 g = 0.69945 %; 3 - 0.69945 - 65.1 / 52.041 = 1.04962 % are left of the part held back."""
    weigh(batch, 2)
    told(gum(desk, "36,4", lot="X-1"))
    weigh(batch, 9, first=3)
    read_ph(desk, ph="9,2", now="0")
    read_ph(desk, ph="5,2", now="65,1")
    log = log_of(run, batch, GUM)
    assert log["added_percent"] == log["weighed_percent"] == pytest.approx(0.69945, abs=1e-5)
    assert log["limits"]["usual upper dose"] == pytest.approx(1.2)
    other = log_of(run, batch, "sorbitan-sesquicaprylate")
    assert other["limits"]["part held back"] == pytest.approx(1.04962, abs=1e-5)
    page = desk.get(f"{HEAD}/thicken?material={GUM}").text
    assert "0.7 % went in while this batch was made" in page
    assert "log it here" not in page
    master = made_of(batch_subject(batch)).master
    assert master.formula.dose(GUM) == pytest.approx(0.7, abs=0.01)
    assert master.held_back_percent < 3 - 0.7 - 0.6


def test_room_for_acid_is_less_by_the_gum_that_was_weighed(desk: Browser, batch: Path) -> None:
    """By hand: 156.123 g are held back; with 36.4 g of gum 119.7 g are left."""
    weigh(batch, 2)
    told(gum(desk, "36,4"))
    weigh(batch, 7, first=3)
    read_ph(desk, ph="9,2")
    desk.get(f"{HEAD}/ph")
    assert "119.72 g of the batch are held back" in desk.submit("/ph", {"ph": "4", "now": "125"}).text
    assert len(read_batch(batch).ph_readings) == 1


def test_more_gum_than_is_usual_is_asked_about_although_it_is_less_than_is_held_back(
    desk: Browser, batch: Path
) -> None:
    """By hand: 1.2 % of 5204.1 g are 62.45 g; 150 g lie below the 156.1 g that are held back."""
    weigh(batch, 2)
    page = gum(desk, "150")
    assert page.status == 422
    assert "at most 62.45 g more of it may go in (usual upper dose 1.2 %" in page.text
    assert GUM not in read_batch(batch).weighed_g
    told(desk.submit("/weigh", {"grams": "150", "material": GUM, "sure": "yes"}))
    assert any("2.88 % of Xanthan Gum, clear grade went in" in n for n in made_of(batch_subject(batch)).notes)


def test_what_is_no_line_of_the_plan_is_listed_and_struck(desk: Browser, batch: Path) -> None:
    weigh(batch, 2)
    told(gum(desk, "36,4", lot="X-1"))
    page = desk.get(f"{HEAD}/weigh")
    assert "Weighed in besides the plan" in page.text
    assert "Xanthan Gum, clear grade 36.4 g of lot X-1" in page.text
    assert "36.4 g of Xanthan Gum, clear grade, lot X-1: no line of the plan" in desk.get(f"{HEAD}/sheet").text
    desk.get(f"{HEAD}/weigh")
    strike = next(f for f in desk.at.forms if ("strike", "3") in f.buttons)
    told(desk.submit("/weigh", {"strike": "3", "why": "poured into the bin"}, form=strike))
    assert GUM not in read_batch(batch).weighed_g
    assert "Before line 3" in desk.get(f"{HEAD}/weigh").text, "it is asked about again"


def run_out(desk: Browser, batch: Path) -> Answer:
    """Weigh half of the betaine, after the gum; then there is none left."""
    weigh(batch, 2)
    told(gum(desk, "36,4"))
    weigh(batch, 3, first=3)
    desk.get(f"{HEAD}/weigh?line=4")
    told(desk.submit("/weigh", {"grams": "200"}))
    return told(desk.get(f"{HEAD}/without?material={OWN}&left=0"))


def test_a_batch_goes_on_with_what_stands_in_for_what_ran_out(desk: Browser, batch: Path, run: Run) -> None:
    before = read_batch(batch)
    assert "Go on like this" in run_out(desk, batch).html
    page = told(desk.submit("/without"))
    assert "The plan goes on without" in page.text
    after = read_batch(batch)
    assert after.changed[0].line == before.line
    assert after.doses[GUM] == pytest.approx(100 * 36.4 / SIZE, abs=0.01), "what went in is a line now"
    assert after.held_back_percent == pytest.approx(3 - 100 * 36.4 / SIZE, abs=0.01), "out of the part held back"
    new = [name for name in after.doses if name not in {*before.doses, GUM}]
    assert new
    sheet = sheet_of(batch_subject(batch))
    left = {line.id: line.grams - sum(line.weighed_g) for line in sheet.lines}
    assert left[OWN] == pytest.approx(0, abs=0.6), "nothing of it is asked for any more"
    for line in sheet.lines:
        if left[line.id] > 1:
            desk.get(f"{HEAD}/weigh?line={line.number}")
            told(desk.submit("/weigh", {"grams": f"{left[line.id]:.1f}", "lot": f"S-{line.id[:9]}"}))
    page = desk.get(f"{HEAD}/weigh")
    assert f"All {len(sheet.lines)} lines are weighed." in page.text
    assert not re.search(r"\d g left", page.text)
    made = made_of(batch_subject(batch))
    assert not made.serious
    assert set(new) <= set(made.formula.doses)
    assert any("Betaine from my own supplier has run out" in note for note in made.notes)
    label = " ".join(run("label", batch).out.split())
    assert all(line.inci in label for line in sheet.lines if line.id in {*new, GUM})
    assert {*new, GUM} <= {line["id"] for line in run("cost", batch, "--json").json["lines"]}


def test_advice_that_another_weight_made_old_is_not_taken(desk: Browser, batch: Path) -> None:
    run_out(desk, batch)
    other = desk_of(batch.parent)
    other.get(f"{HEAD}/weigh?line=5")
    told(other.submit("/weigh", {"grams": "655.7"}))
    page = desk.submit("/without")
    assert page.status == 422
    assert "Another weight was noted or struck in the meantime" in page.text
    assert not read_batch(batch).changed


def test_what_waits_for_the_ph_is_not_the_next_line_before_it_is_set(desk: Browser, batch: Path) -> None:
    weigh(batch, 7)
    page = desk.get(f"{HEAD}/weigh")
    assert "Before line 8 7. pH" in page.text
    assert "Read the pH." in page.text
    assert "For it wait Perfume (placeholder) and Polyglyceryl-6 Caprylate." in page.text
    assert any(link.endswith("/weigh?line=8") for link in page.links), "a way past it"
    assert "Line 8 of 9" in desk.get(f"{HEAD}/weigh?line=8").text
    assert "Read the pH." in desk.get("/").text
    assert stage_now(batch_subject(batch)).step == "ph"
    read_ph(desk, ph="9,2", now="0")
    assert "bring it to between 5 and 5.4" in desk.get("/").text
    assert "Before line 8" in desk.get(f"{HEAD}/weigh").text
    read_ph(desk, ph="5,2", now="65")
    assert "Weigh on: 2 of 9 lines are left." in desk.at.text
    assert "Line 8 of 9" in desk.get(f"{HEAD}/weigh").text


def test_the_ph_that_was_read_last_is_the_ph_of_every_page(desk: Browser, batch: Path) -> None:
    weigh(batch, 9)
    read_ph(desk, ph="9,2", now="0")
    read_ph(desk, ph="5,1", now="60")
    desk.get(f"{HEAD}/thicken?material=sorbitan-sesquicaprylate")
    told(desk.submit("/thicken", {"now": "10", "reading": "900", "ph": "5,6"}))
    for page in ("ph", "thicken", "finish"):
        assert "5.6" in desk.get(f"{HEAD}/{page}").text, page
    assert "Stop: inside the target" not in desk.get(f"{HEAD}/ph").text
    assert "Not to be filled yet. The pH is 5.6: bring it to between 5 and 5.4." in desk.get(f"{HEAD}/finish").text
    assert "The pH is 5.6" in desk.get("/").text
    read_ph(desk, ph="5,2", now="3")
    assert last_ph(read_batch(batch)) == 5.2, "what is set afterwards is newer than the thickening log"
    assert "Not to be filled yet" not in desk.get(f"{HEAD}/finish").text
    assert "5.2" in desk.get(f"{HEAD}/thicken").text
    assert "is outside the batch's window" not in desk.at.text


@pytest.mark.parametrize(
    ("after", "on", "last"),
    [("", "", 5.6), ("after_reading = 1", "", 5.0), ("after_reading = 2", "", 5.6), ("", "2026-05-01", 5.0)],
)
def test_which_log_was_read_last_is_told_by_its_place_else_by_its_day(
    batch: Path, after: str, on: str, last: float
) -> None:
    logs = f"""
[[adjustment]]
start_g = 5000
chemical = "citric acid anhydrous"
strength_percent = 50
reading = [ {{ added_g = 0, ph = 9, on = "2026-04-30" }}, {{ added_g = 60, ph = 5, on = "2026-05-02" }} ]
[[thickening]]
material = "sodium-chloride"
[[thickening.step]]
added_percent = 0.5
judged = 3
ph = 5.6
on = "{on}"
{after}
"""
    batch.write_text(batch.read_text(encoding="utf-8") + logs, encoding="utf-8")
    read = read_batch(batch)
    assert last_ph(read) == last
    assert [r.added_g for r in read.adjusted[0].additions] == ([0, 60, 60] if last == 5.6 else [0, 0, 60])
    assert read.adjusted[0].added_g == 60


def test_water_is_put_back_where_each_line_was_weighed_as_the_sheet_shows_it(desk: Browser, batch: Path) -> None:
    """The grams of the sheet are those of the scale: 46.8 / 5204.1 g = 0.8993 % of what is planned at 0.9 % at least.

    By hand: 5048 g of lines and 60 g of acid went in, 5000 g are there; 5204.1 g are planned.
    """
    weigh(batch, 9)
    read_ph(desk, ph="5,2", now="60")
    desk.get(f"{HEAD}/finish")
    page = told(desk.submit("/finish", {"mass": "5000"}))
    assert "Do not put them back" not in page.text
    back = made_of(batch_subject(batch)).put_back
    assert back is not None
    assert back.grams == pytest.approx(204.1, abs=0.5)
    assert not back.why_not


@pytest.mark.parametrize(
    ("first", "second", "kept", "said"),
    [
        ({"water": "204,1"}, {"water": "50"}, "water_added_g", "204.1 g of water put back"),
        ({"mass": "5190"}, {"mass": "5100"}, "mass_g", "5190 g in all"),
        ({"bottles": "19"}, {"bottles": "18"}, "bottles", "19 bottles"),
    ],
)
def test_the_end_that_another_device_noted_is_asked_about(
    desk: Browser, batch: Path, first: dict[str, str], second: dict[str, str], kept: str, said: str
) -> None:
    weigh(batch, 9)
    other = desk_of(batch.parent)
    desk.get(f"{HEAD}/finish")
    other.get(f"{HEAD}/finish")
    told(other.submit("/finish", first))
    written: Batch = read_batch(batch)
    page = desk.submit("/finish", second)
    assert page.status == 422
    assert said in page.text
    assert read_batch(batch) == written
    told(desk.submit("/finish"))
    assert getattr(read_batch(batch).finish, kept) == float(next(iter(second.values()))), "sent again, it is meant so"
