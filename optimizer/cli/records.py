"""`tenside records ...`: what was made, of what, and how it fared."""

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.cli.common import (
    Changes,
    Json,
    Libraries,
    Markdown,
    ShelfFile,
    app,
    changes_of,
    print_json,
    quiet_solvers,
    show,
)
from optimizer.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from optimizer.records.calendar import Calendar
    from optimizer.records.store import Told
    from optimizer.report.document import Document

DEFAULT = "records.db"

records_app = typer.Typer(
    help="Master formulas, batches, lots, readings and tests that are kept.", no_args_is_help=True
)
app.add_typer(records_app, name="records")

StoreFile = Annotated[
    Path | None, typer.Option("--store", help="The store; else records.db beside the batch file, or in this folder.")
]
BatchName = Annotated[str, typer.Argument(metavar="BATCH", help="Batch number, or its batch file.")]
On = Annotated[str, typer.Option("--on", help="Date (ISO 8601, such as 2026-05-04); today if it is left out.")]


@records_app.command()
def keep(
    batch: Annotated[Path, typer.Argument(help="Batch file.")],
    shelf: ShelfFile = None,
    on: On = "",
    store: StoreFile = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Take a batch file into the store, with its photos; taken again, it becomes a further revision.

    The store is made if it is not there. --shelf says which supplier each lot came from.
    """
    from optimizer.records.batches import incoming_of
    from optimizer.records.batches import keep as run_keep
    from optimizer.records.store import open_store
    from optimizer.report.records import kept_document

    incoming, today = incoming_of(batch, shelf), _day(on)
    with open_store(store or batch.parent / DEFAULT, make=True) as opened:
        kept = run_keep(opened, incoming, today)
    _answer(kept, json, markdown, lambda: kept_document(kept))


@records_app.command()
def master(
    subject: Annotated[str, typer.Argument(help="A scenario, a formula (.csv, .xlsx, .json) or a batch file.")],
    why: Annotated[str, typer.Option(help="What changed, and why.")],
    name: Annotated[str, typer.Option(help="Name of the master formula; else the subject's.")] = "",
    against: Annotated[str, typer.Option("--for", help="Scenario that a formula is held against.")] = "",
    changes: Changes = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
    on: On = "",
    store: StoreFile = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Keep a formula as the next version of a master formula, and show what differs from the last one."""
    from optimizer.records.masters import add_version
    from optimizer.records.store import open_store
    from optimizer.report.records import version_document
    from optimizer.subject import subject_of

    if not why.strip():
        raise UsageError("--why: say what changed and why.")
    today = _day(on)
    with quiet_solvers():
        found = subject_of(subject, against=against, changes=changes_of(changes), shelf=shelf, libraries=library)
    called = name or found.name
    with open_store(store or Path(DEFAULT), make=True) as opened:
        added = add_version(opened, called, found.brief, found.formula, found.setting, why=why.strip(), on=today)
    _answer(added, json, markdown, lambda: version_document(added))


@records_app.command()
def versions(
    name: Annotated[str, typer.Argument(help="Master formula (see 'tenside records list').")],
    store: StoreFile = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """All versions of a master formula, newest first, each against the one before it."""
    from optimizer.records.masters import versions_of
    from optimizer.records.store import open_store
    from optimizer.report.records import versions_document

    with open_store(store or Path(DEFAULT)) as opened:
        found = versions_of(opened, name)
    _answer(found, json, markdown, lambda: versions_document(found))


@records_app.command("list")
def list_command(store: StoreFile = None, markdown: Markdown = False, json: Json = False) -> None:
    """List batches and master formulas."""
    from optimizer.records.overview import overview
    from optimizer.records.store import open_store
    from optimizer.report.records import list_document

    with open_store(store or Path(DEFAULT)) as opened:
        found = overview(opened)
    _answer(found, json, markdown, lambda: list_document(found))


@records_app.command("show")
def show_command(
    batch: BatchName,
    revision: Annotated[int | None, typer.Option(help="An earlier revision.", min=1)] = None,
    out: Annotated[Path | None, typer.Option(help="Write the batch file as it was kept.")] = None,
    store: StoreFile = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """A batch: its file as it was kept, its readings and retained samples."""
    from optimizer.files import write_atomic
    from optimizer.records.overview import shown
    from optimizer.records.store import open_store
    from optimizer.report.records import batch_document

    path, number = _place(batch, store)
    with open_store(path) as opened:
        found = shown(opened, number, revision)
    if out is not None:
        write_atomic(out, found.text)
    _answer(found, json, markdown, lambda: batch_document(found, file=True))


@records_app.command()
def lots(batch: BatchName, store: StoreFile = None, markdown: Markdown = False, json: Json = False) -> None:
    """Which lots went into a batch."""
    from optimizer.records.lots import lots_of
    from optimizer.records.store import open_store
    from optimizer.report.records import lots_document

    path, number = _place(batch, store)
    with open_store(path) as opened:
        found = lots_of(opened, number)
    _answer(found, json, markdown, lambda: lots_document(found))


@records_app.command()
def where(
    lot: Annotated[str, typer.Argument(help="Lot as it was written.")],
    material: Annotated[str, typer.Option(help="Only this material.")] = "",
    store: StoreFile = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Where a lot went: batches, bottles, retained samples."""
    from optimizer.records.lots import where_lot
    from optimizer.records.store import open_store
    from optimizer.report.records import where_document

    with open_store(store or Path(DEFAULT)) as opened:
        found = where_lot(opened, lot, material)
    _answer(found, json, markdown, lambda: where_document(found))


@records_app.command()
def note(
    batch: BatchName,
    what: Annotated[str, typer.Option(help="What was read: foam, feel, clarity, viscosity, odour, colour, pH ...")],
    value: Annotated[float | None, typer.Option(help="The figure.")] = None,
    unit: Annotated[str, typer.Option(help="Its unit; 'judged' for a rating by eye, hand or nose.")] = "",
    text: Annotated[str, typer.Option(help="In words.")] = "",
    temperature: Annotated[float | None, typer.Option(help="Of the product, degC.", min=0, max=100)] = None,
    photo: Annotated[Path | None, typer.Option(help="Picture, at most 5 MB; it is copied into the store.")] = None,
    on: On = "",
    store: StoreFile = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Add a reading to a batch, perhaps with a photo."""
    from optimizer.bench.batch import Observation
    from optimizer.records.batches import note as run_note
    from optimizer.records.overview import shown
    from optimizer.records.store import open_store
    from optimizer.report.records import batch_document

    if value is None and not text and photo is None:
        raise UsageError("a note needs --value, --text or --photo.")
    if not 0 < len(what) <= 80:
        raise UsageError("--what: name what was read, in at most 80 characters.")
    path, number = _place(batch, store)
    seen = Observation(
        what=what, value=_finite(value), unit=unit, text=text, temperature_c=temperature, on=_time(on),
        photo="" if photo is None else photo.name,
    )  # fmt: skip
    with open_store(path) as opened:
        run_note(opened, number, seen, Path() if photo is None else photo.parent)
        found = shown(opened, number)
    _answer(found, json, markdown, lambda: batch_document(found))


@records_app.command()
def sample(
    batch: BatchName,
    place: Annotated[str, typer.Option(help="Where it is kept.")],
    until: Annotated[
        str, typer.Option(help="Kept until; else two years (as one US state asks, Nevada Administrative Code 585).")
    ] = "",
    grams: Annotated[float | None, typer.Option(help="How much, g.", min=0)] = None,
    text: Annotated[str, typer.Option(help="A remark.")] = "",
    on: On = "",
    store: StoreFile = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Record a retained sample."""
    from optimizer.records.batches import put_away
    from optimizer.records.overview import shown
    from optimizer.records.store import open_store
    from optimizer.report.records import batch_document

    if not place.strip():
        raise UsageError("--place: say where the sample is kept.")
    path, number = _place(batch, store)
    today = _day(on)
    last = _day(until) if until else _years_on(today, 2)
    with open_store(path) as opened:
        put_away(opened, number, today, place, last, _finite(grams), text)
        found = shown(opened, number)
    _answer(found, json, markdown, lambda: batch_document(found))


@records_app.command("tests")
def calendar(
    batch: BatchName,
    start: Annotated[str, typer.Option("--from", help="Day 0; else the day on which the batch was finished.")] = "",
    on: On = "",
    store: StoreFile = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Lay the default test calendar of a batch, or show the one it has: stability, freeze-thaw, challenge test, pH."""
    from optimizer.records.calendar import lay
    from optimizer.records.store import open_store

    path, number = _place(batch, store)
    begin, today = _day(start) if start else "", _day(on)
    with open_store(path) as opened:
        found = lay(opened, number, begin, today)
    _answer_calendar(found, json, markdown)


@records_app.command()
def change(
    batch: BatchName,
    name: Annotated[str, typer.Argument(help="Short name of the test; a new one is added.")],
    why: Annotated[str, typer.Option(help="Why; it is kept.")],
    what: Annotated[str | None, typer.Option(help="What is read.")] = None,
    place: Annotated[str | None, typer.Option(help="Condition.")] = None,
    unit: Annotated[str | None, typer.Option(help="Unit of the readings.")] = None,
    low: Annotated[float | None, typer.Option(help="Lower limit.")] = None,
    high: Annotated[float | None, typer.Option(help="Upper limit.")] = None,
    due: Annotated[
        str, typer.Option(help="All days on which it is to be read, DATE,DATE; replaces the old ones.")
    ] = "",
    on: On = "",
    store: StoreFile = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Change a test of a batch or add one: limits, days, condition. Old values and the reason are kept."""
    from optimizer.records.calendar import change_test
    from optimizer.records.store import open_store

    if not why.strip():
        raise UsageError("--why: say why.")
    path, number = _place(batch, store)
    days = tuple(_day(part.strip()) for part in due.split(",")) if due else ()
    fields = {"what": what, "place": place, "unit": unit, "low": _finite(low), "high": _finite(high)}
    today = _day(on)
    with open_store(path) as opened:
        found = change_test(opened, number, name, today, why.strip(), days, **fields)
    _answer_calendar(found, json, markdown)


@records_app.command()
def result(
    batch: BatchName,
    test_name: Annotated[str, typer.Argument(metavar="TEST", help="Short name of the test.")],
    value: Annotated[float | None, typer.Option(help="The figure, in the test's unit.")] = None,
    passed: Annotated[bool | None, typer.Option("--passed/--failed", help="As judged by whoever read it.")] = None,
    text: Annotated[str, typer.Option(help="In words.")] = "",
    on: On = "",
    store: StoreFile = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Add a reading to a test; tells what leaves its limits and where the readings are drifting."""
    from optimizer.records.calendar import add_result
    from optimizer.records.store import open_store

    path, number = _place(batch, store)
    time = _time(on)
    with open_store(path) as opened:
        found = add_result(opened, number, test_name, time, _finite(value), passed, text)
    _answer_calendar(found, json, markdown)


@records_app.command()
def due(
    on: On = "",
    ahead: Annotated[int, typer.Option(help="Look this many days ahead.", min=0, max=3660)] = 14,
    store: StoreFile = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """What is to be read or thrown away on a day, over all batches, and the alarms that stand."""
    from optimizer.records.calendar import tasks
    from optimizer.records.store import open_store
    from optimizer.report.records import tasks_document

    today = _day(on)
    with open_store(store or Path(DEFAULT)) as opened:
        found = tasks(opened, today, ahead)
    _answer(found, json, markdown, lambda: tasks_document(found))


@records_app.command()
def export(
    out: Annotated[Path, typer.Argument(help="Folder or .json: everything. .csv: the trace of lots alone.")],
    store: StoreFile = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Write the store as plain files; a folder or a .json can be put back with 'records import'."""
    from optimizer.records.exchange import save
    from optimizer.records.store import open_store
    from optimizer.report.records import moved_document

    with open_store(store or Path(DEFAULT)) as opened:
        moved = save(opened, out)
    _answer(moved, json, markdown, lambda: moved_document(moved, "Written"))


@records_app.command("import")
def import_command(
    source: Annotated[Path, typer.Argument(help="Folder or .json that 'records export' wrote.")],
    store: Annotated[Path, typer.Option("--store", help="A new store.")] = Path(DEFAULT),
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Put an export back, into a new store."""
    from optimizer.records.exchange import put_back, read_export
    from optimizer.records.store import open_store
    from optimizer.report.records import moved_document

    taken = read_export(source)
    with open_store(store, make=True) as opened:
        moved = put_back(opened, taken)
    _answer(moved, json, markdown, lambda: moved_document(moved, f"Put back into {store}"))


@records_app.command()
def check(store: StoreFile = None, markdown: Markdown = False, json: Json = False) -> None:
    """Check the store: the file, its references, photos and batch files."""
    from optimizer.records.checking import check_store
    from optimizer.records.store import open_store
    from optimizer.report.records import soundness_document

    with open_store(store or Path(DEFAULT)) as opened:
        found = check_store(opened)
    _answer(found, json, markdown, lambda: soundness_document(found))
    raise typer.Exit(0 if found.sound else 3)


def _place(batch: str, store: Path | None) -> tuple[Path, str]:
    """Return the store and the batch number of what stands on the command line."""
    if not batch.endswith(".toml"):
        return store or Path(DEFAULT), batch
    from optimizer.bench.batch import read_batch

    path = Path(batch)
    return store or path.parent / DEFAULT, read_batch(path).batch


def _day(text: str) -> str:
    """Return a date as ISO 8601, today if it is empty."""
    try:
        return (date.fromisoformat(text) if text else date.today()).isoformat()
    except ValueError:
        raise UsageError(f"'{text}' is no date; write it as 2026-05-04.") from None


def _time(text: str) -> str:
    """Return a date, perhaps with the time to the minute, as ISO 8601; today if it is empty."""
    if "T" not in text and " " not in text.strip():
        return _day(text)
    try:
        return datetime.fromisoformat(text).replace(tzinfo=None).isoformat(timespec="minutes")
    except ValueError:
        raise UsageError(f"'{text}' is no time; write it as 2026-05-04T14:30.") from None


def _years_on(day: str, years: int) -> str:
    """Return the same day some years later; 29 February becomes 1 March."""
    then = date.fromisoformat(day)
    try:
        return then.replace(year=then.year + years).isoformat()
    except ValueError:
        return date(then.year + years, 3, 1).isoformat()


def _finite(value: float | None) -> float | None:
    from math import isfinite

    if value is not None and not isfinite(value):
        raise UsageError(f"{value} is no figure that can be kept.")
    return value


def _answer_calendar(found: "Calendar", json: bool, markdown: bool) -> None:
    from optimizer.report.records import calendar_document

    _answer(found, json, markdown, lambda: calendar_document(found))


def _answer(told: "Told", json: bool, markdown: bool, document: "Callable[[], Document]") -> None:
    if json:
        print_json(told)
    else:
        show(document(), markdown)
