"""What the store holds: the list, and one batch with everything kept of it."""

import json
from typing import Any

from optimizer.errors import nearest
from optimizer.records.batches import LATEST, batch_id
from optimizer.records.store import Printed, Store, StoreAnswer


class NoteKept(StoreAnswer):
    """A reading of a batch."""

    what: str
    value: float | None
    unit: str
    text: str
    temperature_c: float | None
    on: str
    photo: str
    photo_sha256: str
    noted: bool
    """True if it was noted straight into the store, false if the batch file holds it."""


class Sample(StoreAnswer):
    """A retained sample."""

    place: str
    on: str
    until: str
    amount_g: float | None
    note: str


class Shown(Printed):
    """A batch as the store holds it."""

    batch: str
    revision: int
    revisions: int
    kept_on: str
    file: str
    product: str
    brief: str
    master: str
    planned_on: str
    made_on: str
    size_g: float
    mass_g: float | None
    bottles: int | None
    as_made: Any = None
    """The formula as made; null if it was not worked out."""
    facts: dict[str, str] = {}
    """Digest of what the library said of each material when it was kept; empty before that was kept."""
    changed_since: tuple[str, ...] | None = None
    """Materials of which the library says something else now; null if nobody compared."""
    alarms: tuple[str, ...] = ()
    """What is said before anything else of it, by its brief as it is now; nothing where that is not found."""
    observations: tuple[NoteKept, ...]
    samples: tuple[Sample, ...]
    text: str
    """The batch file."""


class BatchLine(StoreAnswer):
    """A batch of the list."""

    batch: str
    revision: int
    product: str
    master: str
    made_on: str
    size_g: float
    bottles: int | None


class MasterLine(StoreAnswer):
    """A master formula of the list, by its last version."""

    name: str
    version: int
    on: str
    cost_per_kg: float | None
    currency: str
    active_percent: float | None


class Listed(Printed):
    """What a store holds."""

    store: str
    batches: tuple[BatchLine, ...]
    masters: tuple[MasterLine, ...]


def overview(store: Store) -> Listed:
    """Return batches by number and master formulas by name, each as of its last revision or version."""
    newest = (
        "SELECT * FROM master m WHERE version = (SELECT max(version) FROM master WHERE name = m.name) ORDER BY name"
    )
    with store.reading():
        batches = store.rows(f"SELECT b.number AS batch, r.* FROM {LATEST} ORDER BY b.number")
        masters = store.rows(newest)
    return Listed(
        store=str(store.path),
        batches=tuple(map(BatchLine.of, batches)),
        masters=tuple(map(MasterLine.of, masters)),
    )


def shown(store: Store, number: str, revision: int | None = None) -> Shown:
    """Return a batch as it was at a revision, by default the last, with all notes and samples.

    Raises:
        DataError: If there is no such batch or revision.
    """
    with store.reading():
        row = batch_id(store, number)
        held = store.rows("SELECT * FROM revision WHERE batch_id = ? ORDER BY revision", row)
        if not held:
            raise store.damaged("revision", "a row is missing")
        chosen = [r for r in held if r["revision"] == (revision or held[-1]["revision"])]
        if not chosen:
            what = f"batch '{number}' has no revision {revision}."
            raise store.fault("", what, nearest(str(revision), [str(r["revision"]) for r in held]))
        kept = chosen[0]
        seen = store.rows(
            "SELECT o.*, coalesce(p.sha256, '') AS sha256 FROM observation o LEFT JOIN photo p ON p.id = o.photo_id "
            "WHERE o.batch_id = ? AND (o.revision_id IS NULL OR o.revision_id = ?) ORDER BY o.on_date, o.id",
            row,
            kept["id"],
        )
        samples = store.rows("SELECT * FROM sample WHERE batch_id = ? ORDER BY until, id", row)
        said = store.rows("SELECT material, digest FROM fact WHERE revision_id = ? ORDER BY material", kept["id"])
    return Shown.of(
        kept,
        batch=number,
        revisions=len(held),
        kept_on=kept["on_date"],
        as_made=_as_made(store, kept["made"]),
        observations=tuple(NoteKept.of(r, photo_sha256=r["sha256"], noted=r["revision_id"] is None) for r in seen),
        samples=tuple(map(Sample.of, samples)),
        facts={r["material"]: r["digest"] for r in said},
    )


def _as_made(store: Store, text: str) -> Any:
    try:
        return json.loads(text or "null")
    except (ValueError, RecursionError):
        raise store.damaged("revision.made", "this is not valid JSON") from None
