"""The trace: which lots went into a batch, and where a lot went. Only the revisions that hold are asked."""

from collections.abc import Iterable

from optimizer.data.facts import Material
from optimizer.errors import DataError, nearest
from optimizer.records.batches import LATEST, LotUsed, batch_id, lots_kept
from optimizer.records.called import Called
from optimizer.records.store import Printed, Store, StoreAnswer
from optimizer.units import listed


class LotsOf(Printed):
    """The lots of a batch."""

    batch: str
    revision: int
    product: str
    bottles: int | None
    lots: tuple[LotUsed, ...]


class Went(StoreAnswer):
    """A batch into which a lot went."""

    batch: str
    revision: int
    product: str
    material: str
    supplier: str
    grams: float
    """All weighings of this lot and material together, as supplied [g]."""
    percent: float
    """Of the batch: its mass before filling, else its planned mass [%]."""
    made_on: str
    bottles: int | None
    samples: tuple[str, ...]
    """Where samples of the batch are kept, and until when."""


class WhereLot(Printed):
    """Where a lot went."""

    lot: str
    batches: tuple[Went, ...]
    bottles: int
    """Bottles of all these batches whose number is known."""
    uncounted: tuple[str, ...]
    """Batches whose bottles nobody counted."""
    formerly: tuple[str, ...]
    """Batches of which only an earlier revision names the lot: it was corrected since."""


def lots_of(store: Store, number: str) -> LotsOf:
    """Return which lots went into a batch, in the order in which they were weighed.

    Raises:
        DataError: If there is no such batch.
    """
    with store.reading():
        batch_id(store, number)
        held = store.one(f"SELECT r.* FROM {LATEST} WHERE b.number = ?", number)
        lots = lots_kept(store, held["id"])
    return LotsOf.of(held, batch=number, lots=lots)


def where_lot(store: Store, lot: str, material: str = "", known: Iterable[Material] = ()) -> WhereLot:
    """Return where a lot went; lots of several materials may bear the same name.

    Args:
        store: An open store.
        lot: The lot as it was written.
        material: Only this material, by whatever word; empty for all.
        known: Materials of the library, for the words.

    Raises:
        DataError: If no batch has such a lot, with the nearest.
    """
    with store.reading():
        kept = [r["material"] for r in store.rows("SELECT DISTINCT material FROM lot WHERE lot = ?", lot)]
    called = Called(known)
    meant = [word for word in kept if not material or called.alike(word, material)]
    chosen = f"l.lot = ? AND l.material IN ({', '.join('?' * len(meant))})"
    sql = (
        "SELECT b.id, b.number, r.revision, r.product, r.made_on, r.bottles, l.material, l.supplier, "
        f"sum(l.grams) AS grams, coalesce(r.mass_g, r.size_g) AS mass FROM {LATEST} JOIN lot l ON l.revision_id = r.id "
        f"WHERE {chosen} GROUP BY b.id, l.material, l.supplier ORDER BY r.made_on, b.number, l.material, l.supplier"
    )
    ever = (
        "SELECT DISTINCT b.number FROM lot l JOIN revision r ON r.id = l.revision_id JOIN batch b ON b.id = r.batch_id "
        f"WHERE {chosen} ORDER BY b.number"
    )
    asked = (lot, *meant)
    with store.reading():
        rows = store.rows(sql, *asked)
        once = [r["number"] for r in store.rows(ever, *asked)]
        if not once:
            raise _unknown(store, lot, material, kept)
        samples = {r["id"]: _samples(store, r["id"]) for r in rows}
    batches = tuple(
        Went.of(r, batch=r["number"], percent=100 * r["grams"] / r["mass"], samples=samples[r["id"]]) for r in rows
    )
    counts = {w.batch: w.bottles for w in batches}
    return WhereLot(
        lot=lot,
        batches=batches,
        bottles=sum(c for c in counts.values() if c is not None),
        uncounted=tuple(sorted(name for name, c in counts.items() if c is None)),
        formerly=tuple(name for name in once if name not in counts),
    )


def _unknown(store: Store, lot: str, material: str, kept: list[str]) -> DataError:
    """Return what is said of a lot that no batch has; of one of other materials, which they are."""
    if kept:
        step = f"There is one of {listed(kept)}: leave out the material to see where it went."
        return store.fault("", f"no batch has a lot '{lot}' of {material}.", step)
    lots = [r["lot"] for r in store.rows("SELECT DISTINCT lot FROM lot WHERE lot <> ''")]
    return store.fault("", f"no batch has a lot '{lot}'{f' of {material}' if material else ''}.", nearest(lot, lots))


def _samples(store: Store, batch: int) -> tuple[str, ...]:
    sql = "SELECT place, until FROM sample WHERE batch_id = ? ORDER BY until, id"
    return tuple(f"{r['place']}, until {r['until']}" for r in store.rows(sql, batch))
