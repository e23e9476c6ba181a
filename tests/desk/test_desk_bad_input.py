"""Bad input on the desk: a sentence beside the field or on the page, nothing lost, nothing written, never a 500.

"-3", "1,234", empty, letters, a photo of 40 MB, a file deleted or broken underneath, a folder
without write permission. Batches are made up.
"""

from __future__ import annotations

import os
from pathlib import Path
from urllib.parse import urlencode

import pytest

from optimizer.bench.batch import read_batch
from tests.support.desk import Browser, desk_of
from tests.support.harbour import batch_file

PLACE = "/batch/batch-12/weigh"
FIELDS = (
    ("weigh", "/weigh", "grams"),
    ("ph", "/ph", "ph"),
    ("ph", "/ph", "water"),
    ("thicken", "/thicken", "reading"),
    ("finish", "/finish", "mass"),
    ("finish", "/finish", "bottles"),
)
BAD = ("-3", "letters", "1.2.3", "1e400", "=1+1", "NaN", "inf", "\x00", "9" * 400, "12 spoons")


@pytest.fixture
def desk(tmp_path: Path) -> Browser:
    batch_file(tmp_path, "12", bottles=None)
    return desk_of(tmp_path)


def text_of(tmp_path: Path) -> str:
    return (tmp_path / "batch-12.toml").read_text(encoding="utf-8")


@pytest.mark.thorough
@pytest.mark.parametrize(("page", "action", "field"), FIELDS)
def test_what_is_no_figure_is_told_beside_its_field(
    desk: Browser, tmp_path: Path, page: str, action: str, field: str
) -> None:
    before = text_of(tmp_path)
    for typed in BAD:
        desk.get(f"/batch/batch-12/{page}")
        values = {"ph": "5"} if page == "ph" and field != "ph" else {}
        answer = desk.submit(action, {**values, field: typed})
        assert answer.status == 422, (typed, answer.status)
        assert f'id="{field}-problem"' in answer.html or 'class="wrong"' in answer.html
    assert text_of(tmp_path) == before


@pytest.mark.parametrize(("page", "action", "field"), [f for f in FIELDS if f[2] not in ("ph", "water", "bottles")])
def test_a_figure_that_can_be_read_two_ways_is_asked_back_with_two_buttons(
    desk: Browser, tmp_path: Path, page: str, action: str, field: str
) -> None:
    before = text_of(tmp_path)
    desk.get(f"/batch/batch-12/{page}")
    answer = desk.submit(action, {field: "1,234"})
    assert answer.status == 422
    assert "1,234 can be read two ways" in answer.text
    assert [v for n, v in answer.form(action).buttons if n == field] == ["1.234", "1234"]
    assert 'value="1,234"' in answer.html
    assert text_of(tmp_path) == before


def test_the_button_sends_what_it_says(desk: Browser, tmp_path: Path) -> None:
    desk.get(PLACE)
    desk.submit("/weigh", {"grams": "1,234", "lot": "T"})
    form = desk.at.form("/weigh")
    pairs = [*form.fields, ("grams", "1.234")]
    assert desk.post(PLACE, pairs).status == 303
    assert [(w.grams, w.lot) for w in read_batch(tmp_path / "batch-12.toml").weighed] == [(1.234, "T")]


@pytest.mark.parametrize(("page", "action", "field"), [f for f in FIELDS if f[2] in ("grams", "ph", "reading")])
def test_an_empty_field_is_told(desk: Browser, page: str, action: str, field: str) -> None:
    desk.get(f"/batch/batch-12/{page}")
    answer = desk.submit(action, {field: "  "})
    assert answer.status == 422
    assert f'id="{field}-problem"' in answer.html


def test_more_than_is_planned_is_asked_back_and_taken_if_it_is_meant(desk: Browser, tmp_path: Path) -> None:
    desk.get(PLACE)
    answer = desk.submit("/weigh", {"grams": "8000"})
    assert answer.status == 422
    assert "tick 'It is meant so'" in answer.text
    assert "--sure" not in answer.text
    assert desk.submit("/weigh", {"grams": "8000", "sure": "yes"}).status == 200
    assert read_batch(tmp_path / "batch-12.toml").weighed[0].grams == 8000


def test_a_weight_that_two_devices_note_at_once_is_asked_back(desk: Browser, tmp_path: Path) -> None:
    phone = Browser(desk.app, desk.guard).opened(phone=True, formulas=False)
    desk.get(PLACE)
    phone.get(PLACE)
    assert desk.submit("/weigh", {"grams": "400", "lot": "A"}).status == 200
    answer = phone.submit("/weigh", {"grams": "390", "lot": "B"})
    assert answer.status == 422
    assert "are noted already" in answer.text
    assert 'value="390"' in answer.html
    assert "tenside weighed" not in answer.text
    assert phone.submit("/weigh", {"sure": "yes"}).status == 200, "sent again it is a further portion"
    assert [w.lot for w in read_batch(tmp_path / "batch-12.toml").weighed] == ["A", "B"]


def test_a_file_that_is_broken_or_gone_underneath_is_told(desk: Browser, tmp_path: Path) -> None:
    desk.get(PLACE)
    form = desk.at.form("/weigh")
    path = tmp_path / "batch-12.toml"
    whole = path.read_text(encoding="utf-8")
    for broken in (whole.replace("size_g = 1000", "size_g = "), whole.replace("size_g = 1000", "size_g = -5"), ""):
        path.write_text(broken, encoding="utf-8")
        assert desk.get("/").status == 200
        assert "Cannot be read" in desk.at.text
        assert desk.get(PLACE).status == 409
        desk.at.address = PLACE
        answer = desk.submit("/weigh", {"grams": "400"}, form=form)
        assert answer.status in (409, 422)
        assert path.read_text(encoding="utf-8") == broken
    path.unlink()
    assert desk.get(PLACE).status == 404
    assert "no batch of this name" in desk.at.text
    assert desk.get("/").status == 200


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="permissions of POSIX, and not for who may everything")
def test_a_folder_without_write_permission_is_told(desk: Browser, tmp_path: Path) -> None:
    before = text_of(tmp_path)
    desk.get(PLACE)
    tmp_path.chmod(0o555)
    try:
        answer = desk.submit("/weigh", {"grams": "400"})
        assert answer.status == 422
        assert "cannot be written" in answer.text
        assert 'value="400"' in answer.html
    finally:
        tmp_path.chmod(0o755)
    assert text_of(tmp_path) == before


def test_a_folder_that_takes_no_file_is_told(desk: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    before = text_of(tmp_path)
    desk.get(PLACE)
    monkeypatch.setattr("optimizer.files.os.open", refused)
    answer = desk.submit("/weigh", {"grams": "400"})
    monkeypatch.undo()
    assert answer.status == 422
    assert "cannot be written (Permission denied)" in answer.text
    assert 'value="400"' in answer.html
    assert text_of(tmp_path) == before


def test_a_photo_that_is_too_large_or_none_is_told(desk: Browser, tmp_path: Path) -> None:
    desk.get(PLACE)
    desk.submit("/weigh", {"grams": "800"})
    desk.get("/batch/batch-12/keep")
    assert desk.submit("/keep").status == 200
    note = next(f for f in desk.at.forms if ("what-for", "note") in f.fields)
    answer = desk.submit(
        "/record", {"what": "foam"}, form=note, files=[("photo", "p.png", b"\x89PNG" + b"0" * 40_000_000)]
    )
    assert answer.status == 413
    assert "more than 10 MB; nothing was noted" in answer.text
    desk.get("/record?batch=12")
    note = next(f for f in desk.at.forms if ("what-for", "note") in f.fields)
    answer = desk.submit("/record", {"what": "foam"}, form=note, files=[("photo", "p.txt", b"no picture")])
    assert answer.status == 422
    assert "no picture" in answer.text


def test_records_that_are_not_there_are_told(desk: Browser, tmp_path: Path) -> None:
    assert "Nothing is kept yet" in desk.get("/records").text
    assert desk.get("/record?batch=12").status == 409
    (tmp_path / "records.db").write_bytes(b"no records")
    for address in ("/records", "/record?batch=12"):
        assert desk.get(address).status == 409
    assert desk.get("/").status < 500


def test_a_shelf_that_cannot_be_read_is_told(desk: Browser, tmp_path: Path) -> None:
    (tmp_path / "shelf.csv").write_text("material,stock kg\naqua,letters\n", encoding="utf-8")
    assert desk.get("/shelf").status == 409
    assert "'letters' is not a number" in desk.at.text
    bench = desk.get("/")
    assert (bench.status, "'letters' is not a number" in bench.text) == (200, True)
    assert "What runs low cannot be told. shelf.csv, row 2" in bench.text


def test_damaged_records_leave_the_bench_as_it_is_otherwise(desk: Browser, tmp_path: Path) -> None:
    (tmp_path / "shelf.csv").write_text("material,stock kg\naqua,5\n", encoding="utf-8")
    (tmp_path / "records.db").write_bytes(b"garbage " * 500)
    bench = desk.get("/")
    assert bench.status == 200
    assert "/batch/batch-12/weigh" in bench.links
    assert "What is to be read cannot be told. records.db: this is no store of records." in bench.text
    assert "--store" not in bench.text + desk.get("/shelf").text


def test_broken_defaults_of_the_bench_are_told_by_their_file(desk: Browser, tmp_path: Path) -> None:
    (tmp_path / "shelf.csv").write_text("material,stock kg\naqua,5\n", encoding="utf-8")
    (tmp_path / "bench.toml").write_text("loss_percent = ", encoding="utf-8")
    assert "What runs low cannot be told. bench.toml: this is not valid TOML" in desk.get("/").text


@pytest.mark.parametrize(
    ("typed", "said"),
    [("1,234", "can be read two ways"), ("-3", "cannot be"), ("abc", "is not a number"), ("", "what is left")],
)
def test_what_is_left_of_a_material_is_asked_back_beside_its_field(desk: Browser, typed: str, said: str) -> None:
    page = desk.get(f"/batch/batch-12/without?{urlencode({'material': 'cocamidopropyl-betaine', 'left': typed})}")
    assert (page.status, said in page.text) == (422, True)
    form = page.form("/without")
    assert dict(form.fields) == {"material": "cocamidopropyl-betaine", "left": typed}
    if typed == "1,234":
        assert form.buttons == [("left", "1.234"), ("left", "1234")]


@pytest.mark.parametrize(
    "query", ["?line=999", "?line=x", "?said=", "?said=%00", "?line=-1&line=2", "?" + "a=1&" * 500]
)
def test_odd_addresses_are_pages_all_the_same(desk: Browser, query: str) -> None:
    assert desk.get(PLACE + query).status == 200
