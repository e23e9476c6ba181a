"""`tenside records note | sample | tests | change | result | strike | due`: readings, samples and tests of batches."""

from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.answers.days import day_of, time_of, years_on
from optimizer.answers.kept import DEFAULT
from optimizer.cli.common import On, aside, command
from optimizer.cli.records import BatchName, StoreFile, place_of, records_app
from optimizer.errors import UsageError


@command(records_app)
def note(
    batch: BatchName,
    what: Annotated[str, typer.Option(help="What was read: foam, feel, clarity, viscosity, odour, colour, pH ...")],
    value: Annotated[float | None, typer.Option(help="The figure.")] = None,
    unit: Annotated[str, typer.Option(help="Its unit; 'judged' for a rating by eye, hand or nose.")] = "",
    text: Annotated[str, typer.Option(help="In words.")] = "",
    temperature: Annotated[float | None, typer.Option(help="Of the product, °C.", min=0, max=100)] = None,
    photo: Annotated[Path | None, typer.Option(help="Picture, at most 10 MB; it is copied into the store.")] = None,
    on: On = "",
    store: StoreFile = None,
) -> Answer[Any]:
    """Add a reading to a batch, perhaps with a photo."""
    from optimizer.bench.batch import Observation
    from optimizer.records.batches import note as run_note
    from optimizer.records.overview import shown
    from optimizer.records.store import open_store

    if value is None and not text and photo is None:
        raise UsageError("a note needs --value, --text or --photo.")
    if not 0 < len(what) <= 80:
        raise UsageError("--what: name what was read, in at most 80 characters.")
    path, number = place_of(batch, store)
    seen = Observation(
        what=what, value=_finite(value), unit=unit, text=text, temperature_c=temperature, on=time_of(on),
        photo="" if photo is None else photo.name,
    )  # fmt: skip
    with open_store(path) as opened:
        cleaned = run_note(opened, number, seen, Path() if photo is None else photo.parent)
        found = shown(opened, number)
    if cleaned and photo is not None:
        aside(f"{photo.name}: kept without place, owner and other notes of the camera; your own file is as it was")
    return Answer("records show", found)


@command(records_app)
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
) -> Answer[Any]:
    """Record a retained sample."""
    from optimizer.records.batches import put_away
    from optimizer.records.overview import shown
    from optimizer.records.store import open_store

    if not place.strip():
        raise UsageError("--place: say where the sample is kept.")
    path, number = place_of(batch, store)
    today, mass = day_of(on), _finite(grams)
    last = day_of(until) if until else years_on(today, 2)
    with open_store(path) as opened:
        put_away(opened, number, today, place, last, mass, text)
        found = shown(opened, number)
    return Answer("records show", found)


@command(records_app, name="tests")
def calendar(
    batch: BatchName,
    start: Annotated[str, typer.Option("--from", help="Day 0; else the day on which the batch was finished.")] = "",
    on: On = "",
    store: StoreFile = None,
) -> Answer[Any]:
    """Lay the default test calendar of a batch, or show the one it has: stability, freeze-thaw, challenge test, pH."""
    from optimizer.records.calendar import lay
    from optimizer.records.store import open_store

    path, number = place_of(batch, store)
    begin, today = day_of(start) if start else "", day_of(on)
    with open_store(path) as opened:
        found = lay(opened, number, begin, today)
    return Answer("records tests", found)


@command(records_app)
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
) -> Answer[Any]:
    """Change a test of a batch or add one: limits, days, condition. Old values and the reason are kept."""
    from optimizer.records.calendar import change_test
    from optimizer.records.store import open_store

    if not why.strip():
        raise UsageError("--why: say why.")
    path, number = place_of(batch, store)
    days = tuple(day_of(part.strip()) for part in due.split(",")) if due else ()
    fields = {"what": what, "place": place, "unit": unit, "low": _finite(low), "high": _finite(high)}
    today = day_of(on)
    with open_store(path) as opened:
        found = change_test(opened, number, name, today, why.strip(), days, **fields)
    return Answer("records tests", found)


@command(records_app)
def result(
    batch: BatchName,
    test_name: Annotated[str, typer.Argument(metavar="TEST", help="Short name of the test.")],
    value: Annotated[float | None, typer.Option(help="The figure, in the test's unit.")] = None,
    passed: Annotated[bool | None, typer.Option("--passed/--failed", help="As judged by whoever read it.")] = None,
    text: Annotated[str, typer.Option(help="In words.")] = "",
    on: On = "",
    store: StoreFile = None,
) -> Answer[Any]:
    """Add a reading to a test; tells what leaves its limits and where the readings are drifting."""
    from optimizer.records.calendar import add_result
    from optimizer.records.store import open_store

    path, number = place_of(batch, store)
    time, figure = time_of(on), _finite(value)
    with open_store(path) as opened:
        found = add_result(opened, number, test_name, time, figure, passed, text)
    return Answer("records tests", found)


@command(records_app)
def strike(
    number: Annotated[int, typer.Argument(help="Number of the reading (see 'tenside records tests BATCH').", min=1)],
    why: Annotated[str, typer.Option(help="Why it does not count; it is kept.")],
    on: On = "",
    store: StoreFile = None,
) -> Answer[Any]:
    """Strike out a wrong reading of a test: it stays, with the reason, and counts no more."""
    from optimizer.records.calendar import strike as run_strike
    from optimizer.records.store import open_store

    if not why.strip():
        raise UsageError("--why: say why.")
    today = day_of(on)
    with open_store(store or Path(DEFAULT)) as opened:
        found = run_strike(opened, number, today, why.strip())
    return Answer("records tests", found)


@command(records_app)
def due(
    on: On = "",
    ahead: Annotated[int, typer.Option(help="Look this many days ahead.", min=0, max=3660)] = 14,
    store: StoreFile = None,
) -> Answer[Any]:
    """What is to be read or thrown away on a day, over all batches, and the alarms that stand."""
    from optimizer.records.series import tasks
    from optimizer.records.store import open_store

    today = day_of(on)
    with open_store(store or Path(DEFAULT)) as opened:
        found = tasks(opened, today, ahead)
    return Answer("records due", found)


def _finite(value: float | None) -> float | None:
    from math import isfinite

    if value is not None and not isfinite(value):
        raise UsageError(f"{value} is no figure that can be kept.")
    return value
