"""The command line as a fixture: `run` of `tests/conftest.py` calls it inside this process."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any, NamedTuple


class Ran(NamedTuple):
    """What a command left behind."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """The printed record."""
        return json.loads(self.out)


Run = Callable[..., Ran]
