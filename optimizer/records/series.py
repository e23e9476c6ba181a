"""Series of readings as they stand on a day: what is due, what was read, which limits and drifts are told."""

from datetime import date, timedelta
from typing import Any

from optimizer.records.drift import Trend, alarms, trend
from optimizer.records.store import Printed, Store, StoreAnswer

EARLY = 0.1
"""A reading counts for a due day from this share of its age before it (common practice, no source)."""


class Due(StoreAnswer):
    """A day on which a test is to be read."""

    on: str
    status: str
    """met, coming, due (today), overdue, or missed (the next reading's time has come)."""


class SeriesReading(StoreAnswer):
    """A reading of a test."""

    number: int
    """Number of the row, by which it can be struck out."""
    on: str
    value: float | None
    passed: bool | None
    """As judged by whoever read it; null if nobody judged."""
    within: bool | None
    """Whether the value keeps its limits; null without a value or limits."""
    text: str
    struck: str
    """Why it does not count; empty if it counts."""


class Test(StoreAnswer):
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
    readings: tuple[SeriesReading, ...]
    trend: Trend | None
    alarms: tuple[str, ...]


class Calendar(Printed):
    """The tests of a batch on a day."""

    batch: str
    on: str
    laid: bool
    """Whether this command laid them."""
    tests: tuple[Test, ...]
    notes: tuple[str, ...] = ()


class Task(StoreAnswer):
    """Something that is to be done."""

    batch: str
    what: str
    place: str
    name: str
    """Name of the test; empty for a retained sample."""
    on: str
    status: str
    """coming, due (today) or overdue; for a retained sample: its time is over on that day."""


class Tasks(Printed):
    """What is to be done on a day, and the alarms that stand."""

    on: str
    until: str
    tasks: tuple[Task, ...]
    alarms: tuple[str, ...]


def tasks(store: Store, on: str, ahead_days: int) -> Tasks:
    """Return what is overdue on a day or comes due within `ahead_days`, over all batches, and the alarms that stand."""
    until = (date.fromisoformat(on) + timedelta(days=ahead_days)).isoformat()
    found, told = [], []
    with store.reading():
        for batch in store.rows("SELECT * FROM batch ORDER BY number"):
            for test in tests_of(store, batch["id"], on):
                told += [f"Batch {batch['number']}, {test.name}: {a}" for a in test.alarms]
                found += [
                    Task(batch=batch["number"], what=test.what, place=test.place, name=test.name, **due.model_dump())
                    for due in test.due
                    if due.status in ("coming", "due", "overdue") and due.on <= until
                ]
            for s in store.rows("SELECT * FROM sample WHERE batch_id = ? AND until <= ?", batch["id"], until):
                status = "overdue" if s["until"] < on else "due" if s["until"] == on else "coming"
                what = "retained sample may go"
                found.append(
                    Task(batch=batch["number"], what=what, place=s["place"], name="", on=s["until"], status=status)
                )
    found.sort(key=lambda t: (t.on, t.batch, t.name, t.place))
    return Tasks(on=on, until=until, tasks=tuple(found), alarms=tuple(told))


def tests_of(store: Store, batch: int, on: str) -> tuple[Test, ...]:
    """Return the tests of a batch as they stood on a day, in the order in which they were laid."""
    return tuple(
        _test(store, row, on) for row in store.rows("SELECT * FROM test WHERE batch_id = ? ORDER BY id", batch)
    )


def _test(store: Store, row: Any, on: str) -> Test:
    """Return a test as it stood on a day; what was read later is left out."""
    low, high = row["low"], row["high"]
    sql = (
        "SELECT r.*, r.on_date AS read_on, coalesce(s.why, '') AS struck "
        "FROM result r LEFT JOIN struck s ON s.result_id = r.id "
        "WHERE r.test_id = ? AND substr(r.on_date, 1, 10) <= ? ORDER BY r.on_date, r.id"
    )
    read = store.rows(sql, row["id"], on)
    results = [r for r in read if not r["struck"]]
    due = store.rows("SELECT on_date AS due_on FROM due WHERE test_id = ? ORDER BY on_date", row["id"])
    values = tuple((r["on_date"], r["value"]) for r in results if r["value"] is not None)
    line = trend(values, low, high)
    failed = tuple(f"{row['what']} was judged as failed on {r['on_date']}." for r in results if r["passed"] == 0)
    return Test.of(
        row,
        due=_statuses([r["due_on"] for r in due], [r["on_date"][:10] for r in results], row["from_date"], on),
        readings=tuple(
            SeriesReading.of(
                r,
                number=r["id"],
                passed=None if r["passed"] is None else bool(r["passed"]),
                within=_within(r["value"], low, high),
            )
            for r in read
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
            status = "missed" if on >= closes else "due" if on == day else "overdue"
        found.append(Due(on=day, status=status))
    return tuple(found)


def _opens(day: str, start: str) -> str:
    age = (date.fromisoformat(day) - date.fromisoformat(start)).days
    return (date.fromisoformat(day) - timedelta(days=int(EARLY * max(age, 0)))).isoformat()
