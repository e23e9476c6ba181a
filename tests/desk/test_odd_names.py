"""Files of any name a disk allows: every link of the bench and of their pages leads somewhere."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path
from shutil import copy

import pytest

from optimizer.files import shipped
from tests.support.desk import Browser, desk_of
from tests.support.harbour import batch_file

NAMES = ('100%25 "mild" #1? <x>', "küste & a+b = c")


@pytest.fixture(params=NAMES)
def desk(tmp_path: Path, request: pytest.FixtureRequest) -> Browser:
    """Return a browser on the desk of a folder whose brief and batch have such a name."""
    for file in ("hand-wash.toml", "common.toml", "shelf.csv"):
        copy(shipped("scenarios") / file, tmp_path / file)
    (tmp_path / "hand-wash.toml").rename(tmp_path / f"{request.param}.toml")
    batch_file(tmp_path, "12", bottles=None).rename(tmp_path / f"batch {request.param}.toml")
    return desk_of(tmp_path)


def firsts(desk: Browser) -> list[str]:
    return [unescape(link) for link in desk.get("/").links if link.startswith(("/formula/", "/batch/"))]


def test_the_bench_leads_to_a_file_of_any_name(desk: Browser) -> None:
    found = firsts(desk)
    assert {link.split("/")[1] for link in found} == {"formula", "batch"}
    assert [link for link in found if desk.get(link).status != 200] == []


@pytest.mark.thorough
def test_every_link_of_its_pages_leads_somewhere(desk: Browser) -> None:
    seen: set[str] = set()
    for first in firsts(desk):
        own = {unescape(to) for to in desk.get(first).links if to.startswith(("/formula/", "/batch/"))}
        assert own, first
        for link in sorted(own - seen):
            assert desk.send("GET", re.sub("#.*", "", link)).status in (200, 202), (first, link)
        seen |= own
