"""Bad input by the dozen for the tests: commands asked inside this process, and seeded changes of sound files.

Every function that makes changes takes a seed and a count, so that a long run can ask for more of the same.
"""

from __future__ import annotations

import io
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from typing import Any

from optimizer import cli


@dataclass(frozen=True)
class Told:
    """What a command answered."""

    code: int
    out: str
    err: str


@contextmanager
def patience(seconds: float) -> Iterator[None]:
    """Fail what takes longer than so many seconds instead of waiting for it."""

    def over(signum: int, frame: Any) -> None:
        raise AssertionError(f"no answer within {seconds:g} s")

    before = signal.signal(signal.SIGALRM, over)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def ask(*args: str, seconds: float = 30) -> Told:
    """Run the command line as a user does, inside this process; whatever it does not catch comes out of here."""
    out, err, before = io.StringIO(), io.StringIO(), sys.argv
    sys.argv = ["tenside", *args]
    code: Any = 0
    try:
        with patience(seconds), redirect_stdout(out), redirect_stderr(err):
            cli.main()
    except SystemExit as ended:
        code = ended.code or 0
    finally:
        sys.argv = before
    return Told(int(code), out.getvalue(), err.getvalue())
