"""Files of any name a disk allows: every link of the bench and of their pages leads somewhere."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path
from shutil import copy

import pytest

from optimizer.files import shipped
from tests.support.desk import desk_of
from tests.support.draws import some
from tests.support.harbour import batch_file

NAMES = ('100%25 "mild" #1? <x>', "küste & a+b = c")


@pytest.mark.parametrize("name", some(NAMES, 1))
def test_a_file_of_any_name_is_reached_by_its_links(tmp_path: Path, name: str) -> None:
    for file in ("hand-wash.toml", "common.toml", "shelf.csv"):
        copy(shipped("scenarios") / file, tmp_path / file)
    (tmp_path / "hand-wash.toml").rename(tmp_path / f"{name}.toml")
    batch_file(tmp_path, "12", bottles=None).rename(tmp_path / f"batch {name}.toml")
    desk = desk_of(tmp_path)
    found = [link for link in desk.get("/").links if link.startswith(("/formula/", "/batch/"))]
    assert {link.split("/")[1] for link in found} == {"formula", "batch"}
    seen: set[str] = set()
    for first in found:
        page = desk.get(unescape(first))
        assert page.status == 200, first
        own = [unescape(to) for to in page.links if to.startswith(("/formula/", "/batch/"))]
        assert own, first
        for link in set(own) - seen:
            seen.add(link)
            answer = desk.send("GET", re.sub("#.*", "", link))
            assert answer.status in (200, 202), (first, link)
