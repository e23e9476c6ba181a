"""Trials on the desk: beakers chosen, read on the phone, told, chosen further; files as the commands write them.

The series is the demo's: its readings are made up from a stated truth (see `scenarios/trials/gentle-wash.toml`).
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from optimizer.answers.trials_fit import salt
from optimizer.files import shipped
from optimizer.trials.salt import SaltQuestion
from optimizer.trials.series import read_series
from tests.support.command import Run
from tests.support.desk import TODAY, Browser, desk_of

DEMO = shipped("scenarios") / "trials" / "gentle-wash.toml"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "desk"
    made.mkdir()
    shutil.copy(DEMO, made / "gentle.toml")
    return made


def test_the_series_of_the_folder_are_listed_with_what_is_to_do(folder: Path) -> None:
    desk = desk_of(folder)
    assert "gentle-wash-1" in desk.get("/trials").text
    assert "/trials/gentle" in desk.at.links
    desk.get("/trials/gentle")
    series = read_series(folder / "gentle.toml")
    assert all(f"beaker-{b.number}" in desk.at.html for b in series.beaker)


def test_what_is_read_on_the_desk_is_what_the_command_notes(folder: Path, tmp_path: Path, run: Run) -> None:
    other = tmp_path / "other.toml"
    shutil.copy(folder / "gentle.toml", other)
    desk = desk_of(folder)
    desk.get("/trials/gentle")
    typed = {"viscosity-1": "1234,5", "clarity-1": "4", "separated-1": "", "by-1": "LV3 30 rpm"}
    form = next(f for f in desk.at.forms if ("beaker", "1") in f.fields)
    # Beaker 1 is read already: a second reading that nobody meant is refused with the reason, and nothing is lost.
    refused = desk.submit("/trials/gentle", typed, form=form)
    assert (folder / "gentle.toml").read_bytes() == DEMO.read_bytes()
    assert "1234,5" in refused.html
    added = run("trials", "next", str(other), "--count", "1")
    assert added.code == 0, added.err
    shutil.copy(other, folder / "gentle.toml")
    number = str(max(b.number for b in read_series(other).beaker))
    desk.get("/trials/gentle")
    form = next(f for f in desk.at.forms if ("beaker", number) in f.fields)
    desk.submit("/trials/gentle", {f"viscosity-{number}": "310", f"clarity-{number}": "4"}, form=form)
    noted = run("trials", "note", str(other), number, "viscosity=310", "clarity=4", "--on", TODAY)
    assert noted.code == 0, noted.err
    assert (folder / "gentle.toml").read_bytes() == other.read_bytes()
    assert f"Noted of beaker {number}" in desk.at.text


def test_a_reading_is_struck_as_the_command_strikes_it_and_the_right_one_is_noted(
    folder: Path, tmp_path: Path, run: Run
) -> None:
    other = tmp_path / "other.toml"
    shutil.copy(DEMO, other)
    desk = desk_of(folder)
    desk.get("/trials/gentle")
    wrong = next(n for n, r in enumerate(read_series(other).all_readings, 1) if r.beaker == 2 and r.what == "viscosity")
    form = next(f for f in desk.at.forms if ("strike", str(wrong)) in f.buttons)
    refused = desk.submit("/trials/gentle", {"strike": str(wrong)}, form=form)
    assert refused.status == 422
    assert "Say why; the reason is kept beside the reading." in refused.text
    assert (folder / "gentle.toml").read_bytes() == DEMO.read_bytes()
    why = {"strike": str(wrong), "why": "the cup was warm"}
    page = desk.submit(
        "/trials/gentle", why, form=next(f for f in refused.forms if ("strike", str(wrong)) in f.buttons)
    )
    assert f"Struck: reading {wrong}. It stays in the file and counts no more." in page.text
    assert "struck: the cup was warm" in page.text
    ran = run("trials", "note", other, "--strike", str(wrong), "--why", "the cup was warm", "--on", TODAY)
    assert ran.code == 0, ran.err
    assert (folder / "gentle.toml").read_bytes() == other.read_bytes()
    form = next(f for f in page.forms if ("beaker", "2") in f.fields and not f.buttons)
    assert (
        "Noted of beaker 2: viscosity=2900." in desk.submit("/trials/gentle", {"viscosity-2": "2900"}, form=form).text
    )


@pytest.mark.parametrize(("field", "typed"), [("viscosity", "thick"), ("clarity", "7"), ("viscosity", "1,234")])
def test_a_reading_that_is_none_is_told_and_nothing_is_noted(folder: Path, field: str, typed: str, run: Run) -> None:
    path = folder / "gentle.toml"
    assert run("trials", "next", str(path), "--count", "1").code == 0
    before = path.read_bytes()
    number = str(max(b.number for b in read_series(path).beaker))
    desk = desk_of(folder)
    desk.get("/trials/gentle")
    form = next(f for f in desk.at.forms if ("beaker", number) in f.fields)
    answer = desk.submit("/trials/gentle", {f"{field}-{number}": typed}, form=form)
    assert answer.status in (200, 422)
    assert path.read_bytes() == before
    assert typed in answer.html


def test_the_sheet_and_what_the_beakers_tell_are_the_reports(folder: Path, run: Run) -> None:
    desk = desk_of(folder)
    sheet = desk.get("/trials/gentle/sheet")
    assert "assessor" in sheet.text
    assert "goggles" in sheet.text
    told = desk.get("/trials/gentle/tells").text
    fit = run("trials", "fit", str(folder / "gentle.toml"), "--json").json
    assert told
    for one in fit["measures"]:
        assert one["what"] in told


def test_the_next_beakers_are_chosen_and_a_telephone_may_not(folder: Path) -> None:
    desk = desk_of(folder)
    desk.get("/trials/gentle")
    before = len(read_series(folder / "gentle.toml").beaker)
    phone = Browser(desk.app, desk.guard).opened(phone=True, formulas=False)
    phone.get("/trials/gentle")
    assert not any(form.action.endswith("/more") for form in phone.at.forms)
    assert phone.at.text.count("(under Devices there") == 1
    assert any(form.action.endswith("/trials/gentle") for form in phone.at.forms), "readings it may note"
    desk.submit("/trials/gentle/more")
    assert len(read_series(folder / "gentle.toml").beaker) > before


def test_a_series_is_planned_on_a_brief_of_ones_own(tmp_path: Path, run: Run) -> None:
    made = tmp_path / "own"
    assert run("start", str(made)).code == 0
    for name in ("gentle-wash.toml", "common.toml", "shelf.csv"):
        shutil.copy(shipped("scenarios") / name, made / name)
    desk = desk_of(made)
    desk.get("/trials")
    assert dict(desk.at.form("/trials").fields)["brief"]
    told = desk.submit(
        "/trials", {"brief": "gentle-wash", "name": "Spring", "trials": "8", "free": "mildness", "days": "1"}
    )
    assert "The beakers are chosen." in told.text, told.text
    series = read_series(made / "trials-spring.toml")
    assert len(series.beaker) >= 8
    assert series.freed == ("mildness",)


def test_no_path_comes_from_the_browser(folder: Path) -> None:
    desk = desk_of(folder)
    for name in ("..%2f..%2fetc%2fpasswd", "~", "nothing"):
        assert desk.get(f"/trials/{name}").status == 404


@pytest.fixture
def shop(folder: Path) -> Path:
    """The series with the brief that it was planned on, its shelf and a formula beside it."""
    for name in ("common.toml", "gentle-wash.toml", "shelf.csv"):
        shutil.copy(shipped("scenarios") / name, folder / name)
    return folder


def test_what_to_expect_of_a_product_is_told_as_the_command_tells_it(shop: Path, run: Run) -> None:
    desk = desk_of(shop)
    page = desk.get("/trials/gentle/expect")
    assert "/trials/gentle/expect" in desk.get("/trials/gentle").links
    assert dict(page.form("/expect").fields)["brief"] == "gentle-wash", "the product that it was planned on"
    told = desk.get("/trials/gentle/expect?brief=gentle-wash").text
    rated = run("trials", "rate", shop / "gentle-wash.toml", "--from", shop / "gentle.toml", "--json").json
    for one in rated["expected"]:
        assert one["what"] in told
    figure = next(one["expected"] for one in rated["expected"] if one["what"] == "viscosity")
    assert f"{figure:.0f}" in told
    assert "--" not in told


def test_a_salt_curve_is_laid_and_told_and_a_wrong_reading_is_said_beside_its_field(shop: Path) -> None:
    desk = desk_of(shop)
    assert "/salt" in desk.get("/trials").links
    shutil.copy(shipped("scenarios") / "hand-wash.toml", shop)
    laid = desk.get("/salt?brief=hand-wash&readings=&target=")
    assert laid.status == 200
    verdict = salt(shop / "hand-wash.toml", SaltQuestion({})).document().verdict
    assert " ".join(verdict.split()[:5]) in laid.text.replace("\xa0", " ")
    read = "0%3D120+0.1%3D300+0.2%3D800+0.3%3D1500+0.4%3D1900+0.5%3D1700"
    told = desk.get(f"/salt?brief=hand-wash&readings={read}&target=1200")
    assert told.status == 200
    assert "peak" in told.text
    assert "'tenside " not in told.text
    wrong = desk.get("/salt?brief=hand-wash&readings=0.2&target=")
    assert wrong.status == 422
    assert "write DOSE=VISCOSITY" in wrong.text
