"""A working folder packed and put back is the same, records and all; a damaged or foreign zip puts nothing back."""

from __future__ import annotations

import hashlib
import json
import os
import zipfile
from pathlib import Path

import pytest

from optimizer.errors import DataError
from optimizer.records.packing import LIST, pack, unpack
from optimizer.records.store import open_store
from tests.support.hostile import ask


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder as a maker has it after a batch."""
    monkeypatch.chdir(tmp_path)
    assert ask("start", "bench").code == 0
    for args in (
        ("batch", "bench/first-brief.toml", "--size", "1kg", "--number", "B1", "--out", "bench/batches.toml"),
        ("records", "keep", "bench/batches.toml"),
    ):
        told = ask(*args)
        assert told.code == 0, told.err
    (tmp_path / "bench" / "photos").mkdir()
    (tmp_path / "bench" / "photos" / "foam.png").write_bytes(os.urandom(4000))
    (tmp_path / "bench" / ".secret").write_text("x", encoding="utf-8")
    return tmp_path / "bench"


def content_of(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_there_and_back_everything_is_the_same(bench: Path) -> None:
    told = json.loads(ask("pack-up", "bench", "--out", "b.zip", "--json").out)
    assert (told["records"], told["left_out"]) == (["records.db"], [".secret"])
    done = ask("unpack", "b.zip", "again")
    assert done.code == 0, done.err
    assert "tenside list again" in done.out
    before, after = content_of(bench), content_of(Path("again"))
    del before[".secret"], before["records.db"]
    kept = after.pop("records.db")
    assert after == before
    assert kept.startswith(b"SQLite format 3")
    assert ask("blend", "again/first-brief.toml").code == 0
    shown = json.loads(ask("records", "show", "B1", "--store", "again/records.db", "--json").out)
    assert shown["revision"] == 1
    assert ask("records", "check", "--store", "again/records.db").code == 0


def test_without_a_name_it_lies_beside_the_folder_and_no_zip_is_packed_again(bench: Path) -> None:
    told = json.loads(ask("pack-up", "bench", "--json").out)
    zipped = Path(told["zip"])
    assert (zipped.parent, zipped.name.startswith("bench-")) == (bench.parent, True)
    inside = bench / "old.zip"
    inside.write_bytes(zipped.read_bytes())
    assert "old.zip" in json.loads(ask("pack-up", "bench", "--out", "c.zip", "--json").out)["left_out"]
    assert "would be lost" in ask("pack-up", "bench", "--out", "c.zip").err


def test_files_of_any_day_and_damaged_zips_are_packed_like_others(bench: Path) -> None:
    """A telephone's or a restored folder's files are often dated 1970, before a zip's first day."""
    os.utime(bench / "photos" / "foam.png", (0, 0))
    broken = bench / "broken.zip"
    with zipfile.ZipFile(broken, "w") as out:
        out.writestr("x.txt", "x")
    broken.write_bytes(broken.read_bytes().replace(b"PK\x01\x02", b"PK\x01\x03"))  # its directory; its end is whole
    pack(bench, Path("b.zip"))
    unpack(Path("b.zip"), Path("again"))
    before, after = content_of(bench), content_of(Path("again"))
    assert {name: after[name] for name in ("photos/foam.png", "broken.zip")} == {
        name: before[name] for name in ("photos/foam.png", "broken.zip")
    }


def test_a_store_that_is_being_written_is_copied_whole(bench: Path) -> None:
    with open_store(bench / "records.db") as store, store.reading():
        pack(bench, Path("b.zip"))
    unpack(Path("b.zip"), Path("again"))
    assert ask("records", "check", "--store", "again/records.db").code == 0


def test_nothing_is_put_over_what_is_there(bench: Path) -> None:
    pack(bench, Path("b.zip"))
    before = content_of(bench)
    with pytest.raises(DataError, match="would be lost"):
        unpack(Path("b.zip"), bench)
    assert content_of(bench) == before


def test_damaged_and_foreign_zips_put_nothing_back(bench: Path) -> None:
    pack(bench, Path("b.zip"))
    whole = Path("b.zip").read_bytes()
    foreign, away = Path("foreign.zip"), Path("away.zip")
    with zipfile.ZipFile(foreign, "w") as out:
        out.writestr("x.txt", "x")
    with zipfile.ZipFile(away, "w") as out:
        out.writestr("../evil.txt", "x")
        out.writestr(LIST, json.dumps({"tenside_packed": 1, "files": {"../evil.txt": "0"}}))
    Path("cut.zip").write_bytes(whole[: len(whole) // 2])
    for name, member, way in (
        ("lzma.zip", "a.txt", zipfile.ZIP_LZMA),
        ("bzip2.zip", "a.txt", zipfile.ZIP_BZIP2),
        ("long.zip", "a" * 300 + ".txt", zipfile.ZIP_STORED),
        ("named.zip", "a\u00e4\u00e4.txt", zipfile.ZIP_STORED),
    ):
        content = os.urandom(4000)
        with zipfile.ZipFile(name, "w") as out:
            out.writestr(member, content, way)
            digest = hashlib.sha256(content).hexdigest()
            out.writestr(LIST, json.dumps({"tenside_packed": 1, "files": {member: digest}}))
        if name != "long.zip":
            there = bytearray(Path(name).read_bytes())
            there[60:1000] = b"\xff" * 940
            Path(name).write_bytes(there.replace("\u00e4\u00e4".encode(), b"\xff" * 4))
    changed = bytearray(whole)
    changed[len(whole) // 3] ^= 0xFF
    Path("changed.zip").write_bytes(bytes(changed))
    there = set(os.listdir())
    for name, said in (
        ("foreign.zip", "this is no folder that"),
        ("away.zip", "its list does not fit what is in it"),
        ("cut.zip", "the zip is damaged"),
        ("changed.zip", "the zip is damaged"),
        ("lzma.zip", "the zip is damaged: it cannot be read"),
        ("bzip2.zip", "the zip is damaged: it cannot be read"),
        ("named.zip", "the zip is damaged: it cannot be read"),
        ("long.zip", "the zip is damaged: a name in it is longer than names can be here"),
        ("none.zip", "there is no such file"),
    ):
        told = ask("unpack", name, "again")
        assert (told.code, said in told.err) == (3, True), told
        assert set(os.listdir()) == there
