"""Records through the door: a batch is kept with what was made of it, and shown with what is known otherwise since."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.answers.days import day_of
from optimizer.errors import DataError

if TYPE_CHECKING:
    from optimizer.answers.subject import Subject
    from optimizer.records.batches import Kept
    from optimizer.records.overview import Shown

DEFAULT = "records.db"
"""Name of the store beside the batch files."""


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
    from optimizer.bench.made import made_formula
    from optimizer.records.batches import incoming_of, keep
    from optimizer.records.store import open_store

    today = day_of(on)
    found, doubt = _subject(path)
    if found is None or found.batch is None:
        incoming, made = incoming_of(path, shelf), None
    else:
        known, own, booked = found.brief.library.by_id, found.brief.shelf, found.batch
        incoming = incoming_of(path, shelf, lines=own.lines if own else (), book=lambda _: booked, materials=known)
        made = made_formula(booked, known) if booked.begun else None
    with open_store(store or path.parent / DEFAULT, make=True) as opened:
        return keep(opened, incoming, today, made), doubt


def _subject(path: Path) -> tuple[Subject | None, str]:
    """Return what a batch file is about; None, with the reason, where its brief or its materials are not known."""
    from optimizer.answers.subject import subject_of
    from optimizer.bench.batch import read_batch
    from optimizer.bench.made import made_formula

    batch = read_batch(path)
    try:
        found = subject_of(str(path))
        if found.batch is not None and batch.begun:
            made_formula(found.batch, found.brief.library.by_id)
    except DataError as error:
        return None, f"kept without the formula as made: {error}" if batch.begun else ""
    return found, ""


def against_now(found: Shown, folder: Path) -> Shown:
    """Return a kept batch with what the library says otherwise now: that of its brief, if it lies beside the store."""
    from optimizer.brief.brief import load_brief
    from optimizer.brief.scenario import find_scenario
    from optimizer.data.library import read_library
    from optimizer.files import shipped
    from optimizer.records.batches import facts_digest

    if not found.facts:
        return found
    beside = folder / found.brief
    try:
        known = load_brief(beside if beside.is_file() else find_scenario(found.brief)).library.by_id
    except DataError:
        known = read_library([shipped("library")]).by_id
    changed = [n for n, digest in found.facts.items() if n not in known or facts_digest(known[n]) != digest]
    return found.model_copy(update={"changed_since": tuple(changed)})
