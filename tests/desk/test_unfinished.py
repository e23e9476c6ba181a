"""A batch that is not finished says so on what goes along with it, and what law forbids is said before it is filled.

Weights are made up. Phenoxyethanol: at most 1 %, Regulation (EC) No 1223/2009, Annex V/29.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from optimizer.answers.bench import lay_batch
from optimizer.answers.subject import subject_of
from optimizer.bench.batch import read_batch
from optimizer.bench.made import holders_of
from optimizer.chemistry.ph import CHEMICALS
from tests.support.benches import library
from tests.support.command import Run
from tests.support.desk import TODAY, desk_of
from tests.support.harbour import batch_file, weighed

BLEND = (weighed("cocamidopropyl-betaine", 200, "A"), weighed("aqua", 800, "B"))
READ = """
[[adjustment]]
start_g = 1000
chemical = "citric acid anhydrous"
strength_percent = 50
reading = [ { added_g = 0, ph = 5.2 } ]
"""
DONE = "\n[finish]\nmass_g = 1000\n"


@pytest.mark.parametrize("page", ["label", "cost", "card", "keep", "made"])
def test_what_goes_along_with_an_unfinished_batch_says_so(tmp_path: Path, page: str) -> None:
    batch_file(tmp_path, "1", *BLEND, bottles=None)
    batch_file(tmp_path, "2", *BLEND, READ, bottles=None)
    batch_file(tmp_path, "3", *BLEND, READ, DONE, bottles=None)
    desk = desk_of(tmp_path)
    assert "NOT FINISHED. Read the pH." in desk.get(f"/batch/batch-1/{page}").text
    assert "NOT FINISHED. Weigh the finished batch." in desk.get(f"/batch/batch-2/{page}").text
    assert "NOT FINISHED" not in desk.get(f"/batch/batch-3/{page}").text


@pytest.mark.parametrize("command", ["label", "cost", "card", "made"])
def test_the_commands_say_it_too(tmp_path: Path, run: Run, command: str) -> None:
    path = batch_file(tmp_path, "1", *BLEND, bottles=None)
    assert "NOT FINISHED. Read the pH." in " ".join(run(command, path).out.split())
    done = batch_file(tmp_path, "3", *BLEND, READ, DONE, bottles=None)
    assert "NOT FINISHED" not in run(command, done).out


def test_keeping_says_it_too(tmp_path: Path, run: Run) -> None:
    path = batch_file(tmp_path, "1", *BLEND, bottles=None)
    told = run("records", "keep", path)
    assert "NOT FINISHED. Read the pH." in " ".join(f"{told.out} {told.err}".split())


def test_a_batch_that_is_not_weighed_is_not_filled(tmp_path: Path) -> None:
    batch_file(tmp_path, "1", bottles=None)
    page = desk_of(tmp_path).get("/batch/batch-1/finish").text
    assert page.index("Not to be filled yet. Weigh 2 lines.") < page.index("Bottles filled")


@pytest.mark.parametrize("page", ["weigh", "ph", "thicken", "finish", "keep"])
def test_what_law_forbids_is_said_as_soon_as_it_is_weighed(tmp_path: Path, page: str) -> None:
    name = "phenoxyethanol-ethylhexylglycerin"
    for number, grams in (("1", 9.0), ("2", 12.0)):
        path = batch_file(tmp_path, number, *BLEND, weighed(name, grams, "C"), bottles=None)
        planned = f'percent = 79.1\n\n[[line]]\nmaterial = "{name}"\npercent = 0.9'
        path.write_text(path.read_text(encoding="utf-8").replace("percent = 80", planned), encoding="utf-8")
    desk = desk_of(tmp_path)
    assert "ABOVE A LEGAL CEILING" not in desk.get(f"/batch/batch-1/{page}").text
    assert "ABOVE A LEGAL CEILING" in desk.get(f"/batch/batch-2/{page}").text


@pytest.mark.parametrize("page", ["thicken", "finish", "keep"])
def test_a_batch_without_a_preservative_says_so_on_every_page(tmp_path: Path, page: str) -> None:
    batch_file(tmp_path, "1", *BLEND, bottles=None)
    assert "NOT PRESERVED" in desk_of(tmp_path).get(f"/batch/batch-1/{page}").text


def test_the_record_holds_no_temperature_and_no_foam_that_nobody_noted(tmp_path: Path) -> None:
    path = batch_file(tmp_path, "1", *BLEND, bottles=None)
    desk = desk_of(tmp_path)
    desk.get("/batch/batch-1/ph")
    assert desk.submit("/ph", {"ph": "8,4"}).status == 200
    (reading,) = read_batch(path).adjusted[0].reading
    assert (reading.ph, reading.temperature_c) == (8.4, None)
    assert "foam_free" not in path.read_text(encoding="utf-8")
    desk.get("/batch/batch-1/ph")
    assert desk.submit("/ph", {"now": "0,2", "ph": "7,8", "temperature": "31", "foam": "1"}).status == 200
    assert read_batch(path).adjusted[0].reading[-1].temperature_c == 31
    assert "foam_free = false" in path.read_text(encoding="utf-8")


def test_a_batch_of_which_nothing_is_weighed_is_kept_as_a_plan(tmp_path: Path) -> None:
    batch_file(tmp_path, "1", bottles=None)
    assert "it is kept as a plan" in desk_of(tmp_path).get("/batch/batch-1/keep").text


PRESERVED = """
[[line]]
material = "sodium-benzoate"
percent = 0.5

[[line]]
material = "potassium-sorbate"
percent = 0.3
"""
"""Acid preservatives: whether they act hangs on the pH."""


def preserved(folder: Path, number: str, *parts: str) -> Path:
    """Write a batch with two acid preservatives that is weighed."""
    salts = (weighed("sodium-benzoate", 5, "C"), weighed("potassium-sorbate", 3, "D"))
    path = batch_file(folder, number, *BLEND[:1], weighed("aqua", 792, "B"), *salts, *parts, bottles=None)
    text = path.read_text(encoding="utf-8").replace("percent = 80\n", f"percent = 79.2\n{PRESERVED}")
    path.write_text(text, encoding="utf-8")
    return path


def test_what_hangs_on_an_unread_ph_is_not_called_kept(tmp_path: Path, run: Run) -> None:
    unread, read = preserved(tmp_path, "1"), preserved(tmp_path, "2", READ)
    told = {path: " ".join(run("made", path).out.split()) for path in (unread, read)}
    rule = "preservatives that act at the pH"
    assert "NOT FINISHED. The batch as made breaks" in told[unread], "this blend is none of the brief's"
    assert "Nobody has read its pH: whether its preservatives act" in told[unread]
    assert told[unread].index("pH not read, so nobody knows") < told[unread].index(rule)
    assert "pH not read" not in told[read]
    rules = {
        path: {r["rule"]["kind"]: r["ph_unread"] for r in json.loads(run("made", path, "--json").out)["rules"]}
        for path in (unread, read)
    }
    assert [kind for kind, open_ in rules[unread].items() if open_] == ["ph", "preserved"]
    assert not any(rules[read].values())
    page = tmp_path / "page.html"
    run("page", unread, "--out", page)
    html = " ".join(page.read_text(encoding="utf-8").split())
    assert "NOT FINISHED. Read the pH." in html
    assert "at the planned pH, nobody read it" in html
    made = desk_of(tmp_path).get("/batch/batch-1/made").text
    assert "NOT FINISHED. Read the pH." in made
    assert "pH not read, so nobody knows" in made


def test_the_next_command_follows_the_bench(tmp_path: Path, run: Run) -> None:
    """As the desk's buttons do: weigh, pH, thicken, finish, made."""
    path = batch_file(tmp_path, "1", bottles=None)

    def after(*typed: object) -> str:
        told = " ".join(run("weighed", path, *typed).out.replace("-\n", "-").split()).replace("- ", "-")
        return re.split(" next | Weights, g ", told)[1].replace(str(path), "FILE")

    assert "tenside weighed FILE aqua=GRAMS@LOT" in after("cocamidopropyl-betaine=200")
    assert "tenside weighed FILE aqua=GRAMS@LOT" in after("aqua=300"), "300 of 800 g are no whole line"
    assert "tenside ph FILE --of batch --read PH" in after("aqua=+500")
    assert "--of batch --read PH" in " ".join(run("made", path).out.split())
    early = run("weighed", path, "--finish-mass", "990", "--bottles", "3").out
    assert "NOT FINISHED. Read the pH." in " ".join(early.split())
    assert "Read the pH." in desk_of(tmp_path).get("/").text, "it is under way, not finished"
    path = batch_file(tmp_path, "2", *BLEND, READ, bottles=None)
    assert "thicken it first: tenside thicken FILE" in after("aqua=+0")
    assert "tenside weighed FILE --finish-mass GRAMS" in after("aqua=+0")
    assert "tenside made FILE" in after("--finish-mass", "1000")
    laid = run("batch", "hand-wash", "--size", "2kg", "--out", tmp_path / "laid.toml").out
    steps = [line.split()[2] for line in laid.splitlines() if line.startswith("- tenside")]
    assert steps == ["weigh", "weighed", "ph", "thicken", "weighed", "made"]


def test_a_line_weighed_in_part_is_open_everywhere(tmp_path: Path, run: Run) -> None:
    part = (weighed("cocamidopropyl-betaine", 200, "A"), weighed("aqua", 300, "B"), READ, DONE)
    path = batch_file(tmp_path, "1", *part, bottles=None)
    desk = desk_of(tmp_path)
    said = "Weigh on: 1 of 2 lines is left."
    for page in ("/", "/batch/batch-1/finish", "/batch/batch-1/made"):
        assert said in desk.get(page).text, page
    assert "500 g left" in desk.get("/batch/batch-1/weigh").text
    assert "1 of 2 lines is still to be weighed" in " ".join(run("weighed", path, "--lost", "1").out.split())
    closed = " ".join(run("weighed", path, "aqua=+0").out.split())
    assert "every line is weighed" in closed, "0 g more: nothing more goes in"
    assert said not in desk.get("/").text
    assert "lines are weighed" in desk.get("/batch/batch-1/weigh").text


UNKNOWN = """
[[adjustment]]
start_g = 1000
chemical = "hydrochloric acid"
strength_percent = 10
reading = [ { added_g = 0, ph = 8.0 }, { added_g = 12, ph = 6.0 } ]
"""
"""As an older tenside wrote it; no material of the library is hydrochloric acid."""
PAGES = ("weigh", "ph", "thicken", "finish", "made", "label", "cost", "card", "keep", "sheet")


def test_the_ph_page_offers_what_can_be_accounted_for_and_none_of_it_locks_the_batch(tmp_path: Path) -> None:
    batch_file(tmp_path, "1", *BLEND, bottles=None)
    html = desk_of(tmp_path).get("/batch/batch-1/ph").html
    offered = [name for name in CHEMICALS if f'value="{name}"' in html]
    assert offered == [name for name in CHEMICALS if holders_of(name, library().by_id)]
    assert len(offered) >= 5
    for number, chemical in enumerate(offered, 2):
        batch_file(tmp_path, str(number), *BLEND, bottles=None)
        desk, at = desk_of(tmp_path), f"/batch/batch-{number}"
        desk.get(f"{at}/ph")
        assert desk.submit("/ph", {"ph": "8", "chemical": chemical, "strength": "10"}).status == 200
        desk.get(f"{at}/ph")
        assert desk.submit("/ph", {"now": "2", "ph": "7,9"}).status == 200
        assert desk.get(f"{at}/made").status == 200, chemical


def test_an_acid_that_cannot_be_accounted_for_is_refused_before_it_is_written(tmp_path: Path, run: Run) -> None:
    path = batch_file(tmp_path, "1", *BLEND, bottles=None)
    before = path.read_bytes()
    asked = ("ph", path, "--of", "batch", "--read", "8", "--with", "hydrochloric acid", "--strength", "10")
    told = run(*asked)
    assert (told.code, path.read_bytes()) == (3, before)
    assert "no acid or alkali of the library is 'hydrochloric acid'" in told.err
    desk = desk_of(tmp_path)
    desk.get("/batch/batch-1/ph")
    sent = desk.submit("/ph", {"ph": "8", "chemical": "hydrochloric acid", "strength": "10"})
    assert (sent.status, path.read_bytes()) == (422, before)


def test_a_batch_that_holds_such_an_acid_is_read_and_the_line_is_struck(tmp_path: Path) -> None:
    batch_file(tmp_path, "1", *BLEND, UNKNOWN, bottles=None)
    desk = desk_of(tmp_path)
    for page in ("weigh", "ph", "finish", "sheet"):
        assert desk.get(f"/batch/batch-1/{page}").status == 200, page
    made = desk.get("/batch/batch-1/made")
    assert made.status == 409
    assert "strike its pH readings" in made.text
    assert "/batch/batch-1/ph" in made.links
    for number in ("2", "1"):
        desk.get("/batch/batch-1/ph")
        strike = next(f for f in desk.at.forms if ("strike", number) in f.buttons)
        wrong = {"strike": number, "why": "never added", "wrong": "both"}
        assert desk.submit("/ph", wrong, form=strike).status == 200
    for page in PAGES:
        assert desk.get(f"/batch/batch-1/{page}").status == 200, page
    desk.get("/batch/batch-1/ph")
    begun = {"ph": "8", "chemical": "citric acid anhydrous", "strength": "50"}
    assert desk.submit("/ph", begun).status == 200
    assert desk.get("/batch/batch-1/made").status == 200


FILLED = "\nbottle_ml = 250\ndensity_g_per_ml = 1.0\n"


def test_more_bottles_than_a_batch_fills_are_asked_back(tmp_path: Path, run: Run) -> None:
    """By hand: 400 bottles of 250 ml at 1 g/ml hold 100 kg; 1 kg was made. 4 of them hold all of it."""
    path = batch_file(tmp_path, "1", *BLEND, READ, DONE, bottles=None, head=FILLED)
    before = path.read_bytes()
    desk = desk_of(tmp_path)
    desk.get("/batch/batch-1/finish")
    sent = desk.submit("/finish", {"bottles": "400"})
    assert (sent.status, path.read_bytes()) == (422, before)
    assert "400 bottles of 250 ml hold 100000 g" in sent.text
    assert run("weighed", path, "--bottles", "400").code == 3
    assert run("weighed", path, "--bottles", "400", "--sure").code == 0
    assert run("weighed", path, "--bottles", "4").code == 0


def test_a_sample_is_no_larger_than_the_batch(tmp_path: Path, run: Run) -> None:
    path = batch_file(tmp_path, "1", *BLEND, bottles=None)
    before = path.read_bytes()
    told = run("ph", path, "--sample", "1e9", "--read", "8")
    assert (told.code, path.read_bytes()) == (3, before)
    assert "more than all of the batch, 1000 g" in told.err
    assert run("ph", path, "--sample", "100", "--read", "8").code == 0


def test_the_record_says_what_law_forbids_and_what_is_open(tmp_path: Path, run: Run) -> None:
    """Phenoxyethanol above the 1 % of Annex V/29 of (EC) 1223/2009; the pH of the other batch is out of its window."""
    name = "phenoxyethanol-ethylhexylglycerin"
    off = READ.replace("5.2", "6.2")
    over = batch_file(tmp_path, "1", *BLEND, weighed(name, 12.0, "C"), READ, DONE, bottles=None)
    batch_file(tmp_path, "2", *BLEND, off, DONE, "bottles = 3\n", bottles=None)
    assert run("records", "keep", over).code == 0
    assert run("records", "keep", tmp_path / "batch-2.toml").code == 0
    desk = desk_of(tmp_path)
    law, open_ = (desk.get(f"/record?batch={number}").text for number in "12")
    assert "ABOVE A LEGAL CEILING" in law
    assert "formula as made stored" in law
    assert "The pH is 6.2, not between 4.8 and 5.6, and it is filled." in open_
    assert "ABOVE A LEGAL CEILING" in run("records", "show", "1", "--store", tmp_path / "records.db").out


def test_thickener_of_which_no_reading_counts_is_not_finished(tmp_path: Path, run: Run) -> None:
    """Two readings, both struck as misread: what was added is in, and nobody knows how thick it is (made up)."""
    path = batch_file(tmp_path, "1", *BLEND, READ, DONE, bottles=None, head="held_back_percent = 4\n")
    path.write_text(path.read_text(encoding="utf-8").replace("percent = 80", "percent = 76"), encoding="utf-8")
    salt = ("thicken", path, "--material", "sodium-chloride", "--sure")
    assert run(*salt, "--added", "0.3%", "--viscosity", "1500", "--target", "3000").code == 0
    assert run(*salt, "--added", "0.5%", "--viscosity", "3100").code == 0
    desk = desk_of(tmp_path)
    assert "Thicken on" not in desk.get("/batch/batch-1/label").text
    for line in ("2", "1"):
        assert run("thicken", path, "--material", "sodium-chloride", "--strike", line, "--why", "spindle").code == 0
        for page in ("label", "card", "made", "cost"):
            said = desk.get(f"/batch/batch-1/{page}").text
            assert "Read the thickness: 0.5 % is in, and no reading that counts was taken since." in said, (line, page)


def test_the_card_ends_where_the_weigh_sheet_ends(tmp_path: Path, run: Run) -> None:
    path = batch_file(tmp_path, "1", bottles=None)
    for command in (("card", path), ("card", path, "--share", "--no-instead")):
        told = " ".join(run(*command).out.split())
        assert "make it up to 100 %" in told
        assert "fill after a day's rest" in told


def test_one_waiting_time_before_thickness_is_read(tmp_path: Path, run: Run) -> None:
    path = batch_file(tmp_path, "1", *BLEND, READ, bottles=None, head="held_back_percent = 4\n")
    path.write_text(path.read_text(encoding="utf-8").replace("percent = 80", "percent = 76"), encoding="utf-8")
    desk = desk_of(tmp_path)
    asked = ("--material", "sorbitan-sesquicaprylate", "--added", "0%", "--viscosity", "100", "--target", "3000")
    assert "at least 30 min" in " ".join(run("thicken", path, *asked).out.split())
    assert "at least 30 minutes" in desk.get("/batch/batch-1/thicken").text


def test_what_a_batch_taught_is_kept_as_the_next_version(tmp_path: Path) -> None:
    """The demo's hand wash as it is planned: its next master formula is the plan, kept under the product's name."""
    path = tmp_path / "HW-1.toml"
    lay_batch(subject_of("hand-wash"), path, size="1kg", scale=0.1, number="HW-1", on="2026-05-04")
    desk = desk_of(tmp_path)
    desk.get("/batch/HW-1/master")
    assert "teaches nothing" in desk.submit("/master", {"why": "too early"}).text
    rows = "".join(weighed(name, grams, "A") for name, grams in read_batch(path).planned_g.items())
    path.write_text(path.read_text(encoding="utf-8") + rows + READ.replace("1000", "960"), encoding="utf-8")
    assert "/batch/HW-1/master" in desk.get("/batch/HW-1/made").links
    desk.get("/batch/HW-1/master")
    assert "Say why" in desk.submit("/master", {"why": ""}).text
    kept = desk.submit("/master", {"why": "as made"})
    assert "Kept as version 1." in kept.text
    assert "as made" in kept.text
    assert "Harbour hand wash" in kept.text


def test_a_batch_laid_by_mistake_is_put_away_and_stays_traceable(tmp_path: Path, run: Run) -> None:
    path = batch_file(tmp_path, "1", bottles=None)
    laid = path.read_text(encoding="utf-8")
    desk = desk_of(tmp_path)
    assert "/batch/batch-1/away" in desk.get("/batch/batch-1/weigh").links
    desk.get("/batch/batch-1/away")
    assert desk.submit("/away", {"why": ""}).status == 422
    desk.get("/batch/batch-1/away")
    assert desk.submit("/away", {"why": "wrong product"}).status == 200
    bench = desk.get("/").text
    assert "Nothing is under way." in bench
    assert f"Put away on {TODAY}: wrong product. Nothing of it is made." in bench
    assert read_batch(path).put_away == "wrong product"
    refused = run("weighed", path, "aqua=800")
    assert (refused.code, "was put away (wrong product)" in refused.err) == (3, True)
    desk.get("/batch/batch-1/away")
    assert desk.submit("/away", {"again": "yes"}).status == 200
    assert path.read_text(encoding="utf-8") == laid
    assert run("weighed", path, "aqua=800").code == 0
    assert "Something went into this batch already" in desk.get("/batch/batch-1/away").text
    assert "/batch/batch-1/away" not in desk.get("/batch/batch-1/weigh").links
