"""`tenside records ...`: what was made, of what, and how it fared."""

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.answers.days import day_of
from optimizer.answers.kept import DEFAULT
from optimizer.cli.common import (
    AFTER,
    Changes,
    For,
    Html,
    Json,
    Libraries,
    Markdown,
    On,
    Pdf,
    ShelfFile,
    SubjectName,
    app,
    aside,
    changes_of,
    print_json,
    quiet_solvers,
    read_shipped,
    show,
)
from optimizer.errors import TensideError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from optimizer.records.store import Told
    from optimizer.report.document import Document

records_app = typer.Typer(
    help="Master formulas, batches, lots, readings and tests that are kept.", no_args_is_help=True
)
app.add_typer(records_app, name="records", rich_help_panel=AFTER)

StoreFile = Annotated[
    Path | None, typer.Option("--store", help="The store; else records.db beside the batch file, or in this folder.")
]
BatchName = Annotated[str, typer.Argument(metavar="BATCH", help="Batch number, or its batch file.")]


@records_app.command()
def keep(
    batch: Annotated[Path, typer.Argument(help="Batch file.")],
    shelf: ShelfFile = None,
    on: On = "",
    store: StoreFile = None,
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Take a batch file into the store, with its photos; taken again, it becomes a further revision.

    The store is made if it is not there. The brief's shelf, or --shelf, says which supplier each lot came from.
    """
    from optimizer.answers.kept import keep_batch
    from optimizer.report.records import kept_document

    kept, doubt = keep_batch(batch, shelf=shelf, on=on, store=store)
    if doubt:
        aside(f"tenside: {doubt}")
    answer(kept, json, markdown, html, pdf, lambda: kept_document(kept))


@records_app.command()
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
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Keep a formula as the next version of a master formula, and show what differs from the last one."""
    from optimizer.answers.subject import subject_of
    from optimizer.records.masters import add_version
    from optimizer.records.store import open_store
    from optimizer.report.records import version_document

    if not why.strip():
        raise UsageError("--why: say what changed and why.")
    today = day_of(on)
    with quiet_solvers():
        found = subject_of(subject, against=against, changes=changes_of(changes), shelf=shelf, libraries=library)
    called = name or found.name
    with open_store(store or Path(DEFAULT), make=True) as opened:
        added = add_version(opened, called, found.brief, found.formula, found.setting, why=why.strip(), on=today)
    answer(added, json, markdown, html, pdf, lambda: version_document(added))


@records_app.command()
def versions(
    name: Annotated[str, typer.Argument(help="Master formula (see 'tenside records list').")],
    store: StoreFile = None,
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """All versions of a master formula, newest first, each against the one before it."""
    from optimizer.records.masters import versions_of
    from optimizer.records.store import open_store
    from optimizer.report.records import versions_document

    with open_store(store or Path(DEFAULT)) as opened:
        found = versions_of(opened, name)
    answer(found, json, markdown, html, pdf, lambda: versions_document(found))


@records_app.command("list")
def list_command(
    store: StoreFile = None, html: Html = None, pdf: Pdf = None, markdown: Markdown = False, json: Json = False
) -> None:
    """List batches and master formulas."""
    from optimizer.records.overview import overview
    from optimizer.records.store import open_store
    from optimizer.report.records import list_document

    with open_store(store or Path(DEFAULT)) as opened:
        found = overview(opened)
    answer(found, json, markdown, html, pdf, lambda: list_document(found))


@records_app.command("show")
def show_command(
    batch: BatchName,
    revision: Annotated[int | None, typer.Option(help="An earlier revision.", min=1)] = None,
    out: Annotated[Path | None, typer.Option(help="Write the batch file as it was kept.")] = None,
    store: StoreFile = None,
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """A batch: its file as it was kept, its readings and retained samples."""
    from optimizer.answers.kept import against_now
    from optimizer.files import write_atomic
    from optimizer.records.overview import shown
    from optimizer.records.store import open_store
    from optimizer.report.records import batch_document

    path, number = place_of(batch, store)
    with open_store(path) as opened:
        found = against_now(shown(opened, number, revision), path.parent)
    if out is not None:
        write_atomic(out, found.text)
    answer(found, json, markdown, html, pdf, lambda: batch_document(found, file=True))


@records_app.command()
def lots(
    batch: BatchName,
    store: StoreFile = None,
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Which lots went into a batch."""
    from optimizer.records.lots import lots_of
    from optimizer.records.store import open_store
    from optimizer.report.records import lots_document

    path, number = place_of(batch, store)
    with open_store(path) as opened:
        found = lots_of(opened, number)
    answer(found, json, markdown, html, pdf, lambda: lots_document(found))


@records_app.command()
def where(
    lot: Annotated[str, typer.Argument(help="Lot as it was written.")],
    material: Annotated[str, typer.Option(help="Only this material.")] = "",
    store: StoreFile = None,
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Where a lot went: batches, bottles, retained samples."""
    from optimizer.data.names import material_of
    from optimizer.records.lots import where_lot
    from optimizer.records.store import open_store
    from optimizer.report.records import where_document

    with open_store(store or Path(DEFAULT)) as opened:
        known = read_shipped(None).materials if material else ()
        found = where_lot(opened, lot, material and material_of(material, known, unknown=True))
    answer(found, json, markdown, html, pdf, lambda: where_document(found))


@records_app.command()
def export(
    out: Annotated[Path, typer.Argument(help="Folder or .json: everything. .csv: the trace of lots alone.")],
    store: StoreFile = None,
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Write the store as plain files; a folder or a .json can be put back with 'records import'."""
    from optimizer.records.exchange import save
    from optimizer.records.store import open_store
    from optimizer.report.records import moved_document

    with open_store(store or Path(DEFAULT)) as opened:
        moved = save(opened, out)
    answer(moved, json, markdown, html, pdf, lambda: moved_document(moved, "Written"))


@records_app.command("import")
def import_command(
    source: Annotated[Path, typer.Argument(help="Folder or .json that 'records export' wrote.")],
    store: Annotated[Path, typer.Option("--store", help="A new store.")] = Path(DEFAULT),
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Put an export back, into a new store."""
    from optimizer.records.exchange import put_back, read_export
    from optimizer.records.store import open_store
    from optimizer.report.records import moved_document

    taken = read_export(source)
    fresh = not os.path.lexists(store)
    try:
        with open_store(store, make=True) as opened:
            moved = put_back(opened, taken)
    except TensideError:
        if fresh:  # an empty store would only stand in the way of the next try
            store.unlink(missing_ok=True)
        raise
    answer(moved, json, markdown, html, pdf, lambda: moved_document(moved, f"Put back into {store}"))


@records_app.command()
def check(
    store: StoreFile = None, html: Html = None, pdf: Pdf = None, markdown: Markdown = False, json: Json = False
) -> None:
    """Check the store: the file, its references, photos and batch files."""
    from optimizer.records.checking import check_store
    from optimizer.records.store import open_store
    from optimizer.report.records import soundness_document

    with open_store(store or Path(DEFAULT)) as opened:
        found = check_store(opened)
    answer(found, json, markdown, html, pdf, lambda: soundness_document(found))
    raise typer.Exit(0 if found.sound else 3)


def place_of(batch: str, store: Path | None) -> tuple[Path, str]:
    """Return the store and the batch number of what stands on the command line."""
    if not batch.endswith(".toml"):
        return store or Path(DEFAULT), batch
    from optimizer.bench.batch import read_batch

    path = Path(batch)
    return store or path.parent / DEFAULT, read_batch(path).batch


def answer(
    told: "Told", json: bool, markdown: bool, html: Path | None, pdf: Path | None, document: "Callable[[], Document]"
) -> None:
    """Print an answer as JSON, Markdown or text, or write it as a page too."""
    if json:
        print_json(told)
    else:
        show(document(), markdown, html, pdf)
