"""A next step that is printed repeats the options that were given, where its command takes them; files made up."""

from __future__ import annotations

import re
import shlex
import subprocess
from pathlib import Path

import pytest

from optimizer.cli.repeat import TAKES, repeated
from optimizer.files import shipped
from optimizer.shell import WORD, quoted, unquoted
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
            "See what clashes: tenside blend w.toml",
            {"subject": "w.toml", "changes": ["use=leave-on"]},
            "See what clashes: tenside blend w.toml --set use=leave-on",
        ),
        (
            "add 2 g, then tenside thicken 'my \"next\" one.toml' --added 1%.",
            {"path": Path('my "next" one.toml'), "library": ["o'er"]},
            "add 2 g, then tenside thicken 'my \"next\" one.toml' --library 'o'\"'\"'er' --added 1%.",
        ),
        (
            "tenside ph 'it'\"'\"'s.toml', then 'tenside why'",
            {"path": Path("it's.toml"), "shelf": "s.csv"},
            "tenside ph 'it'\"'\"'s.toml' --shelf s.csv, then 'tenside why'",
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
    assert "See what clashes: tenside blend hand-wash --set active.at_least=11 --set salt.at_most=0" in told.err


def test_a_blend_from_another_shelf_is_made_from_it(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("own.csv").write_text((shipped("scenarios") / "shelf.csv").read_text(encoding="utf-8"), encoding="utf-8")
    told = run("blend", "hand-wash", "--shelf", "own.csv")
    assert "next          tenside batch hand-wash --shelf own.csv --size 5kg" in told.out


NAMES = (
    "b.toml",
    "my b.toml",
    "it's b.toml",
    'the "b".toml',
    "größe;&b.toml",
    "$HOME b.toml",
    "C:\\my folder\\b (1).toml",
)


@pytest.mark.parametrize("windows", [False, True])
@pytest.mark.parametrize("name", NAMES)
def test_a_quoted_word_is_found_and_read_as_it_was(name: str, windows: bool) -> None:
    typed = quoted(name, windows=windows)
    words = [unquoted(word, windows=windows) for word in WORD.findall(f"ph {typed} --read PH.")]
    assert words == ["ph", name, "--read", "PH."]


@pytest.mark.parametrize("name", NAMES)
def test_a_shell_takes_a_quoted_word_as_one(name: str) -> None:
    done = subprocess.run(["sh", "-c", f"printf %s {quoted(name, windows=False)}"], capture_output=True, check=True)
    assert done.stdout.decode() == name


def test_windows_shells_take_double_quotes_alone() -> None:
    assert quoted("C:\\b.toml", windows=True) == "C:\\b.toml"
    assert quoted("C:\\it's b.toml", windows=True) == '"C:\\it\'s b.toml"'
    assert quoted("salt&co.toml", windows=True) == '"salt&co.toml"'


def test_every_next_step_of_a_walk_with_blanks_runs_as_it_is_printed(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Made-up figures; a folder, a shelf and batches whose names hold blanks."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "120")
    assert _typed(run("start", "my bench").out, "blend") == ["blend", "my bench/first-brief.toml"]
    monkeypatch.chdir("my bench")
    Path("my brief.toml").write_bytes(Path("first-brief.toml").read_bytes())
    Path("my shelf.csv").write_bytes(Path("shelf.csv").read_bytes())
    step = _typed(run("blend", "my brief.toml", "--shelf", "my shelf.csv").out, "batch")
    assert step[:4] == ["batch", "my brief.toml", "--shelf", "my shelf.csv"]
    laid = run(*step[:-1], "my batch.toml")
    sheet = _typed(laid.out, "weigh")
    assert sheet[:4] == ["weigh", "my batch.toml", "--shelf", "my shelf.csv"]
    assert run(*sheet).code == 0
    first = _typed(laid.out, "weighed")
    assert first[1:4] == ["my batch.toml", "--shelf", "my shelf.csv"]
    grams = [word.replace("GRAMS", "1") for word in first]
    assert _typed(run(*grams).out, "weighed")[:2] == ["weighed", "my batch.toml"]
    strike = _typed(run(*grams).err, "weighed")
    assert strike[:6] == ["weighed", "my batch.toml", "--shelf", "my shelf.csv", "--strike", "1"]
    assert run(*("slip" if w == "REASON" else w for w in strike)).code == 0
    assert run("batch", "hand-wash", "--size", "5kg", "--out", "a b.toml").code == 0
    salt = ("--material", "sodium-chloride", "--viscosity", "1500", "--target", "3000", "--ph", "5")
    then = _typed(run("thicken", "a b.toml", *salt, "--added", "0%").out, "thicken")
    assert run(*("2500" if w == "READING" else w for w in then), "--ph", "5").code == 0


def _typed(text: str, command: str) -> list[str]:
    """Return the words of the first command of a name that is printed."""
    found = re.search(rf"\btenside ({command} .*(?:\n {{10,}}.*)?)", text)  # a fact goes on below its beginning
    assert found, text
    return shlex.split(found[1].removesuffix("."))
