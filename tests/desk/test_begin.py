"""A product begun by questions on the desk: fields, refusals, and the brief that lies there then."""

from __future__ import annotations

from pathlib import Path

import pytest

import optimizer as tenside
from optimizer.brief.beginning import PRODUCTS
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
