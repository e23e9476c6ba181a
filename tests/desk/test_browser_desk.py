"""The desk in a real browser: a whole batch by clicks, by keyboard alone, by touch at 390 x 844, and without script.

Other hosts are blocked. Requirements: Web Content Accessibility Guidelines (WCAG) 2.2, W3C 2023: 1.4.3 contrast, 1.4.10
reflow, 2.1.1 keyboard, 2.5.8 target size (here 44 px as in 2.5.5), checked with axe-core. Batches are made up.
"""

from __future__ import annotations

import base64
import re
import time
from collections.abc import Iterator
from pathlib import Path
from shutil import copytree
from typing import Any

import pytest
from selenium.webdriver.common.keys import Keys as Key

from optimizer.answers.bench import lay_batch
from optimizer.answers.kept import keep_batch
from optimizer.answers.starter import lay
from optimizer.answers.subject import subject_of
from optimizer.bench.batch import read_batch
from optimizer.desk import watch
from optimizer.files import shipped
from tests.support.axe import findings
from tests.support.chromium import marks, served, wait, window
from tests.support.clicks import fill, follow, gone, leave, one, press, text, weigh
from tests.support.hands import Finger, Keys
from tests.support.harbour import batch_file

pytestmark = marks

DARK = [{"name": "prefers-color-scheme", "value": "dark"}]
NOBODY = {"offline": True, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
LAID: dict[str, str] = {}


@pytest.fixture
def browser(chrome: Any) -> Iterator[Any]:
    with window(chrome) as driver:
        yield driver


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    batch_file(tmp_path, "12", bottles=None)
    return tmp_path


def whole(folder: Path) -> Path:
    """Lay the demo's batch; it is worked out once."""
    path = folder / "HW-012.toml"
    if not LAID:
        lay_batch(
            subject_of("hand-wash"), path, bottles=20, bottle_ml=250, density=1.02, loss=2, scale=0.1, number="HW-012",
            on="2026-05-04",
        )  # fmt: skip
        LAID["text"] = path.read_text(encoding="utf-8")
    path.write_text(LAID["text"], encoding="utf-8")
    return path


def enter(driver: Any, where: str, guard: Any, **invited: Any) -> None:
    driver.get(f"{where}/open?key={guard.invite(**invited)}")
    assert driver.current_url == f"{where}/"


def walk(driver: Any, where: str, name: str) -> None:
    """Go from the first weight to the records by what stands on the pages."""
    driver.get(f"{where}/batch/{name}/weigh")
    weigh(driver)
    follow(driver, "Go to the pH")
    fill(driver, ph="9,2")
    press(driver)
    assert "Add now" in text(driver)
    for now, ph in (("10,7", "5,6"), ("6,5", "5,1")):
        fill(driver, now=now, ph=ph)
        press(driver)
    assert "Stop: inside the target" in text(driver)
    driver.get(f"{where}/batch/{name}/thicken")
    fill(driver, reading="120", target="3000")
    press(driver)
    fill(driver, now="26", reading="3050", ph="5,1")
    press(driver)
    assert "target reached" in text(driver)
    follow(driver, "Finish the batch")
    fill(driver, mass="5190", water="150", bottles="19")
    press(driver)
    for page, said in (("made", "The batch as made"), ("label", "Ingredients: Aqua"), ("cost", "per bottle")):
        driver.get(f"{where}/batch/{name}/{page}")
        assert said in text(driver)
    driver.get(f"{where}/batch/{name}/keep")
    press(driver)
    assert "Kept as revision 1" in text(driver)


def finished(path: Path) -> None:
    batch = read_batch(path)
    assert len(batch.weighed) == len(batch.line)
    assert [r.ph for r in batch.adjustment[0].reading] == [9.2, 5.6, 5.1]
    assert (batch.finish.mass_g, batch.finish.bottles) == (5190, 19)


def test_a_whole_batch_by_clicks_with_every_other_host_blocked(browser: Any, folder: Path) -> None:
    path = whole(folder)
    with served(folder) as desk:
        where, guard = desk.address, desk.guard
        enter(browser, where, guard)
        browser.get_log("browser")
        walk(browser, where, "HW-012")
        told = [e for e in browser.get_log("browser") if "422" not in e["message"]]
        assert not told, told
    finished(path)


def test_a_whole_batch_without_script(chrome: Any, folder: Path) -> None:
    path = whole(folder)
    with window(chrome, script=False) as driver, served(folder) as desk:
        where, guard = desk.address, desk.guard
        enter(driver, where, guard)
        walk(driver, where, "HW-012")
        assert not driver.find_elements("css selector", "output:not(:empty)"), "no script has run"
    finished(path)


def test_a_batch_by_touch_on_a_telephone(chrome: Any, folder: Path) -> None:
    path = folder / "batch-12.toml"
    with window(chrome, 390, 844, touch=True) as driver, served(folder) as desk:
        where, guard = desk.address, desk.guard
        enter(driver, where, guard, phone=True, formulas=False)
        hand = Finger(driver)
        leave(driver, one(driver, ".entries .button"), hand)
        assert driver.current_url.endswith("/weigh")
        for _ in range(2):
            fits(driver)
            grams = one(driver, ".figure").text.removesuffix("g").strip()
            assert one(driver, ".figure").rect["y"] + one(driver, ".figure").rect["height"] < 844
            fill(driver, hand, grams=grams, lot="A")
            press(driver, hand=hand)
        for page in ("ph", "thicken", "finish", "label", "cost", "made", "card", "keep"):
            driver.get(f"{where}/batch/batch-12/{page}")
            fits(driver)
        for page in ("shelf", "records", "devices"):
            driver.get(f"{where}/{page}")
            fits(driver)
    assert sorted(w.grams for w in read_batch(path).weighed) == [200, 800]


ON_THE_CARD = """
const grams = document.querySelector("main input[name=grams]"), figure = document.querySelector("main .figure");
return [figure.getBoundingClientRect().top, grams.getBoundingClientRect().bottom, document.documentElement.scrollWidth];
"""


def test_the_grams_and_their_field_are_on_the_first_screen_of_a_telephone(chrome: Any, tmp_path: Path) -> None:
    """The shipped facial wash has the longest steps: acid apart, its cautions, small lines with a premix."""
    path = tmp_path / "FW-1.toml"
    lay_batch(subject_of("facial-wash"), path, size="3kg", scale=1.0, on="2026-05-04")
    lines = range(1, len(read_batch(path).line) + 1)
    with window(chrome, 390, 844) as driver, served(tmp_path) as desk:
        enter(driver, desk.address, desk.guard, phone=True, formulas=False)
        for line in lines:
            driver.get(f"{desk.address}/batch/FW-1/weigh?line={line}")
            figure, field, wide = driver.execute_script(ON_THE_CARD)
            assert figure <= 0.4 * 844, line
            assert field <= 844, line
            assert wide <= 390, line


SMALL_TARGETS = """
return [...document.querySelectorAll("main form button, main form input, main form select, nav a, .button, summary")]
  .filter((e) => e.offsetParent && e.type !== "hidden" && e.type !== "checkbox" && !e.closest(".report"))
  .map((e) => [e.outerHTML.slice(0, 80), e.getBoundingClientRect().height])
  .filter(([, height]) => height < 43.5);
"""


def fits(driver: Any) -> None:
    """Nothing is wider than the screen, and what is touched is large enough."""
    page = driver.current_url
    wide = driver.execute_script("return document.documentElement.scrollWidth")
    assert wide <= 390, (page, wide)
    small = driver.execute_script(SMALL_TARGETS)
    assert not small, (page, small)


def test_a_batch_by_keyboard_alone(browser: Any, folder: Path) -> None:
    with served(folder) as desk:
        hand = Keys(browser)
        enter(browser, desk.address, desk.guard)
        hand.came()
        follow(browser, "Weigh", hand)
        for line in (1, 2):
            grams = one(browser, ".figure").text.removesuffix("g").strip()
            fill(browser, hand, grams=grams)
            before = one(browser, "html")
            hand.type(Key.TAB, "LOT", Key.ENTER)  # the enter key in a field sends the form
            wait(lambda before=before: gone(before))
            assert f"Noted: {grams} g" in text(browser)
            assert len(read_batch(folder / "batch-12.toml").weighed) == line
        hand.came()
        hand.go_to(browser.find_element("link text", "Go to the pH"))


def test_a_shelf_that_nobody_counted_fits_a_telephone(chrome: Any, tmp_path: Path) -> None:
    lay(tmp_path)
    with window(chrome, 390, 844) as driver, served(tmp_path) as desk:
        enter(driver, desk.address, desk.guard)
        driver.get(f"{desk.address}/shelf")
        fits(driver)


def test_what_is_half_typed_stays_until_it_is_noted(browser: Any, folder: Path) -> None:
    with served(folder) as desk:
        where, guard = desk.address, desk.guard
        port = int(where.rpartition(":")[2])
        enter(browser, where, guard)
        browser.get(f"{where}/batch/batch-12/weigh")
        fill(browser, grams="123,4", lot="half")
        wait(lambda: one(browser, "output[for=grams]").text == "read as 123.4 g")
        browser.refresh()
        assert one(browser, "#grams").get_attribute("value") == "123,4"
    fill(browser, lot="half typed")  # the desk is away
    with served(folder, port) as desk:
        where, guard = desk.address, desk.guard
        handle = browser.current_window_handle
        browser.switch_to.new_window("tab")
        enter(browser, where, guard)
        browser.close()
        browser.switch_to.window(handle)
        browser.refresh()
        assert one(browser, "#lot").get_attribute("value") == "half typed"
        fill(browser, grams="200")
        press(browser)
        assert "Noted: 200 g" in text(browser)
        browser.get(f"{where}/batch/batch-12/weigh?line=1")
        browser.refresh()
        assert one(browser, "#grams").get_attribute("value") == ""


def test_what_is_half_typed_of_one_thing_never_stands_at_another(browser: Any, tmp_path: Path) -> None:
    for number in ("Q2", "Q3"):
        keep_batch(batch_file(tmp_path, number), on="2026-05-04", store=tmp_path / "records.db")
    shelf = tmp_path / "shelf.csv"
    head, *lines = "material,stock kg,lot", "decyl-glucoside,5,A", "coco-glucoside,4,B", "coco-glucoside,3,C"
    shelf.write_text("\n".join([head, *lines]), encoding="utf-8")
    with served(tmp_path) as desk:
        enter(browser, desk.address, desk.guard)
        browser.get(f"{desk.address}/record?batch=Q2")
        one(browser, "form[data-keep$=note]").find_element("xpath", "./ancestor::details/summary").click()
        fill(browser, what="pH", value="4,1", text="smells sour")
        browser.get(f"{desk.address}/record?batch=Q3")
        assert one(browser, "#value").get_attribute("value") == "", "the other batch smells of nothing"
        browser.get(f"{desk.address}/record?batch=Q2")
        assert one(browser, "#value").get_attribute("value") == "4,1"
        browser.get(f"{desk.address}/shelf?of=shelf.csv&line=3")
        fill(browser, **{"stock-3": "0,7"})
        shelf.write_text("\n".join([head, *lines[1:]]), encoding="utf-8")  # what was line 3 is line 2 now
        browser.get(f"{desk.address}/shelf?of=shelf.csv&line=3")
        assert one(browser, "#stock-3").get_attribute("value") == "", "nobody has counted lot C"
        browser.get(f"{desk.address}/shelf?of=shelf.csv&line=2")
        assert one(browser, "#stock-2").get_attribute("value") == "0,7"


PAGES = (
    "/", "/begin", "/bring", "/several", "/shelf", "/prices", "/library", "/library/of/sodium-hydroxide",
    "/library/doubts", "/library/limits", "/records/sound", "/salt?brief=hand-wash",
    "/lot?of=shelf.csv&line=2", "/along", "/records", "/trials", "/devices", "/formula/hand-wash",
    "/formula/hand-wash?active.at_least=9.5", "/formula/hand-wash/range-of", "/formula/hand-wash/pictures",
    "/formula/hand-wash/batch", "/formula/impossible-wash/impossible", "/batch/HW-012/weigh", "/batch/HW-012/sheet",
    "/batch/HW-012/ph", "/batch/HW-012/thicken", "/batch/HW-012/finish", "/batch/HW-012/label", "/batch/HW-012/cost",
    "/batch/HW-012/card", "/batch/HW-012/keep",
)  # fmt: skip
SMALL = """
const seen = (e) => e.offsetParent && e.type !== 'hidden' && !e.closest('.skip, p:not(.go):not(.buttons):not(.name)');
const tall = (e) => (e.type === 'checkbox' ? e.closest('.tick') : e).getBoundingClientRect().height;
return [...document.querySelectorAll('a, button, input, select, summary')].filter((e) => seen(e) && tall(e) < 43.5)
  .map((e) => `${e.tagName} ${e.textContent || e.name}: ${tall(e)}`);
"""


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the demo's briefs, its shelf and a batch; nothing here writes."""
    found = copytree(shipped("scenarios"), tmp_path_factory.mktemp("shop") / "demo")
    whole(found)
    return found


def test_gloves_find_every_target_on_a_telephone_and_nothing_is_wider_than_it(chrome: Any, shop: Path) -> None:
    with served(shop) as desk, window(chrome, 390, 844, touch=True) as driver:
        enter(driver, desk.address, desk.guard)
        for page in PAGES:
            driver.get(f"{desk.address}{page}")
            assert driver.execute_script("return document.documentElement.scrollWidth - innerWidth") <= 0, page
            assert driver.execute_script(SMALL) == [], page


def test_pages_print_what_they_say_and_no_empty_sheet(chrome: Any, shop: Path) -> None:
    with served(shop) as desk, window(chrome) as driver:
        enter(driver, desk.address, desk.guard)
        for page in PAGES:
            driver.get(f"{desk.address}{page}")
            wait(lambda: "proof follows" not in text(driver))
            title = one(driver, "h1").text
            sheets = printed(driver)
            assert all(sheet.strip() for sheet in sheets), page
            whole_text = " ".join(" ".join(sheets).split())
            assert " ".join(title.split()) in whole_text, page
            for word in ("Note it", "Lay a batch", "Change it", "Keep in the brief", "New product"):
                assert word not in whole_text.replace(title, ""), (page, word)
            if page.startswith("/formula/hand-wash?"):
                assert re.search(r"active matter at least 9\.5 %", whole_text), "limits are printed as they stand"
            if page.endswith("/sheet"):
                assert "Fine dust floats" in whole_text
                assert "goggles" in whole_text


def printed(driver: Any) -> list[str]:
    """Return the texts of the pages on paper."""
    import pypdfium2

    sent = driver.execute_cdp_cmd(
        "Page.printToPDF", {"paperWidth": 8.27, "paperHeight": 11.69, "preferCSSPageSize": True}
    )
    document = pypdfium2.PdfDocument(base64.b64decode(sent["data"]))
    return [page.get_textpage().get_text_bounded() for page in document]


def test_1234_is_asked_back_with_two_buttons(browser: Any, folder: Path) -> None:
    with served(folder) as desk:
        where, guard = desk.address, desk.guard
        enter(browser, where, guard)
        browser.get(f"{where}/batch/batch-12/weigh")
        fill(browser, grams="1,234", lot="T")
        press(browser)
        assert "can be read two ways" in text(browser)
        assert one(browser, "#grams").get_attribute("value") == "1,234"
        buttons = browser.find_elements("css selector", ".readings button")
        assert [b.text for b in buttons] == ["1.234 g", "1234 g"]
        leave(browser, buttons[0])
    assert [w.grams for w in read_batch(folder / "batch-12.toml").weighed] == [1.234]


def test_nothing_is_found_by_the_accessibility_checker(browser: Any, folder: Path) -> None:
    whole(folder)
    (folder / "shelf.csv").write_text("material,price per kg,stock kg\naqua,0.04,5\n", encoding="utf-8")
    with served(folder) as desk:
        where, guard = desk.address, desk.guard
        enter(browser, where, guard)
        browser.get(f"{where}/batch/batch-12/weigh")
        weigh(browser)
        browser.get(f"{where}/batch/batch-12/ph")
        fill(browser, ph="9,2")
        press(browser)
        browser.get(f"{where}/batch/batch-12/keep")
        press(browser)
        for page in ("/", "/batch/HW-012/weigh", "/batch/batch-12/ph", "/batch/HW-012/ph", "/batch/HW-012/thicken",
                     "/batch/HW-012/finish", "/batch/HW-012/made", "/batch/HW-012/label", "/batch/HW-012/cost",
                     "/batch/HW-012/card", "/record?batch=12", "/records?lot=L-1", "/shelf", "/devices"):  # fmt: skip
            browser.get(where + page)
            assert not findings(browser), page
            # In the dark nothing but the colours is another.
            browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": DARK})
            assert not findings(browser, only="color-contrast"), (page, "dark")
            browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def test_a_page_in_sight_is_told_that_its_file_was_changed_broken_or_lost(
    browser: Any, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watch, "EVERY_S", 0.2)
    path = folder / "batch-12.toml"
    whole_text = path.read_text(encoding="utf-8")

    def said() -> str:
        return str(wait(lambda: one(browser, "#changed").text))

    with served(folder) as desk:
        enter(browser, desk.address, desk.guard)
        page = f"{desk.address}/batch/batch-12/weigh"
        browser.get(page)
        fill(browser, grams="123,4")
        path.write_text(f"{whole_text}\n# looked at elsewhere\n", encoding="utf-8")
        assert said().startswith("batch-12.toml was changed elsewhere since this page was made.")
        follow(browser, "Load the page anew")
        assert not one(browser, "#changed").is_displayed()
        assert one(browser, "#grams").get_attribute("value") == "123,4"
        path.write_text("[", encoding="utf-8")
        assert said().startswith("batch-12.toml cannot be read any more: this is not valid TOML")
        path.write_text(whole_text, encoding="utf-8")
        browser.get(page)
        path.unlink()
        assert said().startswith("The file of this page is not in the folder any more.")
        press(browser)
        assert "there is no batch of this name" in text(browser).casefold()
        path.write_text(whole_text, encoding="utf-8")
        browser.get(page)
        assert one(browser, "#grams").get_attribute("value") == "123,4", "nothing that was typed is lost"
    assert read_batch(path).weighed == ()


def test_a_page_of_a_desk_that_was_started_anew_says_how_to_get_in_again(browser: Any, folder: Path) -> None:
    with served(folder) as desk:
        enter(browser, desk.address, desk.guard)
        browser.get(f"{desk.address}/batch/batch-12/weigh")
        fill(browser, grams="123,4")
    with served(folder, int(desk.address.rpartition(":")[2])) as again:
        browser.execute_script("document.dispatchEvent(new Event('visibilitychange'))")
        said = wait(lambda: one(browser, "#changed").text)
        assert said.startswith("The desk was started anew")
        assert "the address that 'tenside open' tells now" in said
        assert browser.execute_script("return document.getElementById('speaks').textContent") in said
        assert one(browser, "#grams").get_attribute("value") == "123,4"
        enter(browser, again.address, again.guard)
        browser.get(f"{again.address}/batch/batch-12/weigh")
        assert one(browser, "#grams").get_attribute("value") == "123,4", "what was typed stays"


def test_back_after_a_form_shows_what_is_noted_and_sends_nothing_again(browser: Any, folder: Path) -> None:
    path = folder / "batch-12.toml"
    with served(folder) as desk:
        enter(browser, desk.address, desk.guard)
        leave(browser, browser.find_element("link text", "Weigh"))
        fill(browser, grams="200", lot="A")
        press(browser)
        browser.back()
        wait(lambda: one(browser, ".figure").text.startswith("600"))
        assert one(browser, "#grams").get_attribute("value") == ""
        fill(browser, grams="1,234")
        press(browser)  # refused
        leave(browser, browser.find_element("link text", "pH"))
        browser.back()
        wait(lambda: one(browser, "#grams").get_attribute("value") == "1,234")
        browser.refresh()
        assert one(browser, "#grams").get_attribute("value") == "1,234", "what was typed is there, and was not sent"
    assert [w.grams for w in read_batch(path).weighed] == [200]


def test_a_telephone_that_slept_is_told_what_changed_meanwhile(chrome: Any, folder: Path) -> None:
    path = folder / "batch-12.toml"
    with served(folder) as desk, window(chrome, 390, 844, touch=True) as driver:
        enter(driver, desk.address, desk.guard, phone=True, formulas=False)
        driver.get(f"{desk.address}/batch/batch-12/weigh")
        fill(driver, grams="123,4")
        wait(lambda: driver.execute_script("return !!watching && watching.readyState === EventSource.OPEN"))
        driver.execute_cdp_cmd("Network.enable", {})
        driver.execute_cdp_cmd("Network.emulateNetworkConditions", NOBODY)
        driver.execute_script("watching.dispatchEvent(new Event('error')); watching.close()")  # as a dead line ends
        path.write_text(path.read_text(encoding="utf-8") + "\n# elsewhere\n", encoding="utf-8")
        driver.execute_cdp_cmd("Network.emulateNetworkConditions", NOBODY | {"offline": False})
        driver.execute_script("document.dispatchEvent(new Event('visibilitychange'))")
        wait(lambda: "was changed elsewhere since this page was made" in one(driver, "#changed").text)
        assert one(driver, "#grams").get_attribute("value") == "123,4"
        press(driver)
        assert "Noted: 123.4 g" in text(driver)


def test_a_page_out_of_sight_asks_for_nothing(browser: Any, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    looks: list[str] = []
    made = watch.told

    def told(*asked: Any) -> str:
        looks.append(asked[2])
        return made(*asked)

    monkeypatch.setattr(watch, "told", told)
    monkeypatch.setattr(watch, "EVERY_S", 0.05)
    with served(folder) as desk:
        enter(browser, desk.address, desk.guard)
        browser.get(f"{desk.address}/batch/batch-12/weigh")
        wait(lambda: len(looks) > 2)
        there = browser.get_window_rect()
        browser.minimize_window()
        wait(lambda: _still(looks))
        browser.set_window_rect(**there)
        seen = len(looks)
        wait(lambda: len(looks) > seen)


def _still(looks: list[str]) -> bool:
    """Return whether nothing is looked at for as long as ten looks would take."""
    before = len(looks)
    time.sleep(0.5)
    return len(looks) == before
