"""The test calendar of a batch: laid, changed, read; a wrong reading is struck out, never removed."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from optimizer.bench.batch import batch_from
from optimizer.errors import nearest
from optimizer.files import toml_of
from optimizer.records.batches import LATEST, batch_id, refuse_before, refuse_slips
from optimizer.records.plans import DEFAULT, TestPlan
from optimizer.records.series import Calendar, tests_of
from optimizer.records.store import Store
from optimizer.shell import quoted
from optimizer.units import FIRST_YEAR, LAST_YEAR


def lay(store: Store, number: str, start: str, on: str, plans: Sequence[TestPlan] = DEFAULT) -> Calendar:
    """Lay the default tests for a batch that has none; else return those it has.

    Args:
        store: An open store.
        number: Batch number.
        start: Day 0 (ISO 8601); empty for the day on which the batch was finished, else last weighed.
        on: Today.
        plans: The tests.

    Raises:
        DataError: If there is no such batch, or nobody noted when it was made.
    """
    notes: tuple[str, ...] = ()
    with store.writing():
        row = batch_id(store, number)
        fresh = not store.rows("SELECT 1 FROM test WHERE batch_id = ? LIMIT 1", row)
        if fresh:
            held = store.one(f"SELECT r.* FROM {LATEST} WHERE b.id = ?", row)
            begin = _day_0(store, number, start or held["made_on"][:10])
            refuse_before(store, row, begin.isoformat(), "day 0 is")
            batch = batch_from(toml_of(held["text"], held["file"]), held["file"])
            window = batch.ph_low, batch.ph_high
            if window == (None, None):
                notes = ("The batch file has no ph_low and ph_high: the pH tests have no limits yet.",)
            for plan in plans:
                low, high = window if plan.ph else (None, None)
                days = tuple((begin + timedelta(days=d)).isoformat() for d in plan.days)
                test = store.put(
                    "test", batch_id=row, name=plan.name, what=plan.what, place=plan.place, unit=plan.unit, low=low,
                    high=high, from_date=begin.isoformat(), basis=plan.basis, note=plan.note,
                )  # fmt: skip
                _set_days(store, test, days)
        tests = tests_of(store, row, on)
    return Calendar(batch=number, on=on, laid=fresh, tests=tests, notes=notes)


def _day_0(store: Store, number: str, text: str) -> date:
    step = "Name day 0 with --from DATE."
    if not text:
        raise store.fault("", f"nobody noted when batch '{number}' was made.", step)
    try:
        day = date.fromisoformat(text)
        if not FIRST_YEAR <= day.year <= LAST_YEAR:
            raise ValueError
        return day
    except ValueError:
        raise store.fault("", f"batch '{number}' was made on '{text}', which is no date.", step) from None


def change_test(
    store: Store, number: str, name: str, on: str, why: str, days: Sequence[str] = (), **fields: Any
) -> Calendar:
    """Change a test of a batch, or add one; what was changed when and why is kept in its note.

    Args:
        store: An open store.
        number: Batch number.
        name: Name of the test.
        on: Today.
        why: Why.
        days: All days on which it is due; none leaves them as they are.
        fields: Of `what`, `place`, `unit`, `low`, `high`; None leaves one as it is.

    Raises:
        DataError: If there is no such batch, a new test does not say what is read, or the limits are out of order.
    """
    fields = {k: v for k, v in fields.items() if v is not None}
    with store.writing():
        row = batch_id(store, number)
        found = store.rows("SELECT * FROM test WHERE batch_id = ? AND name = ?", row, name)
        if not found and not (fields.get("what") and days):
            what = f"batch '{number}' has no test '{name}', and a new one needs --what and --due."
            raise store.fault("", what, nearest(name, _names(store, row)))
        empty = {"what": "", "place": "", "unit": "", "low": None, "high": None, "note": ""}
        old = dict(found[0]) if found else empty
        new = {**old, **fields}
        if new["low"] is not None and new["high"] is not None and new["low"] > new["high"]:
            what = f"the lower limit {new['low']:g} is above the upper one {new['high']:g}."
            raise store.fault(name, what, "Swap them.")
        before = [r["on_date"] for r in store.rows("SELECT on_date FROM due WHERE test_id = ?", old.get("id"))]
        steps = [f"{k} {_as_text(old[k])} -> {_as_text(new[k])}" for k in fields if old[k] != new[k]]
        if days and sorted(before) != sorted(days):
            steps.append(f"due {', '.join(sorted(before)) or 'never'} -> {', '.join(sorted(days))}")
        if steps and found:
            new["note"] = f"{old['note']} [{on}: {'; '.join(steps)}: {why}]".strip()
        if found:
            test: int = found[0]["id"]
            store.change("test", test, **{k: new[k] for k in empty})
        else:
            new["note"] = why
            test = store.put("test", batch_id=row, name=name, from_date=on, basis="the maker", **new)
        if days:
            store.remove("due", "test_id = ?", test)
            _set_days(store, test, days)
        return _with(store, row, number, name, on)


def _names(store: Store, batch: int) -> list[str]:
    """Return the names of a batch's tests."""
    return [r["name"] for r in store.rows("SELECT name FROM test WHERE batch_id = ?", batch)]


def _with(store: Store, batch: int, number: str, name: str, on: str) -> Calendar:
    """Return one test of a batch as it stands on a day."""
    tests = tuple(t for t in tests_of(store, batch, on) if t.name == name)
    return Calendar(batch=number, on=on, laid=False, tests=tests)


def add_result(
    store: Store, number: str, name: str, on: str, value: float | None, passed: bool | None, text: str
) -> Calendar:
    """Add a reading to a test and return the test with its limits and drift, as of its last reading.

    Raises:
        DataError: If there is no such batch or test (with the nearest), nothing was read, or it cannot be.
    """
    if value is None and passed is None and not text:
        raise store.fault(name, "the reading is empty.", "Give --value, --passed or --failed, or --text.")
    with store.writing():
        row = batch_id(store, number)
        found = store.rows("SELECT id, unit FROM test WHERE batch_id = ? AND name = ?", row, name)
        if not found:
            known = _names(store, row)
            step = nearest(name, known) if known else f"Lay the tests first: tenside records tests {quoted(number)}"
            raise store.fault("", f"batch '{number}' has no test '{name}'.", step)
        flag = None if passed is None else int(passed)
        store.put("result", test_id=found[0]["id"], on_date=on, value=value, passed=flag, text=text)
        refuse_slips(store, row, on, value, ph=found[0]["unit"].lower() == "ph")
        last = store.one("SELECT max(on_date) AS day FROM result WHERE test_id = ?", found[0]["id"])["day"]
        return _with(store, row, number, name, last[:10])


def strike(store: Store, number: int, on: str, why: str) -> Calendar:
    """Strike a reading out: it stays, with the reason, and counts no more.

    Args:
        store: An open store.
        number: Number of the reading.
        on: Today.
        why: Why it does not count.

    Raises:
        DataError: If there is no such reading, or it is struck out already.
    """
    sql = (
        "SELECT t.name, t.batch_id, b.number, r.on_date FROM result r JOIN test t ON t.id = r.test_id "
        "JOIN batch b ON b.id = t.batch_id WHERE r.id = ?"
    )
    with store.writing():
        found = store.rows(sql, number)
        if not found:
            raise store.fault("", f"there is no reading {number}.", "'tenside records tests BATCH' shows the numbers.")
        if store.rows("SELECT 1 FROM struck WHERE result_id = ?", number):
            raise store.fault("", f"reading {number} is struck out already.", "There is nothing to do.")
        store.put("struck", result_id=number, on_date=on, why=why)
        test = found[0]
        return _with(store, test["batch_id"], test["number"], test["name"], max(on, test["on_date"][:10]))


def _as_text(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value) if value else "none"


def _set_days(store: Store, test: int, days: Sequence[str]) -> None:
    for day in sorted(set(days)):
        store.put("due", test_id=test, on_date=day)
