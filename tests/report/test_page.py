"""Pages: well-formed, self-contained, nothing of a file's words read as markup, the same bytes for the same input."""

from __future__ import annotations

import hashlib
import json
import re
from base64 import b64encode
from collections.abc import Callable, Iterator
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from math import inf, isnan, nan
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as Xml

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from typer.main import get_command
from typer.testing import CliRunner

from optimizer import cli
from optimizer.assessment.chemistry import chemistry_of
from optimizer.brief.brief import load_brief
from optimizer.brief.scenario import find_scenario
from optimizer.errors import DataError, UsageError
from optimizer.report.blend import blend_document
from optimizer.report.charts import charges, costs, prices, windows
from optimizer.report.document import Bar, Bars, Curve, Curves, Document, Listing, Sketch, Strong, Table, figures
from optimizer.report.formats.escape import escaped, printable
from optimizer.report.formats.markdown import markdown
from optimizer.report.formats.page import LONG, STYLE, page
from optimizer.report.formats.pictures import LETTERS, Along, drawn, ticks
from optimizer.report.formats.terminal import lines
from optimizer.report.sweep import MOST_ROWS, answers_table, range_document
from optimizer.report.tradeoff import frontier_document, leeway_document
from optimizer.rules.row import Setting
from optimizer.solve.best import solve
from optimizer.solve.existing import formula_at
from optimizer.solve.result import Result
from optimizer.studies.frontier import frontier
from optimizer.studies.leeway import leeway
from optimizer.sweep.grid import axis, crossed
from optimizer.sweep.run import run_range
from optimizer.sweep.source import sources_of
from optimizer.sweep.summary import summarise, tenths
from tests.support.solved import solved

VOID = {"meta", "link", "br", "hr", "img", "input"}
"""HTML Standard, 13.1.2: elements without an end tag."""
HOSTILE = (
    "<script>alert(1)</script>", "</title><b>", "\"><img src=x onerror=alert(1)>", "' onmouseover='x", "a & b &lt; c",
    "</style><script>", "<!--", "]]>", "&#60;b&#62;", "\u202eevil\u202c", "\x00\x07\x1b[31m", "שמפו עדין", "\ud800",
    "{}%s",
)  # fmt: skip


class Reader(HTMLParser):
    """Reads a page and finds fault with its structure."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.faults: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[tuple[str, str]] = []
        self.feed(text)
        self.close()
        self.faults += [f"<{tag}> stays open" for tag in self.open]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if len(dict(attrs)) != len(attrs):
            self.faults.append(f"<{tag}> has an attribute twice")
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> closes something else")

    def handle_data(self, data: str) -> None:
        self.words.append((self.open[-1] if self.open else "", data))

    def all(self, name: str) -> list[dict[str, str | None]]:
        return [attrs for tag, attrs in self.tags if tag == name]


def checked(text: str) -> Reader:
    """Return a page that was read, after checks that every page must stand."""
    reader = Reader(text)
    assert reader.faults == []
    ids = [a["id"] for _, a in reader.tags if "id" in a]
    assert len(ids) == len(set(ids))
    for tag, attrs in reader.tags:
        assert tag not in ("script", "iframe", "object", "embed", "base", "form", "img"), tag
        assert not {"src", "srcset", "style", "action", "xlink:href"} & set(attrs), (tag, attrs)
        assert not [name for name in attrs if name.startswith("on")], (tag, attrs)
        for name in (attrs.get("aria-labelledby") or "").split():
            assert name in ids
        href = attrs.get("href")
        assert href is None or href == "data:," or href.removeprefix("#") in ids
        for value in attrs.values():
            assert not re.search(r"url\((?!#)", value or "")
    style = "".join(w for tag, w in reader.words if tag == "style")
    assert "@import" not in style
    assert "url(" not in style
    digest = b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policies = [a["content"] or "" for a in reader.all("meta") if a.get("http-equiv") == "Content-Security-Policy"]
    assert len(policies) == 1
    assert "default-src 'none'" in policies[0]
    assert f"style-src 'sha256-{digest}'" in policies[0]
    assert reader.all("html") == [{"lang": "en"}]
    assert [len(reader.all(tag)) for tag in ("main", "header", "footer", "h1", "title")][:4] == [1, 1, 1, 1]
    levels = [int(tag[1]) for tag, _ in reader.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels)), levels
    tables = len(reader.all("table"))
    assert len(reader.all("caption")) == tables
    assert all(a.get("scope") in ("col", "row") for a in reader.all("th"))
    for svg in re.findall(r'<svg class="picture".*?</svg>(?=\n</figure>|\n<figcaption>)', text, re.DOTALL):
        names = [e.tag for e in Xml.fromstring(svg)][:2]
        assert names == ["title", "desc"]
    assert text.count('<svg class="picture"') == sum("picture" in (a.get("class") or "") for a in reader.all("svg"))
    return reader


@pytest.fixture(scope="module")
def result() -> Result:
    return solved("hand-wash")


@pytest.fixture(scope="module")
def whole(result: Result) -> str:
    small = load_brief(Path(__file__).parents[1] / "made_by_0_1_0" / "first-brief.toml")
    front = frontier_document((("", frontier(small, (1, "cost"), (-1, "mildness"))),))
    room = leeway_document(leeway(result.brief, 0.03 * result.objective))
    assert result.weighable is not None
    chemistry = chemistry_of(result.brief, result.weighable, result.setting)
    return page(blend_document(result, None, chemistry, more=(front.chapter(), room.chapter())))


def odd(*texts: str) -> Document:
    """Return a document that holds texts everywhere it can."""
    first, second = texts[0], texts[-1]
    bars = Bars(first, (Bar(second, 0, 2, first, 1), Bar(first, nan, nan, second)), (0, 2), (0, 1, first), (1, second))
    curves = Curves(first, second, (Curve(first, ((0, 1), (1, 2)), ((0, 1),)),))
    sections = (
        Table(first, (second, *figures(first)), ((first, second), (second, first)), second),
        Table(first, (second,) * 5, ((first,) * 5,) * (LONG + 1), note=second),
        Listing(first, texts),
        Listing(second, texts, "caution"),
        Sketch(first, texts, second),
        Sketch(second, (), first, bars),
        Sketch(first, (), second, curves),
        Document(second, first, ((first, second),), (Listing(first, texts),), good=False),
    )
    return Document(first, second, ((first, second),), sections)


# --- A page -----------------------------------------------------------------------------------------------------


def test_a_whole_page_is_well_formed_and_needs_nothing_else(whole: str) -> None:
    reader = checked(whole)
    assert whole.startswith("<!DOCTYPE html>\n")
    assert "http" not in whole.replace("http-equiv", "")
    assert len(whole) < 200_000
    assert len(reader.all("svg")) > 6


def test_sections_come_in_reading_order(whole: str) -> None:
    heads = re.findall(r"<h2[^>]*>(.*?)</h2>", whole)
    order = (
        "Formula", "What the active matter is made of", "What drives the cost", "Rules that bind",
        "What each binding limit weighs", "The pH that everything must agree on", "What each pH setting allows",
        "Rules kept", "Chemistry", "Measured blends", "Measured pairs", "At the bench",
        "Cost against mildness", "Room to move", "Not used", "Notes", "Cautions", "Made with",
    )  # fmt: skip
    assert [h.startswith(o) for h, o in zip(heads, order, strict=True)] == [True] * len(order)


@pytest.mark.thorough
def test_chapters_leave_the_cautions_to_the_page(whole: str) -> None:
    assert whole.count('class="cautions"') == 1
    assert whole.count("A candidate for the bench") == 1


def test_the_same_input_gives_the_same_bytes(whole: str) -> None:
    again = solve(load_brief(find_scenario("hand-wash")), weighable=True)
    first, second = page(blend_document(again)), page(blend_document(again))
    assert first == second
    start = whole.index("<section id="), whole.index('<section id="s8"')
    assert whole[start[0] : start[1]] == first[first.index("<section id=") : first.index('<section id="s8"')]


def test_every_dose_and_price_of_the_text_is_on_the_page(result: Result, whole: str) -> None:
    words = {w for _, w in Reader(whole).words}
    document = blend_document(result)
    for section in document.sections:
        if isinstance(section, Table):
            for row in section.told():
                assert {cell.replace(" %", "\u00a0%") for cell in row if cell} <= words


@pytest.mark.parametrize("text", HOSTILE)
def test_texts_stay_texts(text: str) -> None:
    plain, other = Reader(page(odd("plain", "word"))), checked(page(odd(text, "word")))
    assert [tag for tag, _ in other.tags] == [tag for tag, _ in plain.tags]
    shown = "".join(w for _, w in other.words)
    assert printable(text).replace(" %", "\u00a0%") in shown
    assert not re.search("[\u202a-\u202e\u2066-\u2069\x00-\x09\x0b-\x1f\x7f\ud800-\udfff]", shown)


@pytest.mark.thorough
@settings(max_examples=60, deadline=None)
@given(st.text(max_size=60), st.text(max_size=60))
@example("x" * 300, "y" * 300)
def test_any_text_leaves_a_page_well_formed(first: str, second: str) -> None:
    checked(page(odd(first, second)))


def test_letters_that_run_leftwards_keep_their_direction() -> None:
    made = page(odd("שמפו 5 %", "plain"))
    assert '<h1 dir="auto">שמפו 5&nbsp;%</h1>' in made
    assert "dir=" not in page(odd("é 5 %", "plain"))


@pytest.mark.parametrize("rows", [LONG, LONG + 1])
def test_long_tables_are_folded_but_never_the_first(rows: int) -> None:
    table = Table("t", ("a",), (("b",),) * rows)
    assert ("<details>" in page(Document("d", "v", sections=(Listing("l", ("i",)), table)))) == (rows > LONG)
    assert "<details>" not in page(Document("d", "v", sections=(table,)))


def test_numbers_stand_right_and_rows_are_named() -> None:
    table = Table("t", ("a", *figures("n")), (("x", "1"), Strong(("all", "1"))))
    made = page(Document("d", "v", sections=(table,)))
    assert '<tr><th scope="row">x</th><td class="n">1</td></tr>' in made
    assert '<tr class="strong"><th scope="row">all</th>' in made


def test_a_section_without_a_title_belongs_to_the_one_before() -> None:
    parts = (Listing("l", ("i",)), Listing("", ("j",)), Table("", ("a",) * 5, (("b",) * 5,)))
    made = page(Document("d", "v", sections=parts))
    checked(made)
    assert made.count("<h2") == made.count('<li><a href="#s') == 1


def test_bad_news_are_marked() -> None:
    assert '<p class="verdict bad">v</p>' in page(Document("d", "v", good=False))
    assert '<p class="verdict">v</p>' in page(Document("d", "v"))


def test_other_renderers_show_chapters_and_leave_out_what_they_cannot_draw() -> None:
    made = Document("d", "v", sections=(Sketch("s", drawing=Bars("x", (), (0, 1))), Document("c", "w", sections=(Listing("l", ("i",)),))))  # fmt: skip  # noqa: E501
    assert markdown(made) == "# d\n\n**v**\n\n## c\n\n**w**\n\n### l\n\n- i\n"
    assert lines(made, 20) == ["", "d", "v", "", "c", "w", "", "l ··················", "- i", ""]


def test_the_style_is_read_from_beside_the_code() -> None:
    assert STYLE.is_file()


def test_escaping() -> None:
    assert escaped("<a b=\"c\" d='e'>&") == "&lt;a b=&quot;c&quot; d=&#39;e&#39;&gt;&amp;"
    assert printable("a\u202eb\nc\x00") == "a b c "


# --- Pictures ---------------------------------------------------------------------------------------------------


def test_round_values_on_an_axis() -> None:
    assert ticks(0, 100) == [0, 20, 40, 60, 80, 100]
    assert ticks(0, 0.207) == pytest.approx([0, 0.05, 0.1, 0.15, 0.2])
    assert ticks(-0.3, 0.3) == pytest.approx([-0.3, -0.2, -0.1, 0, 0.1, 0.2, 0.3])
    assert ticks(5, 5) == [5]
    assert all(len(ticks(0, x)) <= 7 for x in np.geomspace(1e-4, 1e5, 97))


def test_bars_stand_where_their_figures_say() -> None:
    rows = (Bar("one", 2, 6, "2 to 6", mark=3), Bar("two", nan, nan, "unknown"))
    svg = drawn(Sketch("s", drawing=Bars("pH", rows, (0, 10), (4, 8, "shared"), (5, "target"))), "k")
    assert '<rect class="bar" x="20%" width="40%"' in svg
    assert '<rect class="box" fill="url(#kh)" x="40%" width="20%"' in svg, "the band inside the bar only"
    assert '<circle class="mark" cx="30%"' in svg
    assert svg.count('class="bar"') == 1
    assert '<line class="target" x1="50%" x2="50%"' in svg
    assert '<desc id="kd">pH. one: 2 to 6; two: unknown. shared. target.</desc>' in svg


def test_bars_beyond_the_axis_end_at_it() -> None:
    assert Along(0, 10)(-3) == 0
    assert Along(0, 10)(30) == 100
    assert Along(10, 0)(7) == pytest.approx(30)
    assert Along(4, 4)(4) == 50


def test_curves_go_through_their_points() -> None:
    curve = Curve("a", ((0, 10), (5, 20), (10, 40)), ((5, 20), (5, 20)))
    svg = drawn(Sketch("s", drawing=Curves("x", "y", (curve, Curve("b", ((0, 10), (10, 10)))))), "k")
    assert 'd="M0 1000L500 666.67L1000 0"' in svg
    assert svg.count('<svg x="50%" y="66.67%"') == 1, "a mark that is there twice is drawn once"
    dashes = re.findall(r'stroke-dasharray="([^"]*)" vector', svg)
    assert len(dashes) == len(set(dashes)) == 2, "lines differ by more than colour"
    assert "a: from 10 at 0 to 40 at 10, with 2 marks." in svg


def test_no_line_of_a_picture_is_longer_than_fits(result: Result) -> None:
    assert result.weighable is not None
    brief = result.brief
    bound = [o for o in result.rules if o.binding and o.id != "total"]
    pictures = [
        *charges(result.weighable), *costs(result.weighable, "EUR"), *prices(bound, "EUR"),
        *windows(brief, result.weighable, result.setting),
    ]  # fmt: skip
    assert len(pictures) == 4
    for sketch in pictures:
        texts = re.findall(r"<text[^>]*>(.*?)</text>", drawn(sketch, "k"))
        assert max(map(len, texts)) <= LETTERS


def test_shares_add_up_and_follow_one_another(result: Result) -> None:
    assert result.formula is not None
    (sketch,) = charges(result.formula)
    assert isinstance(sketch.drawing, Bars)
    rows = sketch.drawing.rows
    assert rows[0].low == 0
    assert rows[-1].high == pytest.approx(100)
    assert all(a.high == b.low for a, b in pairwise(rows))
    assert charges(formula_at(result.brief.pool, {"aqua": 100.0})) == []


def test_costs_add_up_to_the_cost(result: Result) -> None:
    assert result.formula is not None
    (sketch,) = costs(result.formula, "EUR")
    assert isinstance(sketch.drawing, Bars)
    assert sum(row.high for row in sketch.drawing.rows) == pytest.approx(result.cost)


def test_prices_are_those_of_the_rules_over_one_step(result: Result) -> None:
    bound = [o for o in result.rules if o.id in ("perfume", "active")]
    wished = [replace(bound[0], price_if_raised=-2.0), replace(bound[1], price_if_raised=inf), *bound]
    (sketch,) = prices(wished, "EUR")
    bars = sketch.drawing
    assert isinstance(bars, Bars)
    falls, never, *plain = bars.rows
    steps = {r.id: r.step for r in result.brief.enforced}
    assert (falls.low, falls.high) == (-2.0 * steps[bound[0].id], 0.0)
    assert falls.hatched
    assert "Hatched bars: it falls." in sketch.note
    assert isnan(never.low)
    assert never.told == "impossible to raise"
    for row, outcome in zip(plain, bound, strict=True):
        assert row.high == pytest.approx(outcome.price_if_raised * steps[outcome.id])
        assert row.told == f"{row.high:+.4f} EUR for {steps[outcome.id]:g} {outcome.unit}"
    assert bars.ends == (falls.low, max(row.high for row in plain))
    assert prices([replace(bound[0], price_if_raised=0.0)], "EUR") == []


def test_windows_share_what_the_answer_says(result: Result) -> None:
    assert result.formula is not None
    assert result.ph is not None
    (sketch,) = windows(result.brief, result.formula, result.setting)
    bars = sketch.drawing
    assert isinstance(bars, Bars)
    assert bars.band is not None
    assert bars.band[:2] == (result.ph.low, result.ph.high)
    assert bars.line == (result.ph.target, f"target {result.ph.target:g}")
    assert windows(result.brief, result.formula, Setting()) == []


def test_windows_that_share_nothing_say_so(result: Result) -> None:
    brief = load_brief(find_scenario("hand-wash"), also=["sodium-cocoyl-glycinate", "sodium-benzoate"])
    formula = formula_at(brief.pool, {"sodium-cocoyl-glycinate": 5.0, "sodium-benzoate": 0.5, "aqua": 94.5})
    (sketch,) = windows(brief, formula, result.setting)
    assert isinstance(sketch.drawing, Bars)
    assert sketch.drawing.band is None
    assert sketch.note == "The windows share no pH."


# --- Ranges -----------------------------------------------------------------------------------------------------


def test_tenths_count_every_figure() -> None:
    found = tenths(np.array([1.0, 1.05, 2.0, np.nan, 1.5]))
    assert len(found) == 10
    assert found[0][:2] == pytest.approx((1.0, 1.1))
    assert [n for _, _, n in found] == [2, 0, 0, 0, 0, 1, 0, 0, 0, 1]
    assert tenths(np.array([1.0, 1.0])) == ()
    assert tenths(np.array([np.nan])) == ()


def test_a_range_lists_its_scenarios_and_says_what_it_leaves_out(monkeypatch: pytest.MonkeyPatch) -> None:
    grid = crossed([axis("active.at_least=9:10:0.5"), axis("mildness.at_least=58,99")])
    ranged = run_range(sources_of("hand-wash", ()), grid)
    table = answers_table(ranged)
    assert len(table.rows) == 6
    assert table.note == ""
    assert table.told()[0][:4] == ("1", "9", "58", "solved")
    assert table.told()[1][3:5] == ("impossible", "")
    assert [head.right for head in table.heads] == [True, True, True, False, True, True, False]
    document = range_document(ranged, summarise(ranged))
    reader = checked(page(Document("r", "v", sections=(*document.sections, table))))
    assert len(reader.all("svg")) == 1
    assert MOST_ROWS == 500
    monkeypatch.setattr("optimizer.report.sweep.MOST_ROWS", 4)
    cut = answers_table(ranged)
    assert len(cut.rows) == 4
    assert cut.note == "The first 4 of 6. The other 2 are left out here; --out writes all."


# --- Commands ---------------------------------------------------------------------------------------------------

Run = Callable[..., tuple[int, str]]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.chdir(tmp_path)

    def command(*args: str) -> tuple[int, str]:
        done = CliRunner().invoke(cli.app, args)
        if done.exception and not isinstance(done.exception, SystemExit):
            raise done.exception
        return done.exit_code, done.stdout

    return command


FORMULA = (
    "material,percent\nsodium-laureth-sulfate-2eo-70,8\ncocamidopropyl-betaine,8\nsodium-benzoate,0.5\naqua,q.s.\n"
)


@pytest.mark.thorough
def test_page_of_a_scenario(run: Run, tmp_path: Path) -> None:
    code, out = run("page", "hand-wash", "--out", "a.html", "--with", "leeway")
    assert code == 0
    assert out.endswith("wrote a.html\n")
    assert out.startswith("Harbour hand wash: Solved")
    text = (tmp_path / "a.html").read_text(encoding="utf-8")
    checked(text)
    assert "Room to move for Harbour hand wash" in text
    (tmp_path / "a.html").write_text(text.replace("Harbour", "Quay"), encoding="utf-8")
    with pytest.raises(DataError, match="the file exists"):
        run("page", "hand-wash", "--out", "a.html")


def test_page_of_an_impossible_scenario(run: Run, tmp_path: Path) -> None:
    code, out = run("page", "impossible-wash", "--out", "a.html", "--with", "frontier")
    assert code == 4
    assert "Impossible" in out
    text = (tmp_path / "a.html").read_text(encoding="utf-8")
    checked(text)
    assert "These 3 clash" in text


@pytest.mark.thorough
def test_page_of_a_formula(run: Run, tmp_path: Path) -> None:
    (tmp_path / "mine.csv").write_text(FORMULA, encoding="utf-8")
    code, out = run("page", "mine.csv", "--for", "hand-wash", "--json", "--out", "a.html")
    assert code == 4, "it breaks rules"
    told = json.loads(out)
    assert told["file"] == "a.html"
    assert told["sections"] == [
        "Formula, % w/w as supplied", "What the active matter is made of", "What drives the cost",
        "The pH that everything must agree on", "Broken", "Nearest formula that keeps every rule", "Kept", "Chemistry",
        "At the bench", "Cautions", "Made with",
    ]  # fmt: skip
    assert told["pictures"] == 3
    checked((tmp_path / "a.html").read_text(encoding="utf-8"))
    with pytest.raises(DataError, match="--for"):
        run("page", "mine.csv", "--out", "b.html")


BATCH = """batch = "7"
brief = "hand-wash"
product = "Quay wash"
size_g = 1000
held_back_percent = 4.0
ph_low = 4.8
ph_target = 5.1
ph_high = 5.2
line = [{material = "aqua", percent = 76.0}, {material = "sodium-laureth-sulfate-2eo-70", percent = 20.0}]
"""


@pytest.mark.thorough
def test_page_of_a_batch_shows_its_own_ph(run: Run, tmp_path: Path) -> None:
    (tmp_path / "batch.toml").write_text(BATCH, encoding="utf-8")
    code, _ = run("page", "batch.toml", "--out", "a.html")
    assert code == 4
    text = (tmp_path / "a.html").read_text(encoding="utf-8")
    checked(text)
    assert "<h1>Quay wash, batch 7</h1>" in text
    assert ">target 5.1</text>" in text


def test_page_of_a_batch_that_was_begun_shows_what_was_made(run: Run, tmp_path: Path) -> None:
    # 760 g of water and 220 g of paste, nothing else: 22.449 % of the product, not the 20 % of the plan.
    weighed = """
[[weighed]]
material = "aqua"
grams = 760.0
[[weighed]]
material = "sodium-laureth-sulfate-2eo-70"
grams = 220.0
[finish]
mass_g = 980.0
"""
    (tmp_path / "batch.toml").write_text(BATCH + weighed, encoding="utf-8")
    code, out = run("page", "batch.toml", "--out", "a.html")
    assert code == 4
    assert out.startswith("Quay wash, as made: NOT FINISHED. Put back 120 g of water. The batch as made breaks")
    text = (tmp_path / "a.html").read_text(encoding="utf-8")
    checked(text)
    assert f"{100 * 220 / 980:.2f}" in text
    assert "What went in" in text


@pytest.mark.thorough
def test_any_report_may_be_written_as_a_page(run: Run, tmp_path: Path) -> None:
    for k, command in enumerate(
        (("blend", "hand-wash"), ("rules",), ("leeway", "hand-wash"), ("together", "hand-wash=40"))
    ):
        code, out = run(*command, "--html", f"{k}.html")
        assert code == 0
        assert out.strip()
        checked((tmp_path / f"{k}.html").read_text(encoding="utf-8"))


def test_every_command_with_markdown_has_a_page() -> None:
    def named(command: Any, name: str) -> Iterator[tuple[str, set[str]]]:
        for own, inner in getattr(command, "commands", {}).items():
            yield from named(inner, f"{name} {own}".strip())
        if not getattr(command, "commands", {}):
            yield name, {p.name for p in command.params}

    found = dict(named(get_command(cli.app), ""))
    assert len(found) > 15
    assert {n for n, options in found.items() if ("markdown" in options) != ("html" in options)} == set()
    assert {n for n, options in found.items() if ("html" in options) != ("pdf" in options)} == set()


def test_options_that_do_not_go_together(run: Run, tmp_path: Path) -> None:
    for options in (("--json", "--html", "a.html"), ("--html", "a.html", "--json")):
        with pytest.raises(UsageError, match="not with --json"):
            run("blend", "hand-wash", *options)
    with pytest.raises(UsageError, match="ends otherwise"):
        run("blend", "hand-wash", "--html", "a.txt")
    with pytest.raises(UsageError, match="frontier"):
        run("page", "hand-wash", "--out", "a.html", "--with", "fronteer")
    assert list(tmp_path.iterdir()) == []
