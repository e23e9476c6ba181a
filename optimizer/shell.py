"""Words of a command as a shell takes them, so that a next step that is printed can be typed as it stands."""

from __future__ import annotations

import os
import re
import shlex

WINDOWS = os.name == "nt"
WORD = re.compile(r"""'[^']*'(?:"'"'[^']*')*|"(?:\\"|[^"])*"|[^\s'",;][^\s',;]*""")
"""A word of a command within a sentence: quoted from end to end, or bare up to what ends it."""
PLAIN = re.compile(r"[\w+=:./\\-]+")
"""What Windows' shells take as one word without quotes."""


def quoted(word: object, *, windows: bool = WINDOWS) -> str:
    """Return a word as it is typed: in quotes if it holds a blank or what means something to the shell.

    Args:
        word: A path, a name or the value of an option.
        windows: Whether for cmd and PowerShell, which share double quotes alone, instead of a POSIX shell.
    """
    text = str(word)
    if not windows:
        return shlex.quote(text)
    escaped = text.replace('"', '\\"')
    return text if PLAIN.fullmatch(text) else f'"{escaped}"'


def unquoted(word: str, *, windows: bool = WINDOWS) -> str:
    """Return what `quoted` made a word of."""
    if word[:1] not in ("'", '"'):
        return word
    return word[1:-1].replace('\\"', '"') if windows else "".join(shlex.split(word))
