"""The folder taken along from a page: what is carried away is put back whole."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest

from optimizer.answers.kept import Records, bring_back, unpack
from optimizer.answers.starter import lay
from optimizer.errors import DataError
from optimizer.files import digest
from tests.support.desk import TODAY, Browser, desk_of


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a first working folder with a kept formula, and something that is nobody's."""
    made = tmp_path / "bench"
    lay(made)
    desk = desk_of(made)
    desk.get("/formula/first-brief/master")
    desk.submit("/master", {"why": "first"})
    (made / ".hidden").write_text("no", encoding="utf-8")
    return made


@pytest.fixture
def desk(folder: Path) -> Browser:
    """Return a browser on its desk."""
    return desk_of(folder)


def test_the_folder_comes_back_whole(desk: Browser, folder: Path, tmp_path: Path) -> None:
    assert "/along" in desk.get("/").links
    assert "/along/folder.zip" in desk.get("/along").links
    carried = desk.get("/along/folder.zip")
    assert carried.headers["content-disposition"].endswith(f"bench-{TODAY}.zip")
    path = tmp_path / "carried.zip"
    path.write_bytes(carried.content)
    unpack(path, tmp_path / "back")
    there = {p.name: digest(p) for p in folder.iterdir() if not p.name.startswith(".") and p.suffix != ".db"}
    assert {p.name: digest(p) for p in (tmp_path / "back").iterdir() if p.suffix != ".db"} == there
    listed = [Records(at / "records.db").listed().found.masters for at in (folder, tmp_path / "back")]
    assert listed[0] == listed[1]
    assert listed[0]
    assert {p.name for p in tmp_path.iterdir()} == {"bench", "back", "carried.zip"}, "nothing else is left behind"


def test_the_records_come_as_the_command_writes_them(desk: Browser, folder: Path, tmp_path: Path) -> None:
    assert "/along/records.zip" in desk.get("/along").links
    carried = zipfile.ZipFile(io.BytesIO(desk.get("/along/records.zip").content))
    Records(folder / "records.db").export(tmp_path / "written")
    written = {p.relative_to(tmp_path / "written").as_posix(): p for p in (tmp_path / "written").rglob("*.csv")}
    assert written
    for name, path in written.items():
        assert carried.read(name) == path.read_bytes()


def test_an_empty_folder_takes_it_back(desk: Browser, folder: Path, tmp_path: Path) -> None:
    carried = desk.get("/along/folder.zip").content
    (tmp_path / "new").mkdir()
    other = desk_of(tmp_path / "new")
    page = other.get("/")
    back = next(f for f in page.forms if f.buttons)
    refused = other.submit("/", dict(back.buttons), form=back)
    assert (refused.status, "Choose the file that was taken along." in refused.text) == (422, True)
    damaged = carried[: len(carried) // 2]
    again = next(f for f in refused.forms if f.buttons)
    refused = other.submit("/", dict(back.buttons), form=again, files=[("packed", "half.zip", damaged)])
    assert refused.status == 422
    assert list((tmp_path / "new").iterdir()) == []
    again = next(f for f in refused.forms if f.buttons)
    done = other.submit("/", dict(back.buttons), form=again, files=[("packed", "bench.zip", carried)])
    assert "Put back: 6 files." in done.text
    there = {p.name: digest(p) for p in folder.glob("*.*") if not p.name.startswith(".") and p.suffix != ".db"}
    assert {p.name: digest(p) for p in (tmp_path / "new").glob("*.*") if p.suffix != ".db"} == there


def test_nothing_that_lies_there_is_replaced(desk: Browser, tmp_path: Path) -> None:
    carried = desk.get("/along/folder.zip").content
    there = tmp_path / "there"
    there.mkdir()
    (there / "shelf.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(DataError, match="exists"):
        bring_back(there, carried)
    assert [p.name for p in there.iterdir()] == ["shelf.csv"]
    assert (there / "shelf.csv").read_text(encoding="utf-8") == "mine"


def test_without_records_none_are_offered(tmp_path: Path) -> None:
    lay(tmp_path)
    desk = desk_of(tmp_path)
    assert "/along/records.zip" not in desk.get("/along").links
    assert desk.get("/along/records.zip").status == 409


@pytest.mark.parametrize("name", ["/along/..%2Fx.zip", "/along/shelf.csv"])
def test_no_other_file_is_handed_out(desk: Browser, name: str) -> None:
    assert desk.get(name).status == 404
