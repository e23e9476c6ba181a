"""Rulers in a real browser: drags with late answers, from questions to a laid batch by clicks, and without a script.

Figures are made up around those of the shipped briefs and of what the questions offer.
"""

from __future__ import annotations

import threading
import time
from pathlib import Path
from random import Random
from shutil import copytree
from typing import Any

import pytest
from selenium.webdriver.common.by import By

from optimizer.answers.keeping import stated
from optimizer.answers.ruled import Ruled
from optimizer.answers.rulers import Rulers
from optimizer.bench.batch import read_batch
from optimizer.files import shipped
from tests.support.axe import findings
from tests.support.chromium import marks, served, wait, window
from tests.support.clicks import fill, follow, gone, leave, proven
from tests.support.hands import Finger, Mouse

pytestmark = marks

WATCH = """
window.seen = [];
const look = () => {
  const sum = document.querySelector('#answer .sum'), at = document.querySelector('#answer [data-address]');
  if (!sum || !at) return;
  const on = [...document.querySelectorAll('.told')].filter((t) => t.querySelector('.on')).map((t) => t.id.slice(5));
  window.seen.push({
    number: Number(sum.dataset.number), cost: sum.querySelector('strong').textContent,
    address: at.dataset.address, on: on.sort(), typed: document.getElementById('mildness.at_least').value,
  });
};
new MutationObserver(look).observe(document.getElementById('answer'), { childList: true, subtree: true });
"""
SHOWN_AT = """
return ['#answer [data-address]', '#answer .sum'].map((part) => document.querySelector(part).dataset);
"""
LONGER_S = 1.5
"""Longer than the latest answer takes [s]."""
DRAG = """
const slide = document.querySelector('[data-moves="mildness.at_least"]');
slide.value = arguments[0];
slide.dispatchEvent(new Event('input', { bubbles: true }));
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return the demo's briefs as a folder of one's own."""
    copytree(shipped("scenarios"), tmp_path / "demo")
    return tmp_path / "demo"


@pytest.fixture
def late(monkeypatch: pytest.MonkeyPatch) -> dict[int, Ruled]:
    """Make every answer come 0 to 0.4 s late, and keep each by its number."""
    random, lock, kept = Random(14), threading.Lock(), dict[int, Ruled]()

    def slowed(made: Any) -> Any:
        def answer(self: Rulers, *more: Any) -> Ruled | None:
            found: Ruled | None = made(self, *more)
            with lock:
                wait_s = random.uniform(0, 0.4)
                if found is not None:
                    kept[found.number] = found
            time.sleep(wait_s)
            return found

        return answer

    monkeypatch.setattr(Rulers, "ask", slowed(Rulers.ask))
    monkeypatch.setattr(Rulers, "prove", slowed(Rulers.prove))
    return kept


def settled(browser: Any, last: str) -> bool:
    """Return whether the proven answer of the last place is shown and no other comes: it may have been there before."""
    first = browser.execute_script(SHOWN_AT)
    time.sleep(LONGER_S)
    return proven(browser) and last in first[0]["address"] and browser.execute_script(SHOWN_AT) == first


def test_drags_with_late_answers_show_one_answer_at_a_time_and_the_last_one_in_the_end(
    chrome: Any, folder: Path, late: dict[int, Ruled]
) -> None:
    own = stated(folder / "body-wash.toml")["mildness.at_least"]
    random, places = Random(3), [own + k for k in range(-4, 5)]
    with served(folder) as desk, window(chrome) as browser:
        browser.get(desk.entry())
        browser.get(f"{desk.address}/formula/body-wash")
        browser.execute_script(WATCH)
        place = own
        for _ in range(200):
            place = random.choice(places)
            browser.execute_script(DRAG, place)
            time.sleep(random.uniform(0, 0.03))
        last = f"mildness.at_least={place:g}" if place != own else "/formula/body-wash"
        wait(lambda: settled(browser, last))
        seen = browser.execute_script("return window.seen")
    numbers = [one["number"] for one in seen]
    assert numbers == sorted(numbers), "an older answer never takes the place of a newer one"
    assert len(set(numbers)) >= 15
    for one in seen:
        answer = late[one["number"]]
        assert one["cost"] == answer.verdict
        least = answer.moved.get("mildness.at_least", own)
        assert (f"mildness.at_least={least:g}" in one["address"]) == bool(answer.moved)
        assert one["on"] == sorted(ruler.key for ruler in answer.rulers if ruler.binding)
    final = seen[-1]
    answer = late[final["number"]]
    assert float(final["typed"]) == answer.moved.get("mildness.at_least", own) == place


def test_what_is_pressed_stays_under_the_finger_when_a_proof_arrives(
    chrome: Any, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    go, made, proofs = threading.Event(), Rulers.prove, list[Ruled | None]()

    def proving(self: Rulers, *asked: Any) -> Ruled | None:
        go.wait(60)
        proofs.append(made(self, *asked))
        return proofs[-1]

    go.set()
    monkeypatch.setattr(Rulers, "prove", proving)
    with served(folder) as desk, window(chrome, 390, 844, touch=True) as browser:
        browser.get(desk.entry())
        browser.get(f"{desk.address}/formula/body-wash")
        go.clear()
        browser.execute_script(DRAG, stated(folder / "body-wash.toml")["mildness.at_least"] + 2)
        keep = '//button[normalize-space()="Keep in the brief"]'
        button = wait(lambda: browser.find_element(By.XPATH, keep))
        follows = browser.find_element(By.ID, "proof")
        before, hand = browser.find_element(By.TAG_NAME, "html"), Finger(browser)
        hand.down(*hand.aim(button, 0.5))
        proofs.clear()
        go.set()
        wait(lambda: proofs)
        time.sleep(0.3)
        assert not gone(follows), "the page would grow above the finger"
        hand.up()
        wait(lambda: gone(before))
        wait(lambda: "Kept in the brief." in browser.page_source)


def answered(browser: Any) -> None:
    """Answer the questions of a new product."""
    follow(browser, "New product")
    fill(browser, name="Click wash")
    hand = Mouse(browser)
    for name, value in (("product", "body wash"), ("strength", "usual"), ("perfume", "parfum")):
        hand.choose(browser.find_element(By.ID, name), value)
    hand.tick(browser.find_element(By.ID, "free-sulfate"))
    follow(browser, "Begin")


def test_from_questions_to_a_laid_batch_by_clicks(chrome: Any, tmp_path: Path) -> None:
    with served(tmp_path) as desk, window(chrome, 390, 844) as browser:
        browser.get(desk.entry())
        answered(browser)
        wait(lambda: "/formula/click-wash" in browser.current_url and proven(browser))
        browser.execute_script(DRAG, 66)
        wait(lambda: "mildness.at_least=66" in browser.current_url and proven(browser))
        assert "in the file 60" in browser.find_element(By.ID, "told-mildness.at_least").text
        slide = browser.find_element(By.CSS_SELECTOR, '[data-moves="mildness.at_least"]')
        browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", slide)
        where = "const b = arguments[0].getBoundingClientRect(); return b.top >= 0 && b.bottom <= innerHeight"
        for part in (browser.find_element(By.ID, "answer"), slide):
            assert browser.execute_script(where, part), "verdict and ruler are in view together"
        assert browser.execute_script("return document.documentElement.scrollWidth <= innerWidth")
        follow(browser, "Keep in the brief")
        wait(lambda: "Kept in the brief." in browser.page_source)
        follow(browser, "Lay a batch")
        fill(browser, number="7", kilos="2,5")
        follow(browser, "Lay the batch")
        wait(lambda: "/batch/batch-7/weigh" in browser.current_url)
        complaints = [entry for entry in browser.get_log("browser") if entry["level"] == "SEVERE"]
    assert complaints == []
    batch = read_batch(tmp_path / "batch-7.toml")
    assert (batch.size_g, batch.brief) == (2500, "click-wash.toml")
    assert "at_least = 66 " in (tmp_path / "click-wash.toml").read_text(encoding="utf-8")


def test_without_a_script_everything_but_the_live_ruler_is_there(chrome: Any, tmp_path: Path) -> None:
    with served(tmp_path) as desk, window(chrome, 390, 844, script=False) as browser:
        browser.get(desk.entry())
        answered(browser)
        wait(lambda: "Proven: nothing better keeps every limit." in browser.page_source)
        fill(browser, **{"mildness.at_least": "66"})
        button = browser.find_element(By.XPATH, '//button[normalize-space()="What does that come to?"]')
        assert button.is_displayed()
        assert not browser.find_element(By.CSS_SELECTOR, '[data-moves="mildness.at_least"]').is_displayed()
        leave(browser, button)
        assert "mildness.at_least=66" in browser.current_url
        assert "in the file 60" in browser.page_source
        follow(browser, "Keep in the brief")
        follow(browser, "Lay a batch")
        fill(browser, number="8", kilos="1")
        follow(browser, "Lay the batch")
        assert "/batch/batch-8/weigh" in browser.current_url
    assert read_batch(tmp_path / "batch-8.toml").size_g == 1000


def test_the_pages_have_no_finding_of_the_accessibility_checker(chrome: Any, folder: Path) -> None:
    pages = ("/begin", "/formula/hand-wash?mildness.at_least=59", "/formula/impossible-wash/impossible",
             "/formula/hand-wash/pictures", "/formula/hand-wash/batch", "/formula/hand-wash/why")  # fmt: skip
    with served(folder) as desk, window(chrome, 390, 844) as browser:
        browser.get(desk.entry())
        for page in pages:
            browser.get(f"{desk.address}{page}")
            wait(lambda: not browser.find_elements(By.CSS_SELECTOR, "#room[data-follow] .soft"))
            assert not findings(browser), page
