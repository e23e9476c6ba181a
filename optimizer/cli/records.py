"""`tenside records ...`: what was made, of what, and how it fared."""

import os
from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.answers.days import day_of
from optimizer.answers.kept import DEFAULT
from optimizer.cli.common import (
    AFTER,
    Changes,
    For,
    Libraries,
    On,
    ShelfFile,
    SubjectName,
    app,
    aside,
    changes_of,
    command,
    read_shipped,
)
from optimizer.errors import TensideError, UsageError

records_app = typer.Typer(
    help="Master formulas, batches, lots, readings and tests that are kept.", no_args_is_help=True
)
app.add_typer(records_app, name="records", rich_help_panel=AFTER)

StoreFile = Annotated[
    Path | None, typer.Option("--store", help="The store; else records.db beside the batch file, or in this folder.")
]
BatchName = Annotated[str, typer.Argument(metavar="BATCH", help="Batch number, or its batch file.")]


@command(records_app)
def keep(
    batch: Annotated[Path, typer.Argument(help="Batch file.")],
    shelf: ShelfFile = None,
    on: On = "",
    store: StoreFile = None,
) -> Answer[Any]:
    """Take a batch file into the store, with its photos; taken again, it becomes a further revision.

    The store is made if it is not there. The brief's shelf, or --shelf, says which supplier each lot came from.
    """
    from optimizer.answers.kept import keep_batch

    kept, doubt = keep_batch(batch, shelf=shelf, on=on, store=store)
    if doubt:
        aside(f"tenside: {doubt}")
    return Answer("records keep", kept)


@command(records_app)
def master(
    subject: SubjectName,
    why: Annotated[str, typer.Option(help="What changed, and why.")],
    name: Annotated[str, typer.Option(help="Name of the master formula; else the subject's.")] = "",
    against: For = "",
    changes: Changes = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
    on: On = "",
    store: StoreFile = None,
) -> Answer[Any]:
    """Keep a formula as the next version of a master formula, and show what differs from the last one."""
    from optimizer.answers.subject import subject_of
    from optimizer.records.masters import add_version
    from optimizer.records.store import open_store

    if not why.strip():
        raise UsageError("--why: say what changed and why.")
    today = day_of(on)
    found = subject_of(subject, against=against, changes=changes_of(changes), shelf=shelf, libraries=library)
    called = name or found.name
    with open_store(store or Path(DEFAULT), make=True) as opened:
        added = add_version(opened, called, found.brief, found.formula, found.setting, why=why.strip(), on=today)
    return Answer("records master", added)


@command(records_app)
def versions(
    name: Annotated[str, typer.Argument(help="Master formula (see 'tenside records list').")],
    store: StoreFile = None,
) -> Answer[Any]:
    """All versions of a master formula, newest first, each against the one before it."""
    from optimizer.records.masters import versions_of
    from optimizer.records.store import open_store

    with open_store(store or Path(DEFAULT)) as opened:
        found = versions_of(opened, name)
    return Answer("records versions", found)


@command(records_app, name="list")
def list_command(
    store: StoreFile = None,
) -> Answer[Any]:
    """List batches and master formulas."""
    from optimizer.records.overview import overview
    from optimizer.records.store import open_store

    with open_store(store or Path(DEFAULT)) as opened:
        found = overview(opened)
    return Answer("records list", found)


@command(records_app, name="show")
def show_command(
    batch: BatchName,
    revision: Annotated[int | None, typer.Option(help="An earlier revision.", min=1)] = None,
    out: Annotated[Path | None, typer.Option(help="Write the batch file as it was kept.")] = None,
    store: StoreFile = None,
) -> Answer[Any]:
    """A batch: its file as it was kept, its readings and retained samples."""
    from optimizer.answers.kept import against_now
    from optimizer.files import write_atomic
    from optimizer.records.overview import shown
    from optimizer.records.store import open_store

    path, number = place_of(batch, store)
    with open_store(path) as opened:
        found = against_now(shown(opened, number, revision), path.parent)
    if out is not None:
        write_atomic(out, found.text)
    return Answer("records show", found, 0, batch=found, file=True)


@command(records_app)
def lots(
    batch: BatchName,
    store: StoreFile = None,
) -> Answer[Any]:
    """Which lots went into a batch."""
    from optimizer.records.lots import lots_of
    from optimizer.records.store import open_store

    path, number = place_of(batch, store)
    with open_store(path) as opened:
        found = lots_of(opened, number)
    return Answer("records lots", found)


@command(records_app)
def where(
    lot: Annotated[str, typer.Argument(help="Lot as it was written.")],
    material: Annotated[str, typer.Option(help="Only this material.")] = "",
    store: StoreFile = None,
) -> Answer[Any]:
    """Where a lot went: batches, bottles, retained samples."""
    from optimizer.data.names import material_of
    from optimizer.records.lots import where_lot
    from optimizer.records.store import open_store

    with open_store(store or Path(DEFAULT)) as opened:
        known = read_shipped(None).materials if material else ()
        found = where_lot(opened, lot, material and material_of(material, known, unknown=True))
    return Answer("records where", found)


@command(records_app)
def export(
    out: Annotated[Path, typer.Argument(help="Folder or .json: everything. .csv: the trace of lots alone.")],
    store: StoreFile = None,
) -> Answer[Any]:
    """Write the store as plain files; a folder or a .json can be put back with 'records import'."""
    from optimizer.records.exchange import save
    from optimizer.records.store import open_store

    with open_store(store or Path(DEFAULT)) as opened:
        moved = save(opened, out)
    return Answer("records export", moved, 0, found=moved, verb="Written")


@command(records_app, name="import")
def import_command(
    source: Annotated[Path, typer.Argument(help="Folder or .json that 'records export' wrote.")],
    store: Annotated[Path, typer.Option("--store", help="A new store.")] = Path(DEFAULT),
) -> Answer[Any]:
    """Put an export back, into a new store."""
    from optimizer.records.exchange import put_back, read_export
    from optimizer.records.store import open_store

    taken = read_export(source)
    fresh = not os.path.lexists(store)
    try:
        with open_store(store, make=True) as opened:
            moved = put_back(opened, taken)
    except TensideError:
        if fresh:  # an empty store would only stand in the way of the next try
            store.unlink(missing_ok=True)
        raise
    return Answer("records export", moved, 0, found=moved, verb=f"Put back into {store}")


@command(records_app)
def check(
    store: StoreFile = None,
) -> Answer[Any]:
    """Check the store: the file, its references, photos and batch files."""
    from optimizer.records.checking import check_store
    from optimizer.records.store import open_store

    with open_store(store or Path(DEFAULT)) as opened:
        found = check_store(opened)
    return Answer("records check", found, 0 if found.sound else 3)


def place_of(batch: str, store: Path | None) -> tuple[Path, str]:
    """Return the store and the batch number of what stands on the command line."""
    if not batch.endswith(".toml"):
        return store or Path(DEFAULT), batch
    from optimizer.bench.batch import read_batch

    path = Path(batch)
    return store or path.parent / DEFAULT, read_batch(path).batch
