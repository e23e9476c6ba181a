"""Trials on the desk: beakers chosen, read on the phone, told, chosen further; files as the commands write them.

The series is the demo's: its readings are made up from a stated truth (see `scenarios/trials/gentle-wash.toml`).
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from optimizer.files import shipped
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
