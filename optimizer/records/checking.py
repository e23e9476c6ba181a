"""Whether a store is sound: the file, its references, photos, batch files, and what is indexed of them."""

import hashlib
import json
from collections.abc import Iterator
from datetime import date, datetime
from typing import Any

import tomli

from optimizer.bench.batch import batch_from
from optimizer.data.library import read_library
from optimizer.data.names import ids_of
from optimizer.errors import DataError, Problem
from optimizer.files import shipped
from optimizer.records.batches import used_of
from optimizer.records.schema import MEANINGS, TALLY, VERSION
from optimizer.records.store import RESTORE, Printed, Store, misread, seal_of

DAYS = (("test", "from_date"), ("due", "on_date"), ("sample", "on_date"), ("sample", "until"))
"""Columns that hold a day."""
DAY_COLUMNS = frozenset(column for _, column in DAYS)


class Soundness(Printed):
    """What a check of the store found."""

    store: str
    schema_version: int
    sound: bool
    rows: dict[str, int]
    """Rows by table."""
    faults: tuple[str, ...]


def check_store(store: Store) -> Soundness:
    """Check the whole store."""
    with store.reading():
        rows = {name: store.one(f"SELECT count(*) AS n FROM {name}")["n"] for name in MEANINGS}
        faults = tuple(str(p) for p in faults_of(store))
    return Soundness(store=str(store.path), schema_version=VERSION, sound=not faults, rows=rows, faults=faults)


def faults_of(store: Store) -> tuple[Problem, ...]:
    """Return what is wrong with the store, within the caller's transaction."""
    where = str(store.path)
    found = [
        Problem(where, "", f"{row[0]}.", RESTORE) for row in store.rows("PRAGMA integrity_check") if row[0] != "ok"
    ]
    misfits = list(_misfits(store))
    found += [Problem(where, key, what, RESTORE) for key, what in misfits]
    if any("changed since" not in what for _, what in misfits):
        return tuple(found)  # what follows works with these values
    found += [Problem(where, table, what, RESTORE) for table, what in _miscounted(store)]
    for row in store.rows("PRAGMA foreign_key_check"):
        found.append(Problem(where, row["table"], f"row {row['rowid']} points to a missing {row['parent']}.", RESTORE))
    for row in store.rows("SELECT id, sha256, bytes FROM photo ORDER BY id"):
        if hashlib.sha256(row["bytes"]).hexdigest() != row["sha256"]:
            found.append(Problem(where, f"photo {row['id']}", "its bytes are not those that were kept.", RESTORE))
    for row in store.rows("SELECT r.*, b.number FROM revision r JOIN batch b ON b.id = r.batch_id ORDER BY r.id"):
        key = f"batch {row['number']}, revision {row['revision']}"
        found += [Problem(where, key, what, RESTORE) for what in _of_revision(store, row)]
    found += [Problem(where, key, f"'{text}' is no date.", RESTORE) for key, text in _no_dates(store)]
    return tuple(found)


def _misfits(store: Store) -> Iterator[tuple[str, str]]:
    """Yield row and fault of every value of another kind and of every row that is not as it was sealed."""
    for table in MEANINGS:
        for number, row in enumerate(store.connection.execute(f"SELECT * FROM {table} ORDER BY 1, 2"), 1):
            values = dict(row)
            key = f"{table} {values.get('id', f'row {number}')}"
            wrong = [(n, misread(n, v)) for n, v in values.items() if n not in DAY_COLUMNS and misread(n, v)]
            yield from ((f"{key}.{name}", f"the store is damaged ({what}).") for name, what in wrong)
            if not wrong and values["seal"] and values["seal"] != seal_of(table, values):
                yield key, "the row was changed since it was kept."


def _miscounted(store: Store) -> Iterator[tuple[str, str]]:
    """Yield every table that has not the rows that were kept in it."""
    kept = {row["name"]: row["rows"] for row in store.rows(f"SELECT name, rows FROM {TALLY}")}
    for table in MEANINGS:
        there = store.one(f"SELECT count(*) AS n FROM {table}")["n"]
        if there != kept.get(table):
            yield table, f"{there} rows are there, {kept.get(table, 'none')} were kept."


def _of_revision(store: Store, row: Any) -> Iterator[str]:
    """Yield what is wrong with a batch file in the store or with what is indexed of it."""
    text = row["text"]
    if hashlib.sha256(text.encode()).hexdigest() != row["sha256"]:
        yield "its text is not the one that was kept."
        return
    try:
        json.loads(row["made"] or "null")
    except (ValueError, RecursionError):
        yield "its formula as made is not valid JSON."
    try:
        raw = tomli.loads(text)
    except (tomli.TOMLDecodeError, RecursionError):
        raw = {}
    if raw.get("batch") != row["number"]:
        yield "its text is not the batch file of this batch."
        return
    try:
        batch = batch_from(raw, row["file"])
    except DataError:  # written by another version of the program; the text is what counts
        return
    sql = "SELECT material, lot, grams FROM lot WHERE revision_id = ? AND stage = 'weighed' ORDER BY position"
    indexed = [(r["material"], r["lot"], r["grams"]) for r in store.rows(sql, row["id"])]
    stated = [(u.material, u.lot, u.grams) for u in used_of(batch) if u.stage == "weighed"]
    if len(indexed) != len(stated) or not all(map(_may_be, indexed, stated)):
        yield "the lots that are traced are not those of its text."


def _may_be(traced: tuple[str, str, float], told: tuple[str, str, float]) -> bool:
    """Return whether a lot that is traced may be one of the text, where another word may stand for the material."""
    (name, *rest), (word, *said) = traced, told
    if rest != said or name == word:
        return rest == said
    known = read_library([shipped("library")])
    return word not in known.by_id and ids_of([word], known.materials)[word] in (word, name)


def _no_dates(store: Store) -> Iterator[tuple[str, str]]:
    for table, column in DAYS:
        for row in store.rows(f"SELECT {column} AS day FROM {table}"):
            if not _is(date, row["day"]):
                yield f"{table}.{column}", row["day"]
    for row in store.rows("SELECT on_date AS day FROM result"):
        if not _is(datetime, row["day"]):
            yield "result.on_date", row["day"]


def _is(kind: type[date], text: str) -> bool:
    try:
        return kind.fromisoformat(text) is not None
    except ValueError:
        return False
