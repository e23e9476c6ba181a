"""A decimal comma on the command line, wherever an option takes a single figure."""

import inspect
import re
from collections.abc import Callable, Iterator
from typing import Any, get_args

import typer

from optimizer.data.sheet import number_of
from optimizer.errors import UsageError

COMMA = re.compile(r"[+-]?[\d.]*,\d[\d.,]*")


def with_points(words: list[str], app: typer.Typer) -> list[str]:
    """Return the words of a command line with the figures of single-figure options written with a point.

    Raises:
        UsageError: If one can be read two ways, such as 1,234.
    """
    if not any(COMMA.fullmatch(word.rpartition("=")[2]) for word in words):
        return words
    single = set(_figure_options(_callback(words, app)))
    told: list[str] = []
    for word in words:
        name, sign, value = word.partition("=")
        if sign and name in single and COMMA.fullmatch(value):
            told.append(f"{name}={_plain(name, value)}")
        elif told and words[len(told) - 1] in single and COMMA.fullmatch(word):
            told.append(_plain(words[len(told) - 1], word))
        else:
            told.append(word)
    return told


def _plain(option: str, text: str) -> str:
    try:
        return f"{number_of(text):.15g}"
    except ValueError as error:
        raise UsageError(f"{option} {text}: it {error}. Write it with a point, or without a separator.") from None


def _callback(words: list[str], app: typer.Typer) -> Callable[..., Any] | None:
    """Return the function of the command that is asked for."""
    named = [word for word in words if not word.startswith("-")]
    here = app
    for word in named[:2]:
        for command in here.registered_commands:
            if command.callback and word == (command.name or command.callback.__name__.replace("_", "-")):
                return command.callback
        group = next((g.typer_instance for g in here.registered_groups if g.name == word), None)
        if group is None:
            return None
        here = group
    return None


def _figure_options(callback: Callable[..., Any] | None) -> Iterator[str]:
    """Yield the names of the options that take one figure."""
    if callback is None:
        return
    for name, parameter in inspect.signature(callback).parameters.items():
        kind, *rest = get_args(parameter.annotation) or (parameter.annotation,)
        if kind is float or float in get_args(kind):
            stated = [d for info in rest for d in (getattr(info, "param_decls", None) or ()) if d.startswith("-")]
            yield from stated or [f"--{name.replace('_', '-')}"]
