"""Writes docs/commands.md: the tour of tests/tour.md with the options of each command where it is first shown.

python tests/make_commands_page.py
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer

from optimizer import cli

ROOT = Path(__file__).resolve().parents[1]
PAGE, TOUR = ROOT / "docs" / "commands.md", ROOT / "tests" / "tour.md"
HEAD = """# Commands

Every command, with examples in the order in which a maker meets them; tests run all of them, in this order, in one
folder. Each takes `--help`. `--json` prints a record with a schema (`tenside schema`), `--markdown` Markdown, `--html
FILE` a page and `--pdf FILE` paper; these are not listed again below.

"""
EVERYWHERE = ("--json", "--markdown", "--html", "--pdf", "--help", "--library", "--shelf")
BLOCK = re.compile(r"```console\n(.*?)```\n", re.DOTALL)


def leaves(command: Any, words: tuple[str, ...] = ()) -> Iterator[tuple[str, Any]]:
    """Yield every command below one, with the words that call it."""
    if hasattr(command, "commands"):
        for word, below in command.commands.items():
            yield from leaves(below, (*words, word))
    else:
        yield " ".join(words), command


def commands() -> dict[str, Any]:
    """Return every command by the words that call it."""
    cli.load(cli.rooms())
    return dict(leaves(typer.main.get_command(cli.app)))


def page() -> str:
    """Return the page."""
    known = commands()
    told: set[str] = set()
    parts = []
    for section in re.split(r"(?m)^(?=## )", TOUR.read_text(encoding="utf-8")):
        shown = [name for line in _lines(section) if (name := _named(line, known)) and name not in told]
        told |= set(shown)
        parts.append(section.rstrip() + "\n")
        parts += [_options(name, known[name]) for name in dict.fromkeys(shown)]
    return HEAD + "\n".join(parts)


def _lines(section: str) -> list[str]:
    return [line for block in BLOCK.findall(section) for line in block.splitlines() if line.startswith("tenside ")]


def _named(line: str, known: dict[str, Any]) -> str:
    words = line.split()[1:]
    return next((name for n in (2, 1) if (name := " ".join(words[:n])) in known), "")


def _options(name: str, command: Any) -> str:
    """Return what a command does and what it takes, as a folded list."""
    rows = []
    for parameter in command.params:
        if parameter.param_type_name == "argument":
            rows.append(f"- `{parameter.metavar or parameter.name.upper()}`: {_help(parameter)}")
        elif not set(parameter.opts) & set(EVERYWHERE):
            names = " / ".join((*parameter.opts, *parameter.secondary_opts))
            rows.append(f"- `{names}`: {_help(parameter)}")
    does = " ".join((command.help or "").split("\n\n", 1)[0].split())
    listing = "\n".join(rows) or "- nothing but the options that all have"
    return f"<details><summary><code>tenside {name}</code>: {does}</summary>\n\n{listing}\n\n</details>\n"


def _help(parameter: Any) -> str:
    return " ".join((getattr(parameter, "help", "") or "").split()) or "see above"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
