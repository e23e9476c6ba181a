"""What must be there for every command and kind of rule, and the columns that people and their sheets are used to.

A new command fails here until it has a schema, a place in the README and an example in tests/tour.md; a renamed or
moved column of the most read tables fails here until the change is meant.
"""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from optimizer.report import refused as refusal
from optimizer.rules import KINDS, CurvedRule
from tests.make_commands_page import commands
from tests.support import briefs
from tests.support.hostile import ask

ROOT = Path(__file__).resolve().parents[2]
TESTS = ROOT / "tests"
BENCH = TESTS / "made_by_0_1_0"


@cache
def schemas() -> dict[str, dict[str, Any]]:
    """Return every schema by its name."""
    found: dict[str, dict[str, Any]] = json.loads(ask("schema", seconds=120).out)
    return found


def described() -> set[str]:
    """Return the commands that the titles of the schemas name, such as 'tenside records show | note --json'."""
    found = set()
    for schema in schemas().values():
        for told in re.findall(r"tenside ([a-z |-]+) --json", schema["title"]):
            first, *others = told.split(" | ")
            group = first.split()[:-1]
            found |= {first, *(" ".join([*group, other]) for other in others)}
    return found


def test_commands_are_found() -> None:
    assert {"blend", "records keep", "library list", "import prices"} <= set(commands())


def test_every_command_that_answers_in_json_has_a_schema() -> None:
    answering = {name for name, command in commands().items() if any(p.name == "json" for p in command.params)}
    assert answering == described()
    assert set(commands()) - answering == {"open", "start", "schema"}


@pytest.mark.parametrize("name", sorted(commands()))
def test_every_command_has_an_example(name: str) -> None:
    page = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```console\n(.*?)```", page, re.DOTALL)
    assert re.search(rf"^tenside {name}(?: |$)", "\n".join(blocks), re.MULTILINE)


def test_the_readme_names_every_command_once() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    _, _, table = readme.partition("| for | commands |")
    told = re.findall(r"`([a-z -]+)`", table.partition("\n\n")[0])
    assert sorted(told) == sorted(commands())


@pytest.mark.parametrize("name", ["rules share", "library show glycerin", "library list", "library check"])
def test_the_schemas_of_facts_are_those_of_what_is_printed(name: str) -> None:
    schema = "-".join(name.split()[:2]).removesuffix("-share")
    known = schemas()[schema]["properties"]
    answer = json.loads(ask(*name.split(), "--json").out)
    assert len(answer) > 1
    assert set(answer) == set(known)


def test_every_record_that_is_printed_carries_a_format_number() -> None:
    printed = {name: s for name, s in schemas().items() if "--json" in s["title"]}
    assert len(printed) > 50
    assert [
        name for name, schema in printed.items() if schema["properties"].get("format", {}).get("type") != "integer"
    ] == []


@pytest.mark.parametrize(
    ("asked", "keys"),
    [
        (("blend", "hand-wash", "--set", "x.y=3"), {"where", "key", "what", "step"}),
        (("rules", "activ"), {"what"}),
    ],
)
def test_what_is_printed_where_a_command_cannot_answer_has_a_schema_too(asked: tuple[str, ...], keys: set[str]) -> None:
    schema, printed = json.loads(ask("schema", "error").out), json.loads(ask(*asked, "--json").out)
    assert set(printed) == set(schema["properties"])
    fault = schema["$defs"]["Fault"]
    assert all(set(p) == keys <= set(fault["properties"]) for p in printed["problems"])
    assert set(fault["required"]) <= keys
    assert all(part.get("description") for part in fault["properties"].values())
    assert refusal.Refused.model_validate(printed).exit_code == printed["exit_code"]


RULE_PLACES = "DEVELOPERS.md, 'How to add', lists all places of a rule"


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_kind_of_rule_is_in_its_places(kind: str) -> None:
    """Told here by name, before the tests that draw briefs fail by the dozen."""
    curved = issubclass(KINDS[kind], CurvedRule)
    golden = TESTS / "rules" / "golden" / f"{kind}.json"
    missing = [] if curved or golden.is_file() else [f"rules/golden/{kind}.json"]
    known = (TESTS / "support" / "oracle.py").read_text(encoding="utf-8")
    if kind not in briefs.APART and f'"{kind}"' not in known:
        missing.append("support/oracle.py, or APART in support/briefs.py")
    assert missing == [], RULE_PLACES


WEIGHED = ("", "no.", "material", "%", "weigh, g", "lot", "weighed, g")
COLUMNS: dict[tuple[str, ...], dict[str, tuple[str, ...]]] = {
    ("blend", "first-brief.toml"): {
        "Formula, % w/w as supplied": ("material", "%", "active %", "EUR/kg", "of cost"),
        "Rules that bind": ("rule", "side", "one unit higher", "holds from - to"),
    },
    ("weigh", "batch.toml"): {"1. Water and what dissolves in it": WEIGHED, "2. Anionic surfactants": WEIGHED},
    ("cost", "batch.toml", "--costs", "costs.toml"): {
        "What the batch costs, EUR": ("part", "", "batch", "per kg sold", "per bottle", "share"),
        "What drives the materials, dearest first": (
            "material", "%", "g", "EUR per kg", "batch", "share", "one point more",
        ),
        "Price of a bottle": ("", "EUR"),
    },
    ("label", "batch.toml"): {
        "Substances by weight": ("", "substance", "least", "typical", "most", "doubt"),
        "Fragrance allergens": ("allergen", "least", "typical", "most", "label", "list", "from"),
        "Natural-origin content": ("natural origin, %", "least", "declared", "most"),
        "Content": ("pack", "content", "mass"),
    },
}  # fmt: skip
"""Headings and columns of the most read tables, by command; only the folder's own figures would move them."""


@pytest.mark.parametrize("words", COLUMNS, ids=lambda words: words[0])
def test_columns_of_the_most_read_tables_stay(words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(BENCH)
    found: dict[str, tuple[str, ...]] = {}
    heading, before = "", ""
    for line in ask(*words, "--markdown").out.splitlines():
        if line.startswith("#"):
            heading = line.lstrip("#").strip()
        if re.fullmatch(r"\|( -+:? \|)+", line):
            found.setdefault(heading, tuple(cell.strip() for cell in before[1:-1].split("|")))
        before = line
    for title, columns in COLUMNS[words].items():
        assert found.get(title) == columns, title
