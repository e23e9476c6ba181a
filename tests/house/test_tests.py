"""The tests' own order: folders are rooms, no test file imports another, and tests/README.md names every file."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

from tests.conftest import LONGEST

TESTS = Path(__file__).resolve().parents[1]
FILES = sorted(TESTS.glob("*/test_*.py"))
HELPERS = sorted(TESTS.glob("support/[a-z]*.py"))
HOUSE = TESTS.parent / "optimizer"


@cache
def imported(file: Path) -> tuple[str, ...]:
    """Return the modules that a file imports, each name of `from x import name` as a module, too."""
    names = []
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names += [f"{'.' * node.level}{node.module or ''}.{alias.name}" for alias in node.names]
    return tuple(names)


@pytest.mark.parametrize("file", [*FILES, *HELPERS], ids=lambda p: f"{p.parent.name}/{p.stem}")
def test_no_file_imports_a_test_and_helpers_are_named_in_full(file: Path) -> None:
    helpers = {p.stem for p in HELPERS}
    names = imported(file)
    assert names
    assert [n for n in names if "test_" in n.removeprefix("tests.") and n.startswith((".", "tests.", "test_"))] == []
    assert [n for n in names if n.split(".")[0] in helpers or n.startswith(".")] == [], "say `from tests.support ...`"


def test_files_of_browser_tests_are_named_so() -> None:
    """`-m browser` reads no other file."""
    marked = {f for f in FILES if "tests.support.chromium.marks" in imported(f)}
    assert marked == {f for f in FILES if "browser" in f.stem}
    others = [f for f in FILES if f not in marked and "mark.browser" in f.read_text(encoding="utf-8")]
    assert [f for f in others if f != Path(__file__)] == []


def test_the_tests_that_begin_first_are_there() -> None:
    texts = "".join(f.read_text(encoding="utf-8") for f in FILES)
    assert [name for name in LONGEST if f"def {name}(" not in texts] == []


def test_every_test_stands_in_a_room() -> None:
    rooms = {p.stem for p in HOUSE.iterdir() if p.suffix == ".py" or (p / "__init__.py").is_file()}
    assert {file.parent.name for file in FILES} <= rooms | {"house"}
    assert sorted(TESTS.rglob("test_*.py")) == FILES


def test_the_table_of_the_tests_names_every_file() -> None:
    table = (TESTS / "README.md").read_text(encoding="utf-8")
    told = re.findall(r"^\| `(\w+)/(\w+)` \|", table, re.MULTILINE)
    assert told == [(file.parent.name, file.stem.removeprefix("test_")) for file in FILES]
