"""What a maker does on the pages of the desk in a browser: reads, types, presses, weighs; with any hand.

Readings are made up: they follow what the page proposes, and end at its target.
"""

from __future__ import annotations

import re
from typing import Any

from selenium.common.exceptions import StaleElementReferenceException, WebDriverException
from selenium.webdriver.common.by import By

from tests.support.chromium import wait
from tests.support.hands import Mouse


def one(driver: Any, selector: str) -> Any:
    """Return the first element of a kind."""
    return driver.find_element(By.CSS_SELECTOR, selector)


def text(driver: Any) -> str:
    """Return the words of the page, as far as they are shown."""
    return str(driver.execute_script("return document.querySelector('main').innerText"))


def gone(element: Any) -> bool:
    """Return whether an element is of a page that was left."""
    try:
        element.is_enabled()
    except (StaleElementReferenceException, WebDriverException):
        return True
    return False


def fill(driver: Any, hand: Mouse | None = None, **values: str) -> None:
    """Type into fields by their ids."""
    hand = hand or Mouse(driver)
    for name, value in values.items():
        hand.write(driver.find_element(By.ID, name), value)


def leave(driver: Any, element: Any, hand: Mouse | None = None) -> None:
    """Press what leads to another page, and wait for that: no script is sent into a page that is being left."""
    hand, before = hand or Mouse(driver), one(driver, "html")
    hand.press(element)
    wait(lambda: gone(before))
    wait(lambda: driver.execute_script("return document.readyState") == "complete")
    hand.came()


def press(driver: Any, form: str = "main form", hand: Mouse | None = None) -> None:
    """Send a form and wait for the page that follows."""
    leave(driver, one(driver, f"{form} button[type=submit]:not(.quiet)"), hand)


def follow(driver: Any, words: str, hand: Mouse | None = None) -> None:
    """Press the button or follow the link that says so, and wait for the page that follows."""
    said = f'normalize-space()="{words}"'
    leave(driver, driver.find_element(By.XPATH, f"//button[{said}] | //a[{said}]"), hand)


def weigh(driver: Any, hand: Mouse | None = None) -> None:
    """Weigh line after line as the page asks for it, with a decimal comma."""
    while "lines are weighed" not in text(driver):
        ways = ("Nothing goes in: on to", "All the same, without the pH")
        past = [link for words in ways for link in driver.find_elements(By.PARTIAL_LINK_TEXT, words)]
        if past:  # a step without a line: what could thicken here is not used, and no line waits for the pH
            leave(driver, past[0], hand)
            continue
        grams = one(driver, ".figure").text.split()[0].removesuffix("g").replace(".", ",")
        fill(driver, hand, grams=grams, lot="L-1")
        press(driver, hand=hand)
        assert "Noted:" in text(driver)


def acidified(driver: Any, hand: Mouse) -> None:
    """Read the pH, add what is proposed, read it half way and then at the target."""
    fill(driver, hand, ph="8,6")
    press(driver, hand=hand)
    target = re.search(r"target ([\d.]+)", text(driver))
    assert target is not None, text(driver)
    for read in (f"{float(target[1]) + 0.6:.1f}", target[1]):
        step = one(driver, ".figure").text.split()[0].removesuffix("g")
        fill(driver, hand, now=step.replace(".", ","), ph=read.replace(".", ","))
        press(driver, hand=hand)
    assert "Stop" in text(driver)


def thickened(driver: Any, hand: Mouse) -> None:
    """Read how thin it is, add what is proposed, and read what is wanted."""
    fill(driver, hand, reading="900", target="3000")
    press(driver, hand=hand)
    step = one(driver, ".figure").text.split()[0].removesuffix("g")
    fill(driver, hand, now=step.replace(".", ","), reading="3050")
    press(driver, hand=hand)
    assert "target reached" in text(driver)


def proven(driver: Any) -> bool:
    """Return whether the formula that is shown is proven."""
    return bool(driver.find_elements(By.CSS_SELECTOR, '#answer .sum[data-word="proven"]'))


def product(driver: Any, hand: Mouse) -> None:
    """Answer the questions of a new product, move a limit, and keep that."""
    follow(driver, "New product", hand)
    fill(driver, hand, name="Pier wash")
    for name, value in (("product", "body wash"), ("strength", "usual"), ("perfume", "parfum")):
        hand.choose(driver.find_element(By.ID, name), value)
    hand.tick(driver.find_element(By.ID, "free-sulfate"))
    follow(driver, "Begin", hand)
    wait(lambda: "/formula/pier-wash" in driver.current_url and proven(driver), 60)
    hand.push(one(driver, '[data-moves="mildness.at_least"]'))
    at = driver.find_element(By.ID, "mildness.at_least").get_attribute("value")
    wait(lambda: driver.current_url.endswith(f"mildness.at_least={at}") and proven(driver), 60)
    wait(lambda: not driver.find_elements(By.CSS_SELECTOR, "#reach:not([data-number])"), 60)
    follow(driver, "Keep in the brief", hand)
    assert "Kept in the brief." in text(driver)


def batch(driver: Any, hand: Mouse) -> None:
    """Lay a batch and bring it to its bottles."""
    follow(driver, "Lay a batch", hand)
    fill(driver, hand, number="PW-1", bottles="8", bottle="250", density="1,02", loss="2", scale="0,1")
    follow(driver, "Lay the batch", hand)
    assert "/batch/batch-pw-1/weigh" in driver.current_url
    weigh(driver, hand)
    follow(driver, "Go to the pH", hand)
    acidified(driver, hand)
    follow(driver, "Thicken", hand)
    if driver.find_elements(By.ID, "reading"):
        thickened(driver, hand)
    follow(driver, "Finish", hand)
    planned = re.search(r"([\d.]+) g are planned", text(driver))
    assert planned is not None, text(driver)
    fill(driver, hand, mass=f"{float(planned[1]) - 5:.0f}", water="20", bottles="8")
    press(driver, hand=hand)


def records(driver: Any, hand: Mouse) -> None:
    """Look at the papers, keep the batch, lay its tests, and find where a lot went."""
    papers = (("As made", "as made"), ("Label", "Ingredients"), ("Cost", "per bottle"), ("Card", "Method"))
    for page, said in papers:
        follow(driver, page, hand)
        assert said.casefold() in text(driver).casefold(), page
    follow(driver, "Keep", hand)
    press(driver, hand=hand)
    assert "Kept as revision 1" in text(driver)
    hand.press(driver.find_element(By.XPATH, '//summary[.="Lay the tests of this batch"]'))
    follow(driver, "Lay the tests", hand)
    assert "tests are laid" in text(driver)
    follow(driver, "Records", hand)
    fill(driver, hand, lot="L-1")
    follow(driver, "Look it up", hand)
    assert "PW-1" in text(driver)
