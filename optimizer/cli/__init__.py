"""The command line: reads, asks the rooms below, prints. Only the room of the command that is asked for is loaded."""

import atexit
import errno
import gc
import os
import sys
from collections.abc import Iterable
from importlib import import_module
from typing import Annotated

import typer

from optimizer import __version__
from optimizer.cli.common import app, aside, print_json, say
from optimizer.errors import DataError, TensideError
from optimizer.report.escape import forgive_encodings

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
    "range": ("range",),
    "together": ("together",),
    "variants": ("variants",),
    "batch": ("batch",),
    "weigh": ("batch",),
    "weighed": ("batch",),
    "card": ("batch",),
    "ph": ("acid",),
    "advice": ("advice",),
    "thicken": ("thicken",),
    "made": ("made",),
    "label": ("label",),
    "cost": ("cost",),
    "records": ("records", "readings"),
    "page": ("page",),
    "start": ("reference",),
    "library": ("reference",),
    "rules": ("reference",),
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


@app.callback(invoke_without_command=True)
def _root(version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False) -> None:
    if version:
        say(f"tenside {__version__}")
        raise typer.Exit


def main() -> None:
    """Run the command line; errors that users can mend are told without a trace."""
    # A basis is so small that threads only wait for one another: 100 ms instead of 1 on a busy machine.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Looking for plugins of other packages costs a walk through all that is installed, and one might change the data.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    # Looking for cycles while libraries load and once more at exit takes a sixth of a blend, and finds none.
    gc.disable()
    atexit.register(gc.freeze)
    forgive_encodings()
    named = next((word for word in sys.argv[1:] if not word.startswith("-")), "")
    try:
        load(ROOMS.get(named) or rooms())
        try:
            app(prog_name="tenside")
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
        problems = [vars(p) for p in error.problems] if isinstance(error, DataError) else [{"what": str(error)}]
        print_json({"ending": "error", "exit_code": error.exit_code, "problems": problems})
    lines = _listed(error).split("\n") if isinstance(error, DataError) else [f"tenside: {error}"]
    aside("\n".join(lines))


def _listed(error: DataError) -> str:
    count = len(error.problems)
    head = "tenside: this cannot be used as it is:" if count == 1 else f"tenside: {count} things stand in the way:"
    return "\n".join([head, *("  " + str(p).replace("\n", " ") for p in error.problems)])
