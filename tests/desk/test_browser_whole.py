"""A whole own product from an empty folder over questions to bottles, label, cost and kept records: three hands.

By mouse, by keyboard alone, and by touch at 390 x 844; what is typed and read is the same, and so are the files.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from optimizer.bench.batch import read_batch
from optimizer.records.overview import overview
from optimizer.records.store import open_store
from tests.support.chromium import marks, served, window
from tests.support.clicks import batch, product, records
from tests.support.hands import Finger, Keys, Mouse

pytestmark = marks


@pytest.mark.parametrize("kind", [Mouse, Keys, Finger])
def test_from_an_empty_folder_to_kept_records(chrome: Any, tmp_path: Path, kind: type[Mouse]) -> None:
    with served(tmp_path) as desk, window(chrome, kind.wide, kind.tall, touch=kind.finger) as driver:
        hand = kind(driver)
        driver.get(desk.entry())
        hand.came()
        product(driver, hand)
        batch(driver, hand)
        records(driver, hand)
        complaints = [entry for entry in driver.get_log("browser") if entry["level"] == "SEVERE"]
    assert complaints == []
    made = read_batch(tmp_path / "batch-pw-1.toml")
    assert len(made.weighed) == len(made.line)
    assert len(made.adjustment[0].reading) == 3
    assert made.finish.bottles == 8
    with open_store(tmp_path / "records.db") as store:
        assert [b.batch for b in overview(store).batches] == ["PW-1"]
