"""The whole store as plain files, and back: a folder of tables with photos, or one JSON file.

Putting back what was taken out gives the same store, row by row. Spreadsheets must not run what a supplier wrote: a
text that begins like a formula gets an apostrophe, and so does one that begins with an apostrophe, so that taking one
off gives the text back.
"""

import base64
import csv
import io
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Mapping
from math import isfinite
from pathlib import Path
from typing import Any

from optimizer.data.sheet import neutral
from optimizer.errors import DataError, fault
from optimizer.files import found_at, is_folder, read_bytes, unwritable, write_atomic, write_bytes_atomic
from optimizer.immutable import immutable
from optimizer.records.batches import LATEST, suffix_of
from optimizer.records.checking import faults_of
from optimizer.records.photos import LARGEST_PHOTO
from optimizer.records.schema import MEANINGS, STEPS, TALLY, VERSION
from optimizer.records.store import TYPES, Columns, Printed, Store, columns_at, raise_to

MANIFEST = "records.json"
MARK = "tenside_records"
"""Key that holds the schema; it tells an export from other files."""
MAX_IMPORT = 1_000_000_000
"""Largest file that is read back [bytes]."""
TRACE = (
    "batch", "revision", "product", "made_on", "bottles", "material", "lot", "supplier", "grams", "stage", "on_date",
)  # fmt: skip
"""Columns of the trace of lots."""

Rows = list[dict[str, Any]]


class Exchanged(Printed):
    """What was written, or put back."""

    path: str
    schema_version: int
    rows: dict[str, int]
    """Rows by table."""


def save(store: Store, path: Path) -> Exchanged:
    """Write the store: a name ending in .json as one file, in .csv the trace of lots alone, else as a folder.

    Raises:
        DataError: If the target exists or cannot be written.
    """
    if path.suffix.lower() == ".csv":
        return _save_trace(store, path)
    with store.reading():
        tables = {name: [dict(row) for row in store.rows(f"SELECT * FROM {name} ORDER BY 1, 2")] for name in MEANINGS}
    counts = {name: len(rows) for name, rows in tables.items()}
    if path.suffix.lower() == ".json":
        for photo in tables["photo"]:
            photo["bytes"] = base64.b64encode(photo["bytes"]).decode()
        write_atomic(path, json.dumps({MARK: VERSION, "tables": tables}, ensure_ascii=False, allow_nan=False, indent=1))
    else:
        _save_folder(path, tables, counts)
    return Exchanged(path=str(path), schema_version=VERSION, rows=counts)


def _save_folder(path: Path, tables: Mapping[str, Rows], counts: dict[str, int]) -> None:
    if found_at(path):
        raise fault(str(path), "", "the folder exists.", "Name another one or move this one.")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        draft = Path(tempfile.mkdtemp(dir=path.parent, prefix=f".{path.name}."))
        try:
            for photo in tables["photo"]:
                content = photo.pop("bytes")
                write_bytes_atomic(draft / "photos" / f"{photo['sha256']}{suffix_of(content)}", content)
            for name, columns in columns_at(VERSION).items():
                headings = [c for c in columns if c != "bytes"]
                write_atomic(draft / f"{name}.csv", _csv(headings, tables[name]))
            write_atomic(draft / MANIFEST, json.dumps({MARK: VERSION, "rows": counts}, indent=1))
            draft.chmod(0o755)
            os.rename(draft, path)
        finally:
            shutil.rmtree(draft, ignore_errors=True)
    except OSError as error:
        raise unwritable(path, error) from None


def _save_trace(store: Store, path: Path) -> Exchanged:
    sql = (
        "SELECT b.number AS batch, r.revision, r.product, r.made_on, r.bottles, l.material, l.lot, l.supplier, "
        f"l.grams, l.stage, l.on_date FROM {LATEST} JOIN lot l ON l.revision_id = r.id ORDER BY b.number, l.position"
    )
    with store.reading():
        rows = [dict(row) for row in store.rows(sql)]
    write_atomic(path, _csv(TRACE, rows))
    return Exchanged(path=str(path), schema_version=VERSION, rows={"lot": len(rows)})


def _csv(headings: Iterable[str], rows: Rows) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, quoting=csv.QUOTE_NONNUMERIC, lineterminator="\n")
    writer.writerow(headings)
    writer.writerows([_cell(value) for value in row.values()] for row in rows)
    return stream.getvalue()


def _cell(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    return f"'{value}" if value.startswith("'") else neutral(value)


def _text(cell: str) -> str:
    return cell[1:] if cell.startswith("'") else cell


@immutable
class Export:
    """An export, read but not checked: tables of the schema `version`."""

    path: Path
    version: int
    tables: dict[str, Rows]


def read_export(path: Path) -> Export:
    """Read a folder or a .json file that `save` wrote.

    Raises:
        DataError: If it is none, of a newer schema, or cut short.
    """
    if path.suffix.lower() == ".csv":
        raise fault(str(path), "", "a trace of lots is not the whole store.", "Import a folder or a .json export.")
    return Export(path, *(_read_folder(path) if is_folder(path) else _read_json(path)))


def put_back(store: Store, export: Export) -> Exchanged:
    """Put an export into a store that holds nothing yet; one of an older schema is brought up to date.

    Raises:
        DataError: If the store holds anything or the export is unsound; the store is then as it was.
    """
    with store.writing():
        if any(store.rows(f"SELECT 1 FROM {name} LIMIT 1") for name in MEANINGS):
            raise store.fault("", "the store holds records already.", "Name a new store with --store FILE.")
        if export.version < VERSION:
            _start_over(store, export.version)
        for name, columns in columns_at(export.version).items():
            for number, row in enumerate(export.tables[name], 1):
                store.put(name, **_checked(f"{export.path}, {name}, row {number}", row, columns))
        raise_to(store, VERSION)
        bad = faults_of(store)
        if bad:
            raise DataError(bad)
    rows = {name: len(table) for name, table in export.tables.items()}
    return Exchanged(path=str(export.path), schema_version=export.version, rows=rows)


def _start_over(store: Store, version: int) -> None:
    """Lay the empty tables of an older schema in place of the newest."""
    for name in (TALLY, *reversed(MEANINGS)):
        store.connection.execute(f"DROP TABLE {name}")
    store.connection.execute("PRAGMA user_version = 0")
    raise_to(store, version)


def _checked(where: str, row: Any, columns: Columns) -> dict[str, Any]:
    """Return a row whose values have the types of the schema."""
    if not isinstance(row, dict) or set(row) != set(columns):
        raise fault(where, "", f"the columns are not {', '.join(columns)}.", "Export again.")
    for name, value in row.items():
        kind, empty = columns[name]
        sound = isinstance(value, TYPES[kind]) and not isinstance(value, bool)
        if sound and isinstance(value, float):
            sound = isfinite(value)
        if not (sound or (value is None and empty)):
            raise fault(where, name, f"{value!r:.60} cannot stand here.", "Export again.")
    return row


def _version_of(where: str, kept: Any) -> int:
    version = kept.get(MARK) if isinstance(kept, dict) else None
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise fault(where, MARK, "this is no export of a store.", "Name a folder or .json that 'records export' wrote.")
    if version > len(STEPS):
        what = f"the export has schema {version}, this program knows schemas up to {VERSION}."
        raise fault(where, MARK, what, "Use the newer program that wrote it.")
    return version


def _parsed(path: Path) -> Any:
    try:
        return json.loads(read_bytes(path, MAX_IMPORT))
    except (ValueError, RecursionError):
        raise fault(str(path), "", "this is not valid JSON.", "Export again; was the copy cut short?") from None


def _read_json(path: Path) -> tuple[int, dict[str, Rows]]:
    kept = _parsed(path)
    version = _version_of(str(path), kept)
    tables, known = kept.get("tables"), columns_at(version)
    lists = isinstance(tables, dict) and all(isinstance(rows, list) for rows in tables.values())
    if not lists or set(tables) != set(known):
        raise fault(str(path), "tables", f"the tables are not {', '.join(known)}.", "Export again.")
    for photo in tables["photo"]:
        try:
            photo["bytes"] = base64.b64decode(photo["bytes"], validate=True)
        except (ValueError, TypeError, KeyError):
            raise fault(str(path), "tables.photo", "a photo is damaged.", "Export again.") from None
    return version, tables


def _read_folder(path: Path) -> tuple[int, dict[str, Rows]]:
    kept = _parsed(path / MANIFEST)
    version = _version_of(str(path / MANIFEST), kept)
    tables: dict[str, Rows] = {}
    for name, columns in columns_at(version).items():
        table = path / f"{name}.csv"
        rows = _read_csv(table)
        if not isinstance(kept.get("rows"), dict) or kept["rows"].get(name) != len(rows):
            what = f"{len(rows)} rows, not those that were exported."
            raise fault(str(table), "", what, "Was the copy cut short? Export again.")
        tables[name] = [_typed(f"{table}, row {n}", row, columns) for n, row in enumerate(rows, 2)]
    for photo in tables["photo"]:
        name = str(photo.get("sha256"))
        if len(name) != 64 or not set(name) <= set("0123456789abcdef"):
            raise fault(str(path / "photo.csv"), "sha256", f"{name!r:.60} is no SHA-256.", "Export again.")
        found = sorted((path / "photos").glob(f"{name}.*"))
        photo["bytes"] = read_bytes(found[0] if found else path / "photos" / name, LARGEST_PHOTO)
    return version, tables


def _typed(where: str, row: Mapping[str, str], columns: Columns) -> dict[str, Any]:
    """Return cells as values of their columns' types; a column that is not known stays text and is refused later."""
    readers: dict[str, Callable[[str], Any]] = {"INTEGER": int, "REAL": float}
    found: dict[str, Any] = {}
    for name, cell in row.items():
        read = readers.get(columns.get(name, ("TEXT", False))[0])
        try:
            found[name] = _text(cell) if read is None else read(cell) if cell else None
        except ValueError:
            raise fault(where, name, f"'{cell:.60}' is no number.", "Export again.") from None
    return found


def _read_csv(path: Path) -> list[dict[str, str]]:
    csv.field_size_limit(MAX_IMPORT)
    try:
        text = read_bytes(path, MAX_IMPORT).decode("utf-8")
        headings, *rows = csv.reader(io.StringIO(text, newline=""), strict=True)
        return [dict(zip(headings, row, strict=True)) for row in rows]
    except (ValueError, csv.Error):
        raise fault(str(path), "", "this is not the table that was exported.", "Export again.") from None
