"""What every command called in this process would do again: build the command line.

It is known by how much is registered in it; whatever differs is built anew.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, wraps

import typer.main

from optimizer import cli

Build = Callable[[typer.Typer], object]


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
    """Put it in place; called before anything imports it by name."""
    typer.main.get_command = command_built_once(cli.app, typer.main.get_command)  # type: ignore[assignment]
