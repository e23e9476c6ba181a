"""The store under stress: many writers, kills in mid-write, full disks, old and new schemas, out and back again."""

from __future__ import annotations

import csv
import json
import os
import random
import resource
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from hashlib import sha256
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimizer.bench.batch import Observation, batch_from
from optimizer.errors import DataError
from optimizer.files import toml_of
from optimizer.records.batches import Incoming, Photo, incoming_of, keep, note, put_away, used_of
from optimizer.records.calendar import add_result, lay, strike
from optimizer.records.checking import check_store
from optimizer.records.exchange import put_back, read_export, save
from optimizer.records.lots import lots_of, where_lot
from optimizer.records.overview import overview, shown
from optimizer.records.schema import APPLICATION, MEANINGS, VERSION
from optimizer.records.store import Store, open_store
from tests.support import draws
from tests.support.harbour import PNG, batch_file, weighed

DAY = "2026-03-05"
CI = settings(draws.CI, suppress_health_check=list(HealthCheck), max_examples=draws.drawn(10, of=30))
MEMORY = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
"""Folder in memory for what only asks whether values survive: syncing a disk takes most of the time."""
HERE = Path(__file__).resolve().parent

WRITER = """
import sys
from pathlib import Path
from optimizer.bench.batch import Observation
from optimizer.records.batches import incoming_of, keep, note
from optimizer.records.store import open_store
store, name, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
folder = store.parent
print("ready", flush=True)
for k in range(count):
    (folder / f"{name}.png").write_bytes(b"\\x89PNG\\r\\n\\x1a\\n" + f"{name} {k} ".encode() * 9000)
    with open_store(store, make=True, wait_s=60) as opened:
        note(opened, "12", Observation(what=name, value=k, photo=f"{name}.png"), folder)
    print(k, flush=True)
"""
"""Notes with photos of about 60 kB, each told once it is acknowledged."""

KEEPER = """
import sys
from pathlib import Path
from optimizer.records.batches import incoming_of, keep
from optimizer.records.store import open_store
store, name, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
text = (store.parent / "batch-12.toml").read_text()
for k in range(count):
    path = store.parent / f"{name}.toml"
    path.write_text(text + f"# {name} {k}\\n")
    with open_store(store, make=True, wait_s=60) as opened:
        print(keep(opened, incoming_of(path), "2026-03-05").revision, flush=True)
"""


def start(script: str, *args: str | Path, **more: Any) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", script, *map(str, args)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **more)


def laid(folder: Path) -> Path:
    """Return a store with batch 12."""
    path = folder / "records.db"
    with open_store(path, make=True) as store:
        keep(store, incoming_of(batch_file(folder, "12", weighed("aqua", 800, "W-1"))), DAY)
    return path


def sound(path: Path) -> None:
    """Check the file with SQLite itself and with the program."""
    with closing(sqlite3.connect(path)) as plain:
        assert plain.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    with open_store(path) as store:
        assert check_store(store).faults == ()


# --- Writers ------------------------------------------------------------------------------------------------


@pytest.mark.thorough
def test_writers_at_the_same_time_lose_nothing(tmp_path: Path) -> None:
    path, each = laid(tmp_path), 15
    writers = [start(WRITER, path, name, each) for name in ("foam", "feel")]
    keepers = [start(KEEPER, path, name, each) for name in ("left", "right")]
    told = [p.communicate(timeout=120) for p in (*writers, *keepers)]
    assert [p.returncode for p in (*writers, *keepers)] == [0] * 4, told
    with open_store(path) as store:
        seen = shown(store, "12")
        for name in ("foam", "feel"):
            assert sorted(o.value for o in seen.observations if o.what == name and o.noted) == list(range(each))
        # two keepers number the revisions of one batch: none twice, none missing
        revisions = sorted(int(line) for out, _ in told[2:] for line in out.split())
        assert revisions == list(range(2, 2 + 2 * each))
        assert seen.revisions == 1 + 2 * each
    sound(path)


@pytest.mark.slow
def test_a_store_is_made_once_by_many(tmp_path: Path) -> None:
    batch_file(tmp_path, "12")
    path = tmp_path / "new.db"
    keepers = [start(KEEPER, path, name, 3) for name in ("a", "b", "c", "d")]
    told = [p.communicate(timeout=60) for p in keepers]
    assert [p.returncode for p in keepers] == [0] * 4, told
    with open_store(path) as store:
        assert shown(store, "12").revisions == 12


def test_a_locked_store_is_told(tmp_path: Path) -> None:
    path = laid(tmp_path)
    with open_store(path) as holder, holder.writing():
        began = time.monotonic()
        with pytest.raises(DataError, match="another program has been writing"), open_store(path, wait_s=0.2) as store:
            put_away(store, "12", DAY, "box", "2028-03-05", None, "")
        assert time.monotonic() - began >= 0.15
        with open_store(path) as reader:  # readers need not wait for what is not yet written
            assert overview(reader).batches[0].batch == "12"
    with open_store(path) as store:
        assert shown(store, "12").samples == ()


# --- Kills --------------------------------------------------------------------------------------------------


@pytest.mark.thorough
@pytest.mark.parametrize("seed", range(draws.drawn(2, of=6)))
def test_a_kill_in_mid_write_loses_nothing(tmp_path: Path, seed: int) -> None:
    # the writers spend nearly all their time inside writes, so that random moments hit them
    path = laid(tmp_path)
    draw = random.Random(seed)
    writers = {name: start(WRITER, path, name, 1000) for name in ("foam", "feel")}
    for writer in writers.values():
        assert writer.stdout is not None
        assert writer.stdout.readline() == "ready\n"
    time.sleep(draw.uniform(0.02, 0.4))
    for writer in writers.values():
        writer.send_signal(signal.SIGKILL)
        time.sleep(draw.uniform(0, 0.05))
    with closing(sqlite3.connect(path)) as plain:
        assert plain.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    with open_store(path) as store:
        seen = shown(store, "12").observations
    for name, writer in writers.items():
        with writer:
            assert writer.stdout is not None
            acknowledged = [int(line) for line in writer.stdout]
        values = [o.value for o in seen if o.what == name]
        # each acknowledged write is there, and at most one more that was not told any more
        assert values == list(range(len(values)))
        assert len(acknowledged) <= len(values) <= len(acknowledged) + 1
        for o in seen:
            if o.what == name:
                content = PNG + f"{name} {int(o.value or 0)} ".encode() * 9000
                assert o.photo_sha256 == sha256(content).hexdigest()
    sound(path)


TORN = """
import os, signal, sys
from pathlib import Path
from optimizer.records.store import open_store
with open_store(Path(sys.argv[1])) as store:
    store.connection.execute("PRAGMA cache_size = 1")
    with store.writing():
        for k in range(400):
            store.put("photo", sha256=f"torn {k}", bytes=b"x" * 5000)
        os.kill(os.getpid(), signal.SIGKILL)
"""
"""Writes half of a change into the file itself, then dies."""


def test_a_torn_file_is_mended_when_it_is_opened(tmp_path: Path) -> None:
    path = laid(tmp_path)
    before = path.read_bytes()
    torn = start(TORN, path)
    torn.communicate(timeout=60)
    assert torn.returncode == -signal.SIGKILL
    assert len(path.read_bytes()) > len(before) + 1_000_000
    assert Path(f"{path}-journal").stat().st_size > 0
    with open_store(path) as store:
        assert store.rows("SELECT count(*) AS n FROM photo")[0]["n"] == 0
        assert shown(store, "12").revision == 1
    assert path.read_bytes() == before
    sound(path)


# --- Full disks ---------------------------------------------------------------------------------------------


def big(folder: Path, kilobytes: int) -> Incoming:
    """Return batch 13 with a photo of a size."""
    (folder / "big.png").write_bytes(PNG + b"x" * kilobytes * 1000)
    seen = '\n[[observation]]\nwhat = "foam"\nphoto = "big.png"\n'
    return incoming_of(batch_file(folder, "13", weighed("aqua", 1, "W-1"), seen))


def test_a_store_that_cannot_grow(tmp_path: Path) -> None:
    path = laid(tmp_path)
    before = path.read_bytes()
    taken, full = big(tmp_path, 400), "the disk is full; nothing of this command was kept"
    with open_store(path) as store:
        pages = store.rows("PRAGMA page_count")[0][0]

        def keep_in_no_room() -> None:
            with open_store(path) as narrow:
                narrow.rows(f"PRAGMA max_page_count = {pages + 20}")
                keep(narrow, taken, DAY)

        with pytest.raises(DataError, match=full):
            keep_in_no_room()
    assert path.read_bytes() == before
    with open_store(path) as store:
        assert [b.batch for b in overview(store).batches] == ["12"]
        assert keep(store, taken, DAY).revision == 1  # there is room again


FULL = """
import sys
from pathlib import Path
from optimizer.errors import DataError
from optimizer.records.batches import incoming_of, keep
from optimizer.records.store import open_store
try:
    with open_store(Path(sys.argv[1]), make=True) as store:
        keep(store, incoming_of(Path(sys.argv[2])), "2026-03-05")
except DataError as error:
    print(error)
    sys.exit(3)
"""


def test_a_limit_on_the_size_of_files(tmp_path: Path) -> None:
    path = laid(tmp_path)
    before, room = path.read_bytes(), path.stat().st_size + 50_000
    big(tmp_path, 400)

    def narrow() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))

    done = start(FULL, path, tmp_path / "batch-13.toml", preexec_fn=narrow)
    out, err = done.communicate(timeout=60)
    assert (done.returncode, err) == (3, "")
    assert "the disk takes no more" in out
    assert "nothing of this command was kept" in out
    assert path.read_bytes() == before
    sound(path)


@pytest.mark.thorough
def test_a_full_file_system(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    big(tmp_path, 900)
    batch_file(tmp_path, "12", weighed("aqua", 800, "W-1"))
    python = f"{sys.executable} -c '{FULL}'"
    script = (
        f"mount -t tmpfs -o size=600k none {disk} || exit 77; cp {tmp_path}/batch-12.toml {disk}; "
        f"{python} {disk}/records.db {disk}/batch-12.toml || exit 1; sha256sum < {disk}/records.db; "
        f"{python} {disk}/records.db {tmp_path}/batch-13.toml; echo code $?; sha256sum < {disk}/records.db; ls {disk}; "
        f"dd if=/dev/zero of={disk}/rest bs=1k 2>/dev/null; {python} {disk}/new.db {disk}/batch-12.toml; echo code $?"
    )
    try:
        done = subprocess.run(["unshare", "-m", "sh", "-c", script], capture_output=True, text=True, check=False)
    except FileNotFoundError:
        pytest.skip("no unshare here")
    if done.returncode == 77 or "unshare" in done.stderr:
        pytest.skip("no file system may be mounted here")
    lines = done.stdout.splitlines()
    sums = [line for line in lines if line.endswith("  -")]
    assert len(sums) == 2
    assert sums[0] == sums[1]
    assert "the disk is full; nothing of this command was kept" in lines[1]
    assert lines.count("code 3") == 2
    assert [line for line in lines if line.endswith((".db", ".toml", "journal"))] == ["batch-12.toml", "records.db"]


# --- Schemas ------------------------------------------------------------------------------------------------


def first_schema(path: Path) -> None:
    """Write a store of schema 1, as the program of then wrote it."""
    with closing(sqlite3.connect(path)) as plain:
        plain.executescript((HERE / "records_schema_1.sql").read_text(encoding="utf-8"))


def test_a_store_of_the_first_schema_is_brought_up_to_date(tmp_path: Path) -> None:
    path, old = tmp_path / "records.db", sqlite3.connect(":memory:")
    first_schema(path)
    with closing(old):
        old.executescript((HERE / "records_schema_1.sql").read_text(encoding="utf-8"))
        with open_store(path) as store:
            assert store.rows("PRAGMA user_version")[0][0] == VERSION
            for table in set(MEANINGS) - {"struck", "fact"}:
                before = old.execute(f"SELECT * FROM {table}").fetchall()
                after = [tuple(r) for r in store.rows(f"SELECT * FROM {table}")]
                new = ("", "") if table == "revision" else ("",)  # made and seal, seal alone
                assert after == [(*row, *new) for row in before]
            assert where_lot(store, "W-1").batches[0].supplier == "Harbour waterworks"
            reading = lay(store, "11", "", "2026-03-01").tests[0].readings[0]
            assert (reading.value, strike(store, reading.number, DAY, "x").tests[0].readings[0].struck) == (5.1, "x")
    sound(path)


@pytest.mark.slow
def test_many_may_open_an_old_store_at_once(tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    first_schema(path)
    batch_file(tmp_path, "12")
    keepers = [start(KEEPER, path, name, 2) for name in ("a", "b", "c")]
    told = [p.communicate(timeout=60) for p in keepers]
    assert [p.returncode for p in keepers] == [0] * 3, told
    sound(path)


def test_a_failed_step_leaves_the_old_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "records.db"
    first_schema(path)
    before = path.read_bytes()
    steps = ((), ("ALTER TABLE revision ADD COLUMN made TEXT", "CREATE TABLE batch (id INTEGER)"))
    monkeypatch.setattr("optimizer.records.store.STEPS", steps)
    with pytest.raises(DataError, match="table batch already exists"), open_store(path):
        pass
    assert path.read_bytes() == before


def test_a_newer_store_is_refused(tmp_path: Path) -> None:
    path = laid(tmp_path)
    with closing(sqlite3.connect(path)) as plain:
        plain.execute(f"PRAGMA user_version = {VERSION + 1}")
    before = path.read_bytes()
    for make in (False, True):
        with pytest.raises(DataError, match=f"has schema {VERSION + 1}"), open_store(path, make=make):
            pass
    assert path.read_bytes() == before


@pytest.mark.parametrize("pragma", ["", "user_version = 2", "application_id = 7"])
def test_another_database_is_left_alone(tmp_path: Path, pragma: str) -> None:
    path = tmp_path / "other.db"
    with closing(sqlite3.connect(path)) as plain:
        plain.execute("CREATE TABLE batch (id INTEGER)")
        if pragma:
            plain.execute(f"PRAGMA {pragma}")
    before = path.read_bytes()
    with pytest.raises(DataError, match="no store of records"), open_store(path, make=True):
        pass
    assert path.read_bytes() == before


def test_a_store_has_the_mark_and_the_safest_settings(tmp_path: Path) -> None:
    with open_store(laid(tmp_path)) as store:
        asked = ("application_id", "foreign_keys", "synchronous", "journal_mode")
        assert [store.rows(f"PRAGMA {p}")[0][0] for p in asked] == [APPLICATION, 1, 3, "delete"]
        with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
            store.put("due", test_id=99, on_date=DAY)


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        ("UPDATE revision SET text = text || '#'", "its text is not the one that was kept"),
        ("UPDATE lot SET lot = 'W-2'", "the lots that are traced are not those of its text"),
        ("UPDATE batch SET number = '21' WHERE number = '12'", "not the batch file of this batch"),
        ("UPDATE photo SET bytes = x'00'", "not those that were kept"),
        ("UPDATE test SET from_date = 'soon'", "'soon' is no date"),
        ("DELETE FROM batch", "points to a missing batch"),
    ],
)
def test_the_check_finds_damage(tmp_path: Path, damage: str, words: str) -> None:
    path = laid(tmp_path)
    with open_store(path) as store:
        keep(store, big(tmp_path, 1), DAY)
        lay(store, "12", "", DAY)
        assert check_store(store).sound
    with closing(sqlite3.connect(path)) as plain:
        for (trigger,) in plain.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            plain.execute(f"DROP TRIGGER {trigger}")
        plain.execute(damage)
        plain.commit()
    with open_store(path) as store:
        found = check_store(store)
    assert not found.sound
    assert words in " ".join(found.faults)


def test_a_damaged_file_is_told(tmp_path: Path) -> None:
    path = laid(tmp_path)
    content = bytearray(path.read_bytes())
    content[4096:] = b"\xff" * (len(content) - 4096)
    path.write_bytes(content)
    with pytest.raises(DataError, match="damaged"), open_store(path) as store:
        overview(store)


# --- Out and back again -------------------------------------------------------------------------------------

TEXT = st.text(st.characters(exclude_categories=("Cs",)), max_size=12) | st.sampled_from(
    ["=1+2", "+1", "-1", "@x", "\t", "\r", "\r\n", "'", "''=", '"', ",", ";", "\x00", "\ufeff", "1e9", "NULL"]
)
NAME = TEXT.filter(bool)
REAL = st.floats(-1e18, 1e18)
AMOUNT = st.floats(0, 1e9)
WEIGHED = st.fixed_dictionaries({"material": st.sampled_from(["aqua", "parfum"]), "grams": AMOUNT, "lot": TEXT})
BATCH = st.fixed_dictionaries({"batch": NAME, "product": TEXT, "weighed": st.lists(WEIGHED, max_size=3)})
PICTURE = st.binary(max_size=40).filter(lambda drawn: b"Exif" not in drawn)  # that would say where it was taken
NOTE = st.tuples(NAME.filter(lambda what: what.lower() != "ph"), st.none() | REAL, TEXT, st.none() | PICTURE)


def everything(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    return {name: [tuple(r) for r in store.rows(f"SELECT * FROM {name} ORDER BY 1, 2")] for name in MEANINGS}


def fill(store: Store, batches: list[Any], notes: list[Any], values: list[float], said: str) -> None:
    import tomlkit

    for batch in batches:
        text = tomlkit.dumps({**batch, "brief": "x", "size_g": 1.0, "line": [{"material": "aqua", "percent": 100.0}]})
        sound_batch = batch_from(toml_of(text, ""), "")
        keep(store, Incoming(sound_batch, f"{said}.toml", text, used_of(sound_batch), {}), DAY, made={said: values})
        number = sound_batch.batch
        for what, value, words, picture in notes:
            photo = None if picture is None else PNG + picture
            seen = Observation(what=what, value=value, text=words, photo="" if photo is None else "p.png")
            if photo is not None:
                (store.path.parent / "p.png").write_bytes(photo)
            note(store, number, seen, store.path.parent)
        put_away(store, number, DAY, f"box{said}", "2028-03-05", None, said)
        lay(store, number, DAY, DAY)
        for value in values:
            add_result(store, number, "ph-4c", DAY, value % 14, None, said)
        if values:
            last = store.rows("SELECT max(id) AS n FROM result")[0]["n"]
            strike(store, last, DAY, f"slip {said}")
    row = store.put(
        "master", name=f"m{said}", version=1, on_date=DAY, why=said, brief=said, currency="EUR", held_back_percent=0.1
    )
    store.put("dose", master_id=row, material="aqua", percent=99.9)


@pytest.mark.thorough
@CI
@given(
    st.lists(BATCH, max_size=3, unique_by=lambda b: b["batch"]),
    st.lists(NOTE, max_size=3),
    st.lists(REAL, max_size=3),
    TEXT,
)
def test_out_and_back_is_the_identity(batches: list[Any], notes: list[Any], values: list[float], said: str) -> None:
    with TemporaryDirectory(dir=MEMORY) as name:
        folder = Path(name)
        with open_store(folder / "records.db", make=True) as store:
            fill(store, batches, notes, values, said)
            before = everything(store)
            for out in (folder / "out", folder / "out.json"):
                save(store, out)
                with open_store(folder / f"{out.name}.db", make=True) as again:
                    put_back(again, read_export(out))
                    assert everything(again) == before
                    save(again, folder / f"again-{out.name}")
            assert (folder / "again-out.json").read_bytes() == (folder / "out.json").read_bytes()
            for table in (folder / "out").glob("*.csv"):
                assert (folder / "again-out" / table.name).read_bytes() == table.read_bytes()


@CI
@given(TEXT)
def test_no_cell_of_a_table_begins_like_a_formula(said: str) -> None:
    with TemporaryDirectory(dir=MEMORY) as name:
        folder = Path(name)
        with open_store(folder / "records.db", make=True) as store:
            fill(
                store,
                [{"batch": said or "x", "product": said, "weighed": []}],
                [(said or "x", 1.0, said, None)],
                [],
                said,
            )
            save(store, folder / "out")
            save(store, folder / "trace.csv")
        for table in [*(folder / "out").glob("*.csv"), folder / "trace.csv"]:
            with table.open(encoding="utf-8", newline="") as stream:
                cells = [cell for row in csv.reader(stream) for cell in row]
            assert not [c for c in cells if c.startswith(("=", "+", "-", "@", "\t", "\r"))]


def exported(folder: Path) -> Path:
    with open_store(laid(folder)) as store:
        lay(store, "12", "", DAY)
        save(store, folder / "out.json")
        save(store, folder / "out")
    return folder / "out.json"


def test_an_export_of_the_first_schema_comes_back(tmp_path: Path) -> None:
    # the tables of schema 1, written as an export of then would be
    with closing(sqlite3.connect(":memory:")) as plain:
        plain.row_factory = sqlite3.Row
        plain.executescript((HERE / "records_schema_1.sql").read_text(encoding="utf-8"))
        names = sorted(set(MEANINGS) - {"struck", "fact"})
        tables = {name: [dict(r) for r in plain.execute(f"SELECT * FROM {name}")] for name in names}
    old = tmp_path / "old.json"
    old.write_text(json.dumps({"tenside_records": 1, "tables": tables}), encoding="utf-8")
    with open_store(tmp_path / "records.db", make=True) as store:
        assert put_back(store, read_export(old)).schema_version == 1
        assert lots_of(store, "11").lots[0].lot == "W-1"
    sound(tmp_path / "records.db")


def test_nothing_is_put_over_what_is_there(tmp_path: Path) -> None:
    out = exported(tmp_path)
    with open_store(tmp_path / "records.db") as store:
        before = everything(store)
        with pytest.raises(DataError, match="holds records already"):
            put_back(store, read_export(out))
        for target in (tmp_path / "out", tmp_path / "out.json"):
            with pytest.raises(DataError, match="exists"):
                save(store, target)
        assert everything(store) == before


Tamper = Callable[[Any], Any]


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda x: x.update(tenside_records=VERSION + 1), "knows schemas up to"),
        (lambda x: x.pop("tenside_records"), "no export of a store"),
        (lambda x: x["tables"].pop("lot"), "the tables are not"),
        (lambda x: x["tables"]["lot"].append(7), "the columns are not"),
        (lambda x: x["tables"]["lot"][0].update(more=1), "the columns are not"),
        (lambda x: x["tables"]["lot"][0].update(grams="much"), "cannot stand here"),
        (lambda x: x["tables"]["lot"][0].update(grams=True), "cannot stand here"),
        (lambda x: x["tables"]["lot"][0].update(lot=None), "cannot stand here"),
        (lambda x: x["tables"]["lot"][0].update(grams=-1), "breaks a rule of the schema"),
        (lambda x: x["tables"]["lot"][0].update(lot="W-9"), "traced are not those of its text"),
        (lambda x: x["tables"]["lot"][0].update(position=2**70), "cannot be kept"),
        (lambda x: x["tables"]["lot"][0].update(revision_id=99), "breaks a rule of the schema"),
        (lambda x: x["tables"]["revision"][0].update(text="x"), "not the one that was kept"),
        (lambda x: x["tables"]["revision"][0].update(made="{"), "as made is not valid JSON"),
        (lambda x: x["tables"]["test"][0].update(from_date="soon"), "is no date"),
        (
            lambda x: x["tables"]["photo"].append({"id": 1, "sha256": "00", "bytes": "eA==", "seal": ""}),
            "not those that were kept",
        ),
        (lambda x: x["tables"]["photo"].append({"id": 1, "sha256": "00", "bytes": "?"}), "a photo is damaged"),
        (lambda x: x["tables"]["batch"][0].update(number="\ud800"), "cannot be kept"),
    ],
)
def test_an_unsound_export_is_refused_as_a_whole(tmp_path: Path, change: Tamper, words: str) -> None:
    out = exported(tmp_path)
    taken = json.loads(out.read_text(encoding="utf-8"))
    change(taken)
    out.write_text(json.dumps(taken), encoding="utf-8")
    with pytest.raises(DataError) as error, open_store(tmp_path / "new.db", make=True) as store:
        put_back(store, read_export(out))
    assert words in str(error.value)
    if (tmp_path / "new.db").exists():
        with open_store(tmp_path / "new.db") as store:
            assert not any(everything(store).values())


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda p: (p / "lot.csv").write_text("", encoding="utf-8"), "not the table that was exported"),
        (lambda p: (p / "due.csv").write_bytes((p / "due.csv").read_bytes()[:-30]), "not"),
        (lambda p: (p / "test.csv").unlink(), "no such file"),
        (lambda p: (p / "photo.csv").write_text('"id","sha256"\n1,"../../secret"\n'), "Was the copy cut short"),
        (lambda p: (p / "records.json").unlink(), "no such file"),
    ],
)
def test_a_folder_that_was_cut_short_is_refused(tmp_path: Path, change: Tamper, words: str) -> None:
    exported(tmp_path)
    change(tmp_path / "out")
    with pytest.raises(DataError) as error:
        read_export(tmp_path / "out")
    assert words in str(error.value)


def test_a_photo_of_an_export_lies_in_its_folder(tmp_path: Path) -> None:
    exported(tmp_path)
    (tmp_path / "secret").write_bytes(PNG)
    (tmp_path / "out" / "photo.csv").write_text('"id","sha256"\n1,"../../secret"\n', encoding="utf-8")
    manifest = tmp_path / "out" / "records.json"
    kept = json.loads(manifest.read_text(encoding="utf-8"))
    kept["rows"]["photo"] = 1
    manifest.write_text(json.dumps(kept), encoding="utf-8")
    with pytest.raises(DataError, match="is no SHA-256"):
        read_export(tmp_path / "out")


def test_photos_come_out_as_pictures(tmp_path: Path) -> None:
    with open_store(laid(tmp_path)) as store:
        taken = big(tmp_path, 3)
        keep(store, taken, DAY)
        save(store, tmp_path / "out")
    photo: Photo = taken.photos["big.png"]
    assert (tmp_path / "out" / "photos" / f"{photo.sha256}.png").read_bytes() == photo.content
