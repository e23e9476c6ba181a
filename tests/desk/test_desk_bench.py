"""A batch on the desk from the first weight to the records: files as the commands write them, figures of the records.

The batch is the demo's: weights, readings and lots are made up. What the desk writes is held against what the commands
write, byte by byte, what it shows against the JSON of the commands.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from optimizer.bench.batch import read_batch
from optimizer.bench.stage import stage_of
from optimizer.data.shelf import read_shelf
from optimizer.files import shipped
from optimizer.records.overview import overview
from optimizer.records.store import open_store
from tests.support.command import Run
from tests.support.desk import TODAY, Answer, Browser, Words, desk_of
from tests.support.harbour import batch_file

LAY = "batch hand-wash --bottles 20 --bottle 250 --density 1.02 --loss 2 --scale 0.1 --number HW-012 --out"
ACID = ("--with", "citric acid anhydrous", "--strength", "50")
PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d49484452000000010000000108060000001f15c4890000000d49444154789c6364f8cf500f000e0301805a34"
    "7d6b0000000049454e44ae426082"
)
"""A picture of one pixel."""


LAID: dict[str, bytes] = {}


@pytest.fixture
def batch(tmp_path: Path, run: Run) -> Path:
    """Lay the demo's batch; it is worked out once."""
    path = tmp_path / "desk" / "HW-012.toml"
    path.parent.mkdir()
    if not LAID:
        assert run(*LAY.split(), path, "--on", TODAY).code == 0
        LAID[path.name] = path.read_bytes()
    path.write_bytes(LAID[path.name])
    return path


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """A batch of two lines, which is soon weighed."""
    return batch_file(tmp_path, "12", bottles=None)


def weigh(desk: Browser, name: str = "HW-012") -> None:
    """Weigh every line as it is asked for, with a decimal comma and a lot."""
    desk.get(f"/batch/{name}/weigh")
    while "lines are weighed" not in desk.at.text:
        grams = shown(desk.at.html, '<p class="figure">', "</p>")[0]
        material = dict(desk.at.form("/weigh").fields)["material"]
        told(desk.submit("/weigh", {"grams": grams.replace(".", ","), "lot": f"L-{material[:4]}"}))


def told(answer: Answer) -> Answer:
    assert answer.status == 200, answer.text
    return answer


@pytest.mark.thorough
def test_the_desk_writes_what_the_commands_write(batch: Path, tmp_path: Path, run: Run) -> None:
    other = tmp_path / "commands" / "HW-012.toml"
    other.parent.mkdir()
    shutil.copy(batch, other)
    desk = desk_of(batch.parent)
    weigh(desk)
    desk.get("/batch/HW-012/ph")
    told(desk.submit("/ph", {"ph": "9,2", "water": "9"}))
    told(desk.submit("/ph", {"now": "10,7", "ph": "5,6"}))
    told(desk.submit("/ph", {"now": "6,5", "ph": "5.1"}))
    desk.get("/batch/HW-012/thicken?material=sorbitan-sesquicaprylate")
    told(desk.submit("/thicken", {"reading": "120", "target": "3000", "temperature": "22"}))
    told(desk.submit("/thicken", {"now": "26,0205", "reading": "900", "ph": "5,1", "temperature": "22"}))
    desk.get("/batch/HW-012/finish")
    told(desk.submit("/finish", {"mass": "5190", "water": "160"}))
    told(desk.submit("/finish", {"bottles": "19"}))
    told(desk.get("/batch/HW-012/keep"))
    told(desk.submit("/keep"))

    for w in read_batch(batch).weighed:
        run("weighed", other, f"{w.material}={w.grams!r}@{w.lot}", "--on", TODAY)
    day = ("--on", TODAY)
    run("ph", other, "--of", "batch", "--added", "0g", "--read", "9.2", "--water", "9", *ACID, *day)
    run("ph", other, "--added", "10.7", "--read", "5.6", "--water", "9", *day)
    run("ph", other, "--added", "17.2", "--read", "5.1", "--water", "9", *day)
    thicken = ("thicken", other, "--material", "sorbitan-sesquicaprylate", "--temperature", "22", *day)
    run(*thicken, "--added", "0%", "--viscosity", "120", "--target", "3000")
    run(*thicken, "--added", "0.5%", "--viscosity", "900", "--ph", "5.1")
    run("weighed", other, "--finish-mass", "5190", "--water-added", "160", *day)
    run("weighed", other, "--bottles", "19", *day)
    run("records", "keep", other, *day)
    assert batch.read_text(encoding="utf-8") == other.read_text(encoding="utf-8")
    kept = []
    for folder in (batch.parent, other.parent):
        with open_store(folder / "records.db") as store:
            kept.append(overview(store).batches)
    assert kept[0] == kept[1]
    assert kept[0][0].bottles == 19


def leaves(value: Any) -> list[float]:
    """Return every number of a record, those inside its texts too."""
    if isinstance(value, bool) or value is None:
        return []
    if isinstance(value, int | float):
        return [float(value)]
    if isinstance(value, str):
        return [float(n) for n in re.findall(r"\d+(?:\.\d+)?", value)]
    return [n for part in (value.values() if isinstance(value, dict) else value) for n in leaves(part)]


def shown(page: str, begin: str, end: str) -> list[str]:
    """Return the figures that stand between two pieces of markup."""
    text = Words.of(page.partition(begin)[2].partition(end)[0])
    return re.findall(r"(?<![\w.-])\d+(?:\.\d+)?(?![\w-])", text)


def stands_in(figure: str, numbers: list[float]) -> bool:
    """Return whether a figure is one of the numbers, rounded to its own decimals; down where a scale cannot tell."""
    digits = len(figure.partition(".")[2])
    step = 10.0**-digits
    return any(abs(round(n, digits) - float(figure)) < 1e-9 or 0 <= n - float(figure) < step for n in numbers)


OWN = {"10", "1", "9", "2"}
"""What pages say themselves: 10 minutes, 10 lines, 9 of 10, position of a line."""


@pytest.mark.thorough
def test_every_figure_that_is_shown_stands_in_the_record(batch: Path, run: Run) -> None:
    desk = desk_of(batch.parent)
    page = desk.get("/batch/HW-012/weigh").html
    record = run("weigh", batch, "--json").json
    for figure in shown(page, '<p class="figure">', "</p>") + shown(page, "<h2>The whole sheet</h2>", "</section>"):
        assert figure in OWN or stands_in(figure, leaves(record)), figure
    weigh(desk)
    desk.get("/batch/HW-012/ph")
    desk.submit("/ph", {"ph": "9,2", "water": "9"})
    page = desk.submit("/ph", {"now": "10,7", "ph": "5,6"}).html
    record = run("ph", batch, "--json").json
    figures = shown(page, '<p class="of">Add now</p>', "<h2>Note a reading")
    assert figures[0] == f"{int(10 * record['log'][-1]['next_addition_g']) / 10:g}"
    numbers = [*leaves(record), read_batch(batch).scale.step_g]
    for figure in figures:
        assert figure in OWN or stands_in(figure, numbers), figure
    desk.submit("/ph", {"now": "6,5", "ph": "5,1"})
    desk.get("/batch/HW-012/thicken?material=sorbitan-sesquicaprylate")
    page = desk.submit("/thicken", {"reading": "120", "target": "3000", "temperature": "22"}).html
    record = run("thicken", batch, "--json").json
    figures = shown(page, '<p class="of">Add now</p>', "<h2>Note a step")
    assert figures[0] == f"{record['logs'][0]['next']['grams']:g}"
    for figure in figures:
        assert figure in OWN or stands_in(figure, leaves(record)), figure
    desk.get("/batch/HW-012/finish")
    page = desk.submit("/finish", {"mass": "4950"})
    put_back = run("made", batch, "--json").json["put_back"]
    assert put_back["why_not"], "weighed to the gram, the plan stands on its limits"
    assert f"{put_back['grams']:g} g of water are missing. Do not put them back: {put_back['why_not']}." in page.text


def test_a_misread_ph_is_struck_and_the_acid_stays_in(small: Path) -> None:
    desk = desk_of(small.parent)
    weigh(desk, "batch-12")
    desk.get("/batch/batch-12/ph")
    told(desk.submit("/ph", {"ph": "9.2"}))
    told(desk.submit("/ph", {"now": "1", "ph": "13"}))
    strike = next(f for f in desk.at.forms if ("strike", "2") in f.buttons)
    page = told(desk.submit("/ph", {"strike": "2", "why": "the meter was off"}, form=strike))
    assert "What was added before it is in all the same." in page.text
    assert "Read the pH first" in page.text
    assert "1 g are in so far" in page.text
    told(desk.submit("/ph", {"ph": "7"}))
    assert read_batch(small).adjustment[0].added_g == 1
    strike = next(f for f in desk.at.forms if ("strike", "3") in f.buttons)
    told(desk.submit("/ph", {"strike": "3", "why": "nothing went in", "wrong": "both"}, form=strike))
    assert not read_batch(small).adjustment[0].all_readings[2].addition_stays


@pytest.mark.thorough
def test_what_is_filled_gets_no_more_thickener_and_no_more_acid(batch: Path, run: Run) -> None:
    desk = desk_of(batch.parent)
    weigh(desk)
    desk.get("/batch/HW-012/ph")
    desk.submit("/ph", {"ph": "9.2", "water": "9"})
    assert "Add now" in desk.at.text
    desk.get("/batch/HW-012/thicken?material=sorbitan-sesquicaprylate")
    desk.submit("/thicken", {"reading": "120", "target": "3000"})
    desk.get("/batch/HW-012/finish")
    told(desk.submit("/finish", {"mass": "5000", "bottles": "19"}))
    for step in ("ph", "thicken"):
        page = told(desk.get(f"/batch/HW-012/{step}"))
        assert "19 bottles are filled, and what is filled is not opened again" in page.text
        assert "Add now" not in page.text
        assert any(("strike", "1") in form.buttons for form in page.forms), "a wrong line can still be struck"
    told_ph = run("ph", batch, "--json").json
    assert (told_ph["log"][0]["state"], told_ph["log"][0]["next_addition_g"]) == ("finished", 0)
    log = run("thicken", batch, "--json").json["logs"][0]
    assert (log["state"], log["next"]) == ("finished", None)


@pytest.mark.thorough
@pytest.mark.parametrize(("step", "decimals"), [("1", 0), ("0.5", 1), ("0.1", 1)])
def test_grams_that_are_weighed_are_told_in_steps_of_the_scale(
    tmp_path: Path, run: Run, step: str, decimals: int
) -> None:
    """Figures made up, so that halves of the acid, evaporation and tolerances fall between the steps."""
    path = tmp_path / "desk" / "HW.toml"
    path.parent.mkdir()
    assert run("batch", "hand-wash", "--size", "4915.37g", "--scale", step, "--out", path, "--on", TODAY).code == 0
    desk = desk_of(path.parent)
    pages = [desk.get("/batch/HW/weigh").text]
    weigh(desk, "HW")
    desk.get("/batch/HW/ph")
    desk.submit("/ph", {"ph": "9.2", "water": "9"})
    desk.submit("/ph", {"now": "17", "ph": "5.1"})
    pages.append(desk.get("/batch/HW/finish").text)
    pages.append(desk.submit("/finish", {"mass": "4700"}).text)
    pages.append(desk.get("/batch/HW/made").text.partition("Formula as made")[0])
    pages.append(run("weighed", path, "--bottles", "18").out)
    for page in pages:
        told_g = [
            figure for figure in re.findall(r"(?<![\d.])(\d+(?:\.\d+)?) g\b(?! per|/)", page) if float(figure) >= 1
        ]
        assert told_g, page
        for figure in told_g:
            assert len(figure.partition(".")[2]) <= decimals, f"{figure} g on a scale of {step} g: {page}"
    half = {"1": "8"}.get(step, "8.5")  # 17 g of a solution of 50 %
    assert f"Citric Acid acid or alkali {half} Water acid or alkali {half} " in pages[3]


def test_a_batch_that_was_filled_without_a_log_is_dosed_with_nothing(tmp_path: Path) -> None:
    filled = batch_file(tmp_path, "13", bottles=4)
    page = told(desk_of(filled.parent).get("/batch/batch-13/ph"))
    assert "Add nothing: the batch is finished" in page.text
    assert "g per 100 g of blend" not in page.text


def test_a_density_that_is_measured_after_mixing_is_noted_where_the_batch_ends(small: Path, run: Run) -> None:
    desk = desk_of(small.parent)
    weigh(desk, "batch-12")
    assert "under 'Finish'" in desk.get("/batch/batch-12/label").text
    desk.get("/batch/batch-12/finish")
    page = told(desk.submit("/finish", {"mass": "1000", "bottles": "3", "bottle": "250", "density": "1,0215"}))
    assert "250 ml in a bottle, density 1.0215 g/ml" in page.text
    assert dict(page.form("/finish").fields)["density"] == "1.0215"
    assert (read_batch(small).bottle_ml, read_batch(small).density_g_per_ml) == (250, 1.0215)
    assert run("label", small, "--json").json["content"]["fill_g"] == pytest.approx(255.375)  # 250 ml x 1.0215 g/ml
    assert "3 bottles of 250 ml" in desk.get("/batch/batch-12/cost").text
    assert "State the content" not in desk.get("/batch/batch-12/label").text
    desk.get("/batch/batch-12/finish")
    assert desk.submit("/finish", {"density": "10.2"}).status == 422, "a slip of the finger"


def test_a_density_is_noted_by_the_command_alike_and_alone_ends_nothing(small: Path, run: Run) -> None:
    desk = desk_of(small.parent)
    desk.get("/batch/batch-12/finish")
    told(desk.submit("/finish", {"bottle": "250", "density": "1.02"}))
    by_desk = small.read_text(encoding="utf-8")
    batch_file(small.parent, "12", bottles=None)
    assert run("weighed", small, "--bottle", "250", "--density", "1.02").code == 0
    assert small.read_text(encoding="utf-8") == by_desk
    assert "[finish]" not in by_desk


def test_water_that_was_put_back_is_counted_where_nobody_weighs_again(small: Path) -> None:
    desk = desk_of(small.parent)
    weigh(desk, "batch-12")
    desk.get("/batch/batch-12/finish")
    asked = float(shown(desk.submit("/finish", {"mass": "970"}).html, '<p class="of">Put back</p>', "<form")[0])
    page = told(desk.submit("/finish", {"water": f"{asked:g}", "bottles": "3"}))
    assert read_batch(small).finish.there_g == pytest.approx(970 + asked)
    assert "No water is missing" in page.text
    assert f"{970 + asked:g} g by sum" in page.text
    assert not dict(page.form("/finish").fields)["mass"]


def test_water_that_is_missing_is_told_as_large_as_a_weight(small: Path, run: Run) -> None:
    desk = desk_of(small.parent)
    weigh(desk, "batch-12")
    desk.get("/batch/batch-12/finish")
    page = desk.submit("/finish", {"mass": "970"}).html
    put_back = run("made", small, "--json").json["put_back"]
    figures = shown(page, '<p class="of">Put back</p>', "<form")
    assert figures[0] == f"{put_back['grams']:g}" == "30", "1000 g went in, 970 g are there"
    assert figures[1:] == [f"{put_back['mass_after_g']:g}", f"{put_back['water_after_g']:g}"]


@pytest.mark.thorough
def test_label_and_cost_are_those_of_the_commands(batch: Path, run: Run) -> None:
    desk = desk_of(batch.parent)
    weigh(desk)
    label = run("label", batch, "--json").json
    page = desk.get("/batch/HW-012/label")
    assert label["ingredients"] in page.text
    for wish in label["ask"]:
        assert " ".join(wish.split()) in page.text
    text = desk.get("/batch/HW-012/cost").text
    said = run("cost", batch, "--markdown").out
    for figure in re.findall(r"\d+\.\d{2,3} EUR", said):
        assert figure in text
    assert desk.get("/batch/HW-012/cost?margin=60").status == 200
    assert desk.get("/batch/HW-012/cost?margin=1,234").status == 422
    assert desk.get("/batch/HW-012/card").status == 200
    assert desk.get("/batch/HW-012/card.pdf").content.startswith(b"%PDF")


@pytest.mark.thorough
def test_costs_besides_materials_are_chosen_on_the_page(batch: Path, run: Run) -> None:
    desk = desk_of(batch.parent)
    weigh(desk)
    (batch.parent / "own-costs.toml").write_text(
        "loss_percent = 3\n[labour]\nhours_per_batch = 2\nprice_per_hour = 20\n", encoding="utf-8"
    )  # made up
    alone = desk.get("/batch/HW-012/cost").text
    assert "EUR per kg that is sold, materials alone" in alone
    assert "Costs besides materials none own-costs.toml" in alone
    chosen = desk.get("/batch/HW-012/cost?costs=own-costs").text
    said = run("cost", batch, "--costs", batch.parent / "own-costs.toml", "--json").json
    assert f"{said['per_kg']:.2f} EUR per kg that is sold." in chosen
    assert "2 h at 20" in chosen


@pytest.mark.thorough
def test_a_weight_is_struck_and_weighed_again(batch: Path) -> None:
    desk = desk_of(batch.parent)
    desk.get("/batch/HW-012/weigh")
    desk.submit("/weigh", {"grams": "3848.2"})
    desk.get("/batch/HW-012/weigh?line=1")
    strike = next(f for f in desk.at.forms if ("strike", "1") in f.buttons)
    assert desk.submit("/weigh", {"strike": "1"}, form=strike).status == 422
    assert "Say why" in desk.at.text
    strike = next(f for f in desk.at.forms if ("strike", "1") in f.buttons)
    assert "Struck" in desk.submit("/weigh", {"strike": "1", "why": "digits swapped"}, form=strike).text
    desk.submit("/weigh", {"grams": "3884.2"})
    lines = read_batch(batch).all_weighed
    assert [(w.grams, bool(w.struck)) for w in lines] == [(3848.2, True), (3884.2, False)]


@pytest.mark.thorough
def test_a_batch_goes_on_without_what_has_run_out(batch: Path) -> None:
    desk = desk_of(batch.parent)
    desk.get("/batch/HW-012/weigh")
    desk.submit("/weigh", {"grams": "3884.2"})
    page = told(desk.get("/batch/HW-012/without?material=cocamidopropyl-betaine&left=20"))
    assert "Cocamidopropyl Betaine" in page.text
    assert "still to add" in page.text.lower() or "to add" in page.text.lower()


@pytest.mark.thorough
def test_the_next_step_follows_the_bench(batch: Path) -> None:
    desk = desk_of(batch.parent)
    assert "Weigh 10 lines." in desk.get("/").text
    weigh(desk)
    assert "Read the pH." in desk.get("/").text
    desk.get("/batch/HW-012/ph")
    desk.submit("/ph", {"ph": "9,2", "water": "9"})
    assert "bring it to between 4.8 and 5.2" in desk.get("/").text
    desk.get("/batch/HW-012/ph")
    desk.submit("/ph", {"now": "17,2", "ph": "5,1"})
    assert stage_of(read_batch(batch)).step == "finish"
    desk.get("/batch/HW-012/finish")
    desk.submit("/finish", {"mass": "5000"})
    assert "count the bottles" in desk.get("/").text
    desk.get("/batch/HW-012/finish")
    desk.submit("/finish", {"bottles": "19"})
    assert "Nothing is under way." in desk.get("/").text


@pytest.mark.thorough
def test_records_take_tests_readings_samples_and_photos(batch: Path) -> None:
    desk = desk_of(batch.parent)
    weigh(desk)
    desk.get("/batch/HW-012/keep")
    told(desk.submit("/keep"))

    def ask(what: str, values: dict[str, str], **more: Any) -> Answer:
        form = next(f for f in desk.at.forms if ("what-for", what) in f.fields)
        return told(desk.submit("/record", values, form=form, **more))

    assert "17 tests are laid" in ask("tests", {}).text
    assert "Noted for ph-room: 5.1" in ask("result", {"test": "ph-room", "reading": "5,1"}).text
    assert "kept in box 3 until 2028-05-04" in ask("sample", {"where": "box 3", "amount": "250"}).text
    page = ask("note", {"what": "foam", "value": "4", "unit": "judged"}, files=[("photo", "foam.png", PNG)])
    source = re.search(r'<img src="([^"]+)"', page.html)
    assert source
    shown_photo = desk.get(source[1].replace("&amp;", "&"))
    assert (shown_photo.headers["content-type"], shown_photo.content[:4]) == ("image/png", PNG[:4])
    assert "It went into 1 batch" in desk.get("/records?lot=L-coca").text
    assert "No batch has a lot 'L-coc'" in desk.get("/records?lot=L-coc").text
    assert "Today" in desk.get("/").text, "pH on day 0"


@pytest.mark.thorough
def test_two_browsers_and_a_command_lose_no_line_of_each_other(small: Path) -> None:
    told_often = 8
    script = "\n".join(
        [
            "import sys",
            "from optimizer import cli",
            f"for n in range({told_often}):",
            f"    sys.argv = ['tenside', 'weighed', {str(small)!r}, f'aqua=+0.{{n + 1}}@C{{n}}', '--sure', '--json']",
            "    try: cli.main()",
            "    except SystemExit as ended:",
            "        if ended.code: raise",
        ]
    )
    desk = desk_of(small.parent)
    phone = Browser(desk.app, desk.guard).opened(phone=True, formulas=False)

    def weigh_often(browser: Browser, sign: str) -> None:
        for n in range(told_often):
            browser.get("/batch/batch-12/weigh?line=2")
            answer = browser.submit("/weigh", {"grams": "0,5", "lot": f"{sign}{n}"})
            if "are noted already" in answer.text:  # the first weight of the line came from elsewhere meanwhile
                answer = browser.submit("/weigh")
            told(answer)

    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.DEVNULL) as command:
        with ThreadPoolExecutor(2) as both:
            for done in [both.submit(weigh_often, desk, "D"), both.submit(weigh_often, phone, "P")]:
                done.result(200)
        assert command.wait(200) == 0
    lots = [w.lot for w in read_batch(small).weighed]
    assert sorted(lots) == sorted(f"{sign}{n}" for sign in "CDP" for n in range(told_often))


@pytest.mark.thorough
def test_additions_that_were_counted_from_an_older_log_are_refused(small: Path) -> None:
    desk = desk_of(small.parent)
    weigh(desk, "batch-12")
    desk.get("/batch/batch-12/ph")
    desk.submit("/ph", {"ph": "9,2", "water": "9"})
    phone = Browser(desk.app, desk.guard).opened(phone=True, formulas=False)
    phone.get("/batch/batch-12/ph")
    told(desk.submit("/ph", {"now": "2", "ph": "5,6"}))
    answer = phone.submit("/ph", {"now": "2", "ph": "5,6"})
    assert answer.status == 422
    assert "gone on in the meantime: 2 g are in by now" in answer.text
    assert 'value="2"' in answer.html, "what was typed stays"
    assert len(read_batch(small).adjustment[0].reading) == 2


def test_a_figure_of_the_end_that_nobody_touched_overwrites_nothing(small: Path) -> None:
    desk = desk_of(small.parent)
    weigh(desk, "batch-12")
    desk.get("/batch/batch-12/finish")
    desk.submit("/finish", {"mass": "1000"})
    phone = Browser(desk.app, desk.guard).opened(phone=True, formulas=False)
    phone.get("/batch/batch-12/finish")
    desk.submit("/finish", {"mass": "1010"})
    asked = phone.submit("/finish", {"bottles": "19"})
    assert asked.status == 422
    assert "noted elsewhere in the meantime: 1010 g in all" in asked.text
    told(phone.submit("/finish", {"bottles": "19"}))
    assert (read_batch(small).finish.mass_g, read_batch(small).finish.bottles) == (1010, 19)


def test_a_page_is_small_and_asks_for_little(small: Path) -> None:
    desk = desk_of(small.parent)
    weigh(desk, "batch-12")
    for address in ("/", "/batch/batch-12/weigh", "/batch/batch-12/ph", "/batch/batch-12/label"):
        page = desk.get(address)
        parts = set(re.findall(r'(?:src|href)="(/static/[^"]+)"', page.html))
        assert len(parts) + 1 <= 4, "design: at most four requests"
        assert len(page.content) + sum(len(desk.get(p).content) for p in parts) <= 100 * 1024
    assert json.dumps(sorted(parts))


def change(desk: Browser) -> Answer:
    """Follow the link that shows the form of the first line."""
    desk.get("/shelf")
    return desk.get(next(link for link in desk.at.links if link.startswith("/shelf?")))


def test_a_long_shelf_is_a_page_of_less_than_100_kib_with_a_form_for_the_line_that_is_changed(
    tmp_path: Path,
) -> None:
    shutil.copy(shipped("scenarios") / "shelf.csv", tmp_path)
    desk = desk_of(tmp_path)
    page = desk.get("/shelf")
    assert len(read_shelf(tmp_path / "shelf.csv").lines) > 60
    assert len(page.content) < 100 * 1024
    assert len([form for form in change(desk).forms if ("shelf", "shelf.csv") in form.fields]) == 2, "and one to add"


def test_a_stock_is_what_is_left_only_if_the_day_of_its_count_is_known(tmp_path: Path) -> None:
    rows = "material,price per kg,stock kg,counted on\ndecyl-glucoside,4,5,\nglycerin,2,3,2026-03-01\n"
    (tmp_path / "shelf.csv").write_text(rows, encoding="utf-8")
    page = desk_of(tmp_path).get("/shelf").text
    assert "5 kg as written: count it, to see what is left" in page
    assert "3 kg left" in page


def test_the_shelf_takes_what_was_measured_of_a_lot_and_lets_go_of_it_with_the_lot(tmp_path: Path) -> None:
    shelf = tmp_path / "shelf.csv"
    shelf.write_text("material,price per kg,lot,lot active %\ndecyl-glucoside,4,A-1,52.5\n", encoding="utf-8")
    desk = desk_of(tmp_path)
    change(desk)
    told(desk.submit("/shelf", {"lot_ph": "11,8", "lot_ph_at": "10"}))
    (line,) = read_shelf(shelf).lines
    assert (line.lot, line.lot_active, line.lot_ph, line.lot_ph_at) == ("A-1", 52.5, 11.8, 10)
    assert "Written: Decyl Glucoside" in desk.at.text
    assert "pH 11.8" in change(desk).text
    told(desk.submit("/shelf", {"lot": "A-2", "lot_active": "51"}))
    (line,) = read_shelf(shelf).lines
    assert (line.lot, line.lot_active, line.lot_ph, line.lot_ph_at) == ("A-2", 51, None, None)
    change(desk)
    refused = desk.submit("/shelf", {"lot_ph": "52"})
    assert "14" in refused.text
    assert read_shelf(shelf).lines[0].lot_ph is None


def test_a_line_of_the_shelf_is_a_material_that_is_known_and_can_be_taken_off_again(tmp_path: Path) -> None:
    shelf = tmp_path / "shelf.csv"
    before = "material,price per kg\ndecyl-glucoside,4\n"
    shelf.write_text(before, encoding="utf-8")
    desk = desk_of(tmp_path)
    for typed, said in (
        ("My betain", "There is no material 'My betain'."),
        ("SLES", "could be Sodium Laureth Sulfate"),
    ):
        desk.get("/shelf")
        adding = next(f for f in desk.at.forms if ("new", "") in f.fields)
        answer = desk.submit("/shelf", {"new": typed, "price_per_kg": "3,20"}, form=adding)
        assert answer.status == 422
        assert said in answer.text
        assert f'value="{typed}"' in answer.html, "nothing that was typed is lost"
        assert shelf.read_text(encoding="utf-8") == before
    told(desk.submit("/shelf", {"new": "CAPB", "price_per_kg": "3,20"}, form=adding))
    added = [line.material for line in read_shelf(shelf).lines]
    assert added == ["decyl-glucoside", "cocamidopropyl-betaine"]
    change(desk)
    off = next(f for f in desk.at.forms if ("called", "Decyl Glucoside") in f.fields)
    told(desk.submit("/shelf", {"off": "yes"}, form=off))
    assert [line.material for line in read_shelf(shelf).lines] == ["cocamidopropyl-betaine"]
    again = desk.post("/shelf", [("off", "yes"), *((n, v) for n, v in off.fields if n != "form"), new_id(desk)])
    assert again.status == 422, "another line stands there now"
    assert len(read_shelf(shelf).lines) == 1


def test_a_measured_active_matter_that_is_doubtful_is_asked_back(tmp_path: Path) -> None:
    shelf = tmp_path / "shelf.csv"
    before = "material,lot,price per kg\ncoco-glucoside,A,4\n"
    shelf.write_text(before, encoding="utf-8")
    desk = desk_of(tmp_path)
    change(desk)
    assert "5 % active is far below the usual 51.5 %" in desk.submit("/shelf", {"lot_active": "5"}).text
    unusual = desk.submit("/shelf", {"lot_active": "99"})
    assert "99 % is not the usual 50 to 53 %: is it active matter, or total solids?" in unusual.text
    assert shelf.read_text(encoding="utf-8") == before
    told(desk.submit("/shelf", {"lot_active": "99", "sure": "yes"}))
    assert read_shelf(shelf).lines[0].lot_active == 99


def test_a_page_of_the_shelf_never_writes_to_another_lot_than_it_was_made_from(tmp_path: Path) -> None:
    shelf, head = tmp_path / "shelf.csv", "material,lot,price per kg\n"
    lot_a, lot_b = "decyl-glucoside,LOT-A,4\n", "decyl-glucoside,LOT-B,5\n"
    shelf.write_text(head + lot_a + lot_b, encoding="utf-8")
    desk = desk_of(tmp_path)
    change(desk)
    old = next(f for f in desk.at.forms if ("called", "Decyl Glucoside") in f.fields)
    shelf.write_text(head + lot_b, encoding="utf-8")  # LOT-B stands where LOT-A stood
    for typed in ({"stock_kg": "0,2", "price_per_kg": "7"}, {"off": "yes"}):
        pairs = [(n, typed.get(n, v)) for n, v in old.fields if n != "form"]
        pairs += [("off", "yes")] if "off" in typed else []
        refused = desk.post("/shelf", [*pairs, new_id(desk)])
        assert refused.status == 422
        assert "The line was changed in the meantime; nothing was written. Load the page anew." in refused.text
        assert shelf.read_text(encoding="utf-8") == head + lot_b
        again = next(f for f in refused.forms if ("called", "Decyl Glucoside") in f.fields)
        assert desk.post("/shelf", again.fields).status == 422, "nor does the page that says so"
        assert shelf.read_text(encoding="utf-8") == head + lot_b


def new_id(desk: Browser) -> tuple[str, str]:
    """Return the fresh id of a form of the page."""
    return next(pair for form in desk.get("/shelf").forms for pair in form.fields if pair[0] == "form")


@pytest.mark.parametrize("typed", ["²", "٣", "9" * 5000, "-1", "1.5", "x", "0"])
def test_a_number_that_no_entry_has_strikes_nothing(small: Path, typed: str) -> None:
    desk = desk_of(small.parent)
    desk.get("/batch/batch-12/weigh")
    told(desk.submit("/weigh", {"grams": "400", "lot": "A"}))
    form = desk.at.form("/weigh")
    pairs = [*((n, v) for n, v in form.fields if n != "grams"), ("why", "wrong"), ("strike", typed)]
    assert desk.post("/batch/batch-12/weigh", pairs).status == 422
    assert not any(w.struck for w in read_batch(small).weighed)
