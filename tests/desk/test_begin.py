"""A product begun by questions on the desk: fields, refusals, and the brief that lies there then."""

from __future__ import annotations

from pathlib import Path

import pytest
import typer

import optimizer as tenside
from optimizer import cli
from optimizer.brief.beginning import ACIDITY, FREE, MILDNESS, PERFUME_PERCENT, PRODUCTS, STRENGTHS
from tests.support.command import Ran, Run
from tests.support.desk import desk_of

ANSWERS = {
    "name": "Harbour shower", "product": "body wash", "strength": "usual", "mildness": "gentle", "acidity": "mild",
    "free-sulfate": "yes", "perfume": "parfum", "perfume_percent": "0,4", "budget": "3,5",
}  # fmt: skip


def test_answers_in_an_empty_folder_make_a_product(tmp_path: Path) -> None:
    desk = desk_of(tmp_path)
    asked = desk.get("/begin").text
    assert all(offer.words in asked for offer in PRODUCTS)
    page = desk.submit("/begin", ANSWERS)
    assert page.address.startswith("/formula/harbour-shower")
    assert "Harbour shower is begun." in page.text
    brief = tenside.read_brief(tmp_path / "harbour-shower.toml")
    limits = {rule.id: rule.limits for rule in brief.modelled}
    assert limits["perfume"] == (0.4, 0.4)
    assert limits["budget"][1] == 3.5
    assert brief.scenario.pool.free_from == ("sulfate",)
    assert f"{tenside.blend(brief).found.cost:.3f} EUR per kg" in page.text


SAID = (
    "--product", "body-wash", "--name", "Harbour shower", "--strength", "usual", "--mildness", "gentle", "--ph", "mild",
    "--free", "sulfate", "--perfume", "parfum", "--perfume-percent", "0,4", "--budget", "3,5",
)  # fmt: skip
"""The answers as options of `tenside start`."""


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({}, ()),
        (
            {"free-formaldehyde-releaser": "yes", "without-coco-glucoside": "yes", "acidity": "like skin"},
            ("--free", "formaldehyde-releaser", "--without", "Coco-Glucoside", "--ph", "like-skin"),
        ),
    ],
)
def test_the_command_asks_the_same_and_lays_the_same_files(
    tmp_path: Path, run: Run, typed: dict[str, str], said: tuple[str, ...]
) -> None:
    by_page, by_command = tmp_path / "page", tmp_path / "command"
    for folder in (by_page, by_command):
        assert run("start", folder).code == 0
    desk = desk_of(by_page)
    desk.get("/begin")
    assert desk.submit("/begin", {**ANSWERS, **typed}).status == 200
    ran = run("start", by_command, *SAID, *said)
    brief = by_command / "harbour-shower.toml"
    assert ran == Ran(0, f"wrote {brief}\n\nNext: tenside blend {brief}\n", "")
    page, command = ({f.name: f.read_bytes() for f in folder.iterdir()} for folder in (by_page, by_command))
    assert page == command
    assert run("blend", brief, "--json").json["ending"] == "optimal"


def test_one_answer_is_enough_and_all_that_is_laid_is_told(tmp_path: Path, run: Run) -> None:
    ran = run("start", tmp_path / "new", "--product", "face wash")
    assert ran.code == 0
    wrote = [line.removeprefix("wrote ") for line in ran.out.splitlines() if line.startswith("wrote ")]
    assert sorted(wrote) == sorted(str(path) for path in (tmp_path / "new").iterdir())
    assert tenside.read_brief(tmp_path / "new" / "face-wash.toml").scenario.name == "Face wash"


@pytest.mark.parametrize(
    ("said", "told"),
    [
        (("--budget", "3"), "--product: say what it is: hand wash, body wash, face wash or shampoo."),
        (("--product", "soap"), "product: 'soap' is not offered."),
        (("--product", "shampoo", "--ph", "alkaline"), "ph: 'alkaline' is not offered."),
        (("--product", "shampoo", "--budget", "1,234"), "--budget: '1,234' can be read two ways"),
        (("--product", "shampoo", "--perfume", "coco-glucoside"), "there is no material 'coco-glucoside'. Known: "),
        (("--product", "shampoo", "--without", "gold dust"), "there is no material 'gold dust'."),
    ],
)
def test_an_option_that_cannot_be_is_told_and_nothing_is_laid(
    tmp_path: Path, run: Run, said: tuple[str, ...], told: str
) -> None:
    ran = run("start", tmp_path / "new", *said)
    assert ran.code in (2, 3)
    assert told in ran.err
    assert not (tmp_path / "new").exists()


def test_the_help_names_every_answer_that_is_offered() -> None:
    told = {param.name: param.help for param in typer.main.get_command(cli.app).commands["start"].params}
    offers = {
        "product": PRODUCTS, "strength": STRENGTHS["shampoo"], "mildness": MILDNESS, "acidity": ACIDITY, "free": FREE
    }  # fmt: skip
    assert all(offer.key in told[name] for name, every in offers.items() for offer in every)
    assert {"name", "without", "perfume", "percent", "budget"} < set(told)


def test_what_cannot_be_is_told_beside_its_field_and_nothing_is_lost(tmp_path: Path) -> None:
    desk = desk_of(tmp_path)
    desk.get("/begin")
    page = desk.submit("/begin", {**ANSWERS, "budget": "1,234"})
    assert page.status == 422
    assert "1,234 can be read two ways" in page.text
    assert 'value="Harbour shower"' in page.html
    assert not list(tmp_path.glob("harbour*"))
    page = desk.submit("/begin", {**ANSWERS, "name": "!"})
    assert "The product has no name." in page.text
    assert not list(tmp_path.glob("*.toml"))


def test_no_perfume_at_all_is_asked_back_and_an_empty_field_is_the_usual(tmp_path: Path) -> None:
    desk = desk_of(tmp_path)
    desk.get("/begin")
    page = desk.submit("/begin", {**ANSWERS, "perfume_percent": "0"})
    assert page.status == 422
    assert "0 % of perfume is not above 0 and at most 3 %" in page.text
    assert not list(tmp_path.glob("*.toml"))
    desk.submit("/begin", {**ANSWERS, "perfume_percent": ""})
    limits = {rule.id: rule.limits for rule in tenside.read_brief(tmp_path / "harbour-shower.toml").modelled}
    assert limits["perfume"] == (PERFUME_PERCENT, PERFUME_PERCENT)


def test_materials_of_the_shelf_can_be_left_out(tmp_path: Path) -> None:
    desk = desk_of(tmp_path)
    desk.get("/begin")
    desk.submit("/begin", {**ANSWERS, "name": "First"})
    page = desk.get("/begin")
    assert "Leave out single materials" in page.text
    desk.submit("/begin", {**ANSWERS, "without-coco-glucoside": "yes"})
    assert tenside.read_brief(tmp_path / "harbour-shower.toml").scenario.pool.without == ("coco-glucoside",)


def test_a_product_that_cannot_be_is_begun_all_the_same_and_says_what_clashes(tmp_path: Path) -> None:
    desk = desk_of(tmp_path)
    desk.get("/begin")
    page = desk.submit("/begin", {**ANSWERS, "budget": "0,5"})
    assert "Nothing fits" in page.text
    clash = desk.get(next(link for link in page.links if "/impossible" in link))
    assert "material cost" in clash.text
    tried = next(link for link in clash.links if "budget.at_most" in link)
    assert "EUR per kg" in desk.get(tried).text


@pytest.mark.parametrize(
    ("free", "perfume", "why"),
    [
        ("animal", "parfum", "nobody declares it free from anything of animal origin"),
        ("oil", "essential-oil-lavender", "it is an essential oil"),
    ],
)
def test_a_perfume_that_must_not_be_in_is_told_at_the_question_with_a_way_out(
    tmp_path: Path, free: str, perfume: str, why: str
) -> None:
    desk = desk_of(tmp_path)
    desk.get("/begin")
    answers = {**ANSWERS, f"free-{free}": "yes", "perfume": perfume}
    page = desk.submit("/begin", answers)
    assert page.status == 422
    assert f"exclude each other: {why}." in page.text
    assert not list(tmp_path.glob("harbour*"))
    assert ("perfume", "") in page.form("/begin").buttons
    desk.submit("/begin", {**answers, "perfume": ""})
    assert tenside.read_brief(tmp_path / "harbour-shower.toml").scenario.name == "Harbour shower"
