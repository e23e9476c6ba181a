"""What every command called in this process would do again: read the shipped library, build the command line.

A command line that is called a thousand times in one process spends most of its time on these two. A library is
known by the bytes of its files, a command line by how much is registered in it; whatever differs is read and built
anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import lru_cache, wraps
from pathlib import Path

import typer.main

from optimizer import cli
from optimizer.data import library
from optimizer.data.library import Library

Read = Callable[[Iterable[Path]], Library]
Build = Callable[[typer.Typer], object]


def library_by_content(read: Read) -> Read:
    """Return a reader that reads the same bytes at the same paths once; what cannot be read fails as ever."""

    @lru_cache(maxsize=4)
    def known(paths: tuple[Path, ...], content: tuple[tuple[str, bytes], ...]) -> Library:
        return read(paths)

    @wraps(read)
    def reading(paths: Iterable[Path]) -> Library:
        paths = tuple(paths)
        try:
            files = [f for p in paths for f in (sorted(p.glob("*.toml")) if p.is_dir() else [p])]
            content = tuple((str(f), f.read_bytes()) for f in files)
        except OSError:
            return read(paths)
        return known(paths, content)

    return reading


def command_built_once(app: typer.Typer, build: Build) -> Build:
    """Return a builder that builds the command line of an application once, as long as nothing more is registered."""

    @lru_cache(maxsize=1)
    def known(commands: int, groups: int) -> object:
        return build(app)

    @wraps(build)
    def building(asked: typer.Typer) -> object:
        if asked is not app:
            return build(asked)
        return known(len(app.registered_commands), len(app.registered_groups))

    return building


def install() -> None:
    """Put both in place; called before anything imports them by name."""
    library.read_library = library_by_content(library.read_library)
    typer.main.get_command = command_built_once(cli.app, typer.main.get_command)  # type: ignore[assignment]
