"""What rooms say to a command line, said to a page: no page of the desk names a command that has a button there."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from shutil import copytree

import pytest
import typer

import optimizer
from optimizer import cli
from optimizer.answers.bench import lay_batch, note_weights, sheet_of
from optimizer.answers.subject import subject_of
from optimizer.bench.weighed import Weight
from optimizer.data.library import read_library
from optimizer.desk.html import markup
from optimizer.desk.words import COMMANDS, document_on_page, named, on_page, sentence
from optimizer.files import shipped
from optimizer.report.document import Document, Listing, Strong, Table, figures
from tests.support.desk import TODAY, Browser, desk_of

ROOMS = ("answers", "assessment", "bench", "intake", "labelling", "records", "report", "solve", "studies", "trials")
NAMED = re.compile(r"(?<!Made with )tenside [a-z]")


def commands() -> Iterator[str]:
    group = typer.main.get_command(cli.app)
    for name, command in group.commands.items():  # type: ignore[attr-defined]
        yield name
        yield from (f"{name} {sub}" for sub in getattr(command, "commands", {}))


def test_every_command_is_a_page_or_is_said_to_be_elsewhere() -> None:
    assert set(COMMANDS) == set(commands())


def test_the_page_or_button_of_a_command_is_called_so_on_the_desk() -> None:
    desk = Path(optimizer.__file__).parent / "desk"
    texts = "".join(f.read_text(encoding="utf-8") for f in desk.rglob("*.py") if f.name != "words.py")
    called = {page for page in COMMANDS.values() if page and not page.startswith("the ")}
    assert {page for page in called if f'"{page}' not in texts} == set()


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_a_command_is_said_as_its_own_page_however_it_is_written(command: str) -> None:
    page = COMMANDS[command]
    said = f"'{command}' on the command line" if not page else page if page.startswith("the ") else f"'{page}'"
    assert on_page(f"Ask 'tenside {command} x.toml'.") == f"Ask {said}."
    assert on_page(f"Go on: tenside {command} x.toml, then tenside label x.toml") == f"Go on: {said}, then 'Label'"


def said(text: str) -> Iterator[str]:
    """Yield the strings of a source that name a command, with what is filled in as a word; docstrings are not said."""
    nodes = list(ast.walk(ast.parse(text)))
    notes = {n.body[0].value for n in nodes if hasattr(n, "body") and isinstance(n.body, list)
             and n.body and isinstance(n.body[0], ast.Expr)}  # fmt: skip
    for node in nodes:
        text = node.value if isinstance(node, ast.Constant) and node not in notes else ""
        if isinstance(node, ast.JoinedStr):
            text = "".join(v.value if isinstance(v, ast.Constant) else "x.toml" for v in node.values)
        if (
            isinstance(text, str)
            and NAMED.search(text)
            and "\n" not in text
            and text[0] != "#"
            and "Made with" not in text
        ):
            yield text


@pytest.mark.parametrize("room", ROOMS)
def test_no_text_of_a_room_names_a_command_on_a_page(room: str) -> None:
    sources = {p: p.read_text(encoding="utf-8") for p in (Path(optimizer.__file__).parent / room).rglob("*.py")}
    assert sources
    texts = {(p.name, text) for p, source in sources.items() if "tenside " in source for text in said(source)}
    assert [(name, text) for name, text in sorted(texts) if NAMED.search(on_page(text))] == []


def test_what_a_source_says_is_found_and_its_docstrings_are_not() -> None:
    source = 'def f(x):\n    """tenside no"""\n    return "tenside why", f"tenside label {x}", "Made with tenside y"\n'
    assert set(said(source)) == {"tenside why", "tenside label ", "tenside label x.toml"}


def test_commands_are_said_as_the_pages_that_do_them() -> None:
    said = {
        "What one keeps out, another may let in: 'tenside why' tries them all.":
            "What one keeps out, another may let in: 'Why not another material?' tries them all.",
        "tenside label b.toml, then tenside records keep b.toml": "'Label', then 'Keep'",
        "weigh it again, then tenside weighed b.toml --finish-mass GRAMS --water-added 12":
            "weigh it again, then note what it weighs as the mass and 12 g of water put back, under 'Finish'",
        "tenside weighed 'my b. 1.toml' --finish-mass GRAMS --water-added 12":
            "note what it weighs as the mass and 12 g of water put back, under 'Finish'",
        "See what clashes: tenside blend 'a b. c.toml'": "See what clashes: the product's page",
        "see 'tenside advice' for what may.": "see 'Advice' for what may.",
        "Lay the tests first: tenside records tests 12.": "Lay the tests first: 'Lay the tests of this batch'.",
        "It costs what it does now. 12 more in --json.": "It costs what it does now. 12 more.",
        "tenside 0.2.0; 4 input files, digests in --json.": "tenside 0.2.0; 4 input files.",
        "3 too short to be seen are left out here, not in --json.": "3 too short to be seen are left out here.",
        "Made with tenside 0.2.0: a plan.": "Made with tenside 0.2.0: a plan.",
    }  # fmt: skip
    assert {text: on_page(text) for text in said} == said


def test_a_limit_is_said_with_its_materials_by_name() -> None:
    known = read_library([shipped("library")]).by_id
    said = {
        "sodium-benzoate at least 0.5 -> 0 %": "Sodium Benzoate at least 0.5 → 0 %",
        "pH 4.5 to 7.5, target +-0.2 pH (sodium-benzoate 3 to 5.2)":
            "pH 4.5 to 7.5, target ±0.2 pH (Sodium Benzoate 3 to 5.2)",
        "sodium-cocoyl-glycinate as active at least 2 %": "Sodium Cocoyl Glycinate as active at least 2 %",
        "glycerin exactly 2 %": "Glycerin exactly 2 %",
        "mean mildness rating at least 57": "mean mildness rating at least 57",
    }  # fmt: skip
    assert {text: named(text, known) for text in said} == said


def test_a_name_of_two_materials_is_not_cut_to_that_of_one() -> None:
    """Phenoxyethanol alone is another material of the library than its mixture with ethylhexylglycerin."""
    known = read_library([shipped("library")]).by_id
    assert named("phenoxyethanol-ethylhexylglycerin", known).startswith("Phenoxyethanol (and) Ethylhexylglycerin")


def test_a_figure_with_a_point_does_not_cut_a_sentence() -> None:
    said = "5 g are noted. Write a further portion as betaine=+332.6; or strike what is wrong: tenside weighed b.toml"
    assert on_page(said) == "5 g are noted. Sent again, it is a further portion; strike what is wrong."


def test_a_report_calls_materials_by_their_names_and_writes_units_as_people_do() -> None:
    known = read_library([shipped("library")]).by_id
    rows = (("coco-glucoside", 2.5), ("of coco-glucoside +- 0.1", 1.0))
    document = Document(
        "T", "It is betaine-like.", (), (Table("Of sodium benzoate", ("material", *figures("read, mPas")), rows),)
    )
    (table,) = document_on_page(document, known).sections
    assert isinstance(table, Table)
    assert [str(row[0]) for row in table.rows] == ["Coco-Glucoside", "of Coco-Glucoside ± 0.1"]
    assert [row[1] for row in table.rows] == [2.5, 1.0]
    assert [c.name for c in table.every] == ["material", "read, mPa·s"]
    assert markup("3050 mPa s or mPas, +-1") == "3050 mPa·s or mPa·s, ±1"


def test_a_sentence_begins_large_but_ph_stays() -> None:
    assert [sentence(text) for text in ("wait", "pH by estimate", "")] == ["Wait", "pH by estimate", ""]


def test_a_report_keeps_its_figures_and_loses_what_is_a_button() -> None:
    rows = (("a", 1.5), Strong(("all, see 'tenside cost'", (2.0, "x"))))
    document = Document(
        "T", "Go on: 'tenside made'.", (("next", "tenside label b.toml"), ("mass", "5 g")),
        (Table("t", ("n", "v"), rows), Listing("Next", ("tenside made b.toml",)), Listing("", ("Mind this.",))),
    )  # fmt: skip
    shown = document_on_page(document)
    assert (shown.verdict, shown.facts) == ("Go on: 'As made'.", (("mass", "5 g"),))
    table, listing = shown.sections
    assert isinstance(table, Table)
    assert table.rows == (("a", 1.5), ("all, see 'Cost'", (2.0, "x")))
    assert isinstance(table.rows[1], Strong)
    assert listing == Listing("", ("Mind this.",))


@pytest.fixture
def rich(tmp_path: Path) -> Browser:
    """Return a desk with something on every page."""
    copytree(shipped("scenarios"), tmp_path / "demo")
    path = tmp_path / "demo" / "HW-1.toml"
    found = subject_of(str(tmp_path / "demo" / "hand-wash.toml"))
    lay_batch(found, path, bottles=20, bottle_ml=250, density=1.02, loss=2, scale=0.1, number="HW-1", on=TODAY)
    found = subject_of(str(path))
    assert found.batch is not None
    note_weights(found, [Weight(line.material.id, line.grams, "L-1") for line in sheet_of(found).lines], on=TODAY)
    note_weights(subject_of(str(path)), finish={"mass_g": found.batch.size_g - 9, "bottles": 19}, on=TODAY)
    return desk_of(tmp_path / "demo")


@pytest.mark.slow
def test_no_page_names_a_command(rich: Browser) -> None:
    crawled(rich, 800)


@pytest.mark.thorough
def test_no_page_of_a_batch_names_a_command(rich: Browser) -> None:
    crawled(rich, 60)


def crawled(desk: Browser, most: int) -> None:
    """Follow every link, the bench's first, and read every page."""
    todo, seen = ["/"], set[str]()
    while todo and len(seen) < most:
        address = todo.pop(0)
        if address in seen:
            continue
        seen.add(address)
        answer = desk.get(address)
        assert answer.status == 200, address
        assert len(answer.content) <= 100 * 1024, f"{address} is longer than a page may be"
        if not answer.headers["content-type"].startswith("text/html"):
            continue
        named = NAMED.search(answer.text)
        allowed = address == "/devices" and "tenside open --phone" in answer.text
        assert allowed or named is None, (address, answer.text[max(0, named.start() - 80) : named.end() + 80])
        todo += [link for link in answer.links if link.startswith("/") and "said=" not in link]
    assert len(seen) > 20
