"""A whole range, lots that differ, several products: what the pages show is what the commands answer, or why not.

Figures are made up around those of the shipped briefs.
"""

from __future__ import annotations

import time
from pathlib import Path
from shutil import copytree
from urllib.parse import urlencode

import pytest

import optimizer as tenside
from optimizer.desk import work
from optimizer.files import shipped
from optimizer.units import number
from tests.support.desk import Answer, Browser, desk_of
from tests.support.harbour import batch_file

RANGE = {"vary": "active.at_least", "from": "9", "to": "10", "steps": "3", "without": "coco-glucoside"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the demo's briefs as a folder of one's own; nothing here writes."""
    return copytree(shipped("scenarios"), tmp_path_factory.mktemp("several") / "demo")


@pytest.fixture
def desk(folder: Path) -> Browser:
    """Return a browser on its desk."""
    return desk_of(folder)


def answered(desk: Browser, address: str) -> Answer:
    """Return a page once it is no longer being worked out."""
    for _ in range(120):
        answer = desk.get(address)
        assert answer.status == 200, answer.text
        if "It is being worked out" not in answer.text:
            return answer
        time.sleep(0.5)
    raise AssertionError("it never came")


def test_a_range_shows_every_answer_that_the_command_gives(desk: Browser, folder: Path) -> None:
    page = answered(desk, f"/formula/hand-wash/range?{urlencode(RANGE)}")
    told = tenside.vary(folder / "hand-wash.toml", {"active.at_least": [9, 9.5, 10]}, missing=["coco-glucoside"])
    costs = [float(c) for c in told.found.frame.cost]
    assert len(costs) == 6
    for cost in costs:
        assert number(cost, 4) in page.text
    assert "active matter at least" in page.text
    assert "without Coco-Glucoside" in page.text
    for id_ in ("active.at_least", "coco-glucoside", "benzoate-partner", "amphoteric-share"):
        assert id_ not in page.text


def test_a_range_begins_at_the_draft_of_the_address(desk: Browser, folder: Path) -> None:
    page = answered(desk, f"/formula/hand-wash/range?mildness.at_least=60&{urlencode({**RANGE, 'without': ''})}")
    moved = tenside.blend(tenside.read_brief(folder / "hand-wash.toml", mildness__at_least=60)).found
    assert number(moved.formula.cost, 4) in page.text


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"from": "x"}, "from"), ({"from": ""}, "from"), ({"to": "-3"}, "to"), ({"to": "9"}, "to"),
        ({"from": "1,234"}, "from"), ({"steps": "1"}, "steps"), ({"steps": "9999"}, "steps"),
        ({"vary": "no.such"}, "vary"), ({"without": "../etc"}, "without"),
    ],
)  # fmt: skip
def test_what_is_no_range_is_told_beside_its_field(desk: Browser, changed: dict[str, str], field: str) -> None:
    answer = desk.get(f"/formula/hand-wash/range?{urlencode({**RANGE, **changed})}")
    assert answer.status == 422
    assert 'class="problem"' in answer.html.partition(f'id="{field}"')[2].partition("</div>")[0]


def test_a_range_that_is_broken_off_is_forgotten(desk: Browser) -> None:
    address = f"/formula/hand-wash/range?{urlencode({**RANGE, 'steps': '4'})}"
    answered(desk, address)
    device = desk.guard.devices()[0][1]
    sent = desk.post(address, [("form", device.form_id("/formula/hand-wash/range"))])
    assert sent.status == 303
    assert "It was broken off." in desk.follow(sent).text


NAMES = ("hand-wash", "body-wash", "facial-wash", "curl-wash")
LONG = (
    "/formula/body-wash/lots?off=2",
    "/several/one-shelf?" + urlencode({f"kg.{name}": "40" for name in NAMES}),
    "/several/side-by-side?" + urlencode({f"is.{name}": "yes" for name in NAMES}),
)


@pytest.mark.parametrize("address", LONG)
def test_a_long_question_is_broken_off_in_the_middle(
    desk: Browser, monkeypatch: pytest.MonkeyPatch, address: str
) -> None:
    begun = list[work.Work]()
    known = work.Work.__init__

    def watched(self: work.Work, ask: object) -> None:
        begun.append(self)
        known(self, ask)  # type: ignore[arg-type]

    monkeypatch.setattr(work.Work, "__init__", watched)
    monkeypatch.setattr(work, "SOON_S", 0.0)
    page = desk.get(address)
    assert "Break it off" in page.html
    stopped = desk.submit(address.partition("?")[0], form=next(f for f in page.forms if f.method == "post"))
    assert "It was broken off." in stopped.text
    (long,) = begun
    assert long.done.wait(20), "nothing goes on behind the page"
    assert (long.found, long.trouble) == ("", "It was broken off; nothing is left of it.")


@pytest.mark.thorough
def test_the_formula_that_is_safe_while_lots_differ_is_that_of_the_command(desk: Browser, folder: Path) -> None:
    page = answered(desk, "/formula/hand-wash/lots?off=1")
    found = tenside.robust(folder / "hand-wash.toml", off=1).found
    assert f"{found.formula.cost:.4f}" in page.text
    assert desk.get("/formula/hand-wash/lots?off=many").status == 422


def test_products_lie_side_by_side_with_their_costs(desk: Browser, folder: Path) -> None:
    desk.get("/")
    assert "/several" in desk.at.links
    page = answered(desk, "/several/side-by-side?is.hand-wash=yes&is.body-wash=yes")
    for name in ("hand-wash", "body-wash"):
        cost = tenside.blend(tenside.read_brief(folder / f"{name}.toml")).found.weighable.cost
        assert f"{cost:.3f}" in page.text
    assert "Coco-Glucoside" in page.text
    alone = desk.get("/several/side-by-side?is.hand-wash=yes")
    assert (alone.status, "Tick two products or more." in alone.text) == (422, True)


def test_products_from_one_shelf_buy_what_the_command_buys(desk: Browser, folder: Path) -> None:
    page = answered(desk, "/several/one-shelf?kg.hand-wash=40&kg.body-wash=60,5")
    plan = tenside.together({str(folder / "hand-wash.toml"): 40, str(folder / "body-wash.toml"): 60.5}).found
    assert f"{plan.spent:.2f}" in page.text
    assert "60.5" in page.text


@pytest.mark.parametrize(
    ("typed", "said"),
    [("-3", "cannot be"), ("letters", "is not a number"), ("1,234", "can be read two ways"), ("", "Say how many kg")],
)
def test_a_mass_that_cannot_be_is_told(desk: Browser, typed: str, said: str) -> None:
    answer = desk.get(f"/several/one-shelf?{urlencode({'kg.hand-wash': typed})}")
    assert answer.status == 422
    assert said in answer.text
    if typed:
        assert f'value="{typed}"' in answer.html


def test_two_products_of_one_name_are_told_apart_by_their_files(tmp_path: Path) -> None:
    folder = copytree(shipped("scenarios"), tmp_path / "demo")
    brief = (folder / "hand-wash.toml").read_text(encoding="utf-8")
    (folder / "hand-wash-2.toml").write_text(brief.replace("at_least = 9", "at_least = 9.5", 1), encoding="utf-8")
    for place in (folder, folder / "old"):
        place.mkdir(exist_ok=True)
        (place / "tried.csv").write_text("material,percent\naqua,100\n", encoding="utf-8")
    for number_, of in (("1", "hand-wash"), ("2", "hand-wash-2")):
        laid = batch_file(folder, number_)
        text = laid.read_text(encoding="utf-8").replace('brief = "hand-wash"', f'brief = "{of}.toml"')
        laid.write_text(text, encoding="utf-8")
    desk = desk_of(folder)
    name = tenside.blend("hand-wash").found.brief.scenario.name
    for address, words in (
        ("/", f"{name} hand-wash-2"),
        ("/several", f"{name} (hand-wash-2)"),
        ("/trials", f"{name} (hand-wash-2)"),
        ("/bring", f"{name} (hand-wash-2)"),
        ("/own/tried.csv/check", f"{name} (hand-wash-2)"),
    ):
        page = desk.get(address).text
        assert words in page, address
        assert words.replace("hand-wash-2", "hand-wash") in page, address
    bench = desk.get("/").text
    assert "body-wash" not in bench, "a name of its own needs no file"
    assert "tried tried.csv" in bench
    assert "tried old/tried.csv" in bench
    assert "after hand-wash-2.toml" in bench
    asked = urlencode({"kg.hand-wash": "1", "kg.hand-wash-2": "1"})
    page = answered(desk, f"/several/one-shelf?{asked}").text
    assert f"{name} (hand-wash.toml)" in page
    assert f"{name} (hand-wash-2.toml)" in page
