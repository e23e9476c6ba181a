"""What is printed with --json where a command cannot answer."""

from __future__ import annotations

from typing import Literal

from optimizer.errors import DataError, TensideError
from optimizer.report.record import PrintedRecord, Record


class Fault(Record):
    """One thing that stands in the way."""

    where: str | None = None
    """File, with row and column where there are any; left out where the command itself cannot be carried out."""
    key: str | None = None
    """The key or column at fault; empty where a whole file is."""
    what: str
    """What is wrong and why it cannot be used."""
    step: str | None = None
    """What to do next."""


class Refused(PrintedRecord):
    """What any command prints with --json where it cannot answer; the same in words is on the error output."""

    ending: Literal["error"] = "error"
    exit_code: int
    """2: asked for what cannot be done; 3: files or figures cannot be used; 5: an answer could not be checked."""
    problems: tuple[Fault, ...]
    """All at once."""


def refused(error: TensideError) -> Refused:
    """Return an error as it is printed."""
    if isinstance(error, DataError):
        problems = tuple(Fault.model_validate(vars(p)) for p in error.problems)
    else:
        problems = (Fault(what=str(error)),)
    return Refused(exit_code=error.exit_code, problems=problems)
