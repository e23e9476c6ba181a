"""Bad input by the dozen for the tests: commands asked inside this process, and seeded changes of sound files.

Every function that makes changes takes a seed and a count, so that a long run can ask for more of the same.
"""

from __future__ import annotations

import io
import signal
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager, redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass
from pathlib import Path
from random import Random
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


def damages(content: bytes, seed: int, count: int) -> Iterator[bytes]:
    """Yield copies of a store with some bytes flipped, a page wiped, or its end cut off."""
    draw = Random(seed)
    for _ in range(count):
        bad = bytearray(content)
        kind = draw.choice(("bytes", "bytes", "bytes", "page", "end"))
        if kind == "page":
            start = 4096 * draw.randrange(1, len(bad) // 4096)
            bad[start : start + 4096] = bytes(4096)
        elif kind == "end":
            del bad[draw.randrange(100, len(bad)) :]
        else:
            for _ in range(draw.choice((1, 2, 8, 40))):
                bad[draw.randrange(len(bad))] ^= 1 << draw.randrange(8)
        yield bytes(bad)


ODD = (
    "'x'",
    "''",
    "7",
    "-7",
    "1e300",
    "9e999",
    "x'ff00'",
    "CAST(x'ff' AS TEXT)",
    "'9999-12-31'",
    "'0000-00-00'",
    "'1e5'",
)
"""Values that hardly any column may hold, as SQL."""


def misfits(seed: int, count: int) -> Iterator[tuple[str, str]]:
    """Yield changes of a store's values behind its back, each with the column that it is about."""
    from optimizer.records.schema import MEANINGS

    draw = Random(seed)
    places = [(t, c) for t, (_, columns) in MEANINGS.items() for c in columns if c != "seal"]
    for _ in range(count):
        table, column = draw.choice(places)
        yield f"{table}.{column}", f"UPDATE OR IGNORE {table} SET {column} = {draw.choice(ODD)}"


def broken_by(folder: Path, content: bytes, change: bytes | str) -> list[str]:
    """Return what goes wrong when every command reads a damaged store; empty if each told what it found.

    Args:
        folder: Where the store may be written.
        content: A sound store with a batch B1 and a master formula "wash".
        change: The damaged bytes, or SQL that damages the store.
    """
    path = folder / "bad.db"
    path.write_bytes(content if isinstance(change, str) else change)
    if isinstance(change, str):
        with closing(sqlite3.connect(path, isolation_level=None)) as plain:
            plain.execute("PRAGMA ignore_check_constraints = ON")
            for (name,) in plain.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
                plain.execute(f"DROP TRIGGER {name}")
            with suppress(sqlite3.IntegrityError):  # what SQLite itself refuses is no damage
                plain.execute(change)
    found = []
    for args in READINGS:
        try:
            answer = ask("records", *args, "--store", str(path))
        except Exception as error:  # whatever comes out is what the test looks for
            found.append(f"{' '.join(args)}: {error!r}")
            continue
        if answer.code not in (0, 1, 2, 3) or "Traceback" in answer.err:
            found.append(f"{' '.join(args)}: {answer}")
    return found


READINGS = (
    ("list",), ("show", "B1"), ("lots", "B1"), ("where", "W1"), ("tests", "B1", "--on", "2026-03-10"),
    ("due", "--on", "2026-06-01"), ("versions", "wash"), ("check",),
)  # fmt: skip
"""Commands that read a store."""
