"""Every key of a brief is explained with an example that the tool itself reads; the page is not stale."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import tomli

from optimizer.brief.explained import KeyNote, explained, page
from optimizer.brief.scenario import Scenario, scenario_from
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
