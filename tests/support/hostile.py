"""Bad input by the dozen for the tests: commands asked inside this process, and seeded changes of sound files.

Every function that makes changes takes a seed and a count, so that a long run can ask for more of the same.
"""

from __future__ import annotations

import io
import re
import signal
import sqlite3
import sys
import traceback
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager, redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass
from pathlib import Path
from random import Random
from time import monotonic
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
    """Fail what takes longer than so many seconds instead of waiting for it; Windows has no such alarm and waits."""
    if not hasattr(signal, "SIGALRM"):
        yield
        return

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


# --- Sound files, spoilt ------------------------------------------------------------------------------------

ROOT = Path(__file__).resolve().parents[2]
LONG = 60_000
"""Letters of a cell or value that is far too long."""


def sound_files() -> dict[str, bytes]:
    """Return a sound file for every reader, by a name that tells its kind."""
    from openpyxl import Workbook

    from tests.support.harbour import HEAD, LINES, weighed

    def workbook(*rows: tuple[Any, ...]) -> bytes:
        book, stream = Workbook(), io.BytesIO()
        assert book.active is not None
        for row in rows:
            book.active.append(row)
        book.save(stream)
        return stream.getvalue()

    batch = HEAD.format(number="B1") + LINES + weighed("aqua", 800, "W1")
    prices = (("Harbour stores", None, None), ("material", "pack", "price EUR"), ("Glycerin", "5 kg", "12,50"))
    return {
        "batch.toml": batch.encode(),
        "brief.toml": (ROOT / "scenarios" / "hand-wash.toml").read_bytes(),
        "common.toml": (ROOT / "scenarios" / "common.toml").read_bytes(),
        "costs.toml": (ROOT / "scenarios" / "costs" / "refill.toml").read_bytes(),
        "library.toml": (ROOT / "library" / "amphoterics.toml").read_bytes(),
        "series.toml": (ROOT / "scenarios" / "trials" / "gentle-wash.toml").read_bytes(),
        "variants.toml": (ROOT / "scenarios" / "variants" / "hand-wash.toml").read_bytes(),
        "shelf.csv": (ROOT / "scenarios" / "shelf.csv").read_bytes(),
        "shelf.xlsx": workbook(("material", "price per kg"), ("glycerin", 2.5), ("aqua", 0.02)),
        "formula.csv": b"material,percent\nglycerin,4\nparfum,0.3\naqua,q.s.\n",
        "formula.xlsx": workbook(("material", "percent"), ("glycerin", 4), ("aqua", 96)),
        "formula.json": b'{"formula": [{"id": "glycerin", "percent": 4.0}, {"id": "aqua", "percent": 96.0}]}',
        "sheet.csv": "Spülung\n\nRohstoff;%\nglycerin;4,0\nparfum;q.s.\naqua;ad 100\n".encode(),
        "prices.csv": "\n".join(";".join(c or "" for c in row) for row in prices).encode(),
        "prices.xlsx": workbook(*prices),
        "table.csv": b"active.at_least;price.glycerin;missing.parfum\n9,5;2,10;yes\n10;;no\n",
    }


def mutated(draw: Random, content: bytes) -> bytes:
    """Return a file with a few bytes changed, cut out, doubled or put in."""
    data = bytearray(content)
    for _ in range(draw.randint(1, 6)):
        at = draw.randrange(len(data) or 1)
        kind = draw.randrange(4)
        if kind == 0 and data:
            data[at] = draw.randrange(256)
        elif kind == 1:
            del data[at : at + draw.randint(1, 40)]
        elif kind == 2:
            data[at:at] = data[at : at + draw.randint(1, 40)]
        else:
            data[at:at] = draw.choice([b"nan", b"-1e999", b"\x00", b'"', b"[[", b"=1+1", b"\xff", b"\n", b"9" * 30])
    return bytes(data)


def cut_short(draw: Random, content: bytes) -> bytes:
    """Return the start of a file."""
    return content[: draw.randrange(len(content))]


def encoded_wrongly(draw: Random, content: bytes) -> bytes:
    """Return a text as another program might have saved it; a workbook with every byte above 127 encoded again."""
    text = content.decode("utf-8", "replace") + draw.choice(["", "# é", "\n\ud800"])
    how = draw.choice(["utf-16", "utf-16-le", "utf-32", "latin-1", "cp500", "utf-8-sig", "utf-7"])
    return text.encode(how, "surrogatepass" if how.startswith("utf-") and how != "utf-7" else "replace")


def nested(draw: Random, content: bytes) -> bytes:
    """Return a file in which something is nested far too deeply."""
    deep = draw.choice([50, 500, 20_000])
    more = draw.choice(
        [
            b"x = " + b"[" * deep + b"]" * deep,
            b"x = " + b"{x = " * deep + b"1" + b"}" * deep,
            b"[" + b".".join([b"x"] * deep) + b"]\n",
            b"x" + b".x" * deep + b" = 1",
            b"[" * deep,
            b'{"formula": ' * deep,
            b'"' * deep,
        ]
    )
    lines = content.split(b"\n")
    at = draw.choice([0, len(lines), draw.randrange(len(lines) + 1)])
    return b"\n".join([*lines[:at], more, *lines[at:]])


def repeated(draw: Random, content: bytes) -> bytes:
    """Return a file in which a run of lines, such as a table or a heading, stands again, perhaps very often."""
    lines = content.split(b"\n")
    first = draw.randrange(len(lines))
    run = lines[first : first + draw.randint(1, 12)]
    at = draw.randrange(len(lines) + 1)
    return b"\n".join([*lines[:at], *run * draw.choice([1, 2, 600]), *lines[at:]])


def overlong(draw: Random, content: bytes) -> bytes:
    """Return a file with a value or cell that is far too long."""
    places = [k for k, byte in enumerate(content) if byte in b'",;=\n'] or [0]
    at = draw.choice(places) + 1
    return content[:at] + draw.choice([b"a", b"9", b" ", b"\xc3\xa4", b"-", b"a,", b"1."]) * LONG + content[at:]


SPOILING = (mutated, cut_short, encoded_wrongly, nested, repeated, overlong)


def spoilt(name: str, content: bytes, seed: int, count: int) -> Iterator[bytes]:
    """Yield so many spoilt copies of a file; of a workbook mostly one of its parts is spoilt."""
    draw = Random(f"{name} {seed}")
    for number in range(count):
        spoil = SPOILING[number % len(SPOILING)]
        if not name.endswith(".xlsx") or draw.random() < 0.2:
            yield spoil(draw, content)
            continue
        stream = io.BytesIO()
        with zipfile.ZipFile(io.BytesIO(content)) as sound, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as bad:
            parts = sound.namelist()
            chosen = draw.choice([*parts, *[p for p in parts if "sheet1" in p] * 9])
            for part in parts:
                bad.writestr(part, spoil(draw, sound.read(part)) if part == chosen else sound.read(part))
        yield stream.getvalue()


def read_again(path: Path, library: Any) -> None:
    """Read a file as the commands do that take it."""
    from optimizer.bench import batch, costs
    from optimizer.brief import scenario
    from optimizer.brief.brief import load_brief
    from optimizer.data import formula_file, shelf
    from optimizer.data.library import read_library
    from optimizer.intake import formula_sheet, price_list
    from optimizer.studies import variants
    from optimizer.sweep import grid
    from optimizer.trials import series

    readers: dict[str, Any] = {
        "batch": batch.read_batch,
        "brief": load_brief,
        "common": scenario.read_scenario,
        "costs": lambda p: costs.read_costs(str(p), library.by_id),
        "library": lambda p: read_library([ROOT / "library" / "reference.toml", p]),
        "series": lambda p: (s := series.read_series(p), s.z(), [s.reads(m) for m in s.measures]),
        "variants": variants.read_variants,
        "shelf": shelf.read_shelf,
        "formula": lambda p: formula_file.read_formula(p, library.materials, 4.0),
        "sheet": lambda p: formula_sheet.read_formula_sheet(p, library),
        "prices": lambda p: price_list.read_price_list(p, library),
        "table": grid.read_table,
    }
    readers[path.stem](path)


def fuzzed(folder: Path, seed: int, count: int, names: Iterable[str] | None = None) -> Iterator[tuple[str, str]]:
    """Yield kind of file and what became of each spoilt copy: accepted, refused, or what went wrong.

    Args:
        folder: Where the files may be written.
        seed: The same seed gives the same files.
        count: Copies of each kind.
        names: Kinds; all if left out.
    """
    from optimizer.data.library import read_library
    from optimizer.errors import DataError

    library = read_library([ROOT / "library"])
    files = sound_files()
    for beside in ("common.toml", "shelf.csv"):
        (folder / beside).write_bytes(files[beside])
    for name in names or files:
        place = folder if name == "brief.toml" else folder / "bad"
        place.mkdir(exist_ok=True)
        for number, bad in enumerate(spoilt(name, files[name], seed, count)):
            path = place / name
            path.write_bytes(bad)
            start = monotonic()
            try:
                with patience(20):
                    read_again(path, library)
                outcome = "accepted"
            except DataError as error:
                said = str(error)
                foreign = FOREIGN.search(said)
                outcome = f"says {foreign[0]!r}: {said[:500]}" if foreign else "refused"
            except BaseException:  # whatever comes out is what is looked for
                outcome = traceback.format_exc(limit=-4)
            if monotonic() - start > 10:
                outcome = f"took {monotonic() - start:.0f} s, {outcome}"
            yield f"{name} {seed}/{number}", outcome


FOREIGN = re.compile(r"Input should|validation error|pydantic|Traceback|NoneType|object at 0x", re.IGNORECASE)
"""Words of other programs that no maker should read."""
