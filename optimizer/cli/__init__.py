"""The command line: reads, asks the rooms below, prints. Imports wait until a command needs them."""

import atexit
import gc
import os
import sys
from typing import Annotated

import typer

from optimizer import __version__
from optimizer.cli import (
    acid,
    advice,
    batch,
    blend,
    cost,
    intake,
    label,
    lots,
    made,
    page,
    questions,
    range,
    readings,
    records,
    reference,
    substitute,
    thicken,
    together,
    tradeoff,
    variants,
)
from optimizer.cli.common import app, print_json, say
from optimizer.errors import DataError, TensideError

__all__ = [
    "acid",
    "advice",
    "app",
    "batch",
    "blend",
    "cost",
    "intake",
    "label",
    "lots",
    "made",
    "main",
    "page",
    "questions",
    "range",
    "readings",
    "records",
    "reference",
    "substitute",
    "thicken",
    "together",
    "tradeoff",
    "variants",
]


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
    try:
        app(prog_name="tenside")
    except TensideError as error:
        _tell(error)
        sys.exit(error.exit_code)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        sys.exit(0)


def _tell(error: TensideError) -> None:
    if "--json" in sys.argv:
        problems = [vars(p) for p in error.problems] if isinstance(error, DataError) else [{"what": str(error)}]
        print_json({"ending": "error", "exit_code": error.exit_code, "problems": problems})
    print(f"tenside: {error}" if not isinstance(error, DataError) else _listed(error), file=sys.stderr)


def _listed(error: DataError) -> str:
    count = len(error.problems)
    head = "tenside: this cannot be used as it is:" if count == 1 else f"tenside: {count} things stand in the way:"
    return "\n".join([head, *(f"  {p}" for p in error.problems)])
