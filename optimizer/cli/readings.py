"""`tenside records note | sample | tests | change | result | strike | due`: readings, samples and tests of batches."""

from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.answers.days import day_of, time_of, years_on
from optimizer.cli.common import On, aside, command
from optimizer.cli.records import BatchName, StoreFile, records_app, records_at, records_of
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

    if value is None and not text and photo is None:
        raise UsageError("a note needs --value, --text or --photo.")
    if not 0 < len(what) <= 80:
        raise UsageError("--what: name what was read, in at most 80 characters.")
    records, number = records_of(batch, store)
    seen = Observation(
        what=what, value=_finite(value), unit=unit, text=text, temperature_c=temperature, on=time_of(on),
        photo="" if photo is None else photo.name,
    )  # fmt: skip
    answer, cleaned = records.note(number, seen, Path() if photo is None else photo.parent)
    if cleaned and photo is not None:
        aside(f"{photo.name}: kept without place, owner and other notes of the camera; your own file is as it was")
    return answer


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
    if not place.strip():
        raise UsageError("--place: say where the sample is kept.")
    records, number = records_of(batch, store)
    today, mass = day_of(on), _finite(grams)
    last = day_of(until) if until else years_on(today, 2)
    return records.put_away(number, today, place, last, mass, text)


@command(records_app, name="tests")
def calendar(
    batch: BatchName,
    start: Annotated[str, typer.Option("--from", help="Day 0; else the day on which the batch was finished.")] = "",
    on: On = "",
    store: StoreFile = None,
) -> Answer[Any]:
    """Lay the default test calendar of a batch, or show the one it has: stability, freeze-thaw, challenge test, pH."""
    records, number = records_of(batch, store)
    begin, today = day_of(start) if start else "", day_of(on)
    return records.lay_tests(number, begin, today)


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
    if not why.strip():
        raise UsageError("--why: say why.")
    records, number = records_of(batch, store)
    days = tuple(day_of(part.strip()) for part in due.split(",")) if due else ()
    fields = {"what": what, "place": place, "unit": unit, "low": _finite(low), "high": _finite(high)}
    return records.change_test(number, name, day_of(on), why.strip(), days, **fields)


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
    records, number = records_of(batch, store)
    time, figure = time_of(on), _finite(value)
    return records.result(number, test_name, time, figure, passed, text)


@command(records_app)
def strike(
    number: Annotated[int, typer.Argument(help="Number of the reading (see 'tenside records tests BATCH').", min=1)],
    why: Annotated[str, typer.Option(help="Why it does not count; it is kept.")],
    on: On = "",
    store: StoreFile = None,
) -> Answer[Any]:
    """Strike out a wrong reading of a test: it stays, with the reason, and counts no more."""
    if not why.strip():
        raise UsageError("--why: say why.")
    return records_at(store).strike(number, day_of(on), why.strip())


@command(records_app)
def due(
    on: On = "",
    ahead: Annotated[int, typer.Option(help="Look this many days ahead.", min=0, max=3660)] = 14,
    store: StoreFile = None,
) -> Answer[Any]:
    """What is to be read or thrown away on a day, over all batches, and the alarms that stand."""
    return records_at(store).due(day_of(on), ahead)


def _finite(value: float | None) -> float | None:
    from math import isfinite

    if value is not None and not isfinite(value):
        raise UsageError(f"{value} is no figure that can be kept.")
    return value
