"""A next step that is printed repeats what was given: what-ifs, shelf, libraries, the brief of a formula."""

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from optimizer.errors import DataError, TensideError
from optimizer.immutable import replace
from optimizer.shell import WORD, quoted, unquoted

FILES = frozenset((
    "advice", "batch", "blend", "card", "check", "compare", "cost", "frontier", "label", "leeway", "made", "page", "ph",
    "range", "records master", "restandardise", "robust", "substitute", "thicken", "together", "trials next",
    "trials plan", "trials rate", "trials salt", "trials sheet", "variants", "weigh", "weighed", "why",
))  # fmt: skip
TAKES = {
    "--set": frozenset((
        "advice", "blend", "cost", "frontier", "label", "leeway", "page", "ph", "range", "records master",
        "restandardise", "robust", "substitute", "trials rate", "trials salt", "why",
    )),
    "--for": frozenset((
        "advice", "batch", "card", "cost", "import formula", "label", "page", "ph", "records master", "variants",
    )),
    "--shelf": FILES | {"records keep", "trials fit"},
    "--library": FILES | {
        "import formula", "import prices", "library check", "library evidence", "library find", "library law",
        "library list", "library show", "stock",
    },
}  # fmt: skip
"""Which commands take an option that is repeated; held against the commands themselves by tests."""
PARAMETERS = {"--set": "changes", "--for": "against", "--shelf": "shelf", "--library": "library"}
COMMAND = re.compile(rf"\btenside ((?:(?:records|trials|library|import) )?[a-z-]+)((?: (?:{WORD.pattern}))+)")


def repeated(text: str, asked: Mapping[str, Any]) -> str:
    """Return a text whose commands on a file that was asked about, or written, repeat the options that were given.

    Args:
        text: What is told.
        asked: The parameters of the command that tells it.
    """
    files = {str(value) for value in asked.values() if isinstance(value, str | Path)} - {""}

    def again(found: re.Match[str]) -> str:
        words = WORD.findall(found[2])
        place = next((k for k, word in enumerate(words) if unquoted(word.rstrip(".")) in files), None)
        if place is None:
            return found[0]
        word, known = words[place].rstrip("."), set(words)
        about = unquoted(word) == str(asked.get("subject", ""))
        options = [o for flag, o in _given(asked) if _fits(flag, found[1], known, about)]
        words[place] = " ".join([word, *options]) + words[place][len(word) :]
        return " ".join(["tenside", found[1], *words])

    return COMMAND.sub(again, text) if any(_given(asked)) else text


def _given(asked: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield the options that were given, each with its flag."""
    for flag, name in PARAMETERS.items():
        value = asked.get(name)
        for one in value if isinstance(value, list | tuple) else [value] if value else []:
            yield flag, f"{flag} {quoted(one)}"


def _fits(flag: str, command: str, known: set[str], about: bool) -> bool:
    """Return whether a command takes an option and lacks it; the brief of a formula goes with the formula alone."""
    return command in TAKES[flag] and flag not in known and (about or flag != "--for")


def repeat_in(error: TensideError, asked: Mapping[str, Any]) -> None:
    """Let the next steps that an error names repeat what was given."""
    if isinstance(error, DataError):
        error.problems = tuple(replace(p, step=repeated(p.step, asked)) for p in error.problems)
    error.args = tuple(repeated(arg, asked) if isinstance(arg, str) else arg for arg in error.args)
