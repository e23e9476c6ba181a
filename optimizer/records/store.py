"""The store file: opened, made, brought to the newest schema; every write is whole or not at all.

The store is an SQLite file with a rollback journal: one file to copy, sound on shared folders, and what is
acknowledged is on the disk (synchronous = EXTRA syncs the folder, too). Writers take turns: each begins with the write
lock, so that nobody numbers a version that somebody else is numbering.
"""

import hashlib
import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from datetime import date, datetime
from functools import cache
from itertools import chain
from pathlib import Path
from typing import Any, Self

from pydantic import ConfigDict

from optimizer.data.facts import Frozen
from optimizer.errors import DataError, Problem, fault
from optimizer.files import found_at, is_file, is_folder
from optimizer.immutable import immutable
from optimizer.records.schema import APPLICATION, MEANINGS, STEPS, TALLY, VERSION
from optimizer.units import FIRST_YEAR, LAST_YEAR

WAIT = 15.0
"""How long a command waits for another one that writes [s]."""

KEEP_FIRST = "Keep a batch first (tenside records keep BATCH.toml), or name the store with --store FILE."


class StoreAnswer(Frozen):
    """Base of what the records room answers; it is also the JSON that is printed."""

    model_config = ConfigDict(from_attributes=True)

    @classmethod
    def of(cls, row: Any, **others: Any) -> Self:
        """Return what a row of the store tells; its `on_date` is `on` here, and others are stated beside it."""
        there = {"on" if name == "on_date" else name: name for name in row.keys()}  # noqa: SIM118  # a row is no dict
        return cls(**{f: row[there[f]] for f in cls.model_fields if f in there and f not in others}, **others)


class Printed(StoreAnswer):
    """Base of what a command prints."""

    format: int = 1
    """Number of the record's format; it rises when a key goes or changes its meaning."""


RESTORE = "Restore the last copy or the last export."
SEALS_FROM, TALLY_FROM = 3, 4
"""The first schema whose rows are sealed, and the first whose rows are counted."""
MOST = 1e18
"""Figures beyond this are not kept; nothing at a bench reaches it."""


def seal_of(table: str, values: Mapping[str, Any]) -> str:
    """Return the SHA-256 of a row: its table and its columns but for its number and the seal itself."""
    kept = [
        (name, hashlib.sha256(v).hexdigest() if isinstance(v, bytes) else v if isinstance(v, str) else float(v) + 0.0)
        for name, v in sorted(values.items())
        if name not in ("id", "seal") and v is not None and v != ""
    ]
    return hashlib.sha256(json.dumps([table, kept]).encode()).hexdigest()


Columns = dict[str, tuple[str, bool]]
"""Type, and whether it may be empty, by name."""
TYPES: dict[str, tuple[type, ...]] = {"TEXT": (str,), "INTEGER": (int,), "REAL": (int, float), "BLOB": (bytes,)}
"""What a type of the schema is here."""


def columns_at(version: int) -> dict[str, Columns]:
    """Return the columns of every table at a schema, each with its type and whether it may be empty."""
    with closing(sqlite3.connect(":memory:")) as blank:
        for statement in chain.from_iterable(STEPS[:version]):
            blank.execute(statement)
        found = {name: blank.execute(f"PRAGMA table_info({name})").fetchall() for name in MEANINGS}
    return {
        name: {column: (kind, not (required or key)) for _, column, kind, required, _, key in rows}
        for name, rows in found.items()
        if rows
    }


@cache
def _kinds() -> dict[str, tuple[type, ...]]:
    """Return the types of columns by name; a name means the same in every table."""
    found: dict[str, tuple[type, ...]] = {"mass": (int, float), **dict.fromkeys(("day", "struck", *DAYS), (str,))}
    for columns in columns_at(VERSION).values():
        for name, (kind, empty) in columns.items():
            found[name] = tuple({*found.get(name, ()), *TYPES[kind], *((type(None),) if empty else ())})
    return found


DAYS: dict[str, type[date]] = {"from_date": date, "until": date, "due_on": date, "read_on": datetime}
"""Columns, as queries call them, that are counted with as days or times."""


def misread(name: str, value: Any) -> str:
    """Return what is wrong with a value of a column; empty if it can stand there."""
    kinds = _kinds().get(name)
    if kinds is None or (value is None and name in ("day", "grams")):
        return ""
    if not isinstance(value, kinds):
        return f"{value!r:.60} is of another kind"
    if isinstance(value, (int, float)) and not abs(value) <= MOST:
        return f"{value!r:.60} is no figure that was kept"
    if name == "mass" and isinstance(value, (int, float)) and not value > 0:
        return f"{value!r:.60} is no mass"
    if name in DAYS and not is_day(DAYS[name], str(value)):
        return f"{value!r:.60} is no date"
    return ""


def is_day(kind: type[date], text: str) -> bool:
    """Return whether a text is a day, or a time, that can be counted on from."""
    try:
        return FIRST_YEAR <= kind.fromisoformat(text).year <= LAST_YEAR
    except ValueError:
        return False


@immutable
class Store:
    """An open store.

    Attributes:
        path: Its file.
        connection: Its connection; statements outside `writing` and `reading` stand alone.
    """

    path: Path
    connection: sqlite3.Connection

    def rows(self, sql: str, *values: Any) -> list[Any]:
        """Return the rows of a query.

        Raises:
            DataError: If a value cannot be kept, such as a text that is not Unicode.
        """
        found = self._run(sql, values).fetchall()
        for row in found:
            for name in row.keys():  # noqa: SIM118  # a row's own words, not a dict's
                fault_of = misread(name, row[name])
                if fault_of:
                    raise self.damaged(name, fault_of)
        return found

    def one(self, sql: str, *values: Any) -> Any:
        """Return the first row of a query that a sound store answers.

        Raises:
            DataError: If there is none.
        """
        found = self.rows(sql, *values)
        if not found:
            raise self.damaged("", "a row is missing")
        return found[0]

    def damaged(self, key: str, what: str) -> DataError:
        """Return that a sound store does not hold such a value."""
        return self.fault(key, f"the store is damaged ({what}).", RESTORE)

    def put(self, table: str, **values: Any) -> int:
        """Insert a sealed row and return its number; table and columns are the program's own words."""
        version = number_of(self, "user_version")
        if version >= SEALS_FROM and not values.get("seal"):
            values["seal"] = seal_of(table, values)
        if version >= TALLY_FROM:
            self._counted(table, 1)
        names = ", ".join(values)
        marks = ", ".join("?" * len(values))
        return self._run(f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(values.values())).lastrowid or 0

    def remove(self, table: str, where: str, *values: Any) -> None:
        """Remove rows on purpose; the condition is the program's own words."""
        self._counted(table, -self._run(f"DELETE FROM {table} WHERE {where}", values).rowcount)

    def _counted(self, table: str, more: int) -> None:
        self._run(f"UPDATE {TALLY} SET rows = rows + ? WHERE name = ?", (more, table))

    def change(self, table: str, number: int, **values: Any) -> None:
        """Change columns of a row and seal it anew."""
        marks = ", ".join(f"{name} = ?" for name in values)
        self._run(f"UPDATE {table} SET {marks} WHERE id = ?", (*values.values(), number))
        row = self.one(f"SELECT * FROM {table} WHERE id = ?", number)
        self._run(f"UPDATE {table} SET seal = ? WHERE id = ?", (seal_of(table, dict(row)), number))

    def _run(self, sql: str, values: tuple[Any, ...]) -> sqlite3.Cursor:
        try:
            if any(isinstance(v, float) and not abs(v) <= MOST for v in values):
                raise OverflowError("a figure is too large")
            return self.connection.execute(sql, values)
        except (UnicodeEncodeError, OverflowError) as error:
            what = f"a value cannot be kept: {error}."
            raise fault(str(self.path), "", what, "Write text as Unicode, numbers below 1e18.") from None

    def fault(self, key: str, what: str, step: str) -> DataError:
        """Return an error that names this store."""
        return fault(str(self.path), key, what, step)

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Hold the write lock; what is done inside is kept as a whole at the end, or not at all."""
        yield from self._transaction("BEGIN IMMEDIATE")

    @contextmanager
    def reading(self) -> Iterator[None]:
        """See one state of the store, whatever others write meanwhile."""
        yield from self._transaction("BEGIN")

    def _transaction(self, begin: str) -> Iterator[None]:
        self.connection.execute(begin)
        try:
            yield
            self.connection.execute("COMMIT")
        finally:
            if self.connection.in_transaction:
                self.connection.execute("ROLLBACK")


@contextmanager
def open_store(path: Path, *, make: bool = False, wait_s: float = WAIT) -> Iterator[Store]:
    """Open a store, bring it to the newest schema, and close it at the end.

    Args:
        path: The file.
        make: Whether a store that is not there is made.
        wait_s: How long to wait for others that write [s].

    Raises:
        DataError: If it is missing, no store, of a newer schema, locked, damaged, or the disk is full; what was not
            acknowledged is then not in the store.
    """
    if is_folder(path):
        raise fault(str(path), "", "this is a folder, a store is a file.", "Name a file in it.")
    if not found_at(path) and not make:
        raise fault(str(path), "", "there is no such store.", KEEP_FIRST)
    if found_at(path) and not is_file(path):
        raise fault(str(path), "", "this is a pipe or a device, a store is a file.", "Name a file with --store FILE.")
    if not path.parent.is_dir():
        raise fault(str(path), "", "there is no such folder.", "Make the folder first.")
    address = f"{path.absolute().as_uri()}?mode={'rwc' if make else 'rw'}"
    try:
        with closing(sqlite3.connect(address, timeout=wait_s, isolation_level=None, uri=True)) as connection:
            connection.row_factory = sqlite3.Row
            for setting in ("foreign_keys = ON", "trusted_schema = OFF", "synchronous = EXTRA"):
                connection.execute(f"PRAGMA {setting}")
            store = Store(path, connection)
            _ready(store, make)
            connection.execute("PRAGMA journal_mode = DELETE")
            yield store
    except sqlite3.Error as error:
        raise DataError([_problem_of(path, error, wait_s)]) from None
    except UnicodeDecodeError:  # SQLite quotes a damaged schema byte by byte
        raise fault(str(path), "", "the store is damaged (its schema is no text).", RESTORE) from None


def number_of(store: Store, pragma: str) -> int:
    """Return a number of the file's header."""
    return int(store.connection.execute(f"PRAGMA {pragma}").fetchone()[0])


def raise_to(store: Store, version: int) -> None:
    """Take the steps from the store's schema up to `version`; call it inside `writing`."""
    for step in STEPS[number_of(store, "user_version") : version]:
        for statement in step:
            store.connection.execute(statement)
    store.connection.execute(f"PRAGMA application_id = {APPLICATION}")
    store.connection.execute(f"PRAGMA user_version = {version}")


def _ready(store: Store, make: bool) -> None:
    """Check that the file is a store that this program knows, and bring it up to date."""
    with store.reading():  # one state: somebody else may be making the store right now
        version = _version(store, make)
    if version < VERSION:
        with store.writing():
            if _version(store, make) < VERSION:
                raise_to(store, VERSION)


def _version(store: Store, make: bool) -> int:
    mark, version = number_of(store, "application_id"), number_of(store, "user_version")
    used = store.connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if mark != APPLICATION and (mark or version or used):
        what = "this is a database, but no store of records."
        raise store.fault("", what, "Name the store with --store FILE.")
    if version > VERSION:
        what = f"the store has schema {version}, this program knows schemas up to {VERSION}."
        raise store.fault("", what, "Use the newer program that wrote it; nothing was changed.")
    if version == 0 and not make:
        raise store.fault("", "the store is empty.", KEEP_FIRST)
    return version


def _problem_of(path: Path, error: sqlite3.Error, wait_s: float) -> Problem:
    """Return what SQLite reports in words; whatever was being written has been taken back."""
    name = getattr(error, "sqlite_errorname", "")
    nothing = "nothing of this command was kept, what was there before is unharmed."
    known = {
        "SQLITE_NOTADB": ("this is no store of records.", "Name the store with --store FILE."),
        "SQLITE_BUSY": (
            f"another program has been writing for {wait_s:g} s; nothing of this command was kept.",
            "Run the command again once it is done.",
        ),
        "SQLITE_FULL": (f"the disk is full; {nothing}", "Make room and run the command again."),
        "SQLITE_IOERR": (f"the disk takes no more ({error}); {nothing}", "Make room, check the disk, try again."),
        "SQLITE_READONLY": ("the store or its folder cannot be written.", "Check the permissions."),
        "SQLITE_CANTOPEN": ("the store cannot be opened.", "Check the permissions of the file and its folder."),
        "SQLITE_CORRUPT": (f"the store is damaged ({error}).", RESTORE),
        "SQLITE_CONSTRAINT": (f"the record breaks a rule of the schema ({error}); {nothing}", "Correct it."),
    }
    for start, (what, step) in known.items():
        if name.startswith(start):
            return Problem(str(path), "", what, step)
    return Problem(str(path), "", f"the store cannot be used ({error}).", "Run 'tenside records check'.")
