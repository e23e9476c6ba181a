"""Damaged stores of records: every command tells the damage, and no changed figure passes as sound."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from optimizer.errors import DataError
from optimizer.records.store import open_store
from tests.support.harbour import batch_file, weighed
from tests.support.hostile import ask, broken_by, damages, misfits

DAY = "2026-03-05"


@cache
def sound() -> bytes:
    """Return a small store with a batch, its tests and readings, a sample and a master formula."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        store = ("--store", str(folder / "records.db"))
        path = batch_file(folder, "B1", weighed("aqua", 800, "W1"), weighed("cocamidopropyl-betaine", 200, "C1"))
        for args in (
            ("keep", str(path)),
            ("tests", "B1"),
            ("result", "B1", "ph-4c", "--value", "5.1"),
            ("result", "B1", "ph-4c", "--value", "5.2", "--on", "2026-03-09"),
            ("note", "B1", "--what", "foam", "--value", "3", "--unit", "judged"),
            ("sample", "B1", "--place", "shelf"),
        ):
            answer = ask("records", *args, *store, *(() if "--on" in args else ("--on", DAY)))
            assert answer.code == 0, answer
        with open_store(folder / "records.db") as opened, opened.writing():
            row = opened.put(
                "master",
                name="wash",
                version=1,
                on_date=DAY,
                why="first",
                brief="b",
                currency="EUR",
                held_back_percent=0.0,
            )
            opened.put("dose", master_id=row, material="aqua", percent=100.0)
        return (folder / "records.db").read_bytes()


@pytest.mark.slow
def test_random_damage_is_told(tmp_path: Path) -> None:
    for change in damages(sound(), seed=4, count=40):
        assert not broken_by(tmp_path, sound(), change)


@pytest.mark.slow
def test_values_of_another_kind_are_told(tmp_path: Path) -> None:
    for column, change in misfits(seed=4, count=60):
        assert not broken_by(tmp_path, sound(), change), (column, change)


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE dose SET percent = 12",
        "UPDATE master SET version = 7",
        "UPDATE lot SET grams = 801 WHERE material = 'aqua'",
        "UPDATE lot SET supplier = 'somebody else'",
        "UPDATE revision SET mass_g = 900",
        "UPDATE revision SET made_on = '2026-03-02'",
        "UPDATE observation SET value = 5",
        "UPDATE sample SET until = '2027-01-01'",
        "UPDATE test SET high = 9 WHERE name = 'ph-4c'",
        "UPDATE result SET value = 5.2",
        "UPDATE due SET on_date = '2026-03-08' WHERE on_date = (SELECT min(on_date) FROM due)",
    ],
)
def test_changed_figures_do_not_pass_as_sound(tmp_path: Path, change: str) -> None:
    path = tmp_path / "records.db"
    path.write_bytes(sound())
    assert ask("records", "check", "--store", str(path)).code == 0
    with closing(sqlite3.connect(path, isolation_level=None)) as plain:
        for (name,) in plain.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            plain.execute(f"DROP TRIGGER {name}")
        plain.execute(change)
    answer = ask("records", "check", "--store", str(path))
    assert answer.code == 3
    assert "the row was changed since it was kept" in " ".join(answer.out.split())


@pytest.mark.parametrize(
    ("table", "change"),
    [
        ("result", "DELETE FROM result WHERE value = 5.2"),
        ("observation", "DELETE FROM observation"),
        ("sample", "DELETE FROM sample"),
        ("due", "DELETE FROM due WHERE on_date = (SELECT max(on_date) FROM due)"),
        ("dose", "DELETE FROM dose"),
        ("sample", "INSERT INTO sample SELECT id + 1, batch_id, on_date, 'cellar', until, NULL, '', '' FROM sample"),
        ("result", "UPDATE tally SET rows = 9 WHERE name = 'result'"),
        ("lot", "DELETE FROM tally WHERE name = 'lot'"),
    ],
)
def test_rows_that_others_took_or_put_do_not_pass_as_sound(tmp_path: Path, table: str, change: str) -> None:
    path = tmp_path / "records.db"
    path.write_bytes(sound())
    with closing(sqlite3.connect(path, isolation_level=None)) as plain:
        for (name,) in plain.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            plain.execute(f"DROP TRIGGER {name}")
        plain.execute(change)
    answer = ask("records", "check", "--store", str(path))
    assert answer.code == 3
    told = " ".join(answer.out.split())
    assert table in told
    assert "rows are there" in told


def test_days_that_are_laid_anew_are_counted(tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    path.write_bytes(sound())
    days = ("--due", "2026-04-01,2026-05-01")
    change = ("records", "change", "B1", "ph-4c", *days, "--why", "fewer", "--on", DAY)
    assert ask(*change, "--store", str(path)).code == 0
    assert ask("records", "check", "--store", str(path)).code == 0


def test_a_changed_test_is_sealed_anew(tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    path.write_bytes(sound())
    change = ("records", "change", "B1", "ph-4c", "--high", "5.9", "--why", "tighter", "--on", DAY)
    assert ask(*change, "--store", str(path)).code == 0
    assert ask("records", "check", "--store", str(path)).code == 0


def test_a_figure_beyond_anything_at_a_bench_is_not_kept(tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    path.write_bytes(sound())
    answer = ask("records", "result", "B1", "ph-4c", "--value", "1e200", "--store", str(path))
    assert (answer.code, "numbers below 1e18" in answer.err) == (3, True)


def test_a_missing_table_and_a_missing_row_are_told(tmp_path: Path) -> None:
    for change in ("DROP TABLE result", "DELETE FROM revision", "DROP TABLE batch", "DELETE FROM due"):
        assert not broken_by(tmp_path, sound(), change), change


def test_a_value_of_another_kind_is_told_with_its_column(tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    path.write_bytes(sound())
    with closing(sqlite3.connect(path, isolation_level=None)) as plain:
        plain.execute("UPDATE test SET low = 'x' WHERE name = 'ph-4c'")
    words = r"records\.db, low: the store is damaged \('x' is of another kind\)\. Restore"
    with pytest.raises(DataError, match=words), open_store(path) as store:
        store.rows("SELECT * FROM test")
