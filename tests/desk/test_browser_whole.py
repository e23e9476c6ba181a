"""A whole own product by clicks alone: from an empty folder over questions to bottles, label, cost and kept records.

Readings are made up: they follow what the page proposes, and end at its target.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import Select

from optimizer.bench.batch import read_batch
from optimizer.records.overview import overview
from optimizer.records.store import open_store
from tests.support.chromium import chromium, marks, served, wait
from tests.support.clicks import fill, one, press, text, weigh

pytestmark = marks


def push(driver: Any, words: str) -> None:
    """Press the button or follow the link that says so, and wait for the page that follows."""
    found = driver.find_element(By.XPATH, f'//button[normalize-space()="{words}"] | //a[normalize-space()="{words}"]')
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", found)
    found.click()


def acidified(driver: Any) -> None:
    """Read the pH, add what is proposed, and read the target."""
    fill(driver, ph="8,6")
    press(driver)
    target = re.search(r"target ([\d.]+)", text(driver))
    assert target is not None, text(driver)
    for _ in range(6):
        if "Stop" in text(driver):
            return
        step = one(driver, ".figure").text.split()[0].removesuffix("g")
        fill(driver, now=step.replace(".", ","), ph=target[1].replace(".", ","))
        press(driver)
    raise AssertionError(text(driver))


def test_from_an_empty_folder_to_kept_records(tmp_path: Path) -> None:
    with served(tmp_path) as desk, chromium(1200, 900) as driver:
        driver.get(desk.entry())
        push(driver, "New product")
        one(driver, "#name").send_keys("Pier wash")
        for name, value in (("product", "body wash"), ("strength", "usual"), ("perfume", "parfum")):
            Select(one(driver, f"#{name}")).select_by_value(value)
        push(driver, "Begin")
        wait(lambda: "/formula/pier-wash" in driver.current_url)
        wait(lambda: driver.find_elements(By.CSS_SELECTOR, '#answer .sum[data-word="proven"]'), 60)
        push(driver, "Lay a batch")
        wait(lambda: driver.find_elements(By.ID, "bottles"))
        fill(driver, number="PW-1", bottles="8", bottle="250", density="1,02", loss="2", scale="0,1")
        push(driver, "Lay the batch")
        wait(lambda: "/batch/batch-pw-1/weigh" in driver.current_url)
        weigh(driver)
        where = f"{desk.address}/batch/batch-pw-1"
        driver.get(f"{where}/ph")
        acidified(driver)
        path = tmp_path / "batch-pw-1.toml"
        planned = read_batch(path).size_g
        driver.get(f"{where}/finish")
        fill(driver, mass=f"{planned - 5:.0f}", water="20", bottles="8")
        press(driver)
        for page, said in (("made", "as made"), ("label", "Ingredients"), ("cost", "per bottle"), ("card", "Method")):
            driver.get(f"{where}/{page}")
            assert said.casefold() in text(driver).casefold(), page
        driver.get(f"{where}/keep")
        press(driver)
        assert "Kept as revision 1" in text(driver)
        complaints = [entry for entry in driver.get_log("browser") if entry["level"] == "SEVERE"]
    assert complaints == []
    batch = read_batch(path)
    assert len(batch.weighed) == len(batch.line)
    assert batch.finish.bottles == 8
    with open_store(tmp_path / "records.db") as store:
        assert [b.batch for b in overview(store).batches] == ["PW-1"]
