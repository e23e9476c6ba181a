"""Long work that somebody attends to: every run of the solver looks first whether it is still wanted."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

_HERE = threading.local()
Look = Callable[[], None]


@contextmanager
def attended(look: Look) -> Iterator[None]:
    """Call `look` before every run of the solver in this thread, and often within a long one.

    What it raises breaks the work off. It does not nest: the innermost one counts.
    """
    before = looking()
    _HERE.look = look
    try:
        yield
    finally:
        _HERE.look = before


def looking() -> Look | None:
    """Return how somebody attends to what this thread does; None if nobody does."""
    return getattr(_HERE, "look", None)


class Within:
    """Looks from within a run: what is raised there must not cross the solver, so it waits until the run has ended."""

    def __init__(self, look: Look) -> None:
        self._look, self._raised = look, list[BaseException]()

    def __call__(self, event: Any) -> None:
        """Interrupt the run if it is no longer wanted."""
        if not self._raised:
            try:
                self._look()
            except BaseException as error:
                self._raised.append(error)
        if self._raised:
            event.interrupt(True)

    def ended(self) -> None:
        """Raise what was raised within the run."""
        if self._raised:
            raise self._raised[0]
