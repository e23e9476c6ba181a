"""A batch that is not finished says so on what goes along with it, and what law forbids is said before it is filled.

Weights are made up. Phenoxyethanol: at most 1 %, Regulation (EC) No 1223/2009, Annex V/29.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.answers.bench import lay_batch
from optimizer.answers.subject import subject_of
from optimizer.bench.batch import read_batch
from optimizer.bench.made import holders_of
from optimizer.chemistry.ph import CHEMICALS
from tests.support.benches import library
from tests.support.command import Run
from tests.support.desk import desk_of
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


@pytest.mark.parametrize("page", ["label", "cost", "card", "keep"])
def test_what_goes_along_with_an_unfinished_batch_says_so(tmp_path: Path, page: str) -> None:
    batch_file(tmp_path, "1", *BLEND, bottles=None)
    batch_file(tmp_path, "2", *BLEND, READ, bottles=None)
    batch_file(tmp_path, "3", *BLEND, READ, DONE, bottles=None)
    desk = desk_of(tmp_path)
    assert "NOT FINISHED. Read the pH." in desk.get(f"/batch/batch-1/{page}").text
    assert "NOT FINISHED. Weigh the finished batch." in desk.get(f"/batch/batch-2/{page}").text
    assert "NOT FINISHED" not in desk.get(f"/batch/batch-3/{page}").text


@pytest.mark.parametrize("command", ["label", "cost", "card"])
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
