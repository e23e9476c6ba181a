"""Whose turn it is where one thing is done at a time: what is soon done goes first, what takes long gives way."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager


class Turns:
    """Turns that threads take, one at a time."""

    def __init__(self) -> None:
        self._free = threading.Condition()
        self._taken = False
        self.waiting = 0
        """How many wait to go first."""

    @contextmanager
    def first(self) -> Iterator[None]:
        """Take the next turn."""
        with self._free:
            self.waiting += 1
            try:
                self._free.wait_for(lambda: not self._taken)
                self._taken = True
            finally:
                self.waiting -= 1
        yield from self._ended()

    @contextmanager
    def after(self) -> Iterator[None]:
        """Take a turn when nobody waits to go first."""
        with self._free:
            self._take_after()
        yield from self._ended()

    def give_way(self) -> None:
        """Let whoever waits go first, and go on after that: between two steps of a turn that takes long."""
        if self.waiting:
            with self._free:
                self._let_go()
                self._take_after()

    def _take_after(self) -> None:
        self._free.wait_for(lambda: not self._taken and not self.waiting)
        self._taken = True

    def _let_go(self) -> None:
        self._taken = False
        self._free.notify_all()

    def _ended(self) -> Iterator[None]:
        try:
            yield
        finally:
            with self._free:
                self._let_go()
