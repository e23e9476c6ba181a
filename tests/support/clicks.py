"""What a maker does on the pages of the desk in a browser: reads, types, presses, weighs."""

from __future__ import annotations

from typing import Any

from tests.support.chromium import wait


def one(driver: Any, selector: str) -> Any:
    """Return the first element of a kind."""
    return driver.find_element("css selector", selector)


def text(driver: Any) -> str:
    """Return the words of the page."""
    return str(one(driver, "main").text)


def fill(driver: Any, **values: str) -> None:
    """Type into fields by their ids."""
    for name, value in values.items():
        field = one(driver, f"#{name}")
        field.clear()
        field.send_keys(value)


def press(driver: Any, form: str = "main form") -> None:
    """Send a form and wait for the page that follows."""
    before = one(driver, "html")
    one(driver, f"{form} button[type=submit]:not(.quiet)").click()
    wait(lambda: gone(before))


def gone(element: Any) -> bool:
    """Return whether an element is of a page that was left."""
    from selenium.common.exceptions import StaleElementReferenceException, WebDriverException

    try:
        element.is_enabled()
    except (StaleElementReferenceException, WebDriverException):
        return True
    return False


def weigh(driver: Any) -> None:
    """Weigh line after line as the page asks for it, with a decimal comma."""
    while "lines are weighed" not in text(driver):
        grams = one(driver, ".figure").text.split()[0].removesuffix("g").replace(".", ",")
        fill(driver, grams=grams, lot="L-1")
        press(driver)
        assert "Noted:" in text(driver)
