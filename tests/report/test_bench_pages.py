"""Weigh sheet and card as HTML, PDF, PNG and workbook: whole, escaped, numbered; and the commands from end to end."""

from __future__ import annotations

import json
import re
from functools import cache
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook
from PIL import Image
from pypdfium2 import PdfDocument
from typer.testing import CliRunner

import optimizer.cli.batch
import optimizer.cli.made  # noqa: F401
from optimizer.bench.batch import batch_from, read_batch
from optimizer.bench.card import Card, formula_card
from optimizer.bench.reconcile import Made
from optimizer.bench.weigh import WeighSheet, weigh_sheet
from optimizer.cli.every import app
from optimizer.data.facts import Material
from optimizer.data.library import Library, read_library
from optimizer.errors import DataError, UsageError
from optimizer.files import shipped
from optimizer.report.card import card_pdf, fitted
from optimizer.report.formats.page import page as page_of
from optimizer.report.formats.paper import page_count, png_of
from optimizer.report.formats.pdf import SMALLEST, document_pdf, fits
from optimizer.report.formats.workbook import workbook
from optimizer.report.made import Laid, Weighed
from optimizer.report.record import record_of
from optimizer.report.weigh import weigh_form
from optimizer.rules.row import Setting

NASTY = '=1+1<script>alert("x")</script>&amp;\';}*{} Üß'
LONG = "Extraordinarily" + "long" * 40


@cache
def library() -> Library:
    found = read_library([shipped("library")])
    odd = [
        _renamed("glycerin", "odd-one", NASTY),
        _renamed("propanediol", "odd-two", LONG),
    ]
    return found.model_copy(update={"materials": tuple(sorted((*found.materials, *odd), key=lambda m: m.id))})


def _renamed(name: str, new: str, words: str) -> Material:
    found = next(m for m in read_library([shipped("library")]).materials if m.id == name)
    return found.model_copy(update={"id": new, "name": words, "handling": words})


DOSES = {
    "aqua": 71.0, "odd-one": 2.0, "odd-two": 2.0, "sodium-laureth-sulfate-2eo-28": 12.0,
    "cocamidopropyl-betaine": 6.9, "parfum": 0.3, "polysorbate-20": 1.2, "disodium-edta": 0.1, "sodium-benzoate": 0.5,
}  # fmt: skip


@cache
def sheet(number: str = NASTY) -> WeighSheet:
    line = [{"material": n, "percent": p} for n, p in DOSES.items()]
    batch = batch_from(
        {"batch": number, "product": NASTY, "brief": "hand-wash", "size_g": 5000, "held_back_percent": 4, "line": line,
         "ph_low": 5, "ph_target": 5.2, "ph_high": 5.4, "weighed": [{"material": "aqua", "grams": 1, "lot": NASTY}]},
        "t",
    )  # fmt: skip
    later = [library().by_id[n] for n in ("citric-acid", "sodium-chloride")]
    return weigh_sheet(batch, library(), later)


class Reader(HTMLParser):
    """Collects text, tags and attributes."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.links: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links += [v or "" for k, v in attrs if k in ("href", "src") or k.startswith("on")]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_html_is_self_contained_and_escaped() -> None:
    page = page_of(weigh_form(sheet()))
    reader = Reader()
    reader.feed(page)
    assert "script" not in reader.tags
    assert not {"img", "iframe"} & set(reader.tags)
    assert reader.tags.count("link") == 1
    assert all(re.fullmatch(r"#[\w-]+|data:,", link) for link in reader.links), "within the page only"
    assert "http://" not in page
    assert "https://" not in page
    assert "@import" not in page
    assert NASTY in reader.text
    for line in sheet().lines:
        assert f'<td class="n big" data-of="weigh, g" role="cell">{line.grams:.0f}</td>' in page
    assert page.count('class="box"') == len(sheet().lines)
    style = page.split("<style>")[1].split("</style>")[0]
    told = re.search(r'@bottom-left \{ content: "batch ([^"]*)"', style)
    assert told
    assert re.fullmatch(r"[A-Za-z0-9 \\]*", told[1])
    printed = style.split("@media print")[1]
    assert set(re.findall(r"#[0-9a-f]{3,6}\b", printed)) <= {"#fff", "#000", "#333", "#999", "#e4e4e4"}, "greys only"


def test_the_workbook_reads_no_data_as_a_formula_and_sums() -> None:
    book = load_workbook(BytesIO(workbook(weigh_form(sheet()), Path("sheet.xlsx"))))
    page = book.active
    assert page is not None
    cells = [cell for row in page.iter_rows() for cell in row if isinstance(cell.value, str)]
    formulas = [cell.value for cell in cells if cell.data_type == "f"]
    assert len(formulas) == 3
    assert all(re.fullmatch(r"=SUM\([EFH]\d+:[EFH]\d+\)", f) for f in formulas)
    assert any(cell.value.startswith("'=1+1") for cell in cells)
    first, last = map(int, re.findall(r"\d+", formulas[1]))
    grams = [page.cell(row, 6).value for row in range(first, last + 1)]
    assert sum(g for g in grams if isinstance(g, (int, float))) == 4800
    assert "&&amp" in page.oddFooter.left.text
    assert page.oddFooter.right.text == "page &P of &N"


def pages_of(pdf: bytes) -> list[str]:
    document = PdfDocument(pdf)
    return [page.get_textpage().get_text_range() for page in document]


def test_every_page_of_the_pdf_carries_batch_and_number() -> None:
    pdf = document_pdf(weigh_form(sheet("HW-012")))
    texts = pages_of(pdf)
    assert len(texts) >= 3
    for number, text in enumerate(texts, 1):
        assert "batch HW-012" in text
        assert f"page {number} of {len(texts)}" in text
    whole = re.sub(r"\s+", "", "".join(texts))
    assert LONG in whole
    assert NASTY.replace(" ", "") in whole
    for line in sheet().lines:
        assert f"{line.grams:.0f}" in whole
    assert pdf == document_pdf(weigh_form(sheet("HW-012")))


@pytest.mark.thorough
def test_nothing_is_drawn_outside_the_page() -> None:
    """The margins of every page stay white."""
    pdf = document_pdf(weigh_form(sheet(LONG[:60])))
    for number in range(page_count(pdf)):
        image = Image.open(BytesIO(png_of(pdf, number))).convert("L")
        width, height = image.size
        for box in ((0, 0, 40, height), (width - 40, 0, width, height), (0, 0, width, 40)):
            low, _ = image.crop(box).getextrema()
            assert isinstance(low, int)
            assert low > 250


# The card ---------------------------------------------------------------------------------------------------


def card(doses: dict[str, float], **more: Any) -> Card:
    return formula_card("Harbour wash", doses, library(), Setting(5.2, 5.0, 5.4), day="2026-11-25", **more)


def test_a_usual_formula_fits_the_card_whole() -> None:
    pdf = card_pdf(card(DOSES, held_back=4.0, later=[library().by_id["citric-acid"]]))
    (text,) = pages_of(pdf)
    assert "Left out" not in text
    assert "held back for Citric Acid" in text
    assert "100.00" in text
    assert "window 5 to 5.4" in text
    assert "2026-11-25" in text
    assert "planned" in text
    image = Image.open(BytesIO(png_of(pdf)))
    assert image.size == (1240, 1754) or abs(image.size[0] / image.size[1] - 210 / 297) < 0.002


@pytest.mark.thorough
@pytest.mark.parametrize("count", [1, 20, 40, 60, 110])
def test_the_card_is_one_page_whatever_is_in_it(count: int) -> None:
    names = [m.id for m in library().materials if m.id not in ("aqua", "odd-two")][:count]
    doses = {"aqua": 40.0, **dict.fromkeys(names, 60 / len(names))}
    made = card(doses, held_back=0.0)
    pdf = card_pdf(made)
    assert page_count(pdf) == 1
    (text,) = pages_of(pdf)
    if count >= 60:
        assert "Left out for room" in text
    if "not whole" not in text:
        for name in names:
            assert library().by_id[name].name.replace(" ", "") in re.sub(r"\s+", "", text)
    assert SMALLEST >= 6
    assert fits(fitted(made))


# The commands -----------------------------------------------------------------------------------------------


def run(*args: str, code: int = 0) -> str:
    done = CliRunner().invoke(app, list(args))
    assert done.exit_code == code, f"{args}\n{done.output}\n{done.exception!r}"
    return done.stdout


@pytest.fixture(scope="module")
def laid(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("laid") / "batch.toml"
    size = ["--bottles", "20", "--bottle", "250", "--density", "1.02", "--loss", "2", "--scale", "0.1"]
    run("batch", "hand-wash", *size, "--number", "HW-012", "--on", "2026-11-25", "--out", str(path))
    return path.read_bytes()


@pytest.fixture
def batch(laid: bytes, tmp_path: Path) -> Path:
    path = tmp_path / "batch.toml"
    path.write_bytes(laid)
    return path


@pytest.mark.thorough
def test_from_formula_to_bottles_and_back(batch: Path, tmp_path: Path) -> None:
    told = json.loads(run("weigh", str(batch), "--json", "--html", str(tmp_path / "s.html"), "--pdf",
                          str(tmp_path / "s.pdf"), "--xlsx", str(tmp_path / "s.xlsx")))  # fmt: skip
    record_of(WeighSheet).model_validate(told)
    assert told["size_g"] == 5204.1
    assert told["bottles"] == 20
    grams = {line["id"]: line["grams"] for step in told["steps"] for line in step["lines"]}
    assert sum(grams.values()) + told["held_back_g"] == pytest.approx(5204.1)
    assert (tmp_path / "s.pdf").read_bytes()[:5] == b"%PDF-"
    before = batch.read_text()
    typed = [f"{name}={value}" for name, value in grams.items()]
    typed[0] += "@T-9"
    noted = json.loads(run("weighed", str(batch), *typed, "--finish-mass", "5150", "--water-added", "180", "--bottles",
                           "19", "--on", "2026-11-26", "--json"))  # fmt: skip
    record_of(Weighed).model_validate(noted)
    assert all(w["noted_g"] is not None for w in noted["weights"])
    assert batch.read_text().startswith(before)
    after = read_batch(batch)
    assert after.weighed[0].lot == "T-9"
    assert (after.finish.mass_g, after.finish.bottles, after.finish.on) == (5150, 19, "2026-11-26")
    made = json.loads(run("made", str(batch), "--json", "--master", str(tmp_path / "m.csv")))
    record_of(Made).model_validate(made)
    assert sum(line["made_percent"] for line in made["formula"]) == pytest.approx(100, abs=1e-9)
    assert made["mass_g"] == pytest.approx(5150)
    held = made["master"]["held_back_percent"]
    again = json.loads(run("batch", str(tmp_path / "m.csv"), "--for", "hand-wash", "--size", "5kg", "--held", str(held),
                           "--out", str(tmp_path / "next.toml"), "--json"))  # fmt: skip
    record_of(Laid).model_validate(again)
    assert again["doses"] == pytest.approx({ln["id"]: ln["percent"] for ln in made["master"]["formula"]}, abs=1e-6)
    for planned, state in ((["--planned"], "planned"), ([], "as made")):
        name = state.replace(" ", "-")
        shown = json.loads(run("card", str(batch), *planned, "--json", "--png", str(tmp_path / f"{name}.png")))
        assert (shown["state"], shown["batch"], shown["total_percent"]) == (state, "HW-012", pytest.approx(100))
        assert Image.open(BytesIO((tmp_path / f"{name}.png").read_bytes())).size[0] > 1000


def test_texts_of_the_commands(batch: Path) -> None:
    def said(*args: str) -> str:
        return " ".join(run(*args).split())  # a long path of the test's folder wraps lines anywhere

    assert "Weigh sheet: Harbour hand wash, batch HW-012" in said("weigh", str(batch))
    assert "## 1. Water and what dissolves in it" in said("weigh", str(batch), "--markdown")
    assert "9 of 10 lines are still to be weighed" in said("weighed", str(batch), "glycerin=104")
    assert "Formula as made" in said("made", str(batch))
    assert "Formula card, as made" in said("card", str(batch))
    steps = ("0%:100", "1%:4000", "1.5%:3100")  # past the peak, though still above the target
    told = ""
    for added, value in (s.split(":") for s in steps):
        told = said("thicken", str(batch), "--material", "sorbitan-sesquicaprylate", "--added", added, "--viscosity",
                    value, "--ph", "5", "--temperature", "22", "--target", "3000")  # fmt: skip
    assert "PEAK PASSED: the reading fell from 4000" in told
    command = said("made", str(batch), "--master", str(batch.parent / "next.csv")).rsplit("Next: ", 1)[1]
    assert "--scale 0.1" in command
    assert "--size" in command
    assert "Formula card, planned" in said("card", str(batch), "--planned")


def test_what_is_there_is_never_lost(batch: Path, tmp_path: Path) -> None:
    text = batch.read_text()
    refused = CliRunner().invoke(app, ["batch", "hand-wash", "--size", "5kg", "--out", str(batch)])
    assert isinstance(refused.exception, DataError)
    assert "would be lost" in str(refused.exception)
    far = CliRunner().invoke(app, ["weighed", str(batch), "glycerin=1000", "glycerinn=3"])
    assert isinstance(far.exception, DataError)
    assert len(far.exception.problems) == 2
    assert batch.read_text() == text
    taken = tmp_path / "s.pdf"
    taken.write_text("mine")
    assert isinstance(CliRunner().invoke(app, ["weigh", str(batch), "--pdf", str(taken)]).exception, DataError)
    assert taken.read_text() == "mine"
    no_batch = CliRunner().invoke(app, ["weigh", "hand-wash"])
    assert "this is no batch file" in str(no_batch.exception)


def test_a_shelf_lot_brings_its_active_matter(batch: Path) -> None:
    run("weighed", str(batch), "cocamidopropyl-betaine=396@QN-2231", "glycerin=104@QN-2231", "--active", "glycerin=99",
        "--on", "2026-11-26")  # fmt: skip
    found = {w.material: w.lot_active_percent for w in read_batch(batch).weighed}
    assert found == {"cocamidopropyl-betaine": 29.6, "glycerin": 99.0}


# --- The short sheet ------------------------------------------------------------------------------------------


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("name", "later"),
    [("hand-wash", "Cocamidopropyl Betaine"), ("conditioning-shampoo", "Sodium Cocoamphoacetate")],
)
def test_a_short_sheet_fits_one_page_in_the_order_of_the_steps(name: str, later: str, tmp_path: Path) -> None:
    batch, sheet = tmp_path / "batch.toml", tmp_path / "sheet.pdf"
    assert CliRunner().invoke(app, ["batch", name, "--size", "5kg", "--out", str(batch)]).exit_code == 0
    done = CliRunner().invoke(app, ["weigh", str(batch), "--short", "--pdf", str(sheet)], catch_exceptions=False)
    assert done.exit_code == 0
    assert page_count(sheet.read_bytes()) == 1
    text = " ".join(PdfDocument(sheet)[0].get_textpage().get_text_range().split())
    laid = json.loads(CliRunner().invoke(app, ["weigh", str(batch), "--json"]).stdout)
    heads = [f"{step['number']}. {step['title']}" for step in laid["steps"]]
    places = [text.index(head) for head in heads]
    assert places == sorted(places)
    for line in (line for step in laid["steps"] for line in step["lines"]):
        assert line["name"] in text
        assert f"{line['grams']:.1f}" in text or f"{line['grams']:.2f}" in text or f"{line['grams']:.0f}" in text
    for caution in {c["text"] for step in laid["steps"] for c in step.get("cautions", [])}:
        assert " ".join(caution.split()) in text
    # The amphoteric is weighed in a later step than the first surfactant: the caution is about its line, too.
    numbers = {line["name"]: line["number"] for step in laid["steps"] for line in step["lines"]}
    irritates = text[text.index("Surfactants as sold irritate") :].split("(no. ")[1].split(")")[0]
    assert str(numbers[later]) in irritates.replace(" and ", ", ").split(", ")


def test_a_short_sheet_that_needs_more_than_a_page_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    batch = tmp_path / "batch.toml"
    assert CliRunner().invoke(app, ["batch", "hand-wash", "--size", "5kg", "--out", str(batch)]).exit_code == 0
    monkeypatch.setattr("optimizer.report.formats.pdf.room", lambda: (300.0, 200.0))
    done = CliRunner().invoke(app, ["weigh", str(batch), "--short", "--pdf", str(tmp_path / "s.pdf")])
    assert isinstance(done.exception, UsageError)
    assert "do not fit one page" in str(done.exception)
    assert not (tmp_path / "s.pdf").exists()
