"""What is left of the stock: what was counted, less what kept batches used since; what runs low, and when to buy."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from math import fsum
from pathlib import Path

from optimizer.bench.made import as_supplied, holders_of
from optimizer.brief.brief import Brief, make_brief
from optimizer.data.facts import Material
from optimizer.data.names import names_of
from optimizer.data.shelf import Shelf, ShelfLine
from optimizer.immutable import immutable, replace
from optimizer.records.batches import LATEST
from optimizer.records.called import Called
from optimizer.records.store import Printed, Store, StoreAnswer, open_store

WINDOW = 91
"""Days over which the pace of use is told; common practice, no source: a quarter of a year."""
SHORTEST = 14
"""Fewest days that a pace is told over, so that one batch of yesterday makes none [d]."""


@immutable
class Withdrawal:
    """What a kept batch took of one lot."""

    material: str
    lot: str
    grams: float
    on: date


class Holding(StoreAnswer):
    """What is left of a material."""

    material: str
    name: str
    counted_kg: float
    """On the shelf as it was counted, all lines together."""
    counted_on: date | None
    """Oldest count among them; null if a line states none: nothing is taken off it then."""
    used_kg: float
    """By kept batches after the count."""
    left_kg: float
    short_kg: float
    """Used beyond what was counted: the count or a record is wrong."""
    per_week_kg: float | None
    """Pace of use; null if nothing was used lately."""
    lasts_until: date | None
    """At that pace; null unless it was used on several days."""
    buy_by: date | None
    """That day less the longest time of delivery that the shelf states; null without one."""
    low: bool
    """Whether it does not cover another batch such as took most, or the day to buy has come."""
    price_per_kg: float | None
    """The cheapest price of the shelf."""
    priced_on: date | None
    """Day of that price, as the shelf states it."""


class StockLeft(Printed):
    """The output of `tenside stock --json`."""

    shelf: str
    store: str
    """Empty if there are no records."""
    on: date
    materials: tuple[Holding, ...]
    """What runs low first, then by id."""
    notes: tuple[str, ...]


def used_in(store: Store, shelf: Shelf, materials: Iterable[Material]) -> tuple[Withdrawal, ...]:
    """Return what the batches that hold used, lot by lot, in the order of days, as what the shelf has of it."""
    sql = (
        "SELECT l.material, l.lot, l.grams, "
        "coalesce(nullif(l.on_date, ''), nullif(r.made_on, ''), r.planned_on) AS day "
        f"FROM {LATEST} JOIN lot l ON l.revision_id = r.id ORDER BY day, l.material, l.lot"
    )
    with store.reading():
        rows = store.rows(sql)
    called = Called(materials)
    kept = (
        Withdrawal(r["material"], r["lot"], r["grams"], date.fromisoformat(r["day"][:10])) for r in rows if r["day"]
    )
    return tuple(_off_shelf(one, shelf, called) for one in kept)


def _off_shelf(one: Withdrawal, shelf: Shelf, called: Called) -> Withdrawal:
    """Return a withdrawal of an acid or alkali that a batch calls by the chemical's words as one of its bottle.

    That is the one that the shelf holds with its lot, else the strongest that it holds.
    """
    if one.material in called.by_id or not (holders := holders_of(one.material, called.by_id)):
        return one
    bottles = [(i, line.lot) for i in holders for line in shelf.lines if i in called.ids(line.material)]
    same = [i for i, lot in bottles if one.lot and lot == one.lot]
    bottle = next(iter([*same, *(i for i, _ in bottles), holders[0]]))
    return replace(one, material=bottle, grams=as_supplied(one.material, one.grams, called.by_id[bottle]))


def lessened(shelf: Shelf, materials: Iterable[Material], used: Iterable[Withdrawal]) -> tuple[Shelf, dict[int, float]]:
    """Return the shelf with what is left of each counted line, and what was taken off each row [kg].

    What was used after the day of the count is taken off the line of its lot; without one, off the lines of its
    material in the order of the file. A line without a day of the count keeps its figure. What exceeds a line is left
    on the last one as a taking beyond its stock.
    """
    names = names_of(list(materials))
    lines: dict[str, list[ShelfLine]] = {}
    for line in shelf.lines:
        ids = names.get(line.material.casefold(), set())
        if ids and line.stock_kg is not None and line.counted_on is not None:
            lines.setdefault(min(ids), []).append(line)
    taken: dict[int, float] = {}
    for one in used:
        own = lines.get(one.material, [])
        own = [line for line in own if one.lot and line.lot == one.lot] or own
        own = [line for line in own if line.counted_on is not None and line.counted_on < one.on]
        rest = one.grams / 1000
        for line in own:
            room = (line.stock_kg or 0.0) - taken.get(line.row, 0.0)
            part = rest if line is own[-1] else min(rest, max(0.0, room))
            taken[line.row] = taken.get(line.row, 0.0) + part
            rest -= part
    left = tuple(
        line.model_copy(update={"stock_kg": max(0.0, (line.stock_kg or 0.0) - taken[line.row])})
        if line.row in taken
        else line
        for line in shelf.lines
    )
    return shelf.model_copy(update={"lines": left}), taken


def largest_use(used: Iterable[Withdrawal], material: str) -> float:
    """Return the most of a material that was used on one day [kg]."""
    by_day: dict[date, float] = {}
    for one in used:
        if one.material == material:
            by_day[one.on] = by_day.get(one.on, 0.0) + one.grams / 1000
    return max(by_day.values(), default=0.0)


def stock_left(shelf: Shelf, materials: Iterable[Material], store: Store | None, on: date) -> StockLeft:
    """Return what is left of every material whose stock the shelf states.

    The pace is what was used in the last `WINDOW` days, over the days since the first of those batches, at least
    `SHORTEST`. It foretells nothing: an order or a season changes it.
    """
    materials = tuple(materials)
    used = used_in(store, shelf, materials) if store is not None else ()
    _, taken = lessened(shelf, materials, used)
    names, by_id = names_of(list(materials)), {m.id: m for m in materials}
    held: dict[str, list[ShelfLine]] = {}
    for line in shelf.lines:
        if ids := names.get(line.material.casefold(), set()):
            held.setdefault(min(ids), []).append(line)
    found = [
        _holding(by_id[name], lines, taken, [u for u in used if u.material == name], on)
        for name, lines in sorted(held.items())
        if any(line.stock_kg is not None for line in lines)
    ]
    return StockLeft(
        shelf=shelf.where,
        store="" if store is None else str(store.path),
        on=on,
        materials=tuple(sorted(found, key=lambda h: (not h.low, h.material))),
        notes=tuple(_notes(found, store)),
    )


def _holding(
    material: Material, lines: list[ShelfLine], taken: Mapping[int, float], used: list[Withdrawal], on: date
) -> Holding:
    stocked = [line for line in lines if line.stock_kg is not None]
    counted = fsum(line.stock_kg or 0.0 for line in stocked)
    gone = fsum(taken.get(line.row, 0.0) for line in stocked)
    left = fsum(max(0.0, (line.stock_kg or 0.0) - taken.get(line.row, 0.0)) for line in stocked)
    days = [line.counted_on for line in stocked]
    dated = [day for day in days if day is not None]
    lately = [u for u in used if on - timedelta(days=WINDOW) < u.on <= on]
    pace = until = None
    largest = 0.0
    if lately:
        over = max(SHORTEST, (on - min(u.on for u in lately)).days + 1)
        pace = fsum(u.grams for u in lately) / 1000 * 7 / over
        largest = largest_use(lately, material.id)
        told = pace > 0 and len({u.on for u in lately}) > 1
        until = on + timedelta(days=min(36_500, int(left / pace * 7))) if told else None
    leads = [line.lead_days for line in lines if line.lead_days is not None]
    buy_by = until - timedelta(days=round(max(leads))) if until is not None and leads else None
    priced = sorted(
        ((line.price_per_kg, line.row, line) for line in lines if line.price_per_kg is not None), key=lambda p: p[:2]
    )
    cheapest = priced[0][2] if priced else None
    return Holding(
        material=material.id,
        name=material.name,
        counted_kg=counted,
        counted_on=min(dated) if len(dated) == len(days) else None,
        used_kg=gone,
        left_kg=left,
        short_kg=max(0.0, gone - (counted - left)),
        per_week_kg=pace,
        lasts_until=until,
        buy_by=buy_by,
        low=left < largest or (buy_by is not None and buy_by <= on),
        price_per_kg=cheapest.price_per_kg if cheapest else None,
        priced_on=cheapest.priced_on if cheapest else None,
    )


def _notes(found: list[Holding], store: Store | None) -> Iterable[str]:
    """Yield what was assumed, in sentences."""
    if store is None:
        yield "No records: nothing is taken off the count. Keep your batches with 'tenside records keep'."
    if any(h.counted_on is None for h in found):
        yield (
            "A stock without its day is taken as it is written: add a column 'Counted on' (such as 2026-05-04) to the "
            "shelf. What kept batches used after that day is then taken off; a new count with its day starts anew."
        )
    if any(h.short_kg > 0 for h in found):
        yield "More was used than was counted: count again, or strike a wrong weight of a batch and keep it anew."
    if any(h.per_week_kg for h in found):
        yield (
            f"Pace: what was used in the last {WINDOW} days, over the days since the first of those batches, at least "
            f"{SHORTEST} days. An order or a season changes it; one day of use foretells no end."
        )
    yield "To work this out never writes the shelf's file. Only batches that were kept count."


def brief_with_less(brief: Brief, path: Path) -> Brief:
    """Return a brief whose shelf lacks what kept batches used since it was counted; the same brief if that is nothing.

    Args:
        brief: The brief; it has a shelf.
        path: The records.

    Raises:
        DataError: If the records cannot be read.
    """
    assert brief.shelf is not None
    known = brief.library.materials
    with open_store(path) as store:
        shelf, taken = lessened(brief.shelf, known, used_in(store, brief.shelf, known))
    if not taken:
        return brief
    ids = brief.pool.ids
    less = make_brief(brief.scenario, brief.library, shelf, where=brief.where, files=brief.files, also=ids)
    told = f"stock: what kept batches used since it was counted is taken off ({path})"
    return replace(less, assumptions=(*less.assumptions, *brief.assumptions[len(less.assumptions) :], told))
