"""The test calendar of a batch: laid, changed, read, and what is due; limits and drift are told, never hidden."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import tomli

from optimizer.errors import nearest
from optimizer.records.batches import LATEST, batch_id
from optimizer.records.drift import Trend, alarms, trend
from optimizer.records.plans import DEFAULT, Plan
from optimizer.records.store import Store, Told

EARLY = 0.1
"""A reading counts for a due day from this share of its age before it (common practice, no source)."""


class Due(Told):
    """A day on which a test is to be read."""

    on: str
    status: str
    """met, coming, overdue, or missed (the next reading's time has come)."""


class Reading(Told):
    """A reading of a test."""

    on: str
    value: float | None
    passed: bool | None
    """As judged by whoever read it; null if nobody judged."""
    within: bool | None
    """Whether the value keeps its limits; null without a value or limits."""
    text: str


class Test(Told):
    """A series of readings of a batch."""

    name: str
    what: str
    place: str
    unit: str
    low: float | None
    high: float | None
    from_date: str
    basis: str
    note: str
    due: tuple[Due, ...]
    readings: tuple[Reading, ...]
    trend: Trend | None
    alarms: tuple[str, ...]


class Calendar(Told):
    """The tests of a batch on a day."""

    batch: str
    on: str
    laid: bool
    """Whether this command laid them."""
    tests: tuple[Test, ...]
    notes: tuple[str, ...] = ()


class Task(Told):
    """Something that is to be done."""

    batch: str
    what: str
    place: str
    name: str
    """Name of the test; empty for a retained sample."""
    on: str
    status: str
    """coming or overdue; for a retained sample: its time is over on that day."""


class Tasks(Told):
    """What is to be done on a day, and the alarms that stand."""

    on: str
    until: str
    tasks: tuple[Task, ...]
    alarms: tuple[str, ...]


def lay(store: Store, number: str, start: str, on: str, plans: Sequence[Plan] = DEFAULT) -> Calendar:
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
            held = store.rows(f"SELECT r.* FROM {LATEST} WHERE b.id = ?", row)[0]
            begin = (start or held["made_on"])[:10]
            if not begin:
                what = f"nobody noted when batch '{number}' was made."
                raise store.fault("", what, "Name day 0 with --from DATE.")
            content = tomli.loads(held["text"])
            window = content.get("ph_low"), content.get("ph_high")
            if window == (None, None):
                notes = ("The batch file has no ph_low and ph_high: the pH tests have no limits yet.",)
            for plan in plans:
                low, high = window if plan.ph else (None, None)
                days = tuple((date.fromisoformat(begin) + timedelta(days=d)).isoformat() for d in plan.days)
                test = store.put(
                    "test", batch_id=row, name=plan.name, what=plan.what, place=plan.place, unit=plan.unit, low=low,
                    high=high, from_date=begin, basis=plan.basis, note=plan.note,
                )  # fmt: skip
                _set_days(store, test, days)
        tests = _tests(store, row, on)
    return Calendar(batch=number, on=on, laid=fresh, tests=tests, notes=notes)


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
            known = [r["name"] for r in store.rows("SELECT name FROM test WHERE batch_id = ?", row)]
            what = f"batch '{number}' has no test '{name}', and a new one needs --what and --due."
            raise store.fault("", what, nearest(name, known))
        empty = {"what": "", "place": "", "unit": "", "low": None, "high": None, "note": ""}
        old = dict(found[0]) if found else empty
        new = {**old, **fields}
        if new["low"] is not None and new["high"] is not None and new["low"] > new["high"]:
            what = f"the lower limit {new['low']:g} is above the upper one {new['high']:g}."
            raise store.fault(name, what, "Swap them.")
        before = [r["on_date"] for r in store.rows("SELECT on_date FROM due WHERE test_id = ?", old.get("id"))]
        steps = [f"{k} {_said(old[k])} -> {_said(new[k])}" for k in fields if old[k] != new[k]]
        if days and sorted(before) != sorted(days):
            steps.append(f"due {', '.join(sorted(before)) or 'never'} -> {', '.join(sorted(days))}")
        if steps and found:
            new["note"] = f"{old['note']} [{on}: {'; '.join(steps)}: {why}]".strip()
        if found:
            values = [new[k] for k in empty]
            store.rows(f"UPDATE test SET {', '.join(f'{k} = ?' for k in empty)} WHERE id = ?", *values, old["id"])
            test: int = found[0]["id"]
        else:
            new["note"] = why
            test = store.put("test", batch_id=row, name=name, from_date=on, basis="the maker", **new)
        if days:
            store.rows("DELETE FROM due WHERE test_id = ?", test)
            _set_days(store, test, days)
        tests = tuple(t for t in _tests(store, row, on) if t.name == name)
    return Calendar(batch=number, on=on, laid=False, tests=tests)


def add_result(
    store: Store, number: str, name: str, on: str, value: float | None, passed: bool | None, text: str
) -> Calendar:
    """Add a reading to a test and return the test with its limits and drift.

    Raises:
        DataError: If there is no such batch or test (with the nearest), or nothing was read.
    """
    if value is None and passed is None and not text:
        raise store.fault(name, "the reading is empty.", "Give --value, --passed or --failed, or --text.")
    with store.writing():
        row = batch_id(store, number)
        found = store.rows("SELECT id FROM test WHERE batch_id = ? AND name = ?", row, name)
        if not found:
            known = [r["name"] for r in store.rows("SELECT name FROM test WHERE batch_id = ?", row)]
            step = nearest(name, known) if known else f"Lay the tests first: tenside records tests {number}."
            raise store.fault("", f"batch '{number}' has no test '{name}'.", step)
        flag = None if passed is None else int(passed)
        store.put("result", test_id=found[0]["id"], on_date=on, value=value, passed=flag, text=text)
        tests = tuple(t for t in _tests(store, row, on[:10]) if t.name == name)
    return Calendar(batch=number, on=on[:10], laid=False, tests=tests)


def tasks(store: Store, on: str, ahead_days: int) -> Tasks:
    """Return what is overdue on a day or comes due within `ahead_days`, over all batches, and the alarms that stand."""
    until = (date.fromisoformat(on) + timedelta(days=ahead_days)).isoformat()
    found, told = [], []
    with store.reading():
        for batch in store.rows("SELECT * FROM batch ORDER BY number"):
            for test in _tests(store, batch["id"], on):
                told += [f"Batch {batch['number']}, {test.name}: {a}" for a in test.alarms]
                for due in test.due:
                    if due.status in ("coming", "overdue") and due.on <= until:
                        what, place = test.what, test.place
                        found.append(
                            Task(batch=batch["number"], what=what, place=place, name=test.name, on=due.on,
                                 status=due.status)
                        )  # fmt: skip
            for s in store.rows("SELECT * FROM sample WHERE batch_id = ? AND until <= ?", batch["id"], until):
                status = "overdue" if s["until"] <= on else "coming"
                what = "retained sample may go"
                found.append(
                    Task(batch=batch["number"], what=what, place=s["place"], name="", on=s["until"], status=status)
                )
    found.sort(key=lambda t: (t.on, t.batch, t.name, t.place))
    return Tasks(on=on, until=until, tasks=tuple(found), alarms=tuple(told))


def _said(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value) if value else "none"


def _set_days(store: Store, test: int, days: Sequence[str]) -> None:
    for day in sorted(set(days)):
        store.put("due", test_id=test, on_date=day)


def _tests(store: Store, batch: int, on: str) -> tuple[Test, ...]:
    return tuple(
        _test(store, row, on) for row in store.rows("SELECT * FROM test WHERE batch_id = ? ORDER BY id", batch)
    )


def _test(store: Store, row: Any, on: str) -> Test:
    low, high = row["low"], row["high"]
    results = store.rows("SELECT * FROM result WHERE test_id = ? ORDER BY on_date, id", row["id"])
    days = [r["on_date"] for r in store.rows("SELECT on_date FROM due WHERE test_id = ? ORDER BY on_date", row["id"])]
    values = tuple((r["on_date"], r["value"]) for r in results if r["value"] is not None)
    line = trend(values, low, high)
    failed = tuple(f"{row['what']} was judged as failed on {r['on_date']}." for r in results if r["passed"] == 0)
    return Test(
        name=row["name"],
        what=row["what"],
        place=row["place"],
        unit=row["unit"],
        low=low,
        high=high,
        from_date=row["from_date"],
        basis=row["basis"],
        note=row["note"],
        due=_statuses(days, [r["on_date"][:10] for r in results], row["from_date"], on),
        readings=tuple(
            Reading(
                on=r["on_date"],
                value=r["value"],
                passed=None if r["passed"] is None else bool(r["passed"]),
                within=_within(r["value"], low, high),
                text=r["text"],
            )
            for r in results
        ),
        trend=line,
        alarms=(*failed, *alarms(row["what"], values, low, high, line)),
    )


def _within(value: float | None, low: float | None, high: float | None) -> bool | None:
    if value is None or (low is None and high is None):
        return None
    return (low is None or value >= low) and (high is None or value <= high)


def _statuses(days: list[str], read: list[str], start: str, on: str) -> tuple[Due, ...]:
    """Return each due day with its status; a reading counts from a tenth of the age before it, to the next one's."""
    opens = [_opens(day, start) for day in days]
    found = []
    for k, day in enumerate(days):
        closes = opens[k + 1] if k + 1 < len(days) else "9999"
        if any(opens[k] <= r < closes for r in read):
            status = "met"
        elif on < day:
            status = "coming"
        else:
            status = "missed" if on >= closes else "overdue"
        found.append(Due(on=day, status=status))
    return tuple(found)


def _opens(day: str, start: str) -> str:
    age = (date.fromisoformat(day) - date.fromisoformat(start)).days
    return (date.fromisoformat(day) - timedelta(days=int(EARLY * max(age, 0)))).isoformat()
