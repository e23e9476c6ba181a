"""Test calendars and what is due, as documents."""

from __future__ import annotations

from typing import TYPE_CHECKING

from optimizer.report.document import Document, Listing, Row, Section, Table, figures, filled
from optimizer.report.records import Sections, many
from optimizer.units import number

if TYPE_CHECKING:
    from optimizer.records.series import Calendar, SeriesReading, Tasks, Test

CAUTIONS = (
    "Hold a batch back until its pH, viscosity, look and filled mass are recorded; keep a sample of every batch, and "
    "its records as long as the law where it is sold asks. One US state asks for two years after distribution, and a "
    "sample of twice what the tests need for two years (Nevada Administrative Code 585.750 to 585.785).",
    "Limits kept on the bench are neither a safety assessment nor a challenge test; a passed batch does not clear the "
    "next one.",
)


def calendar_document(found: Calendar) -> Document:
    """Return the tests of a batch, their limits, days, readings and alarms."""
    lines = [f"{t.name}: {a}" for t in found.tests for a in t.alarms]
    verdict = f"{many(len(found.tests), 'test')}{' laid' if found.laid else ''}."
    verdict += f" {many(len(lines), 'alarm')}." if lines else ""
    rows = tuple((t.name, t.what, t.place, _limits(t), _days(t)) for t in found.tests)
    sections: Sections = [Listing("Alarms", tuple(lines), "caution")]
    heads = ("test", "read", "where", "limits", "due")
    note = "* due today, ! overdue, + read, - missed; the others are to come."
    sections.append(Table(f"Tests, as of {found.on}", heads, rows, note))
    read = tuple(_reading(t, r) for t in found.tests for r in t.readings)
    sections += filled(Table("Readings", ("test", "on", *figures("value"), "unit", "", "said", *figures("no.")), read))
    sections.append(Listing("How, and who asks for it", _hows(found.tests)))
    sections.append(Listing("Cautions", (*found.notes, *CAUTIONS), "caution"))
    return Document(f"Batch {found.batch}", verdict, (), sections, good=not lines)


def _hows(tests: tuple[Test, ...]) -> tuple[str, ...]:
    """Return how tests are done and their basis; tests that share both share a line."""
    grouped: dict[tuple[str, str], list[str]] = {}
    for test in tests:
        grouped.setdefault((test.note, test.basis), []).append(test.name)
    return tuple(
        f"{', '.join(names)}: {note} ({basis})".replace(":  (", ": (") for (note, basis), names in grouped.items()
    )


def _limits(test: Test) -> str:
    low, high = test.low, test.high
    if low is not None and high is not None:
        return f"{number(low)} to {number(high)} {test.unit}"
    if low is not None:
        return f"at least {number(low)} {test.unit}"
    return f"at most {number(high)} {test.unit}" if high is not None else "judged" if not test.unit else "none set"


def _days(test: Test) -> str:
    marks = {"met": "+", "coming": "", "due": "*", "overdue": "!", "missed": "-"}
    return "; ".join(marks[d.status] + d.on for d in test.due)


def _reading(test: Test, reading: SeriesReading) -> Row:
    unit = test.unit if reading.value is not None else ""
    said = "; ".join(part for part in (reading.text, f"struck out: {reading.struck}" if reading.struck else "") if part)
    judged = "" if reading.struck else _judged(reading.within, reading.passed)
    return test.name, reading.on, reading.value, unit, judged, said, reading.number


def _judged(within: bool | None, passed: bool | None) -> str:
    words = []
    if within is not None:
        words.append("within" if within else "OUTSIDE")
    if passed is not None:
        words.append("passed" if passed else "FAILED")
    return ", ".join(words)


def tasks_document(found: Tasks) -> Document:
    """Return what is to be done."""
    overdue = sum(1 for t in found.tasks if t.status == "overdue")
    today = sum(1 for t in found.tasks if t.status == "due")
    verdict = f"{len(found.tasks)} due by {found.until}, {today} of them today, {overdue} overdue."
    verdict = verdict if found.tasks else "Nothing is due."
    grouped: dict[tuple[str, str, str, str], list[str]] = {}
    for t in found.tasks:
        grouped.setdefault((t.on, t.batch, t.place, t.status), []).append(t.name or t.what)
    rows = tuple((on, batch, where, ", ".join(names), status) for (on, batch, where, status), names in grouped.items())
    todo = Table("To do", ("on", "batch", "where", "tests", ""), rows)
    sections: tuple[Section, ...] = (Listing("Alarms", found.alarms, "caution"), *filled(todo))
    return Document(f"Due on {found.on}", verdict, (), sections, good=not (overdue or found.alarms))
