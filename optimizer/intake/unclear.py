"""Names in a maker's own table that are not certain: each is told with what it could be, for whoever can be asked."""

from __future__ import annotations

from collections.abc import Iterable

from optimizer.errors import DataError, Problem
from optimizer.immutable import immutable


@immutable
class Unclear:
    """A name that is not certain."""

    row: int
    """Where it stands."""
    name: str
    """As it is written."""
    candidates: tuple[str, ...]
    """Ids that it could be; none if nothing is called like it."""


class UnclearError(DataError):
    """A table that cannot be taken, with the names in it that are not certain."""

    def __init__(self, problems: Iterable[Problem], names: Iterable[Unclear] = ()) -> None:
        super().__init__(problems)
        self.names = tuple(names)
