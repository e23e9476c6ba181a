"""Batches in the store: a batch file taken in as a revision, what is noted of it, what is kept of it."""

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import field
from pathlib import Path
from typing import Any

from optimizer.bench.batch import Batch, Observation, batch_from
from optimizer.bench.made import acid_share
from optimizer.data.facts import Material
from optimizer.data.shelf import ShelfLine, read_shelf
from optimizer.errors import DataError, Problem, UsageError, nearest
from optimizer.files import read_bytes, read_text, resolved, toml_of
from optimizer.immutable import immutable
from optimizer.records.called import Called
from optimizer.records.photos import LARGEST_PHOTO, UncleanError, bare
from optimizer.records.store import Printed, Store, StoreAnswer

IMAGES = (
    (b"\xff\xd8\xff", ".jpg"),
    (b"\x89PNG\r\n\x1a\n", ".png"),
    (b"GIF8", ".gif"),
    (b"RIFF", ".webp"),
    (b"II*\x00", ".tif"),
    (b"MM\x00*", ".tif"),
)
"""How pictures begin; HEIC and AVIF have 'ftyp' four bytes on."""

LATEST = (
    "revision r JOIN batch b ON b.id = r.batch_id "
    "AND r.revision = (SELECT max(revision) FROM revision WHERE batch_id = b.id)"
)
"""The revisions that hold, with their batches, for the FROM of a query."""


@immutable
class Photo:
    """A photo that an observation names."""

    name: str
    content: bytes
    """Without place, owner and whatever else a camera writes beside the picture."""
    sha256: str
    cleaned: bool = False
    """Whether something of that was taken out."""


class LotUsed(StoreAnswer):
    """What went into a batch of one lot."""

    material: str
    lot: str
    """Empty if nobody noted it."""
    supplier: str
    grams: float
    """As supplied [g]."""
    stage: str
    """weighed, adjustment or thickening."""
    on: str


@immutable
class Incoming:
    """A batch file, read and checked, before it is kept."""

    batch: Batch
    file: str
    text: str
    used: tuple[LotUsed, ...]
    photos: Mapping[str, Photo]
    facts: Mapping[str, str] = field(default_factory=dict)


class Kept(Printed):
    """What keeping a batch did."""

    store: str
    batch: str
    revision: int
    changed: bool
    """False if the store held just this already; nothing was added then."""
    lots: int
    """Lots that went in, each once, however many portions of it."""
    observations: int
    photos: int
    photos_cleaned: tuple[str, ...] = ()
    """Photos from which place, owner and other notes of the camera were taken out; the files themselves stay."""
    without_lot: tuple[str, ...]
    """Materials that were weighed without a lot: there the trace ends."""
    without_supplier: tuple[str, ...]
    """Lots whose supplier is not known."""


def incoming_of(
    path: Path,
    shelf: Path | None = None,
    *,
    lines: tuple[ShelfLine, ...] = (),
    book: Callable[[Batch], Batch] = lambda batch: batch,
    materials: Mapping[str, Material] | None = None,
) -> Incoming:
    """Read a batch file with the photos it names.

    Args:
        path: The batch file; photos lie beside it or below.
        shelf: Table that says which supplier a lot came from.
        lines: The same as lines, if no table is named.
        book: Which bottle each acid or alkali came from.
        materials: Known materials by id.

    Raises:
        DataError: With every problem at once: an unsound file, a photo that is missing or none.
    """
    text = read_text(path)
    batch = batch_from(toml_of(text, str(path)), str(path), (materials or {}).values())
    photos: dict[str, Photo] = {}
    problems = []
    for number, seen in enumerate(batch.observation):
        if seen.photo and seen.photo not in photos:
            try:
                photos[seen.photo] = photo_of(path.parent, seen.photo)
            except DataError as error:
                key = f"observation.{number}.photo"
                problems += [Problem(str(path), key, f"'{seen.photo}': {p.what}", p.step) for p in error.problems]
    if problems:
        raise DataError(problems)
    lines = lines if shelf is None else read_shelf(shelf).lines
    used = used_of(book(batch), lines, materials)
    named = {u.material for u in used} | batch.doses.keys()
    facts = {name: facts_digest(materials[name]) for name in named if materials and name in materials}
    return Incoming(batch, path.name, text, used, photos, facts)


def facts_digest(material: Material) -> str:
    """Return the first 16 hex digits of the SHA-256 of what the library says of a material."""
    told = json.dumps(_ordered(material.model_dump()), sort_keys=True)
    return hashlib.sha256(told.encode()).hexdigest()[:16]


def _ordered(value: Any) -> Any:
    """Return a value whose sets have an order; their own differs from one process to the next."""
    if isinstance(value, dict):
        return {key: _ordered(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_ordered(part) for part in value]
    return sorted(value) if isinstance(value, set | frozenset) else value


def photo_of(folder: Path, name: str) -> Photo:
    """Read a photo that lies in a folder or below.

    Raises:
        DataError: If it lies elsewhere, is missing, above 10 MB, or no picture.
    """
    path = folder / name
    if not resolved(path).is_relative_to(folder.resolve()):
        raise DataError([Problem(name, "", "the photo lies outside the folder.", "Put it beside the batch file.")])
    return photo_from(name, read_bytes(path, LARGEST_PHOTO))


def photo_from(name: str, content: bytes) -> Photo:
    """Return a photo without the notes of the camera.

    Raises:
        DataError: If it is no picture, or one whose notes cannot be taken out.
    """
    if not suffix_of(content):
        what = "this is no picture (JPEG, PNG, GIF, WebP, TIFF, HEIC)."
        raise DataError([Problem(name, "", what, "Name the photo's file.")])
    try:
        kept = bare(content, suffix_of(content))
    except UncleanError as error:
        step = "Save it as JPEG or PNG, then keep that."
        raise DataError([Problem(name, "", f"{error}.", step)]) from None
    return Photo(name, kept, hashlib.sha256(kept).hexdigest(), kept != content)


def suffix_of(content: bytes) -> str:
    """Return the ending of a picture's name by how it begins; empty if it is none."""
    known = (suffix for start, suffix in IMAGES if content.startswith(start))
    return ".heic" if content[4:8] == b"ftyp" else next(known, "")


def _by_lot(first: str, added: list[tuple[str, float, str]]) -> list[tuple[str, float, str]]:
    """Return lot, amount and last day of what was added, from lots and sums so far in the order of a log."""
    found: dict[str, tuple[float, str]] = {}
    lot, before = first, 0.0
    for stated, total, on in added:
        lot = stated or lot
        if total > before:
            amount, _ = found.get(lot, (0.0, ""))
            found[lot] = (amount + total - before, on)
            before = total
    last = added[-1][2] if added else ""
    if len(found) == 1:
        return [(lot, amount, last) for lot, (amount, _) in found.items()]
    return [(lot, *amount) for lot, amount in found.items()]


def used_of(
    batch: Batch, shelf: tuple[ShelfLine, ...] = (), materials: Mapping[str, Material] | None = None
) -> tuple[LotUsed, ...]:
    """Return what went into a batch of which lot, in the order of the file.

    Acid and alkali count as the bottle that the batch names, else as the pure chemical in its stated form; what went
    into a sample is left out, because a sample does not go back. Thickener is the highest dose of the log times the
    planned mass.

    Args:
        batch: The batch; see `bench.made.booked`.
        shelf: Lines that say who sold a lot.
        materials: Known materials by id.
    """
    found = [(w.material, w.lot, w.grams, "weighed", w.on) for w in batch.weighed]
    for a in batch.adjusted:
        name = a.material or a.chemical
        stated = (materials or {}).get(a.material or "")
        share = acid_share(stated, a) if stated else a.strength_percent / 100
        for lot, grams, on in _by_lot(a.lot, [(r.lot, r.added_g, r.on) for r in a.additions]):
            found.append((name, lot, grams * share, "adjustment", on))
    for t in batch.thickening:
        for lot, percent, on in _by_lot(t.lot, [(s.lot, s.added_percent, s.on) for s in t.additions]):
            found.append((t.material, lot, percent * batch.size_g / 100, "thickening", on))
    called = Called((materials or {}).values())
    return tuple(
        LotUsed(material=m, lot=lot, supplier=_supplier(m, lot, shelf, called), grams=g, stage=stage, on=on)
        for m, lot, g, stage, on in found
        if g > 0
    )


def _supplier(material: str, lot: str, shelf: tuple[ShelfLine, ...], called: Called) -> str:
    """Return who sold a lot, by its material and number; nothing without a number, or of one that no line holds.

    Short numbers recur, so a line of another material never tells; one whose material nobody knows tells by its lot.
    A shelf of today tells nothing of other lots: in a recall a guess would read as a fact.
    """
    of_lot = [line for line in shelf if lot and line.lot == lot]
    both = [line for line in of_lot if called.alike(line.material, material)]
    nameless = [line for line in of_lot if called.by_id and not called.known(line.material)]
    for lines in (both, nameless):
        names = {line.supplier for line in lines if line.supplier}
        if names:
            return names.pop() if len(names) == 1 else ""
    return ""


def keep(store: Store, incoming: Incoming, on: str, made: Mapping[str, Any] | None = None) -> Kept:
    """Take a batch file into the store; if the batch is there already, as a further revision.

    Args:
        store: An open store.
        incoming: The file.
        on: Today (ISO 8601).
        made: The formula as made, if it was worked out.
    """
    batch, used = incoming.batch, incoming.used
    as_made = "" if made is None else json.dumps(made, sort_keys=True, allow_nan=False)
    with store.writing():
        found = store.rows("SELECT id FROM batch WHERE number = ?", batch.batch)
        number = found[0]["id"] if found else store.put("batch", number=batch.batch)
        last = store.rows("SELECT * FROM revision WHERE batch_id = ? ORDER BY revision DESC LIMIT 1", number)
        changed = not last or not _same(store, last[0], incoming, as_made)
        revision = (last[0]["revision"] if last else 0) + changed
        if changed:
            row = store.put(
                "revision", batch_id=number, revision=revision, on_date=on, file=incoming.file, text=incoming.text,
                sha256=hashlib.sha256(incoming.text.encode()).hexdigest(), product=batch.product, brief=batch.brief,
                master=batch.master, planned_on=batch.planned_on, made_on=made_on(batch), size_g=batch.size_g,
                mass_g=batch.finish.there_g, bottles=batch.finish.bottles, made=as_made,
            )  # fmt: skip
            for position, u in enumerate(used):
                store.put("lot", revision_id=row, position=position, on_date=u.on, **u.model_dump(exclude={"on"}))
            for material, digest in sorted(incoming.facts.items()):
                store.put("fact", revision_id=row, material=material, digest=digest)
            for seen in batch.observation:
                _observe(store, number, row, seen, incoming.photos.get(seen.photo))
    return Kept(
        store=str(store.path),
        batch=batch.batch,
        revision=revision,
        changed=changed,
        lots=len({(u.material, u.lot) for u in used if u.lot}),
        observations=len(batch.observation),
        photos=len(incoming.photos),
        photos_cleaned=tuple(sorted(p.name for p in incoming.photos.values() if p.cleaned)),
        without_lot=tuple(sorted({u.material for u in used if not u.lot})),
        without_supplier=tuple(sorted({u.lot for u in used if u.lot and not u.supplier})),
    )


def made_on(batch: Batch) -> str:
    """Return the day on which a batch was finished, else last weighed; empty if nobody noted it."""
    return batch.finish.on or max((w.on for w in batch.weighed), default="")


def _same(store: Store, last: Any, incoming: Incoming, as_made: str) -> bool:
    """Return whether the revision that holds is just this file with these lots and photos."""
    kept = lots_kept(store, last["id"])
    sql = "SELECT o.photo, p.sha256 FROM observation o JOIN photo p ON p.id = o.photo_id WHERE o.revision_id = ?"
    photos = {(r["photo"], r["sha256"]) for r in store.rows(sql, last["id"])}
    brought = {(p.name, p.sha256) for p in incoming.photos.values()}
    return (last["text"], last["made"], kept, photos) == (incoming.text, as_made, incoming.used, brought)


def lots_kept(store: Store, revision: int) -> tuple[LotUsed, ...]:
    """Return what a revision says went in, in the order of the file."""
    rows = store.rows("SELECT * FROM lot WHERE revision_id = ? ORDER BY position", revision)
    return tuple(map(LotUsed.of, rows))


def _observe(store: Store, batch: int, revision: int | None, seen: Observation, photo: Photo | None) -> None:
    place = None
    if photo is not None:
        there = store.rows("SELECT id FROM photo WHERE sha256 = ?", photo.sha256)
        place = there[0]["id"] if there else store.put("photo", sha256=photo.sha256, bytes=photo.content)
    store.put(
        "observation", batch_id=batch, revision_id=revision, what=seen.what, value=seen.value, unit=seen.unit,
        text=seen.text, temperature_c=seen.temperature_c, photo=seen.photo, photo_id=place, on_date=seen.on,
    )  # fmt: skip


def batch_id(store: Store, number: str) -> int:
    """Return the row of a batch.

    Raises:
        DataError: If there is none, with the nearest.
    """
    found = store.rows("SELECT id FROM batch WHERE number = ?", number)
    if not found:
        known = [r["number"] for r in store.rows("SELECT number FROM batch")]
        raise store.fault("", f"there is no batch '{number}'.", nearest(number, known))
    return int(found[0]["id"])


def note(store: Store, number: str, seen: Observation, folder: Path = Path(), photo: Photo | None = None) -> bool:
    """Add a reading to a batch and return whether notes of the camera were taken out of its photo.

    Args:
        store: An open store.
        number: Batch number.
        seen: The reading.
        folder: Where its photo lies, here or below.
        photo: The photo, if it is at hand.

    Raises:
        DataError: If there is no such batch, the reading cannot be of it, or the photo cannot be used.
    """
    photo = photo or (photo_of(folder, seen.photo) if seen.photo else None)
    with store.writing():
        row = batch_id(store, number)
        _observe(store, row, None, seen, photo)
        refuse_slips(store, row, seen.on, seen.value, ph="ph" in (seen.what.strip().lower(), seen.unit.strip().lower()))
    return photo is not None and photo.cleaned


def refuse_slips(store: Store, batch: int, on: str, value: float | None, *, ph: bool) -> None:
    """Refuse a reading of before its batch was begun, and a pH that no water has: slips that nobody could take back.

    Raises:
        DataError: If it is one.
    """
    refuse_before(store, batch, on, "the reading is dated")
    if ph and value is not None and not 0 <= value <= 14:
        raise store.fault("", f"pH {value:g} cannot be: it goes from 0 to 14.", "Read the meter again.")


def refuse_before(store: Store, batch: int, on: str, what: str) -> None:
    """Refuse a day before a batch was begun, told as `what` and the day.

    Raises:
        DataError: If it is one.
    """
    begun = store.one(
        "SELECT r.made_on, min(nullif(l.on_date, '')) AS weighed FROM revision r "
        "LEFT JOIN lot l ON l.revision_id = r.id WHERE r.id = (SELECT max(id) FROM revision WHERE batch_id = ?)",
        batch,
    )
    first = min(filter(None, (begun["made_on"], begun["weighed"])), default="")
    if on and on[:10] < first[:10]:
        raise store.fault("", f"{what} {on}, before the batch was made ({first[:10]}).", "Correct the date.")


def put_away(store: Store, number: str, on: str, place: str, until: str, amount_g: float | None, said: str) -> None:
    """Record a retained sample.

    Raises:
        DataError: If there is no such batch, or the sample would end before it begins.
    """
    if until < on:
        raise store.fault("", f"the sample would be kept until {until}, before {on}.", "Correct one of the dates.")
    with store.writing():
        number_row = batch_id(store, number)
        store.put("sample", batch_id=number_row, on_date=on, place=place, until=until, amount_g=amount_g, note=said)


def photo_kept(store: Store, number: str, sha256: str) -> bytes:
    """Return a photo of a batch.

    Raises:
        DataError: If there is no such batch.
        UsageError: If none of its readings has such a photo.
    """
    found = store.rows(
        "SELECT bytes FROM photo WHERE sha256 = ? AND id IN (SELECT photo_id FROM observation WHERE batch_id = ?)",
        sha256,
        batch_id(store, number),
    )
    if not found:
        raise UsageError("there is no such photo.")
    content: bytes = found[0]["bytes"]
    return content
