"""Every key of a brief is explained with an example that the tool itself reads; the page is not stale."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import tomli

from optimizer.brief.explained import COLUMNS, KeyNote, explained, explained_shelf, page
from optimizer.brief.scenario import Scenario, scenario_from
from optimizer.data.shelf import HEADINGS, read_shelf
from tests.make_brief_page import PAGE
from tests.support.hostile import ask

KEYS = [(table.name, key) for table in explained().tables for key in table.keys]


@pytest.mark.parametrize(("table", "key"), KEYS, ids=[f"{t}.{k.name}" for t, k in KEYS])
def test_each_key_has_a_meaning_and_an_example_that_is_read(table: str, key: KeyNote) -> None:
    assert key.meaning
    head = "" if table == "" and key.name == "name" else 'name = "x"\n'
    lines = {
        "": f"{head}{key.example}\n",
        "rule": f'{head}[[rule]]\nkind = "dose"\nat_least = 1\n{key.example}\n',
    }
    raw = tomli.loads(lines.get(table, f"{head}[{table}]\n{key.example}\n"))
    read = scenario_from(raw, "x")
    if table == "":
        written = raw[key.name]
        assert getattr(read, key.name) == (tuple(written) if isinstance(written, list) else written)


def test_no_key_of_a_brief_goes_without_being_explained() -> None:
    told = {key.name for name, key in KEYS if name == ""} | {name for name, _ in KEYS if name}
    assert told == set(Scenario.model_fields)


def test_the_page_is_what_the_program_says() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), "run python tests/make_brief_page.py"


def test_the_command_prints_it_and_names_what_else_there_is(tmp_path: Path) -> None:
    text = ask("explain", "brief").out
    for table in explained().tables:
        assert (f"[{table.name}]" if table.name else "Above all tables") in text
    tables = {t["name"]: t for t in json.loads(ask("explain", "brief", "--json").out)["tables"]}
    assert "low = 4.8" in [k["example"] for k in tables["ph"]["keys"]]
    told = ask("explain", "breif")
    assert (told.code, "Did you mean 'brief'" in told.err) == (2, True)


def test_every_column_of_a_shelf_is_explained_with_a_cell_that_is_read(tmp_path: Path) -> None:
    assert set(COLUMNS) == set(HEADINGS)
    (shelf,) = explained_shelf().tables
    assert all(k.meaning.split("Also headed")[0] for k in shelf.keys)
    path = tmp_path / "shelf.csv"
    rows = ([k.name for k in shelf.keys], [k.example for k in shelf.keys])
    path.write_text("\n".join(map(",".join, rows)), encoding="utf-8")
    (line,) = read_shelf(path).lines
    assert (line.lot, line.lot_active, line.lot_ph, line.lot_ph_at) == ("L-204", 29.6, 5.3, 10)
    assert (line.price_per_kg, line.pack_kg, str(line.counted_on)) == (3.6, 5, "2026-05-04")
    text = ask("explain", "shelf").out
    assert all(k.name in text for k in shelf.keys)
    assert [t["name"] for t in json.loads(ask("explain", "shelf", "--json").out)["tables"]] == ["shelf"]
