"""Pictures as files: SVG and printed pages need no matplotlib, PNG and PDF say how to get it."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from optimizer.answers.starter import lay
from tests.support import hostile

SVG = "{http://www.w3.org/2000/svg}"


def ask(*words: str | Path) -> hostile.Told:
    """Return what the command line answers."""
    return hostile.ask(*map(str, words))


@pytest.fixture
def first(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the first brief that the tool lays out, which is linear."""
    folder = tmp_path_factory.mktemp("first") / "bench"
    lay(folder)
    return folder / "first-brief.toml"


@pytest.fixture
def without(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take matplotlib away, as on a machine where the extra was not installed."""
    for name in [n for n in sys.modules if n.partition(".")[0] == "matplotlib"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "matplotlib", None)


@pytest.mark.usefixtures("without")
@pytest.mark.parametrize("study", ["frontier", "leeway"])
def test_svg_is_drawn_without_matplotlib(tmp_path: Path, first: Path, study: str) -> None:
    path = tmp_path / "x.svg"
    assert ask(study, first, "--picture", path).code == 0
    text = path.read_text(encoding="utf-8")
    root = ElementTree.fromstring(text)
    assert root.tag == f"{SVG}svg"
    assert len(root.findall(f".//{SVG}path")) + len(root.findall(f".//{SVG}rect")) > 5
    assert "My first wash" in "".join(root.itertext())
    assert "var(" not in text, "a program that knows no named colours draws it all the same"
    assert set(re.findall(r'class="(\w+)"', text)) - {"picture", "figure"} <= set(re.findall(r"\.(\w+) \{", text))


def test_svg_is_the_same_with_and_without_matplotlib(
    tmp_path: Path, first: Path, request: pytest.FixtureRequest
) -> None:
    paths = [tmp_path / "with.svg", tmp_path / "without.svg"]
    assert ask("leeway", first, "--picture", paths[0]).code == 0
    request.getfixturevalue("without")
    assert ask("leeway", first, "--picture", paths[1]).code == 0
    assert paths[0].read_bytes() == paths[1].read_bytes()


@pytest.mark.usefixtures("without")
@pytest.mark.parametrize("study", ["frontier", "leeway"])
@pytest.mark.parametrize("ending", ["png", "pdf"])
def test_other_pictures_say_how_to_install_what_they_need(tmp_path: Path, first: Path, study: str, ending: str) -> None:
    answer = ask(study, first, "--picture", tmp_path / f"x.{ending}")
    assert answer.code == 2
    assert answer.out == ""
    assert " ".join(answer.err.split()) == (
        f"tenside: --picture: 'x.{ending}' needs matplotlib, which is not installed: pip install 'tenside[pictures]'. "
        "Or name it x.svg, which needs nothing more."
    )
    assert not list(tmp_path.iterdir())


@pytest.mark.thorough
@pytest.mark.parametrize("study", ["frontier", "leeway"])
def test_with_it_they_are_written_the_same_each_time(tmp_path: Path, first: Path, study: str) -> None:
    pytest.importorskip("matplotlib")
    for ending, sign in (("png", b"\x89PNG"), ("pdf", b"%PDF")):
        paths = [tmp_path / f"{k}.{ending}" for k in "ab"]
        for path in paths:
            assert ask(study, first, "--picture", path).code == 0
        assert paths[0].read_bytes() == paths[1].read_bytes()
        assert paths[0].read_bytes().startswith(sign)


@pytest.mark.thorough
@pytest.mark.usefixtures("without")
def test_printed_pages_need_no_matplotlib(tmp_path: Path) -> None:
    from optimizer.report.formats.paper import fonts

    fonts.cache_clear()
    assert ask("card", "hand-wash", "--pdf", tmp_path / "card.pdf").code == 0
    assert b"DejaVuSans" in (tmp_path / "card.pdf").read_bytes()


def test_a_curve_without_points_is_not_drawn_and_it_is_said(tmp_path: Path) -> None:
    path = tmp_path / "x.svg"
    answer = ask("frontier", "impossible-wash", "--picture", path)
    assert answer.code == 4
    assert "no curve to draw" in answer.err
    assert not path.exists()


def test_a_picture_is_refused_before_anything_is_computed(
    tmp_path: Path, first: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("optimizer.studies.frontier.frontier", None)
    there = tmp_path / "x.svg"
    there.write_text("mine", encoding="utf-8")
    assert ask("frontier", first, "--picture", there).code == 3
    assert ask("frontier", first, "--picture", tmp_path / "x.gif").code == 2
    assert there.read_text(encoding="utf-8") == "mine"
