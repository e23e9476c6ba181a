"""Stock less what kept batches used since the count: sums by hand on made-up batches and shelves."""

from __future__ import annotations

import json
import sqlite3
from datetime import date
from pathlib import Path

import pytest

from optimizer.answers.columns import sides_of
from optimizer.answers.questions import read_brief
from optimizer.answers.rulers import Rulers
from optimizer.answers.stock import shelf_left
from optimizer.data.library import read_library
from optimizer.data.shelf import read_shelf
from optimizer.files import digest, shipped
from optimizer.records.batches import incoming_of, keep
from optimizer.records.stock import SHORTEST, Holding, stock_left
from optimizer.records.store import open_store
from tests.support.desk import desk_of
from tests.support.harbour import batch_file, weighed
from tests.support.hostile import ask

HEAD = "Material,Lot,Stock kg,Counted on,Price per kg,Priced on,Lead days\n"
BETAINE = "cocamidopropyl-betaine"


@pytest.fixture
def materials():
    return read_library([shipped("library")]).materials


def store_of(folder: Path, *batches: tuple[str, float, str, str]) -> Path:
    """Keep a batch for each number, grams of betaine, lot and day."""
    path = folder / "records.db"
    with open_store(path, make=True) as store:
        for number, grams, lot, on in batches:
            keep(store, incoming_of(batch_file(folder, number, weighed(BETAINE, grams, lot, on))), on)
    return path


def held(folder: Path, rows: str, store: Path | None, on: str, materials) -> Holding:
    shelf = folder / "shelf.csv"
    shelf.write_text(HEAD + rows, encoding="utf-8")
    if store is None:
        return stock_left(read_shelf(shelf), materials, None, date.fromisoformat(on)).materials[0]
    with open_store(store) as opened:
        return stock_left(read_shelf(shelf), materials, opened, date.fromisoformat(on)).materials[0]


def test_what_was_used_after_the_count_is_taken_off(tmp_path: Path, materials) -> None:
    # 2 kg on the evening of the 10th; 150 g on the 10th are in that count, 200 + 300 g came later.
    store = store_of(tmp_path, ("1", 150, "", "2026-03-10"), ("2", 200, "", "2026-03-11"), ("3", 300, "", "2026-03-20"))
    one = held(tmp_path, f"{BETAINE},,2,2026-03-10,2.7,2026-02-01,10\n", store, "2026-03-24", materials)
    assert (one.used_kg, one.left_kg, one.short_kg) == (pytest.approx(0.5), pytest.approx(1.5), 0)
    # Pace: 650 g since the first of the 10th, 15 days with both ends: 0.65 x 7 / 15 kg a week.
    assert one.per_week_kg == pytest.approx(0.65 * 7 / 15)
    days = int(1.5 / one.per_week_kg * 7)
    assert one.lasts_until == date.fromordinal(date(2026, 3, 24).toordinal() + days)
    assert one.buy_by == date.fromordinal(one.lasts_until.toordinal() - 10)
    assert (one.price_per_kg, one.priced_on, one.low) == (2.7, date(2026, 2, 1), False)


def test_a_new_count_starts_anew(tmp_path: Path, materials) -> None:
    store = store_of(tmp_path, ("1", 150, "", "2026-03-10"), ("2", 200, "", "2026-03-11"))
    one = held(tmp_path, f"{BETAINE},,1.2,2026-03-12,2.7,,\n", store, "2026-03-24", materials)
    assert (one.used_kg, one.left_kg) == (0, 1.2)


def test_without_a_day_nothing_is_taken_off_and_it_is_said(tmp_path: Path, materials) -> None:
    store = store_of(tmp_path, ("1", 150, "", "2026-03-10"))
    one = held(tmp_path, f"{BETAINE},,2,,2.7,,\n", store, "2026-03-24", materials)
    assert (one.counted_on, one.left_kg) == (None, 2)
    told = ask("stock", str(tmp_path / "shelf.csv"), "--on", "2026-03-24").out
    assert "add a column 'Counted on'" in " ".join(told.split())


def test_lots_are_taken_off_their_own_line(tmp_path: Path, materials) -> None:
    # Counted on different days: of lot 7 the 150 g of the 10th came before its count, of lot 8 the 200 g after its own.
    rows = f"{BETAINE},7,1,2026-03-12,2.7,,\n{BETAINE},8,0.5,2026-03-01,2.7,,\n"
    store = store_of(tmp_path, ("1", 150, "7", "2026-03-10"), ("2", 200, "8", "2026-03-11"))
    one = held(tmp_path, rows, store, "2026-03-24", materials)
    assert one.left_kg == pytest.approx(1 + 0.3)


@pytest.mark.parametrize(
    ("chemical", "strength", "rows", "material", "used"),
    [  # by hand: 10 g of a 50 % solution hold 5 g; of a 20 % lye 2 g, which are 10 g of the bottle of 20 %
        ("citric acid monohydrate", 50, "citric-acid,C,0.5,2026-03-10,6,,\n", "citric-acid", 0.005),
        ("citric acid anhydrous", 50, "Citric Acid,,0.5,2026-03-10,6,,\n", "citric-acid", 0.005),
        ("citric acid anhydrous", 50, "citric-acid-50,C,0.5,2026-03-10,6,,\n", "citric-acid-50", 0.010),
        ("sodium hydroxide", 20, "sodium-hydroxide-20,,0.5,2026-03-10,6,,\n", "sodium-hydroxide-20", 0.010),
    ],
)
def test_acid_and_alkali_are_taken_off(
    tmp_path: Path, materials, chemical: str, strength: float, rows: str, material: str, used: float
) -> None:
    more = (
        f'\n[[adjustment]]\nstart_g = 980\nchemical = "{chemical}"\nstrength_percent = {strength}\nlot = "C"\n'
        '[[adjustment.reading]]\nadded_g = 10\nph = 5.2\non = "2026-03-11T15:00"\n'
    )
    path = tmp_path / "records.db"
    with open_store(path, make=True) as store:
        keep(store, incoming_of(batch_file(tmp_path, "1", more)), "2026-03-11")
    one = held(tmp_path, rows, path, "2026-03-24", materials)
    assert (one.material, one.used_kg, one.left_kg) == (material, pytest.approx(used), pytest.approx(0.5 - used))
    assert one.per_week_kg == pytest.approx(used * 7 / SHORTEST)


def test_acid_of_the_first_version_is_taken_off(tmp_path: Path, materials) -> None:
    """The records of 0.1.0 hold 1.7 g of 'citric acid anhydrous' on 2026-03-03."""
    store = tmp_path / "old.db"
    store.write_bytes((Path(__file__).parents[1] / "made_by_0_1_0" / "records.db").read_bytes())
    one = held(tmp_path, "citric-acid,,0.5,2026-03-01,6,,\n", store, "2026-03-24", materials)
    assert one.used_kg == pytest.approx(0.0017)


def test_more_used_than_counted_is_told_and_low(tmp_path: Path, materials) -> None:
    store = store_of(tmp_path, ("1", 700, "", "2026-03-11"))
    one = held(tmp_path, f"{BETAINE},,0.5,2026-03-10,2.7,,\n", store, "2026-03-12", materials)
    assert (one.left_kg, one.short_kg, one.low) == (0, pytest.approx(0.2), True)
    assert one.per_week_kg == pytest.approx(0.7 * 7 / SHORTEST)
    assert one.lasts_until is None, "one day of use foretells no end"
    told = " ".join(ask("stock", str(tmp_path / "shelf.csv"), "--on", "2026-03-12").out.split())
    assert f"over the days since the first of those batches, at least {SHORTEST} days" in told
    assert "Runs low: Cocamidopropyl Betaine." in told
    assert "0.2 kg more were used than counted" in told


def test_a_revision_replaces_what_an_earlier_one_used(tmp_path: Path, materials) -> None:
    store = store_of(tmp_path, ("1", 700, "", "2026-03-11"), ("1", 100, "", "2026-03-11"))
    one = held(tmp_path, f"{BETAINE},,1,2026-03-10,2.7,,\n", store, "2026-03-12", materials)
    assert one.left_kg == pytest.approx(0.9)


@pytest.mark.thorough
def test_a_limit_of_stock_knows_what_was_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # 10 kg are planned: 1 kg counted is 10 %, less 300 g used 7 %.
    monkeypatch.chdir(tmp_path)
    store_of(tmp_path, ("1", 300, "", "2026-03-11"))
    rows = (shipped("scenarios") / "shelf.csv").read_text(encoding="utf-8").splitlines()
    own = [f"{row},Counted on" if n == 0 else f"{row},2026-03-10" for n, row in enumerate(rows)]
    own = [r for r in own if not r.startswith(BETAINE)]
    (tmp_path / "shelf.csv").write_text(
        "\n".join([*own, f"{BETAINE},Three Gulls Stores,1,2.7,EUR,1,,,2026-03-10", ""]), encoding="utf-8"
    )
    (tmp_path / "bench.toml").write_text('shelf = "shelf.csv"\nrecords = "records.db"\n', encoding="utf-8")
    before = digest(tmp_path / "shelf.csv")

    def limit() -> float:
        brief = read_brief("hand-wash", batch_kg=10)
        return next(r.limits[1] for r in brief.rules if r.id == f"stock-{BETAINE}")

    assert limit() == pytest.approx(7)
    told = json.loads(ask("blend", "hand-wash", "--set", "batch_kg=10", "--json").out)
    assert any("what kept batches used" in a for a in told["assumptions"])
    assert next(r for r in told["rules"] if r["id"] == f"stock-{BETAINE}")["high"] == pytest.approx(7)
    plan = json.loads(ask("together", "hand-wash=10", "--stock-only", "--json").out)
    assert next(m for m in plan["balances"] if m["material"] == BETAINE)["stock"] == pytest.approx(0.7)
    ranged = json.loads(
        ask("range", "hand-wash", "--set", "batch_kg=10", "--vary", "active.at_least=9,9.2", "--json").out
    )
    alone = json.loads(ask("blend", "hand-wash", "--set", "batch_kg=10", "--set", "active.at_least=9.2", "--json").out)
    costs = [row["objective_value"] for row in ranged["answers"]]
    assert costs == pytest.approx([told["objective_value"], alone["objective_value"]], abs=1e-6)
    assert all(row["doses"][BETAINE] <= 7 + 1e-6 for row in ranged["answers"])  # 7.6 % without what was used
    assert sides_of(["hand-wash"])[0].brief.shelf == read_brief("hand-wash").shelf
    own_brief = tmp_path / "own.toml"
    own_brief.write_text(
        'name = "own"\nshelf = "shelf.csv"\nbatch_kg = 10\n[pool]\nfunctions = ["surfactant"]\n'
        '[objective]\nminimise = "cost"\n[[rule]]\nid = "active"\nkind = "active"\nat_least = 9\n',
        encoding="utf-8",
    )
    rulers = Rulers(own_brief)
    assert next(r.limits[1] for r in rulers.brief.rules if r.id == f"stock-{BETAINE}") == pytest.approx(7)
    assert not rulers.stale
    store_of(tmp_path, ("2", 100, "", "2026-03-12"))
    assert rulers.stale, "what is kept meanwhile takes more off"
    (tmp_path / "bench.toml").write_text('shelf = "shelf.csv"\n', encoding="utf-8")
    assert limit() == pytest.approx(10)
    assert digest(tmp_path / "shelf.csv") == before


def betaine_in_water(folder: Path, name: str) -> Path:
    """Write a brief of water and 20 % betaine, on a shelf of both."""
    path = folder / f"{name}.toml"
    path.write_text(
        f'name = "{name}"\nshelf = "shelf.csv"\n[pool]\nmaterials = ["{BETAINE}"]\n[fixed]\n{BETAINE} = 20\n'
        '[objective]\nminimise = "cost"\n',
        encoding="utf-8",
    )
    shelf = HEAD + f"{BETAINE},,1,2026-03-10,2.7,,\naqua,,,,0.01,,\n"
    (folder / "shelf.csv").write_text(shelf, encoding="utf-8")
    return path


def test_records_beside_a_brief_count_where_no_others_are_named(tmp_path: Path) -> None:
    """900 g were used of 1 kg that was counted the day before: of the 0.6 kg for 1 + 2 kg of 20 % 0.1 kg is there."""
    briefs = [betaine_in_water(tmp_path, name) for name in ("one", "two")]
    wanted = [f"{brief}={kg}" for kg, brief in enumerate(briefs, 1)]
    assert ask("together", *wanted, "--stock-only").code == 0
    store_of(tmp_path, ("1", 900, "", "2026-03-11"))
    assert ask("together", *wanted, "--stock-only").code == 4
    plan = json.loads(ask("together", *wanted, "--json").out)
    assert next(m for m in plan["balances"] if m["material"] == BETAINE)["stock"] == pytest.approx(0.1)


def test_a_batch_that_needs_more_than_is_left_is_laid_with_a_word(tmp_path: Path) -> None:
    """20 % of 1 kg are 0.2 kg; of 1 kg 900 g were used since it was counted."""
    brief, sheet = betaine_in_water(tmp_path, "one"), tmp_path / "sheet.csv"
    sheet.write_text(f"material,percent\n{BETAINE},20\naqua,80\n", encoding="utf-8")
    laid = json.loads(ask("batch", str(brief), "--size", "1kg", "--out", str(tmp_path / "a.toml"), "--json").out)
    assert laid["short"] == []
    store_of(tmp_path, ("1", 900, "", "2026-03-11"))
    for number, subject in enumerate(([str(brief)], [str(sheet), "--for", str(brief)])):
        told = ask("batch", *subject, "--size", "1kg", "--out", str(tmp_path / f"b{number}.toml"))
        assert "0.2 kg Cocamidopropyl Betaine is needed; 0.1 kg is on the shelf." in " ".join(told.out.split())
    page = desk_of(tmp_path)
    page.get("/formula/one/batch")
    said = page.submit("/batch", {"number": "7", "kilos": "1"}).text
    assert "Batch 7 is laid. 0.2 kg Cocamidopropyl Betaine is needed; 0.1 kg is on the shelf." in said


def test_a_wrong_day_is_told_with_its_row(tmp_path: Path) -> None:
    (tmp_path / "shelf.csv").write_text(HEAD + f"{BETAINE},,2,yesterday,2.7,,\n", encoding="utf-8")
    told = ask("stock", str(tmp_path / "shelf.csv"))
    assert told.code == 3
    assert "row 2" in told.err
    assert "Counted on" in told.err


def test_records_that_cannot_be_read_stop_the_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with sqlite3.connect(tmp_path / "records.db") as other:
        other.execute("CREATE TABLE something (a)")
    other.close()
    (tmp_path / "bench.toml").write_text('records = "records.db"\n', encoding="utf-8")
    told = ask("blend", "hand-wash")
    assert told.code == 3
    assert "records.db" in told.err


def test_stock_looks_where_the_bench_keeps_its_records(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """300 g were used of 1 kg that was counted the day before."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "kept").mkdir()
    store_of(tmp_path / "kept", ("1", 300, "", "2026-03-11"))
    (tmp_path / "shelf.csv").write_text(HEAD + f"{BETAINE},,1,2026-03-10,2.7,,\n", encoding="utf-8")
    (tmp_path / "bench.toml").write_text('records = "kept/records.db"\n', encoding="utf-8")
    told = json.loads(ask("stock", "shelf.csv", "--on", "2026-03-12", "--json").out)
    assert told["materials"][0]["left_kg"] == pytest.approx(0.7)
    left = shelf_left(tmp_path / "shelf.csv", tmp_path / "records.db", "2026-03-12")
    assert left.left_kg == {2: pytest.approx(0.7)}
