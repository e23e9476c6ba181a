"""A formula brought to a new lot on the desk: the grams are those of the command. The lots are made up."""

from __future__ import annotations

import json
from pathlib import Path
from shutil import copytree
from urllib.parse import urlencode

import pytest
from typer.testing import CliRunner

from optimizer.cli.every import app
from optimizer.data.shelf import read_shelf
from optimizer.files import shipped
from optimizer.units import number
from tests.support.desk import Browser, desk_of

RUN = CliRunner()
BETAINE = "cocamidopropyl-betaine"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the demo's briefs as a folder of one's own, with a formula; nothing here writes."""
    found = copytree(shipped("scenarios"), tmp_path_factory.mktemp("lot") / "demo")
    blend = RUN.invoke(app, ["blend", str(found / "hand-wash.toml"), "--json"]).stdout
    (found / "blend.json").write_text(blend, encoding="utf-8")
    lines = json.loads(blend)["rounded"]["formula"]
    table = "".join(f"{line['id']},{line['percent']}\n" for line in lines)
    (found / "mine.csv").write_text(f"material,percent\n{table}", encoding="utf-8")
    return found


@pytest.fixture
def desk(folder: Path) -> Browser:
    """Return a browser on its desk."""
    return desk_of(folder)


def address(folder: Path, **typed: str) -> str:
    """Return the page of the betaine's line."""
    line = next(ln for ln in read_shelf(folder / "shelf.csv").lines if ln.material == BETAINE)
    return f"/lot?{urlencode({'of': 'shelf.csv', 'line': str(line.row), **typed})}"


def commanded(folder: Path, formula: str) -> dict[str, float]:
    """Return the grams that the command tells."""
    options = ["--batch", "5", "--step", "1", "--lot", f"{BETAINE}=27.5", "--json"]
    told = RUN.invoke(app, ["restandardise", str(folder / formula), str(folder / "hand-wash.toml"), *options])
    return json.loads(told.stdout)["grams"]


@pytest.mark.parametrize(("formula", "file"), [("best", "blend.json"), ("mine.csv", "mine.csv")])
def test_the_grams_are_those_of_the_command(desk: Browser, folder: Path, formula: str, file: str) -> None:
    asked = {"for": "hand-wash", "formula": formula, "active": "27,5", "kg": "5", "step": "1"}
    page = desk.get(address(folder, **asked))
    grams = commanded(folder, file)
    assert page.status == 200
    assert len(grams) > 5
    for mass in grams.values():
        assert number(mass, 1) in page.text.replace(",", "")


def test_the_shelf_leads_there(desk: Browser, folder: Path) -> None:
    assert address(folder) in desk.get("/shelf").links
    page = desk.get(address(folder))
    assert (page.status, "A new lot of Cocamidopropyl Betaine" in page.text) == (200, True)


@pytest.mark.parametrize(
    ("typed", "field", "said"),
    [
        ({"active": ""}, "active", "Type the active matter"),
        ({"active": "101"}, "active", "cannot be"),
        ({"active": "2"}, "active", ""),
        ({"kg": "1,234"}, "kg", "two ways"),
        ({"step": "-1"}, "step", "cannot be"),
    ],
)
def test_what_cannot_be_is_told_beside_its_field(
    desk: Browser, folder: Path, typed: dict[str, str], field: str, said: str
) -> None:
    asked = {"for": "hand-wash", "formula": "best", "active": "27,5", "kg": "5", "step": "1", **typed}
    page = desk.get(address(folder, **asked))
    problem = page.html.partition(f'id="{field}-problem"')[2].partition("</p>")[0]
    assert page.status == 422
    assert problem
    assert said in problem
    assert "--lot" not in page.text


def test_a_line_or_a_product_that_is_not_there(desk: Browser) -> None:
    assert "no such line" in desk.get("/lot?of=..%2Fshelf.csv&line=2").text
    assert "no such line" in desk.get("/lot?of=shelf.csv&line=9999").text
