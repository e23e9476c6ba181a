"""A formula of one's own on the desk: read as the command reads it, kept to the byte, held against a brief, laid.

The formula is made up; what is told of it is asked of the commands.
"""

from __future__ import annotations

import io
from pathlib import Path
from shutil import copytree

import pytest
from openpyxl import Workbook

import optimizer as tenside
from optimizer.answers.bench import lay_batch
from optimizer.answers.intake import sent_lines, take_formula
from optimizer.answers.papers import advice_for, cost_for
from optimizer.answers.subject import subject_of
from optimizer.desk import watch
from optimizer.desk.folder import Folder
from optimizer.files import shipped
from optimizer.intake.typed import as_table
from optimizer.units import number
from tests.support.desk import TODAY, Answer, Browser, desk_of

LINES = """water; to 100
SLES; 20
CAPB; 8
Glycerine; 2,5
house scent; 1
sodium benzoate; 0.5
citric acid; q.s."""
MEANT = {"SLES": "sodium-laureth-sulfate-2eo-28", "house scent": "parfum"}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return the demo's briefs as a folder of one's own."""
    return copytree(shipped("scenarios"), tmp_path / "demo")


@pytest.fixture
def desk(folder: Path) -> Browser:
    """Return a browser on its desk."""
    return desk_of(folder)


def fields_of(page: Answer) -> dict[str, str]:
    """Return the field in which it is said what a name means, by the name."""
    told = dict(page.form("/bring").fields)
    return {name: key.replace("named.", "is.") for key, name in told.items() if key.startswith("named.")}


def read(desk: Browser, lines: str = LINES) -> Answer:
    """Paste lines for the hand wash and say what their names mean."""
    desk.get("/bring?for=hand-wash")
    page = desk.submit("/bring", {"lines": lines})
    asks = fields_of(page)
    return desk.submit("/bring", {asks[name]: MEANT[name] for name in asks})


def test_a_doubtful_name_is_asked_and_never_taken(desk: Browser, folder: Path) -> None:
    desk.get("/bring?for=hand-wash")
    page = desk.submit("/bring", {"lines": LINES})
    assert page.status == 422
    assert "Row 2: 'SLES' could be Sodium Laureth Sulfate 1 EO, 70 %" in page.text.replace("\xa0", " ")
    assert "--as" not in page.text
    assert set(fields_of(page)) == set(MEANT)
    assert ("lines", LINES) in page.form("/bring").fields, "nothing that was typed is lost"
    offered = [value for name, value in page.form("/bring").buttons if name == fields_of(page)["SLES"]]
    assert "Sodium Laureth Sulfate 2 EO, 28 %" in offered
    assert desk.submit("/bring", {fields_of(page)["SLES"]: "no such thing", "keep-it": "yes"}).status == 422
    assert [p.name for p in folder.glob("*.csv")] == ["shelf.csv"]


def test_what_is_kept_is_what_the_command_writes(desk: Browser, folder: Path, tmp_path: Path) -> None:
    page = read(desk)
    assert page.status == 200
    out = tmp_path / "command.csv"
    with as_table(LINES) as table:
        taken = take_formula(table, brief=str(folder / "hand-wash.toml"), words=MEANT, out=out).found.taken
    for line in taken.lines:
        assert number(line.percent, 3) in page.text
    assert "So it was read; nothing is kept yet." in page.text
    assert "water is the rest to 100 % less the 4 %" in page.text.replace("\xa0", " ")
    assert not (folder / "my-wash.csv").exists()
    kept = desk.submit("/bring", {"called": "My wash", "keep-it": "yes"})
    assert (kept.status, kept.address.partition("&")[0]) == (200, "/own/my-wash.csv?for=hand-wash")
    assert (folder / "my-wash.csv").read_bytes() == out.read_bytes()
    assert "/own/my-wash.csv" in desk.get("/").links


def test_lines_that_changed_since_they_were_shown_are_shown_again_before_they_are_kept(
    desk: Browser, folder: Path
) -> None:
    read(desk)
    changed = {"called": "My wash", "keep-it": "yes", "lines": LINES.replace("2,5", "3,5")}
    page = desk.submit("/bring", changed)
    assert page.status == 200
    assert "So it was read; nothing is kept yet." in page.text
    assert not (folder / "my-wash.csv").exists()
    desk.submit("/bring", {"called": "My wash", "keep-it": "yes"})
    assert "glycerin,3.5," in (folder / "my-wash.csv").read_text(encoding="utf-8")


@pytest.mark.parametrize(("meant", "grams"), [("decimal", 1.234), ("thousand", 1234.0)])
def test_a_figure_that_can_be_read_two_ways_is_asked_with_two_buttons(desk: Browser, meant: str, grams: float) -> None:
    page = read(desk, "material;g\nwater; 1,234\nglycerin; 10,5")
    assert page.status == 422
    assert ("sign", meant) in page.form("/bring").buttons
    page = desk.submit("/bring", {"sign": meant})
    assert page.status == 200
    assert f"Weights of {number(grams + 10.5, 2)} g in all" in page.text


@pytest.mark.parametrize(
    ("lines", "reading"),
    [
        ("Material,%,Note\nGlycerin,12,5,mild\nwater,87,5", "comma"),
        ("Glycerin; 12,5\nwater 87,5", "blank"),
        ("Glycerin 12,5\nwater: 87,5", "blank"),
    ],
)
def test_cells_that_a_comma_or_a_blank_may_part_are_asked_with_a_button(
    desk: Browser, lines: str, reading: str
) -> None:
    page = read(desk, lines)
    assert page.status == 422
    assert [value for name, value in page.form("/bring").buttons if name == "sign"] == [reading]
    page = desk.submit("/bring", {"sign": reading})
    assert page.status == 200
    assert "So it was read; nothing is kept yet." in page.text
    assert "Glycerin, 99.5 % 12.5" in page.text.replace("\xa0", " ")


def test_a_solution_is_asked_with_what_it_holds_and_kept_once_it_is_said(desk: Browser, folder: Path) -> None:
    desk.get("/bring?for=hand-wash")
    page = desk.submit("/bring", {"lines": "water; to 100\nsodium hydroxide; 0,3"})
    assert page.status == 422
    assert "1 g of the pure substance is 5 g of it" in page.text.replace("\xa0", " ")
    (asked,) = fields_of(page).values()
    assert [v for n, v in page.form("/bring").buttons if n == asked] == ["Sodium Hydroxide, 20 % solution"]
    desk.submit("/bring", {asked: "Sodium Hydroxide, 20 % solution"})
    desk.submit("/bring", {"called": "My wash", "keep-it": "yes"})
    assert "sodium-hydroxide-20,0.3," in (folder / "my-wash.csv").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("typed", "field", "said"),
    [
        ({"lines": ""}, "lines", "Paste the lines"),
        ({"lines": "water; 90\nglycerin; -3"}, "lines", "cannot be below 0"),
        ({"lines": "material;g\nwater; 1.234\nglycerin; 2.000"}, "lines", "can be read two ways"),
        ({"lines": "x" * 40_001}, "lines", "a page takes 40000"),
        ({"called": ""}, "called", "Give the formula a name"),
        ({"called": "Shelf"}, "called", "Give the formula a name"),
    ],
)
def test_what_cannot_be_taken_is_told_beside_its_field(
    desk: Browser, folder: Path, typed: dict[str, str], field: str, said: str
) -> None:
    read(desk)
    page = desk.submit("/bring", {"called": "My wash", "keep-it": "yes", **typed})
    problem = page.html.partition(f'id="{field}-problem"')[2].partition("</p>")[0]
    assert page.status == (422 if field else 200)
    assert said in problem
    assert not (folder / "my-wash.csv").exists()


def test_a_name_that_is_taken_is_told_and_the_file_stays(desk: Browser, folder: Path) -> None:
    (folder / "my-wash.csv").write_text("mine\n", encoding="utf-8")
    read(desk)
    page = desk.submit("/bring", {"called": "My wash", "keep-it": "yes"})
    assert (page.status, "There is a file my-wash.csv here." in page.text) == (422, True)
    assert (folder / "my-wash.csv").read_text(encoding="utf-8") == "mine\n"


def workbook(*rows: tuple[object, ...]) -> bytes:
    book, content = Workbook(), io.BytesIO()
    book.active.append(("A price list of something else",))
    sheet = book.create_sheet("Formula")
    for row in rows:
        sheet.append(row)
    book.save(content)
    return content.getvalue()


def test_a_workbook_stands_as_lines_that_are_read_as_it_is(folder: Path, tmp_path: Path) -> None:
    content = workbook(
        ("My wash", None), (), ("Ingredient", "g"), ("water", 1234.567), ("Glycerin", 1.234), ("Xanthan gum", 12)
    )
    path = tmp_path / "book.xlsx"
    path.write_bytes(content)
    lines = sent_lines("book.xlsx", content, "formula")
    with as_table(lines) as table:
        read_back, straight = take_formula(table).found.taken.lines, take_formula(path).found.taken.lines
    assert [(li.material, li.row) for li in read_back] == [(li.material, li.row) for li in straight]
    assert [li.percent for li in read_back] == pytest.approx([li.percent for li in straight], rel=1e-12)


def test_a_file_takes_the_place_of_the_lines(desk: Browser) -> None:
    desk.get("/bring")
    sent = ("sheet", "old.csv", "Zutat\tAnteil\nWasser\t97,5\nGlycerin\t2,5\n".encode("utf-16"))
    page = desk.submit("/bring", {"lines": "something else"}, files=[sent])
    assert page.status == 200
    assert ("lines", "Zutat\tAnteil\nWasser\t97,5\nGlycerin\t2,5") in page.form("/bring").fields
    page = desk.submit("/bring", files=[("sheet", "wash.pdf", b"%PDF-1.4")])
    assert page.status == 422
    assert "No table is read from wash.pdf." in page.text


@pytest.fixture
def kept(desk: Browser, folder: Path) -> Path:
    """Return a formula of one's own that is kept."""
    read(desk)
    desk.submit("/bring", {"called": "My wash", "keep-it": "yes"})
    return folder / "my-wash.csv"


@pytest.mark.thorough
def test_it_is_held_against_the_brief_as_the_command_holds_it(desk: Browser, folder: Path, kept: Path) -> None:
    page = desk.get("/own/my-wash.csv/check?for=hand-wash")
    found = tenside.check(kept, str(folder / "hand-wash.toml")).found
    assert len(found.broken) > 1
    assert f"The formula breaks {len(found.broken)} of" in page.text
    assert f"{found.nearest.formula.cost:.3f}" in page.text
    subject = subject_of(str(kept), against=str(folder / "hand-wash.toml"))
    advised = advice_for(subject).found
    assert advised.advice[0].text[:40] in desk.get("/own/my-wash.csv/advice?for=hand-wash").text
    assert f"{cost_for(subject).per_kg:.2f}" in desk.get("/own/my-wash.csv/cost?for=hand-wash").text
    label = desk.get("/own/my-wash.csv/label?for=hand-wash").text
    assert ("Aqua" in label, "--" in label) == (True, False)


def test_without_a_product_it_is_asked_which_one(desk: Browser, kept: Path) -> None:
    page = desk.get("/own/my-wash.csv")
    assert (page.status, "Which product" in page.text, "breaks" in page.text) == (200, True, False)
    assert desk.get("/own/my-wash.csv/check?for=..%2Fx").status == 404
    assert desk.get("/own/shelf.csv").status == 404


@pytest.mark.thorough
def test_what_is_missing_to_100_is_asked(desk: Browser, folder: Path) -> None:
    (folder / "part.csv").write_text("material,percent\nsodium-coco-sulfate,10\n", encoding="utf-8")
    page = desk.get("/own/part.csv/check?for=hand-wash")
    assert page.status == 422
    assert "90 % are missing" in page.text.replace("\xa0", " ")
    assert ("rest", "") in page.form("/check").fields
    filled = desk.get("/own/part.csv/check?for=hand-wash&rest=water")
    assert (filled.status, "The formula breaks" in filled.text) == (200, True)


@pytest.mark.thorough
def test_a_batch_of_it_is_the_one_that_the_command_lays(
    desk: Browser, folder: Path, kept: Path, tmp_path: Path
) -> None:
    page = desk.get("/own/my-wash.csv/batch?for=hand-wash")
    assert "It breaks" in page.text
    laid = desk.submit("/batch", {"number": "OWN-1", "kilos": "2", "bottles": ""})
    assert laid.address.startswith("/batch/batch-own-1/weigh")
    subject = subject_of(str(kept), against=str(folder / "hand-wash.toml"))
    bench = folder / "command.toml"
    lay_batch(subject, bench, size="2000 g", number="OWN-1", scale=1.0, on=TODAY)
    assert (folder / "batch-own-1.toml").read_bytes() == bench.read_bytes()
    desk.get("/own/my-wash.csv/batch?for=hand-wash")
    again = desk.submit("/batch", {"number": "OWN-1", "kilos": "2", "bottles": ""})
    assert (again.status, "There is a batch of this number here." in again.text) == (422, True)


def test_advice_on_a_product_counts_its_draft_and_a_batch_has_its_own(desk: Browser, folder: Path) -> None:
    brief = folder / "hand-wash.toml"
    desk.get("/formula/hand-wash")
    for draft, link in (({}, "/advice"), ({"mildness.at_least": 62}, "/advice?mildness.at_least=62")):
        page = desk.get(f"/formula/hand-wash{link}")
        subject = subject_of(str(brief), changes=[(key, str(value)) for key, value in draft.items()])
        told = advice_for(subject).document()
        assert told.verdict in page.text.replace("\xa0", " ")
    out = folder / "batch-7.toml"
    lay_batch(subject_of(str(brief)), out, size="2kg", number="7", on=TODAY)
    assert "/batch/batch-7/advice" in desk.get("/batch/batch-7/thicken").links
    assert advice_for(subject_of(str(out))).document().verdict in desk.get("/batch/batch-7/advice").text


def test_a_page_of_it_is_told_when_its_file_was_changed_elsewhere(desk: Browser, kept: Path) -> None:
    assert "data-watch" in desk.get("/own/my-wash.csv/check?for=hand-wash").html
    folder = Folder(kept.parent)
    was = watch.as_they_are(watch.paths_of(folder, "formula", "my-wash.csv"))
    assert watch.told(folder, "formula", "my-wash.csv", was) == ""
    kept.write_text(kept.read_text(encoding="utf-8").replace("glycerin,2.5", "glycerin,3.0"), encoding="utf-8")
    assert watch.told(folder, "formula", "my-wash.csv", was).startswith("my-wash.csv was changed elsewhere")


def test_a_telephone_that_may_change_nothing_keeps_no_formula(folder: Path, desk: Browser) -> None:
    desk.get("/bring?for=hand-wash")
    desk.guard.devices()[0][1].formulas = False
    assert desk.submit("/bring", {"lines": LINES}).status == 403
