"""Trade-offs through the door: of a brief or of a family of its what-ifs; and drawn, as the room to move is."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from optimizer.answers import questions
from optimizer.answers.answer import Answer
from optimizer.brief.brief import Brief
from optimizer.errors import UsageError
from optimizer.report.tradeoff import draw_frontier, draw_leeway
from optimizer.solve.frontier.tradeoff import Frontier

Changes = Iterable[tuple[str, str]]
Read = Callable[[Changes, tuple[str, ...]], Brief]
"""Reads a brief with further what-ifs, and with the measures of the trade-off among what trials replace."""
DRAWN: dict[str, Callable[[Any, Path], None]] = {"frontier": draw_frontier, "leeway": draw_leeway}


def traded(
    read: Read, *, best: str | None, against: str | None, by: str = "", tell: questions.Tell | None = None
) -> Answer[tuple[tuple[str, Frontier], ...]]:
    """Trace the trade-off of two measures: of a brief, or of a family of curves.

    Args:
        read: Reads the brief.
        best: 'minimise MEASURE' or 'maximise MEASURE'; what the brief seeks if it is left out.
        against: What is traded against it, written the same way; left out as in `questions.frontier`.
        by: What the curves of a family differ in, one per value, such as 'active.at_least=9,10,11'.
        tell: Told how far a long one has come.

    Raises:
        UsageError: If one of these is written otherwise.
    """
    key, _, values = (part.strip() for part in by.partition("="))
    if by and not values:
        raise UsageError(f"--by {by}: write RULE.LIMIT=VALUE,VALUE, such as active.at_least=9,10,11.")
    axes = tuple(axis.strip().partition(" ")[2].strip() for axis in (best, against) if axis is not None)
    each = [value.strip() for value in values.split(",")] if by else []
    asked = {f"{key} = {value}": read([(key, value)], axes) for value in each} or read([], axes)
    return questions.frontier(asked, best=best, against=against, tell=tell)


def draw(answer: Answer[Any], path: Path) -> None:
    """Write the picture of a trade-off or of the room to move, as the file's name ends.

    Raises:
        UsageError: If there is nothing to draw.
        DataError: If the file exists.
    """
    DRAWN[answer.question](answer.found, path)
