"""The command line: reads, asks the rooms below, prints. Only the room of the command that is asked for is loaded."""

import atexit
import errno
import gc
import os
import sys
from collections.abc import Callable, Iterable
from copy import copy
from importlib import import_module
from types import ModuleType
from typing import Annotated, Any

import typer

from optimizer import __version__
from optimizer.cli.common import app, aside, print_json, say
from optimizer.errors import DataError, TensideError
from optimizer.report.formats.escape import forgive_encodings

ROOMS: dict[str, tuple[str, ...]] = {
    "blend": ("blend",),
    "check": ("questions",),
    "why": ("questions",),
    "compare": ("questions",),
    "substitute": ("substitute",),
    "frontier": ("tradeoff",),
    "leeway": ("tradeoff",),
    "restandardise": ("lots",),
    "robust": ("lots",),
    "range": ("sweep",),
    "together": ("together",),
    "variants": ("variants",),
    "batch": ("batch",),
    "weigh": ("batch",),
    "weighed": ("batch",),
    "card": ("batch",),
    "ph": ("acid",),
    "advice": ("advice",),
    "thicken": ("thicken",),
    "trials": ("trials",),
    "made": ("made",),
    "label": ("label",),
    "cost": ("cost",),
    "records": ("records", "readings"),
    "stock": ("stock",),
    "pack-up": ("packing",),
    "unpack": ("packing",),
    "page": ("page",),
    "open": ("open",),
    "start": ("reference",),
    "list": ("briefs",),
    "library": ("reference",),
    "rules": ("reference",),
    "explain": ("reference",),
    "schema": ("reference",),
    "import": ("intake",),
}
"""Files of this folder by command, in the order of the help."""


FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
"""What the system says when a disk is full."""


def load(files: Iterable[str]) -> None:
    """Register the commands of the named files."""
    for file in files:
        import_module(f"optimizer.cli.{file}")


def rooms() -> list[str]:
    """Return every file that holds commands, in the order of the help."""
    return list(dict.fromkeys(file for files in ROOMS.values() for file in files))


def without_options(told: typer.Typer) -> typer.Typer:
    """Return an application that names its commands and knows none of their options.

    A page of commands shows no options, and reading those of every command takes a third of its time.
    """
    bare = copy(told)
    bare.registered_commands = [copy(command) for command in told.registered_commands]
    for command in bare.registered_commands:
        command.callback = _named_alone(command.callback)
    bare.registered_groups = [copy(group) for group in told.registered_groups]
    for group in bare.registered_groups:
        group.typer_instance = copy(group.typer_instance)
        if group.typer_instance is not None:
            group.typer_instance.registered_commands = []
    return bare


def _named_alone(callback: Callable[..., Any] | None) -> Callable[[], None]:
    def command() -> None: ...

    command.__name__, command.__doc__ = getattr(callback, "__name__", ""), callback.__doc__
    return command


UNASKED: dict[str, dict[str, Any]] = {
    "pydantic.plugin._loader": {"get_plugins": tuple},
    "rich.markdown": {"Markdown": type(None)},
    "rich.traceback": {"Traceback": type(None)},
}
"""Modules that our libraries load and no command asks anything of, with the names that are taken from them."""


def without_unasked() -> None:
    """Let modules that nothing is asked of stand empty, so that what they would load is not loaded.

    Looking for plugins of pydantic costs a walk through all that is installed, and one might change the data; our
    help is not Markdown, and no error is shown by its trace: with these, help takes twice as long. Whatever else is
    asked of such a module is answered by the real one.
    """
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    for name, names in UNASKED.items():
        sys.modules.setdefault(name, _empty(name, names))


def _empty(name: str, names: dict[str, Any]) -> ModuleType:
    stand_in = ModuleType(name)

    def real(asked: str) -> Any:
        if asked.startswith("__"):
            raise AttributeError(asked)
        sys.modules.pop(name, None)
        return getattr(import_module(name), asked)

    vars(stand_in).update(names, __getattr__=real)
    return stand_in


@app.callback(invoke_without_command=True)
def _root(version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False) -> None:
    if version:
        say(f"tenside {__version__}")
        raise typer.Exit


def main() -> None:
    """Run the command line; errors that users can mend are told without a trace."""
    # A basis is so small that threads only wait for one another: 100 ms instead of 1 on a busy machine.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    without_unasked()
    # Looking for cycles while libraries load and once more at exit takes a sixth of a blend, and finds none.
    gc.disable()
    atexit.register(gc.freeze)
    forgive_encodings()
    named = next((word for word in sys.argv[1:] if not word.startswith("-")), "")
    try:
        load(ROOMS.get(named) or rooms())
        if any("," in word for word in sys.argv[1:]):
            from optimizer.cli.commas import with_points

            sys.argv[1:] = with_points(sys.argv[1:], app)
        try:
            (app if named else without_options(app))(prog_name="tenside")
        finally:
            sys.stdout.flush()
    except TensideError as error:
        _tell(error)
        sys.exit(error.exit_code)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        sys.exit(0)
    except OSError as error:
        if error.errno not in FULL:
            raise
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        print(f"tenside: the answer could not be written ({error.strerror}). Make room and ask again.", file=sys.stderr)
        sys.exit(3)


def _tell(error: TensideError) -> None:
    if "--json" in sys.argv:
        from optimizer.report.refused import refused

        print_json(refused(error).model_dump(exclude_none=True))
    lines = _listed(error).split("\n") if isinstance(error, DataError) else [f"tenside: {error}"]
    aside("\n".join(lines))


def _listed(error: DataError) -> str:
    count = len(error.problems)
    head = "tenside: this cannot be used as it is:" if count == 1 else f"tenside: {count} things stand in the way:"
    return "\n".join([head, *("  " + str(p).replace("\n", " ") for p in error.problems)])
