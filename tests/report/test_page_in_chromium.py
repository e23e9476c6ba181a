"""A page in a real browser: quiet, reachable by keyboard, readable, nowhere wider than its window, printable.

Requirements: Web Content Accessibility Guidelines (WCAG) 2.2, W3C 2023, success criteria 1.4.3 (contrast), 1.4.10
(reflow at 320 px), 2.1.1 and 2.1.2 (keyboard, no trap).
"""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pypdfium2
import pytest

from optimizer.brief.brief import load_brief
from optimizer.brief.scenario import find_scenario
from optimizer.report.blend import blend_document
from optimizer.report.document import Bar, Bars, Column, Document, Listing, Sketch, Table, figures
from optimizer.report.formats.page import LONG, page
from optimizer.report.tradeoff import leeway_document
from optimizer.solve.best import solve
from optimizer.studies.leeway import leeway
from tests.support.chromium import here, window
from tests.support.hostile import ask

WIDTHS = (320, 360, 768, 1280)

pytestmark = [pytest.mark.thorough, here]


def odd() -> Document:
    """Return a document of extremes: long words, many columns, a folded table, texts that look like markup."""
    word = "Polyoxyethylenesorbitanmonolaurate" * 4
    columns = ("material", *figures(*(f"column {n}" for n in range(12))))
    rows = tuple((word, *("12345.678",) * 12) for _ in range(3))
    bars = Bars("share, %", (Bar(word, 0, 80, "80 %"), Bar("<b>", 20, 60, "20 to 60 " * 8, 30, hatched=True)), (0, 100))
    return Document(
        "Odd <script>document.title = 'read as markup'</script>",
        "A verdict of bad news.",
        (("a fact", word),),
        (
            Table("Wide", columns, rows),
            Table("Narrow", ("a", "b"), ((word, word),)),
            Table("Long", (*figures("n"), "what"), tuple((n, "folded away") for n in range(LONG + 1))),
            Sketch("Drawn", drawing=bars, note=word),
            Sketch("In characters", ("x" * 200, " o"), "A note."),
            Listing("Cautions", (word, "Mind <this>."), "caution"),
        ),
        good=False,
    )


def form() -> Document:
    """Return what is ticked and written in by hand, with a long word."""
    word = "Polyoxyethylenesorbitanmonolaurate" * 2
    columns = (
        Column("", "tick"), *figures("no."), Column("material", "name"), Column("weigh, g", "big"),
        Column("lot", "write"), Column("weighed, g", "write"), Column("how", "note"),
    )  # fmt: skip
    rows = tuple((None, n, word, 1234.5, None, (1.5, 2.0), ("Stir.", f"! {word}")) for n in (1, 2))
    steps = (Document("1. A step", "", sections=(Listing("", ("Hot.",), "caution"), Table("", columns, rows))),) * 3
    blank = Table("", (Column("by", "write"), Column("on", "write")), ((None, None),))
    return Document("Sheet", "To do.", (("batch", word),), (*steps, blank), running="batch 1", kind="weigh sheet")


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    result = solve(load_brief(find_scenario("hand-wash")), weighable=True)
    room = leeway_document(leeway(result.brief, 0.03 * result.objective)).chapter()
    folder = tmp_path_factory.mktemp("pages")
    made = {"hand-wash": blend_document(result, None, None, more=(room,)), "odd": odd(), "form": form()}
    for name, document in made.items():
        (folder / f"{name}.html").write_text(page(document), encoding="utf-8")
    return {name: folder / f"{name}.html" for name in made}


@pytest.fixture
def browser(chrome: Any) -> Iterator[Any]:
    with window(chrome) as driver:
        yield driver


def opened(browser: Any, path: Path, width: int = 1280, scheme: str = "light", medium: str = "") -> None:
    """Load a page in a window of a width, in a colour scheme and medium."""
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    feature = {"name": "prefers-color-scheme", "value": scheme}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": medium, "features": [feature]})
    browser.get(path.as_uri())


@pytest.mark.parametrize("name", ["hand-wash", "odd", "form"])
def test_a_page_loads_quietly_and_asks_for_nothing(browser: Any, pages: dict[str, Path], name: str) -> None:
    browser.get_log("performance")
    browser.get_log("browser")
    opened(browser, pages[name])
    events = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
    assert pages[name].as_uri() in asked
    assert [url for url in asked if url not in (pages[name].as_uri(), "data:,")] == []
    assert browser.get_log("browser") == []
    assert browser.title.startswith({"hand-wash": "Harbour", "odd": "Odd <script>", "form": "Sheet"}[name])


OVER = """
const wide = document.documentElement.clientWidth;
const out = [...document.querySelectorAll('body *')].filter(e => {
  const box = e.getBoundingClientRect();
  return box.width && box.right > wide + 1 && !e.closest('.wide, pre, .unseen, .skip');
}).map(e => e.tagName + ' ' + (e.textContent || '').slice(0, 40));
const texts = [...document.querySelectorAll('svg.picture')].flatMap(svg => {
  const edge = svg.getBoundingClientRect();
  const boxes = [...svg.querySelectorAll('text')].map(t => [t.getBoundingClientRect(), t.textContent]);
  return boxes.filter(([box, _], k) =>
    box.left < edge.left - 1 || box.right > edge.right + 1 || box.bottom > edge.bottom + 3 ||
    boxes.slice(k + 1).some(([b, _]) => b.left < box.right && b.right > box.left && Math.abs(b.top - box.top) < 3)
  ).map(([_, words]) => words);
});
return [document.documentElement.scrollWidth - wide, out, texts];
"""


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", ["hand-wash", "odd", "form"])
def test_nothing_is_wider_than_its_window(browser: Any, pages: dict[str, Path], name: str, width: int) -> None:
    """Success criterion 1.4.10; tables may scroll by themselves, as it allows for them."""
    opened(browser, pages[name], width)
    browser.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert browser.execute_script(OVER) == [0, [], []]
    # The widest letters that are common, wherever the page's own are missing.
    browser.execute_script("document.documentElement.style.setProperty('--sans', 'Verdana, DejaVu Sans')")
    assert browser.execute_script(OVER) == [0, [], []]


BROKEN = """
const wide = document.documentElement.clientWidth, bad = [];
const walk = document.createTreeWalker(document.querySelector('main'), NodeFilter.SHOW_TEXT);
for (let text; (text = walk.nextNode());) {
  const cell = text.parentElement.closest('td, th');
  if (!cell || !cell.checkVisibility() || cell.closest('thead')) continue;
  for (const found of text.data.matchAll(/[\\p{L}\\d.,:+]+/gu)) {
    if (found[0].length > 24) continue;
    const range = document.createRange();
    range.setStart(text, found.index);
    range.setEnd(text, found.index + found[0].length);
    const boxes = range.getClientRects();
    if (boxes.length > 1) bad.push('broken: ' + found[0]);
    if (boxes.length && boxes[boxes.length - 1].right > wide + 1) bad.push('out of sight: ' + found[0]);
  }
}
return bad;
"""
"""Words of tables that are broken over two lines, and words that stand beyond the edge of the window."""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return pages of a batch that goes from its plan to the bottles; weights and readings are made up."""
    folder = tmp_path_factory.mktemp("bench")
    batch = str(folder / "batch.toml")
    thicken = ("thicken", batch, "--material", "sorbitan-sesquicaprylate")
    done = (
        ("batch", "hand-wash", "--size", "5kg", "--scale", "0.1", "--number", "HW-012", "--out", batch),
        ("weigh", batch, "--html", str(folder / "weigh.html")),
        ("weighed", batch, "glycerin=101.4@QN-3"),
        (*thicken, "--added", "0%", "--viscosity", "120", "--target", "3000", "--ph", "5.1"),
        (*thicken, "--added", "0.5%", "--viscosity", "900", "--ph", "5.1", "--html", str(folder / "thicken.html")),
        ("weighed", batch, "--finish-mass", "4850", "--water-added", "60", "--bottles", "18", "--sure"),
        ("made", batch, "--html", str(folder / "made.html")),
        ("cost", batch, "--costs", "refill", "--html", str(folder / "cost.html")),
        ("label", batch, "--html", str(folder / "label.html")),
    )
    for asked in done:
        told = ask(*asked, seconds=120)
        assert told.code in (0, 4), told.err
    return {path.stem: path for path in folder.glob("*.html")}


@pytest.mark.parametrize("width", [390, 768, 1200])
@pytest.mark.parametrize("name", ["weigh", "thicken", "made", "cost", "label"])
def test_no_word_of_a_bench_page_is_broken_or_out_of_sight(
    browser: Any, bench: dict[str, Path], name: str, width: int
) -> None:
    opened(browser, bench[name], width)
    browser.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert browser.execute_script(BROKEN) == []
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width


def test_a_wide_table_stays_a_table_where_its_rows_are_laid_out_below_one_another(
    browser: Any, bench: dict[str, Path]
) -> None:
    opened(browser, bench["cost"], 390)
    roles = browser.execute_script(
        "const t = document.querySelector('.wide table'), r = t.querySelector('tbody tr');"
        "return [t.role || t.getAttribute('role'), r.getAttribute('role'), r.children[0].getAttribute('role'),"
        " getComputedStyle(r).display, r.querySelector('[data-of]').dataset.of !== '']"
    )
    assert roles == ["table", "row", "rowheader", "flex", True]


@pytest.mark.parametrize("name", ["hand-wash", "odd", "form"])
def test_tab_reaches_everything_in_order_and_is_never_caught(browser: Any, pages: dict[str, Path], name: str) -> None:
    from selenium.webdriver import ActionChains, Keys

    opened(browser, pages[name], 360)
    wanted = browser.execute_script(
        "window.all = [...document.querySelectorAll('a, summary, [tabindex=\"0\"]')].filter(e => e.checkVisibility());"
        "return all.length"
    )
    reached = []
    for _ in range(wanted + 1):
        ActionChains(browser).send_keys(Keys.TAB).perform()
        reached.append(browser.execute_script("return all.indexOf(document.activeElement)"))
    assert reached[:wanted] == list(range(wanted))
    assert reached[wanted] != wanted - 1, "the last one lets go"
    browser.execute_script("all[0].focus()")
    ActionChains(browser).send_keys(Keys.ENTER).perform()
    assert browser.execute_script("return document.activeElement.id") == "main", "the skip link skips"
    folded = browser.execute_script("return document.querySelectorAll('details').length")
    assert folded == (1 if name in ("odd", "hand-wash") else 0)  # there pairs that others measured
    if folded:
        browser.execute_script("document.querySelector('summary').focus()")
        ActionChains(browser).send_keys(Keys.ENTER).perform()
        assert browser.execute_script("return document.querySelector('details').open")


COLOURS = """
const of = e => getComputedStyle(e);
const found = new Map();
for (const e of document.querySelectorAll('body, body *')) {
  const own = [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
  if (!own || !e.checkVisibility() || e.closest('title, desc, defs')) continue;
  let behind = e;
  while (behind && of(behind).backgroundColor === 'rgba(0, 0, 0, 0)') behind = behind.parentElement;
  const ink = e.namespaceURI.endsWith('svg') ? of(e).fill : of(e).color;
  found.set(ink + ' on ' + (behind ? of(behind).backgroundColor : 'rgb(255, 255, 255)'), e.tagName);
}
return [...found];
"""


def luminance(colour: str) -> float:
    """Return relative luminance, WCAG 2.2, section 'Terms': sRGB with the threshold 0.04045."""
    parts = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return sum(w * p for w, p in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_formula() -> None:
    """WCAG 2.2, 'contrast ratio': black on white is 21 to 1; #767676 on white just passes 4.5 (Understanding 1.4.3)."""
    assert contrast("rgb(0, 0, 0)", "rgb(255, 255, 255)") == pytest.approx(21)
    assert contrast("rgb(118, 118, 118)", "rgb(255, 255, 255)") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("name", ["odd", "form"])
@pytest.mark.parametrize(("scheme", "medium"), [("light", "screen"), ("dark", "screen"), ("dark", "print")])
def test_words_stand_out_from_the_paper(
    browser: Any, pages: dict[str, Path], scheme: str, medium: str, name: str
) -> None:
    opened(browser, pages[name], 768, scheme, medium)
    browser.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    pairs = browser.execute_script(COLOURS)
    assert len(pairs) >= 2
    paper = {pair.split(" on ")[1] for pair, _ in pairs}
    assert (paper == {"rgb(255, 255, 255)"}) == (medium == "print")
    weak = {pair: tag for pair, tag in pairs if contrast(*pair.split(" on ")) < 4.5}
    assert weak == {}


def test_a_page_prints(browser: Any, pages: dict[str, Path]) -> None:
    opened(browser, pages["odd"])
    made = browser.execute_cdp_cmd("Page.printToPDF", {"paperWidth": 8.27, "paperHeight": 11.69})
    folded = text_of(base64.b64decode(made["data"]))
    assert "(folded, so not printed)" in folded
    assert "folded away" not in folded
    browser.execute_script("document.querySelector('details').open = true")
    made = browser.execute_cdp_cmd("Page.printToPDF", {"paperWidth": 8.27, "paperHeight": 11.69})
    text = text_of(base64.b64decode(made["data"]))
    assert text.count("folded away") == LONG + 1
    assert "Skip to the report" not in text
    assert "Mind <this>." in text


def text_of(pdf: bytes) -> str:
    document = pypdfium2.PdfDocument(pdf)
    try:
        texts = []
        for sheet in document:
            words = sheet.get_textpage()
            texts.append(words.get_text_bounded())
            words.close()
            sheet.close()
        return "\n".join(texts)
    finally:
        document.close()
