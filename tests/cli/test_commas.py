"""A decimal comma, wherever a single figure is typed; never in lists, never where it can be read two ways."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from optimizer.bench.batch import read_batch
from tests.support.hostile import ask


@pytest.fixture(autouse=True)
def _folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_options_of_one_figure_take_a_comma_or_a_point() -> None:
    for number, (density, scale) in enumerate((("1,02", "0,1"), ("1.02", "0.1"))):
        out = f"b{number}.toml"
        told = ask("batch", "hand-wash", "--size", "2,5kg", "--density", density, f"--scale={scale}", "--out", out)
        assert told.code == 0, told.err
        batch = read_batch(Path(out))
        assert (batch.size_g, batch.density_g_per_ml, batch.scale.step_g) == (2500, 1.02, 0.1)


def test_what_can_be_read_two_ways_is_refused() -> None:
    told = ask("batch", "hand-wash", "--size", "5kg", "--loss", "1,234", "--out", "b.toml")
    assert told.code == 2
    assert told.err == (
        "tenside: --loss 1,234: it can be read two ways, as a thousands separator or a decimal comma. Write it with a "
        "point, or without a separator.\n"
    )
    assert ask("blend", "hand-wash", "--set", "active.at_least=1,234").code == 3


@pytest.mark.thorough
def test_what_ifs_and_records_take_a_comma_and_lists_stay_lists() -> None:
    comma = json.loads(ask("blend", "hand-wash", "--set", "active.at_least=9,5", "--json").out)
    point = json.loads(ask("blend", "hand-wash", "--set", "active.at_least=9.5", "--json").out)
    assert comma["cost_per_kg"] == point["cost_per_kg"]
    out = ("pool.without=coco-glucoside,decyl-glucoside", "--json")
    used = {line["id"] for line in json.loads(ask("blend", "hand-wash", "--set", *out).out)["formula"]}
    assert not used & {"coco-glucoside", "decyl-glucoside"}
    ranged = json.loads(ask("range", "hand-wash", "--vary", "active.at_least=9,10", "--json").out)
    assert len(ranged["answers"]) == 2
    assert ask("batch", "hand-wash", "--size", "1kg", "--number", "B1", "--out", "b.toml").code == 0
    assert ask("records", "keep", "b.toml").code == 0
    assert ask("records", "note", "B1", "--what", "pH", "--value", "5,2").code == 0
    assert json.loads(ask("records", "show", "B1", "--json").out)["observations"][0]["value"] == 5.2
