"""`tenside records ...`: what was made, of what, and how it fared."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.answers.days import day_of
from optimizer.cli.common import AFTER, For, Given, On, ShelfFile, SubjectName, app, aside, command
from optimizer.errors import UsageError
from optimizer.records import STORE

if TYPE_CHECKING:
    from optimizer.answers.kept import Records

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
    from optimizer.data.library import chosen_library

    kept, doubt = keep_batch(batch, shelf=shelf, on=on, store=store)
    if doubt:
        aside(f"tenside: {doubt}")
    return Answer("records keep", kept).by(chosen_library().called)


@command(records_app)
def master(
    subject: SubjectName,
    why: Annotated[str, typer.Option(help="What changed, and why.")],
    name: Annotated[str, typer.Option(help="Name of the master formula; else the subject's.")] = "",
    against: For = "",
    given: Given = Given(),
    on: On = "",
    store: StoreFile = None,
) -> Answer[Any]:
    """Keep a formula as the next version of a master formula, and show what differs from the last one."""
    if not why.strip():
        raise UsageError("--why: say what changed and why.")
    today = day_of(on)
    return records_at(store).master(given.subject(subject, against=against), why.strip(), today, name=name)


@command(records_app)
def versions(
    name: Annotated[str, typer.Argument(help="Master formula (see 'tenside records list').")],
    store: StoreFile = None,
) -> Answer[Any]:
    """All versions of a master formula, newest first, each against the one before it."""
    return records_at(store).versions(name)


@command(records_app, name="list")
def list_command(
    store: StoreFile = None,
) -> Answer[Any]:
    """List batches and master formulas."""
    return records_at(store).listed()


@command(records_app, name="show")
def show_command(
    batch: BatchName,
    revision: Annotated[int | None, typer.Option(help="An earlier revision.", min=1)] = None,
    out: Annotated[Path | None, typer.Option(help="Write the batch file as it was kept.")] = None,
    store: StoreFile = None,
) -> Answer[Any]:
    """A batch: its file as it was kept, its readings and retained samples."""
    records, number = records_of(batch, store)
    return records.show(number, revision, file=True, out=out)


@command(records_app)
def lots(
    batch: BatchName,
    store: StoreFile = None,
) -> Answer[Any]:
    """Which lots went into a batch."""
    records, number = records_of(batch, store)
    return records.lots(number)


@command(records_app)
def where(
    lot: Annotated[str, typer.Argument(help="Lot as it was written.")],
    material: Annotated[str, typer.Option(help="Only this material.")] = "",
    store: StoreFile = None,
) -> Answer[Any]:
    """Where a lot went: batches, bottles, retained samples."""
    return records_at(store).where(lot, material)


@command(records_app)
def export(
    out: Annotated[Path, typer.Argument(help="Folder or .json: everything. .csv: the trace of lots alone.")],
    store: StoreFile = None,
) -> Answer[Any]:
    """Write the store as plain files; a folder or a .json can be put back with 'records import'."""
    return records_at(store).export(out)


@command(records_app, name="import")
def import_command(
    source: Annotated[Path, typer.Argument(help="Folder or .json that 'records export' wrote.")],
    store: Annotated[Path, typer.Option("--store", help="A new store.")] = Path(STORE),
) -> Answer[Any]:
    """Put an export back, into a new store."""
    return records_at(store).put_back(source)


@command(records_app)
def check(
    store: StoreFile = None,
) -> Answer[Any]:
    """Check the store: the file, its references, photos and batch files."""
    return records_at(store).check()


def records_at(store: Path | None) -> "Records":
    """Return the store that is named, else the one in this folder."""
    from optimizer.answers.kept import Records

    return Records(store or Path(STORE))


def records_of(batch: str, store: Path | None) -> "tuple[Records, str]":
    """Return the store and the batch number of what stands on the command line."""
    from optimizer.answers.kept import records_of

    return records_of(batch, store)
