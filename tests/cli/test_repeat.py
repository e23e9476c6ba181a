"""A next step that is printed repeats the options that were given, where its command takes them; files made up."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.cli.repeat import TAKES, repeated
from optimizer.files import shipped
from tests.make_commands_page import commands
from tests.support.command import Run


@pytest.mark.parametrize("flag", sorted(TAKES))
def test_the_table_of_options_is_what_the_commands_take(flag: str) -> None:
    taking = {name for name, command in commands().items() if any(flag in p.opts for p in command.params)}
    assert TAKES[flag] == taking


@pytest.mark.parametrize(
    ("told", "asked", "expected"),
    [
        (
            "Run 'tenside blend w.toml' to see what clashes.",
            {"subject": "w.toml", "changes": ["use=leave-on"]},
            "Run 'tenside blend w.toml --set use=leave-on' to see what clashes.",
        ),
        (  # records keep reads no library
            "tenside label b.toml, then tenside records keep b.toml",
            {"path": Path("b.toml"), "shelf": Path("my shelf.csv"), "library": [Path("lib")]},
            "tenside label b.toml --shelf 'my shelf.csv' --library lib, "
            "then tenside records keep b.toml --shelf 'my shelf.csv'",
        ),
        (  # a batch file brings its brief, a formula does not
            "tenside batch f.csv --out b.toml; tenside weigh b.toml",
            {"subject": "f.csv", "out": Path("b.toml"), "against": "hand-wash"},
            "tenside batch f.csv --for hand-wash --out b.toml; tenside weigh b.toml",
        ),
        ("'tenside why' tries them all", {"scenario": "w.toml", "changes": ["a=1"]}, "'tenside why' tries them all"),
        ("tenside blend other.toml", {"scenario": "w.toml", "changes": ["a=1"]}, "tenside blend other.toml"),
        ("tenside blend w.toml", {"scenario": "w.toml", "changes": None, "shelf": None}, "tenside blend w.toml"),
    ],
)
def test_what_was_given_is_repeated_beside_the_file_it_was_given_for(
    told: str, asked: dict[str, object], expected: str
) -> None:
    assert repeated(told, asked) == expected


def test_a_label_that_fails_by_a_what_if_names_the_command_that_fails_alike(run: Run) -> None:
    told = run("label", "hand-wash", "--set", "active.at_least=11", "--set", "salt.at_most=0")
    assert told.code == 3
    assert (
        "Run 'tenside blend hand-wash --set active.at_least=11 --set salt.at_most=0' to see what clashes." in told.err
    )


def test_a_blend_from_another_shelf_is_made_from_it(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("own.csv").write_text((shipped("scenarios") / "shelf.csv").read_text(encoding="utf-8"), encoding="utf-8")
    told = run("blend", "hand-wash", "--shelf", "own.csv")
    assert "next          tenside batch hand-wash --shelf own.csv --size 5kg" in told.out
