"""The records room: trace both ways, revisions, master formulas, tests with limits and drift, what is told wrong."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from shutil import copytree
from typing import Any

import pytest
from typer.testing import CliRunner

from optimizer import cli
from optimizer.answers.starter import FIRST_FOLDER
from optimizer.bench.batch import Observation
from optimizer.data.library import read_library
from optimizer.errors import DataError
from optimizer.files import shipped
from optimizer.records.batches import Kept, incoming_of, keep, note, put_away
from optimizer.records.calendar import add_result, change_test, lay, strike
from optimizer.records.checking import Soundness
from optimizer.records.drift import HORIZON_DAYS, trend
from optimizer.records.lots import LotsOf, WhereLot, lots_of, where_lot
from optimizer.records.overview import Listed, Shown, overview, shown
from optimizer.records.plans import DEFAULT
from optimizer.records.schema import MEANINGS, VERSION
from optimizer.records.series import Calendar, Tasks, tasks
from optimizer.records.store import Store, StoreAnswer, columns_at, open_store
from tests.make_records_page import PAGE, page
from tests.support.harbour import PNG, batch_file, weighed
from tests.support.hostile import ask

DAY = "2026-03-05"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "records.db", make=True) as opened:
        yield opened


def kept(store: Store, path: Path, on: str = DAY, **more: Any) -> Kept:
    return keep(store, incoming_of(path), on, **more)


def told(error: pytest.ExceptionInfo[DataError]) -> str:
    return str(error.value)


# --- Trace --------------------------------------------------------------------------------------------------


def three(store: Store, folder: Path) -> None:
    """Lot 7 of betaine goes into batches 11 and 12, lot 8 into 12 and 13; lot 7 is a perfume in 13, too."""
    kept(store, batch_file(folder, "11", weighed("cocamidopropyl-betaine", 200, "7"), weighed("aqua", 800, "")))
    kept(
        store,
        batch_file(
            folder, "12", weighed("cocamidopropyl-betaine", 150, "7"), weighed("cocamidopropyl-betaine", 48, "8"),
            weighed("cocamidopropyl-betaine", 2, "7"), bottles=9,
        ),
    )  # fmt: skip
    kept(
        store,
        batch_file(folder, "13", weighed("cocamidopropyl-betaine", 200, "8"), weighed("parfum", 3, "7"), bottles=None),
    )


def test_trace_both_ways(store: Store, tmp_path: Path) -> None:
    # worked by hand: 150 + 2 g of 980 g are 15.51 %; 200 of 980 are 20.41 %
    three(store, tmp_path)
    twelve = lots_of(store, "12")
    assert [(u.material, u.lot, u.grams) for u in twelve.lots] == [
        ("cocamidopropyl-betaine", "7", 150),
        ("cocamidopropyl-betaine", "8", 48),
        ("cocamidopropyl-betaine", "7", 2),
    ]
    seven = where_lot(store, "7")
    assert [(w.batch, w.material, w.grams, w.bottles) for w in seven.batches] == [
        ("11", "cocamidopropyl-betaine", 200, 4),
        ("12", "cocamidopropyl-betaine", 152, 9),
        ("13", "parfum", 3, None),
    ]
    assert (seven.bottles, seven.uncounted) == (13, ("13",))
    betaine = where_lot(store, "7", "cocamidopropyl-betaine")
    assert [(w.batch, round(w.percent, 2)) for w in betaine.batches] == [("11", 20.41), ("12", 15.51)]
    assert (betaine.bottles, betaine.uncounted) == (13, ())
    # whatever the one direction says the other says
    for batch in ("11", "12", "13"):
        for used in lots_of(store, batch).lots:
            if used.lot:
                assert batch in {w.batch for w in where_lot(store, used.lot, used.material).batches}


def test_two_portions_of_a_lot_are_one_lot(store: Store, tmp_path: Path) -> None:
    more = "".join(f'\n[[weighed]]\nmaterial = "glycerin"\ngrams = {g}\nlot = "Q-3"\n' for g in (20, 5))
    done = kept(store, batch_file(tmp_path, "15", more))
    assert done.lots == len({(u.material, u.lot) for u in lots_of(store, "15").lots}) == 1


def test_acid_and_thickener_are_traced(store: Store, tmp_path: Path) -> None:
    # worked by hand: 30 g of a 20 % solution hold 6 g of acid; 1.5 % of 1000 g are 15 g; the sample does not go back
    more = """
[[adjustment]]
of = "sample"
start_g = 100
chemical = "citric acid monohydrate"
strength_percent = 20
lot = "C-9"
[[adjustment.reading]]
added_g = 2
ph = 5.2

[[adjustment]]
start_g = 980
chemical = "citric acid monohydrate"
strength_percent = 20
material = "citric-acid"
lot = "C-9"
[[adjustment.reading]]
added_g = 20
ph = 5.6
[[adjustment.reading]]
added_g = 30
ph = 5.2
on = "2026-03-03T15:00"

[[thickening]]
material = "sodium-chloride"
lot = "S-1"
[[thickening.step]]
added_percent = 1
judged = 2
[[thickening.step]]
added_percent = 1.5
judged = 3
"""
    done = kept(store, batch_file(tmp_path, "14", more))
    assert done.lots == 2
    assert [(u.material, u.lot, pytest.approx(u.grams), u.stage) for u in lots_of(store, "14").lots] == [
        ("citric-acid", "C-9", 6.0, "adjustment"),
        ("sodium-chloride", "S-1", 15.0, "thickening"),
    ]
    assert where_lot(store, "C-9").batches[0].grams == pytest.approx(6)


def test_lots_of_acid_and_thickener_as_they_were_added(tmp_path: Path) -> None:
    """Ten grams of the 50 % bottle from two lots, thickener from two lots; the brief's shelf says who sold them."""
    copytree(shipped("scenarios"), tmp_path, dirs_exist_ok=True)
    with (tmp_path / "shelf.csv").open("a", encoding="utf-8") as shelf:
        shelf.write("citric-acid-50,Quay Nine Drysalters,1,9.00,EUR,1,,\n")
    path = tmp_path / "batch.toml"
    assert (
        ask("batch", str(tmp_path / "hand-wash.toml"), "--size", "1kg", "--number", "B1", "--out", str(path)).code == 0
    )
    for args in (
        ("ph", path, "--of", "batch", "--read", 8, "--with", "citric acid anhydrous", "--strength", 50),
        ("ph", path, "--added", 4, "--read", 6, "--lot", "C-1"),
        ("ph", path, "--added", 5, "--read", 5.5),
        ("ph", path, "--added", 7, "--read", 5.1, "--lot", "C-2"),
        ("thicken", path, "--material", "sorbitan-sesquicaprylate", "--added", "0.2%", "--judged", 2, "--lot", "T-1"),
        ("thicken", path, "--material", "sorbitan-sesquicaprylate", "--added", "0.5%", "--judged", 3, "--lot", "T-2"),
        ("records", "keep", path),
    ):
        told = ask(*map(str, args))
        assert told.code == 0, told.err
    lots = json.loads(ask("records", "lots", "B1", "--store", str(tmp_path / "records.db"), "--json").out)["lots"]
    assert [(u["material"], u["lot"], pytest.approx(u["grams"])) for u in lots if u["lot"]] == [
        ("citric-acid-50", "C-1", 5), ("citric-acid-50", "C-2", 2),
        ("sorbitan-sesquicaprylate", "T-1", 2), ("sorbitan-sesquicaprylate", "T-2", 3),
    ]  # fmt: skip
    assert not any(u["supplier"] for u in lots), "the shelf holds none of these lots"


ACID = """
[[adjustment]]
start_g = 980
chemical = "{}"
strength_percent = {}
lot = "{}"
[[adjustment.reading]]
added_g = 9
ph = 5.2
on = "2026-03-03T15:00"
"""


@pytest.mark.parametrize("word", ["citric-acid", "Citric Acid", "citric-acid-50", "citric acid monohydrate", ""])
def test_acid_is_traced_by_whatever_word(store: Store, tmp_path: Path, word: str) -> None:
    kept(store, batch_file(tmp_path, "16", ACID.format("citric acid monohydrate", 50, "CA1")))
    told = ask("records", "where", "CA1", "--store", str(store.path), *(["--material", word] if word else []), "--json")
    assert [w["batch"] for w in json.loads(told.out)["batches"]] == ["16"]


def test_a_lot_of_another_material_is_named(store: Store, tmp_path: Path) -> None:
    kept(store, batch_file(tmp_path, "16", ACID.format("citric acid monohydrate", 50, "CA1")))
    told = ask("records", "where", "CA1", "--store", str(store.path), "--material", "lactic-acid")
    assert told.code == 3
    assert "There is one of citric acid monohydrate" in " ".join(told.err.split())


def test_a_lot_number_of_another_material_tells_no_supplier(store: Store, tmp_path: Path) -> None:
    """Short numbers recur: lot 1 is glycerin of one house, and the betaine's and the glucoside's own number, too."""
    shelf = tmp_path / "shelf.csv"
    shelf.write_text(
        "material,supplier,lot,price per kg\nglycerin,Gamma,1,3\nCAPB,Alpha,2,3\ncoco-glucoside,Eta,,3\n"
        "moon dust,Lunar,9,3\n",
        encoding="utf-8",
    )
    lines = [
        ("cocamidopropyl-betaine", "1"),
        ("coco-glucoside", "1"),
        ("glycerin", "1"),
        ("parfum", "9"),
        ("aqua", "1"),
    ]
    path = batch_file(tmp_path, "12", *(weighed(name, 10, lot) for name, lot in lines))
    known = read_library([shipped("library")]).by_id
    keep(store, incoming_of(path, shelf, materials=known), DAY)
    assert [u.supplier for u in lots_of(store, "12").lots] == ["", "", "Gamma", "Lunar", ""]


def test_the_shelf_says_who_sold_a_lot(store: Store, tmp_path: Path) -> None:
    shelf = tmp_path / "shelf.csv"
    shelf.write_text(
        "material,supplier,lot,price per kg\n"
        "Cocamidopropyl Betaine,Mole Street,7,3\nCocamidopropyl Betaine,Quayside,8,3\nAqua,Waterworks,,0\n"
        "parfum,Mole Street,,30\nparfum,Quayside,,31\n",
        encoding="utf-8",
    )
    path = batch_file(
        tmp_path, "12", weighed("cocamidopropyl-betaine", 150, "7"), weighed("cocamidopropyl-betaine", 50, "8"),
        weighed("aqua", 790, ""), weighed("parfum", 3, "P"),
    )  # fmt: skip
    done = keep(store, incoming_of(path, shelf), DAY)
    assert [u.supplier for u in lots_of(store, "12").lots] == ["Mole Street", "Quayside", "", ""]
    assert done.without_lot == ("aqua",)
    assert done.without_supplier == ("P",)


def test_a_corrected_lot_is_told(store: Store, tmp_path: Path) -> None:
    kept(store, batch_file(tmp_path, "12", weighed("cocamidopropyl-betaine", 200, "7")))
    done = kept(store, batch_file(tmp_path, "12", weighed("cocamidopropyl-betaine", 200, "70")))
    assert (done.revision, done.changed) == (2, True)
    assert where_lot(store, "70").batches[0].revision == 2
    gone = where_lot(store, "7")
    assert (gone.batches, gone.formerly, gone.bottles) == ((), ("12",), 0)


# --- Batches ------------------------------------------------------------------------------------------------


def test_revisions_stay_and_the_same_file_adds_nothing(store: Store, tmp_path: Path) -> None:
    first = batch_file(tmp_path, "12", weighed("aqua", 800, "W")).read_text(encoding="utf-8")
    assert [kept(store, tmp_path / "batch-12.toml").revision for _ in range(3)] == [1, 1, 1]
    batch_file(tmp_path, "12", weighed("aqua", 801, "W"), bottles=8)
    assert kept(store, tmp_path / "batch-12.toml", "2026-04-01").revision == 2
    now, then = shown(store, "12"), shown(store, "12", 1)
    assert (now.revision, now.revisions, now.bottles, now.kept_on) == (2, 2, 8, "2026-04-01")
    assert (then.text, then.bottles, then.kept_on) == (first, 4, DAY)
    assert [(b.batch, b.revision, b.bottles) for b in overview(store).batches] == [("12", 2, 8)]
    with pytest.raises(DataError, match="has no revision 3"):
        shown(store, "12", 3)


def test_the_formula_as_made_is_kept_when_it_is_given(store: Store, tmp_path: Path) -> None:
    path = batch_file(tmp_path, "12")
    kept(store, path)
    assert shown(store, "12").as_made is None
    done = kept(store, path, made={"aqua": 79.5, "cocamidopropyl-betaine": 20.5})
    assert (done.revision, done.changed) == (2, True)
    assert shown(store, "12").as_made == {"aqua": 79.5, "cocamidopropyl-betaine": 20.5}
    assert shown(store, "12", 1).as_made is None


SEEN = '\n[[observation]]\nwhat = "foam"\nvalue = 4\nunit = "judged"\nphoto = "{}"\n'


def test_photos_are_kept_with_their_sums(store: Store, tmp_path: Path) -> None:
    # SHA-256 of these bytes by coreutils sha256sum
    (tmp_path / "foam.png").write_bytes(PNG + b"foam")
    kept(store, batch_file(tmp_path, "12", SEEN.format("foam.png")))
    seen = shown(store, "12").observations[0]
    assert (seen.photo, seen.noted) == ("foam.png", False)
    assert seen.photo_sha256 == "cfe908ff52af49d1703689e09ea53a7f5e3f6171629c21fd34ad6d7a3e3ccb9c"
    note(store, "12", Observation(what="foam", photo="foam.png"), tmp_path)
    assert store.rows("SELECT count(*) AS n FROM photo")[0]["n"] == 1
    assert [o.noted for o in shown(store, "12").observations] == [False, True]
    (tmp_path / "foam.png").write_bytes(PNG + b"another")
    assert kept(store, tmp_path / "batch-12.toml").revision == 2
    assert store.rows("SELECT count(*) AS n FROM photo")[0]["n"] == 2


def test_every_bad_photo_is_told_and_nothing_kept(store: Store, tmp_path: Path) -> None:
    (tmp_path / "word.png").write_text("hello", encoding="utf-8")
    (tmp_path.parent / "outside.png").write_bytes(PNG)
    path = batch_file(tmp_path, "12", *(SEEN.format(name) for name in ("none.png", "word.png", "../outside.png")))
    with pytest.raises(DataError) as error:
        kept(store, path)
    assert [p.key for p in error.value.problems] == [f"observation.{k}.photo" for k in range(3)]
    assert "no such file" in told(error)
    assert "no picture" in told(error)
    assert "outside the folder" in told(error)
    assert overview(store).batches == ()


ODD = ["'; DROP TABLE batch; --", '"', "%", "_", "=1+2", "é ± 漢字", "a\tb", "'' OR 1=1", "\\", "x" * 60]


@pytest.mark.parametrize("name", ODD)
def test_names_are_only_names(store: Store, tmp_path: Path, name: str) -> None:
    path = tmp_path / "b.toml"
    quoted = json.dumps(name, ensure_ascii=False)
    text = batch_file(tmp_path, "1", weighed("aqua", 1, "LOT")).read_text(encoding="utf-8")
    path.write_text(text.replace('batch = "1"', f"batch = {quoted}").replace('"LOT"', quoted), encoding="utf-8")
    kept(store, path)
    kept(store, batch_file(tmp_path, "other", weighed("aqua", 1, "o")))
    assert [w.batch for w in where_lot(store, name).batches] == [name]
    assert [u.lot for u in lots_of(store, name).lots] == [name]
    put_away(store, name, DAY, name, "2028-01-01", None, name)
    note(store, name, Observation(what=name[:80], text=name))
    lay(store, name, "", DAY)
    add_result(store, name, "ph-4c", DAY, 5.0, None, name)
    assert {b.batch for b in overview(store).batches} == {name, "other"}
    assert shown(store, name).samples[0].place == name


# --- Tests and drift ----------------------------------------------------------------------------------------


NORRIS = (
    "0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3 449.1 448.6 778.9 777.0 "
    "559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1 "
    "998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 "
    "10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5"
)
"""Response and predictor in turn; NIST Statistical Reference Datasets, linear regression, data set Norris (1979)."""


def test_the_slope_is_that_of_the_reference_data() -> None:
    # NIST StRD, Norris, certified: B1 1.00211681802045, its standard deviation 0.429796848199937E-03
    numbers = [float(word) for word in NORRIS.split()]
    start = datetime(2026, 1, 1)
    pairs = zip(numbers[0::2], numbers[1::2], strict=True)
    line = trend(tuple(((start + timedelta(days=x)).isoformat(), y) for y, x in pairs), None, None)
    assert line is not None
    assert line.per_week == pytest.approx(7 * 1.00211681802045, rel=1e-9)
    assert line.error_per_week == pytest.approx(7 * 0.429796848199937e-3, rel=1e-7)
    assert line.clear


def test_a_line_meets_its_limit_on_the_day() -> None:
    # by hand: 5.4, 5.3, 5.2 on days 0, 10, 20 falls by 0.01 a day and meets 4.8 on day 60
    readings = (("2026-01-01", 5.4), ("2026-01-11", 5.3), ("2026-01-21", 5.2))
    line = trend(readings, 4.8, 5.6)
    assert line is not None
    assert (line.passes_on, line.limit, line.readings) == ("2026-03-02", 4.8, 3)
    assert line.per_week == pytest.approx(-0.07)
    rising = trend((("2026-01-01", 5.2), ("2026-01-11", 5.3)), 4.8, 5.6)
    assert rising is not None
    assert (rising.passes_on, rising.limit, rising.clear) == ("2026-02-10", 5.6, False)


def test_no_line_where_there_is_none() -> None:
    assert trend((), 4.8, 5.6) is None
    assert trend((("2026-01-01", 5.0),), 4.8, 5.6) is None
    assert trend((("2026-01-01", 5.0), ("2026-01-01", 5.1)), 4.8, 5.6) is None
    level = trend((("2026-01-01", 5.0), ("2026-02-01", 5.0)), 4.8, 5.6)
    assert level is not None
    assert (level.passes_on, level.per_week) == ("", 0)
    # beyond the horizon: falls by 0.1 in HORIZON_DAYS, the limit is 0.2 away
    slow = trend((("2026-01-01", 5.0), ("2026-01-02", 5.0 - 0.1 / HORIZON_DAYS)), 4.8, None)
    assert slow is not None
    assert slow.passes_on == ""


def test_day_0_is_no_day_before_the_batch(store: Store, tmp_path: Path) -> None:
    """The harbour's batch was weighed and finished on 2026-03-03."""
    keep(store, incoming_of(batch_file(tmp_path, "12", weighed("aqua", 800, "A"))), DAY)
    with pytest.raises(DataError, match="day 0 is 1999-01-01, before the batch was made"):
        lay(store, "12", "1999-01-01", DAY)
    assert lay(store, "12", "", DAY).laid


def test_the_default_calendar(store: Store, tmp_path: Path) -> None:
    # day 0 is 2026-03-03; 30 days on is 2026-04-02, 90 is 2026-06-01, 180 is 2026-08-30
    kept(store, batch_file(tmp_path, "12"))
    laid = lay(store, "12", "", DAY)
    assert laid.laid
    assert [t.name for t in laid.tests] == [p.name for p in DEFAULT]
    by_name = {t.name: t for t in laid.tests}
    assert [d.on for d in by_name["ph-45c"].due] == ["2026-04-02", "2026-05-02", "2026-06-01"]
    assert [d.on for d in by_name["ph-4c"].due] == ["2026-04-02", "2026-06-01", "2026-08-30"]
    assert [d.on for d in by_name["challenge"].due] == ["2026-03-31"]
    assert (by_name["ph-4c"].low, by_name["ph-4c"].high) == (4.8, 5.6)
    assert (by_name["viscosity-4c"].low, by_name["viscosity-4c"].high) == (None, None)
    assert all(t.basis for t in laid.tests)
    again = lay(store, "12", "2020-01-01", DAY)
    assert not again.laid
    assert again.tests == laid.tests


def test_a_batch_without_a_day_or_a_window(store: Store, tmp_path: Path) -> None:
    path = batch_file(tmp_path, "12", bottles=None)
    text = path.read_text(encoding="utf-8")
    path.write_text("\n".join(x for x in text.splitlines() if not x.startswith("ph_")), encoding="utf-8")
    kept(store, path)
    with pytest.raises(DataError, match="nobody noted when"):
        lay(store, "12", "", DAY)
    odd = batch_file(tmp_path, "13", weighed("aqua", 1, "W", on="2026-13-45"), bottles=None)
    kept(store, odd)
    with pytest.raises(DataError, match="which is no date"):
        lay(store, "13", "", DAY)
    laid = lay(store, "12", "2026-03-01", DAY)
    assert "no limits" in laid.notes[0]
    assert all(t.low is None for t in laid.tests)


def test_limits_and_drift_are_told(store: Store, tmp_path: Path) -> None:
    kept(store, batch_file(tmp_path, "12"))
    lay(store, "12", "", DAY)
    said = []
    for on, value in (("2026-03-03", 5.2), ("2026-03-10", 5.13), ("2026-03-31", 4.92), ("2026-04-30", 4.7)):
        test = add_result(store, "12", "ph-settling", on, value, None, "").tests[0]
        said.append(test.alarms)
    assert said[0] == ()
    assert "Two readings only" in said[1][0]
    assert "falls by 0.07 a week" in said[2][0]
    assert "2026-04-12" in said[2][0]
    assert "This assumes" in said[2][0]
    assert said[3] == ("pH 4.7 on 2026-04-30 is below its limit 4.8.",)
    assert [r.within for r in test.readings] == [True, True, True, False]
    failed = add_result(store, "12", "look-45c", "2026-04-02", None, False, "hazy").tests[0]
    assert failed.alarms == ("look was judged as failed on 2026-04-02.",)
    every = tasks(store, "2026-05-01", 0).alarms
    assert len(every) == 2
    assert tasks(store, "2026-03-04", 0).alarms == ()


def test_due_days_are_met_missed_and_overdue(store: Store, tmp_path: Path) -> None:
    # settling: days 0, 1, 7, 28; a reading counts from a tenth of the age early: day 28 from day 26 on
    kept(store, batch_file(tmp_path, "12"))
    lay(store, "12", "", DAY)

    def statuses(on: str) -> list[str]:
        return [d.status for d in lay(store, "12", "", on).tests[0].due]

    assert statuses("2026-03-02") == ["coming"] * 4
    assert statuses("2026-03-03") == ["due", "coming", "coming", "coming"]
    add_result(store, "12", "ph-settling", "2026-03-03", 5.2, None, "")
    assert statuses("2026-03-04") == ["met", "due", "coming", "coming"]
    assert statuses("2026-03-12") == ["met", "missed", "overdue", "coming"]
    add_result(store, "12", "ph-settling", "2026-03-28", 5.2, None, "")
    assert statuses("2026-03-28") == ["met", "missed", "met", "coming"]
    add_result(store, "12", "ph-settling", "2026-03-29", 5.2, None, "")
    assert statuses("2026-03-29")[3] == "met"
    names = [t.name for t in tasks(store, "2026-03-20", 14).tasks]
    assert "ph-45c" in names
    assert "freeze-thaw" in names
    assert "ph-45c" not in [t.name for t in tasks(store, "2026-03-20", 5).tasks]


def test_samples_come_due(store: Store, tmp_path: Path) -> None:
    kept(store, batch_file(tmp_path, "12", weighed("aqua", 1, "W")))
    put_away(store, "12", DAY, "box 3", "2028-03-05", 250, "")
    assert tasks(store, "2028-02-01", 14).tasks == ()
    assert [(t.what, t.status) for t in tasks(store, "2028-02-25", 14).tasks] == [("retained sample may go", "coming")]
    assert tasks(store, "2028-03-05", 0).tasks[0].status == "due"
    assert tasks(store, "2028-03-06", 0).tasks[0].status == "overdue"
    assert where_lot(store, "W").batches[0].samples == ("box 3, until 2028-03-05",)
    with pytest.raises(DataError, match="before 2026-03-05"):
        put_away(store, "12", DAY, "box 3", "2025-01-01", None, "")


def test_a_changed_test_keeps_what_was(store: Store, tmp_path: Path) -> None:
    kept(store, batch_file(tmp_path, "12"))
    lay(store, "12", "", DAY)
    days = ["2026-05-01", "2026-04-01"]
    changed = change_test(store, "12", "ph-45c", "2026-04-01", "meter differs", days, low=4.6).tests[0]
    assert (changed.low, changed.high) == (4.6, 5.6)
    assert [d.on for d in changed.due] == ["2026-04-01", "2026-05-01"]
    assert "[2026-04-01: low 4.8 -> 4.6; due 2026-04-02, 2026-05-02" in changed.note
    assert changed.note.endswith("meter differs]")
    added = change_test(store, "12", "salt", "2026-04-01", "buyer asks", ["2026-04-09"], what="salt", high=2.0).tests[0]
    assert (added.what, added.high, added.basis) == ("salt", 2.0, "the maker")
    with pytest.raises(DataError, match="Did you mean 'ph-45c'"):
        change_test(store, "12", "ph-45", "2026-04-01", "x", low=4.6)
    with pytest.raises(DataError, match="above the upper one"):
        change_test(store, "12", "ph-45c", "2026-04-01", "x", low=6.0)
    assert lay(store, "12", "", DAY).tests[10].low == 4.6


def test_a_struck_reading_stays_and_counts_no_more(store: Store, tmp_path: Path) -> None:
    kept(store, batch_file(tmp_path, "12"))
    lay(store, "12", "", DAY)
    wrong = add_result(store, "12", "ph-45c", "2026-04-02", 9.6, None, "").tests[0]
    assert wrong.alarms
    number = wrong.readings[0].number
    right = strike(store, number, "2026-04-02", "slip of the pen").tests[0]
    assert right.alarms == ()
    assert [(r.value, r.struck) for r in right.readings] == [(9.6, "slip of the pen")]
    assert right.due[0].status == "due"
    for again in (number, 999):
        with pytest.raises(DataError):
            strike(store, again, DAY, "x")


@pytest.mark.parametrize("table", ["master", "dose", "revision", "lot", "photo", "observation", "result", "struck"])
@pytest.mark.parametrize("change", ["UPDATE {} SET rowid = rowid", "DELETE FROM {}"])
def test_what_was_recorded_cannot_be_changed(tmp_path: Path, table: str, change: str) -> None:
    path = tmp_path / "records.db"
    with open_store(path, make=True) as store:
        (tmp_path / "foam.png").write_bytes(PNG)
        kept(store, batch_file(tmp_path, "12", weighed("aqua", 1, "w"), SEEN.format("foam.png")))
        lay(store, "12", "", DAY)
        strike(store, add_result(store, "12", "ph-4c", DAY, 5, None, "").tests[0].readings[0].number, DAY, "x")
        row = {"name": "m", "version": 1, "on_date": DAY, "why": "", "brief": "", "currency": ""}
        store.put("dose", master_id=store.put("master", held_back_percent=0.0, **row), material="aqua", percent=100)
    with pytest.raises(DataError, match="only added"), open_store(path) as store:
        store.rows(change.format(table))


# --- What is told wrong -------------------------------------------------------------------------------------


def test_unknown_batches_and_lots_name_the_nearest(store: Store, tmp_path: Path) -> None:
    kept(store, batch_file(tmp_path, "HW-012", weighed("aqua", 1, "W-2026-3")))
    for asked in (lambda: lots_of(store, "HW-12"), lambda: shown(store, "HW-12"), lambda: lay(store, "HW-12", "", DAY)):
        with pytest.raises(DataError, match=r"there is no batch 'HW-12'\..*Did you mean 'HW-012'"):
            asked()
    with pytest.raises(DataError, match=r"no batch has a lot 'W-2026-4'\..*Did you mean 'W-2026-3'"):
        where_lot(store, "W-2026-4")
    with pytest.raises(DataError, match="no batch has a lot 'W-2026-3' of parfum"):
        where_lot(store, "W-2026-3", "parfum")
    with pytest.raises(DataError, match="Lay the tests first"):
        add_result(store, "HW-012", "ph-4c", DAY, 5, None, "")
    lay(store, "HW-012", "", DAY)
    with pytest.raises(DataError, match="Did you mean 'ph-45c'"):
        add_result(store, "HW-012", "ph-45", DAY, 5, None, "")
    with pytest.raises(DataError, match="the reading is empty"):
        add_result(store, "HW-012", "ph-45c", DAY, None, None, "")


# --- The command line ---------------------------------------------------------------------------------------

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """Return a runner of `tenside records` in this process, in an empty folder."""
    monkeypatch.chdir(tmp_path)

    def command(*args: str | Path) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["tenside", "records", *map(str, args)])
        code = 0
        try:
            cli.main()
        except SystemExit as ended:
            code = int(ended.code or 0)
        return (code, *capfd.readouterr())

    return command


def test_master_formulas_by_the_numbers(run: Run) -> None:
    # the share of a charge and the active matter are checked against the library's figures in test_laws
    first = json.loads(run("master", "hand-wash", "--why", "first", "--on", "2026-03-01", "--json")[1])
    assert (first["version"], {d["before"] for d in first["doses"]}) == (1, {None})
    assert sum(d["after"] for d in first["doses"]) + 4 == pytest.approx(100)  # 4 % are kept free
    asked = ("master", "hand-wash", "--set", "active.at_least=10", "--why", "stronger", "--on", "2026-04-01")
    second = json.loads(run(*asked, "--json")[1])
    figures = {f["figure"]: (f["before"], f["after"]) for f in second["figures"]}
    assert figures["active_percent"] == (pytest.approx(9, abs=0.01), pytest.approx(10, abs=0.01))
    shares = [figures[f"{c}_percent"][1] for c in ("anionic", "amphoteric", "nonionic", "cationic")]
    assert sum(shares) == pytest.approx(100)
    assert {d["material"]: d["before"] for d in second["doses"]} == {d["material"]: d["after"] for d in first["doses"]}
    code, _, err = run(*asked)
    assert code == 3
    assert "is the same as its version 2" in err
    both = json.loads(run("versions", "Harbour hand wash", "--json")[1])
    assert both["versions"] == [second, first]
    code, _, err = run("versions", "Harbour hand wish")
    assert code == 3
    assert "Did you mean 'Harbour hand wash'" in err
    assert "| cost per kg, EUR |" in run("versions", "Harbour hand wash", "--markdown")[1]
    assert run("master", "hand-wash", "--why", " ")[0] == 2


MODELS: dict[str, type[StoreAnswer]] = {
    "records-keep": Kept, "records-list": Listed, "records-show": Shown, "records-lots": LotsOf,
    "records-where": WhereLot, "records-tests": Calendar, "records-due": Tasks, "records-check": Soundness,
}  # fmt: skip


@pytest.mark.thorough
def test_every_command_answers_in_three_ways(run: Run, tmp_path: Path) -> None:
    (tmp_path / "foam.png").write_bytes(PNG)
    batch_file(tmp_path, "12", weighed("cocamidopropyl-betaine", 200, "7"), weighed("aqua", 780, ""))
    schemas = json.loads(CliRunner().invoke(cli.app, ["schema"]).stdout)
    day = ("--on", DAY)
    said = {
        ("keep", "batch-12.toml", *day): ("records-keep", "Nothing changed since revision 1"),
        ("list",): ("records-list", "1 batch, 0 master formulas."),
        ("note", "12", "--what", "foam", "--value", "4", "--photo", "foam.png", *day): ("records-show", "foam.png"),
        ("sample", "batch-12.toml", "--place", "box", *day): ("records-show", "2028-03-05"),
        ("show", "12"): ("records-show", "# 12, cooked in the back room"),
        ("lots", "12"): ("records-lots", "No lot is noted for Water"),
        ("where", "7"): ("records-where", "It went into 1 batch, 4 bottles."),
        ("tests", "12", *day): ("records-tests", "17 tests"),
        ("change", "12", "ph-4c", "--why", "meter", "--low", "4.7", *day): ("records-tests", "4.7 to 5.6 pH"),
        ("result", "12", "ph-4c", "--value", "4.2", "--on", "2026-04-02"): ("records-tests", "below its limit 4.7"),
        ("due", "--on", "2026-04-02"): ("records-due", "Due on 2026-04-02"),
        ("check",): ("records-check", "The store is sound."),
    }
    assert run("keep", "batch-12.toml", *day)[0] == 0
    for command, (schema, words) in said.items():
        code, out, err = run(*command)
        doubt = "tenside: NOT FINISHED. Read the pH." if command[0] == "keep" else ""
        assert (code, err[: len(doubt)], bool(err)) == (0, doubt, bool(doubt)), command
        assert words in " ".join(out.split()), command
        code, out, _ = run(*command, "--markdown")
        assert code == 0
        assert out.startswith("# ")
        code, out, _ = run(*command, "--json")
        assert code == 0
        assert MODELS[schema].model_validate_json(out)  # unknown keys are refused
        assert set(schemas[schema]["properties"]) == set(json.loads(out))


@pytest.mark.parametrize(
    ("command", "words"),
    [
        (("result", "12", "ph-4c", "--value", "5", "--on", "2025-03-05"), "before the batch was made (2026-03-"),
        (("result", "12", "ph-4c", "--value", "5", "--on", "2098-03-05"), "'2098-03-05' lies ahead"),
        (("result", "12", "ph-4c", "--value", "15", "--on", DAY), "pH 15 cannot be"),
        (("note", "12", "--what", "foam", "--value", "4", "--on", "2025-03-05T10:00"), "before the batch was made"),
        (("note", "12", "--what", "foam", "--value", "4", "--on", "2098-03-05T10:00"), "lies ahead"),
        (("note", "12", "--what", "pH", "--value", "15", "--on", DAY), "pH 15 cannot be"),
    ],
)
def test_a_slip_of_a_date_or_a_ph_is_not_kept(run: Run, tmp_path: Path, command: tuple[str, ...], words: str) -> None:
    batch_file(tmp_path, "12", weighed("aqua", 980, ""))
    assert run("keep", "batch-12.toml", "--on", DAY)[0] == 0
    assert run("tests", "12", "--on", DAY)[0] == 0
    kept_so_far = [run(word, "12", "--json")[1] for word in ("show", "tests")]
    code, out, err = run(*command)
    assert (code in (2, 3), out) == (True, "")
    assert words in " ".join(err.split())
    assert [run(word, "12", "--json")[1] for word in ("show", "tests")] == kept_so_far
    assert run("result", "12", "ph-4c", "--value", "5", "--on", DAY)[0] == 0
    assert run("note", "12", "--what", "foam", "--value", "40", "--on", DAY)[0] == 0


def test_a_kept_file_can_be_had_back(run: Run, tmp_path: Path) -> None:
    text = batch_file(tmp_path, "12", weighed("aqua", 800, "W")).read_text(encoding="utf-8")
    run("keep", "batch-12.toml")
    assert run("show", "12", "--out", "again.toml")[0] == 0
    assert (tmp_path / "again.toml").read_text(encoding="utf-8") == text
    code, _, err = run("show", "12", "--out", "again.toml")
    assert code == 3
    assert "would be lost" in err


@pytest.mark.parametrize(
    ("command", "code", "words"),
    [
        (("list",), 3, "there is no such store"),
        (("list", "--store", "text.db"), 3, "this is no store of records"),
        (("list", "--store", "empty.db"), 3, "the store is empty"),
        (("list", "--store", "."), 3, "this is a folder"),
        (("import", "text.db"), 3, "not valid JSON"),
        (("import", "trace.csv"), 3, "not the whole store"),
        (("keep", "nothing.toml"), 3, "no such file"),
        (("due", "--on", "soon"), 2, "is no date"),
        (("result", "12", "ph-4c", "--value", "nan"), 2, "no figure"),
        (("result", "12", "ph-4c", "--value", "5", "--on", "2026-02-30T10:00"), 2, "is no time"),
        (("note", "12", "--what", "foam"), 2, "needs --value"),
    ],
)
def test_what_cannot_be_done_is_told(run: Run, tmp_path: Path, command: tuple[str, ...], code: int, words: str) -> None:
    (tmp_path / "text.db").write_text("this is a text, long enough to be taken for a database file" * 20)
    (tmp_path / "empty.db").touch()
    got, out, err = run(*command)
    assert (got, out) == (code, "")
    assert words in err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["empty.db", "text.db"]


def test_the_page_is_what_the_code_says() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), "run tests/make_records_page.py"


def test_every_column_is_documented() -> None:
    tables = columns_at(VERSION)
    assert {name: set(columns) for name, columns in tables.items()} == {n: set(m) for n, (_, m) in MEANINGS.items()}
    assert all(text for _, columns in MEANINGS.values() for text in columns.values())


def test_a_test_due_today_is_due_and_overdue_only_tomorrow(store: Store, tmp_path: Path) -> None:
    kept(store, batch_file(tmp_path, "12", weighed("aqua", 1, "W")))
    lay(store, "12", "2026-03-03", "2026-03-03")
    day = next(t.on for t in tasks(store, "2026-03-03", 60).tasks if t.on > "2026-03-03")
    later = (datetime.fromisoformat(day) + timedelta(days=1)).date().isoformat()
    assert {t.status for t in tasks(store, day, 0).tasks if t.on == day} == {"due"}
    assert {t.status for t in tasks(store, later, 0).tasks if t.on == day} == {"overdue"}


@pytest.mark.thorough
def test_what_the_library_says_has_the_same_digest_in_every_process() -> None:
    told = "from optimizer.data.library import read_library; from optimizer.files import shipped; "
    told += "from optimizer.records.batches import facts_digest; "
    told += "print([facts_digest(m) for m in read_library([shipped('library')]).materials])"
    said = {
        subprocess.run(
            [sys.executable, "-c", told], env={**os.environ, "PYTHONHASHSEED": seed}, capture_output=True, text=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    }  # fmt: skip
    assert len(said) == 1
    assert len(said.pop()) > 1000


def test_a_later_report_says_what_the_library_has_changed_since(tmp_path: Path) -> None:
    copytree(shipped("scenarios"), tmp_path, dirs_exist_ok=True)
    own = tmp_path / "materials.toml"
    text = (FIRST_FOLDER / "materials.toml").read_text(encoding="utf-8")
    own.write_text(text, encoding="utf-8")
    name = next(line.split('"')[1] for line in text.splitlines() if line.startswith("id = "))
    brief = tmp_path / "mine.toml"
    brief.write_text(
        'library = ["materials.toml"]\n' + (tmp_path / "hand-wash.toml").read_text(encoding="utf-8"), encoding="utf-8"
    )
    formula = tmp_path / "f.csv"
    formula.write_text(f"material,percent\naqua,90\nglycerin,8\n{name},2\n", encoding="utf-8")
    path = tmp_path / "batch.toml"
    for args in (
        ("batch", formula, "--for", brief, "--size", "1kg", "--number", "B1", "--out", path),
        ("records", "keep", path),
    ):
        told = ask(*map(str, args))
        assert told.code == 0, told.err
    show = ("records", "show", "B1", "--store", str(tmp_path / "records.db"))
    assert json.loads(ask(*show, "--json").out)["changed_since"] == []
    assert "says the same of every material as then" in " ".join(ask(*show).out.split())
    own.write_text(text.replace(f'id = "{name}"', f'id = "{name}"\nhandling = "Stir slowly."', 1), encoding="utf-8")
    changed = json.loads(ask(*show, "--json").out)["changed_since"]
    assert changed == [name] or "handling" in text.split(f'id = "{name}"')[1].split("[[")[0]
