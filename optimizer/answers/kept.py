"""Records through the door: each question that a store is asked, for commands, pages and programs alike."""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import tomli

from optimizer.answers.answer import Answer
from optimizer.answers.bench import alarms_now, still_to_come
from optimizer.answers.days import day_of, not_ahead
from optimizer.answers.subject import Subject, of_batch, subject_of
from optimizer.bench.batch import Observation, batch_from, read_batch
from optimizer.bench.made import made_formula
from optimizer.brief.brief import load_brief
from optimizer.brief.scenario import find_scenario, named_beside
from optimizer.data.library import chosen_library
from optimizer.data.names import material_of
from optimizer.errors import DataError, TensideError
from optimizer.files import read_bytes, write_atomic
from optimizer.immutable import immutable
from optimizer.records import STORE, batches, calendar, checking, exchange, lots, masters, overview, packing, series
from optimizer.records.batches import Kept, Photo
from optimizer.records.called import Called
from optimizer.records.checking import Soundness
from optimizer.records.exchange import Exchanged
from optimizer.records.lots import LotsOf, WhereLot
from optimizer.records.masters import Version, Versions
from optimizer.records.overview import Listed, Shown
from optimizer.records.packing import Packed
from optimizer.records.series import Calendar, Tasks
from optimizer.records.store import open_store
from optimizer.shell import quoted

MOST_CARRIED = 500_000_000
"""Largest zip that a page hands over, because it lies in memory until it is [bytes]."""


@immutable
class Records:
    """A store, opened for each question anew, so that commands and pages take turns.

    Every question raises `DataError` if the store cannot be used or does not know what is named.

    Attributes:
        path: The file.
    """

    path: Path

    def master(self, found: Subject, why: str, on: str, *, name: str = "") -> Answer[Version]:
        """Keep a subject's formula as the next version of a master formula; the store is made if it is not there."""
        about = (found.brief, found.formula, found.setting)
        with open_store(self.path, make=True) as store:
            return Answer("records master", masters.add_version(store, name or found.name, *about, why=why, on=on)).by(
                found.brief.library.called
            )

    def versions(self, name: str) -> Answer[Versions]:
        """Return the versions of a master formula, newest first."""
        with open_store(self.path) as store:
            return Answer("records versions", masters.versions_of(store, name)).by(chosen_library().called)

    def listed(self) -> Answer[Listed]:
        """Return batches and master formulas."""
        with open_store(self.path) as store:
            return Answer("records list", overview.overview(store))

    def holds(self, number: str) -> bool:
        """Return whether a batch is kept here."""
        return self.path.exists() and any(line.batch == number for line in self.listed().found.batches)

    def show(
        self, number: str, revision: int | None = None, *, file: bool = False, out: Path | None = None
    ) -> Answer[Shown]:
        """Return a batch with what the library says otherwise now; with its file in the document or anew, if asked."""
        with open_store(self.path) as store:
            found = _against_now(overview.shown(store, number, revision), self.path.parent)
        found = found.model_copy(update={"alarms": _alarms(found, self.path.parent)})
        if out is not None:
            write_atomic(out, found.text)
        return Answer("records show", found, 0, batch=found, file=file)

    def lots(self, number: str) -> Answer[LotsOf]:
        """Return which lots went into a batch."""
        with open_store(self.path) as store:
            return Answer("records lots", lots.lots_of(store, number)).by(chosen_library().called)

    def where(self, lot: str, material: str = "") -> Answer[WhereLot]:
        """Return where a lot went; of one material, if it is named by id, name or everyday word."""
        with open_store(self.path) as store:
            library = chosen_library(own=self.path.parent.glob("materials.toml"))
            known = library.materials if material else ()
            if material and not Called(known).known(material):
                material = material_of(material, known, unknown=True)
            return Answer("records where", lots.where_lot(store, lot, material, known)).by(library.called)

    def photo(self, number: str, sha256: str) -> bytes:
        """Return a photo of a batch."""
        with open_store(self.path) as store:
            return batches.photo_kept(store, number, sha256)

    def export(self, out: Path) -> Answer[Exchanged]:
        """Write the store as plain files: a folder or a .json with all of it, a .csv with the trace of lots."""
        with open_store(self.path) as store:
            moved = exchange.save(store, out)
        return Answer("records export", moved, 0, found=moved, verb="Written")

    def put_back(self, source: Path) -> Answer[Exchanged]:
        """Put an export into this store, which must be new."""
        taken, fresh = exchange.read_export(source), not os.path.lexists(self.path)
        try:
            with open_store(self.path, make=True) as store:
                moved = exchange.put_back(store, taken)
        except TensideError:
            if fresh:  # an empty store would only stand in the way of the next try
                self.path.unlink(missing_ok=True)
            raise
        return Answer("records export", moved, 0, found=moved, verb=f"Put back into {self.path}")

    def check(self) -> Answer[Soundness]:
        """Check the file, its references, photos and batch files."""
        with open_store(self.path) as store:
            found = checking.check_store(store)
        return Answer("records check", found, 0 if found.sound else 3)

    def note(
        self, number: str, seen: Observation, folder: Path = Path(), photo: Photo | None = None
    ) -> tuple[Answer[Shown], bool]:
        """Add a reading to a batch; return the batch, and whether a camera's notes were taken out of the photo.

        Args:
            number: Batch number.
            seen: The reading.
            folder: Where the photo lies that it names.
            photo: The photo, if it is at hand.
        """
        not_ahead(seen.on)
        with open_store(self.path) as store:
            cleaned = batches.note(store, number, seen, folder, photo)
            return Answer("records show", overview.shown(store, number)), cleaned

    def put_away(
        self, number: str, on: str, place: str, until: str, grams: float | None, said: str = ""
    ) -> Answer[Shown]:
        """Record a retained sample."""
        with open_store(self.path) as store:
            batches.put_away(store, number, on, place, until, grams, said)
            return Answer("records show", overview.shown(store, number))

    def tests(self, number: str, on: str) -> Answer[Calendar]:
        """Return the tests that a batch has."""
        with open_store(self.path) as store:
            found = series.tests_of(store, batches.batch_id(store, number), on)
        return Answer("records tests", series.Calendar(batch=number, on=on, laid=False, tests=found))

    def lay_tests(self, number: str, start: str, on: str) -> Answer[Calendar]:
        """Lay the default tests of a batch from a day, or return those it has."""
        with open_store(self.path) as store:
            return Answer("records tests", calendar.lay(store, number, start, on))

    def change_test(
        self, number: str, test: str, on: str, why: str, days: Sequence[str], **fields: str | float | None
    ) -> Answer[Calendar]:
        """Change a test of a batch, or add one; see `records.calendar.change_test`."""
        with open_store(self.path) as store:
            return Answer("records tests", calendar.change_test(store, number, test, on, why, days, **fields))

    def result(
        self, number: str, test: str, time: str, value: float | None, passed: bool | None, said: str
    ) -> Answer[Calendar]:
        """Add a reading to a test."""
        not_ahead(time)
        with open_store(self.path) as store:
            return Answer("records tests", calendar.add_result(store, number, test, time, value, passed, said))

    def strike(self, reading: int, on: str, why: str) -> Answer[Calendar]:
        """Strike out a reading of a test: it stays, and counts no more."""
        with open_store(self.path) as store:
            return Answer("records tests", calendar.strike(store, reading, on, why))

    def due(self, on: str, ahead_days: int) -> Answer[Tasks]:
        """Return what is to be read or thrown away by a day, and the alarms that stand."""
        with open_store(self.path) as store:
            return Answer("records due", series.tasks(store, on, ahead_days))


def records_of(batch: str, store: Path | None = None) -> tuple[Records, str]:
    """Return the store and the number of a batch that is named by its number or its file."""
    if not batch.endswith(".toml"):
        return Records(store or Path(STORE)), batch
    path = Path(batch)
    return Records(store or path.parent / STORE), read_batch(path).batch


def pack_up(folder: Path, out: Path | None = None) -> Answer[Packed]:
    """Pack a working folder with its records into one zip: the one named, else one beside it, dated."""
    here = folder.resolve()
    packed = packing.pack(folder, out or here.with_name(f"{here.name}-{day_of('')}.zip"))
    verdict, step = f"Packed into {packed.zip}.", f"tenside unpack {quoted(packed.zip)} NEW-FOLDER"
    return Answer("pack-up", packed, 0, packed=packed, verdict=verdict, step=step)


def packed(folder: Path) -> bytes:
    """Return what `pack_up` writes of a folder, for whoever carries it away.

    Raises:
        DataError: If it cannot be packed, or is too large to be handed over.
    """
    with TemporaryDirectory() as place:
        out = Path(place) / "folder.zip"
        packing.pack(folder, out)
        return read_bytes(out, MOST_CARRIED)


def tables(store: Path) -> bytes:
    """Return what `Records.export` writes of a store, as one zip.

    Raises:
        DataError: If there is no store, or it is too large to be handed over.
    """
    with TemporaryDirectory() as place:
        Records(store).export(Path(place) / "records")
        made = shutil.make_archive(f"{place}/tables", "zip", Path(place) / "records")
        return read_bytes(Path(made), MOST_CARRIED)


def bring_back(folder: Path, content: bytes) -> int:
    """Put what `packed` returned back into a folder, every file checked; return how many came.

    Raises:
        DataError: If it is no packed folder, is damaged, or something of it is there already; then none comes.
    """
    with TemporaryDirectory() as place:
        path = Path(place) / "sent.zip"
        path.write_bytes(content)
        return packing.unpack_into(path, folder)


def unpack(packed: Path, folder: Path) -> Answer[Packed]:
    """Put a packed working folder back into a new one, every file checked; whole or not at all."""
    done = packing.unpack(packed, folder)
    verdict, step = f"Put back into {done.folder}.", f"tenside list {quoted(done.folder)}"
    return Answer("pack-up", done, 0, packed=done, verdict=verdict, step=step)


def keep_batch(path: Path, *, shelf: Path | None = None, on: str = "", store: Path | None = None) -> tuple[Kept, str]:
    """Take a batch file into the store; return what that did, and what could not be worked out, if anything.

    Args:
        path: The batch file.
        shelf: Table that says which supplier each lot came from; else the brief's shelf.
        on: Day; else today.
        store: The store, made if it is not there; else records.db beside the batch file.

    Raises:
        DataError: If file, photos or store cannot be used.
    """
    today = day_of(on)
    found, doubt = _subject(path)
    if found is None or found.batch is None:
        incoming, made = batches.incoming_of(path, shelf), None
    else:
        known, own, booked = found.brief.library.by_id, found.brief.shelf, found.batch
        held = own.lines if own else ()
        incoming = batches.incoming_of(path, shelf, lines=held, book=lambda _: booked, materials=known)
        made = made_formula(booked, known) if booked.begun else None
        doubt = " ".join(filter(None, (doubt, *(c.text for c in still_to_come(found)))))
    with open_store(store or path.parent / STORE, make=True) as opened:
        return batches.keep(opened, incoming, today, made), doubt


def _subject(path: Path) -> tuple[Subject | None, str]:
    """Return what a batch file is about; None, with the reason, where its brief or its materials are not known."""
    batch = read_batch(path)
    try:
        found = subject_of(str(path))
        if found.batch is not None and batch.begun:
            made_formula(found.batch, found.brief.library.by_id)
    except DataError as error:
        return None, f"kept without the formula as made: {error}" if batch.begun else ""
    return found, ""


def _alarms(found: Shown, folder: Path) -> tuple[str, ...]:
    """Return what is said before anything else of a kept batch, as of its file."""
    try:
        batch = batch_from(tomli.loads(found.text), found.file)
        about = of_batch(batch, named_beside(folder / found.file, batch.brief))
    except (DataError, tomli.TOMLDecodeError):
        return ()
    told = (*still_to_come(about), *alarms_now(about)) if batch.begun else alarms_now(about)
    return tuple(caution.words for caution in told if caution.loud)


def _against_now(found: Shown, folder: Path) -> Shown:
    """Return a kept batch with what the library says otherwise now: that of its brief, if it lies beside the store."""
    if not found.facts:
        return found
    beside = folder / found.brief
    try:
        known = load_brief(beside if beside.is_file() else find_scenario(found.brief)).library.by_id
    except DataError:
        known = chosen_library().by_id
    changed = [n for n, digest in found.facts.items() if n not in known or batches.facts_digest(known[n]) != digest]
    return found.model_copy(update={"changed_since": tuple(changed)})
