"""Lines that the bench adds to a file: they count until they are struck, and what was added may outlast its reading."""

from typing import Annotated, TypeVar

from pydantic import Field

from optimizer.data.facts import Frozen
from optimizer.errors import DAY_PATTERN

Day = Annotated[str, Field(pattern=DAY_PATTERN)]
"""Date, or date and time, as written in ISO 8601; empty if nobody noted it."""
Line = TypeVar("Line", bound="BenchLine")


class BenchLine(Frozen):
    """A line that the bench adds. A wrong one is struck: it stays, with the reason, and counts no more."""

    struck: Annotated[str, Field(max_length=200)] = ""
    """Why it does not count; empty for a line that counts."""
    struck_on: Day = ""


class AddedLine(BenchLine):
    """A line that tells what was added and what was read then; struck, it is the reading alone that was wrong, or both.

    A line that an older version struck says nothing of its addition, which then counts as not made.
    """

    addition_stays: bool = False
    """Whether what was added is in all the same, although the line is struck."""


Addition = TypeVar("Addition", bound=AddedLine)


def additions(lines: tuple[Addition, ...]) -> tuple[Addition, ...]:
    """Return the lines whose additions are in: those that count, and those of which only the reading is struck."""
    return tuple(line for line in lines if not line.struck or line.addition_stays)


def counting(lines: tuple[Line, ...]) -> tuple[Line, ...]:
    """Return the lines that are not struck."""
    return tuple(line for line in lines if not line.struck)
