"""What the records room answers, as documents."""

from __future__ import annotations

from typing import TYPE_CHECKING

from optimizer.report.cautions import FIRST
from optimizer.report.document import Columns, Document, Listing, Row, Section, Sketch, Table, figures, filled
from optimizer.report.formats.escape import printable
from optimizer.units import listed, number

if TYPE_CHECKING:
    from optimizer.records.batches import Kept
    from optimizer.records.checking import Soundness
    from optimizer.records.exchange import Exchanged
    from optimizer.records.lots import LotsOf, WhereLot
    from optimizer.records.masters import FigureChange, Version, Versions
    from optimizer.records.overview import Listed, NoteKept, Shown
from optimizer.records.packing import Packed

FIGURES = {
    "cost_per_kg": "cost per kg",
    "active_percent": "active matter, % of the product",
    "anionic_percent": "anionic share, %",
    "amphoteric_percent": "amphoteric share, %",
    "nonionic_percent": "nonionic share, %",
    "cationic_percent": "cationic share, %",
    "ph_low": "pH window from",
    "ph_target": "target pH",
    "ph_high": "pH window to",
    "held_back_percent": "kept free, %",
}
DIGITS = {"cost_per_kg": 4}
Sections = list[Table | Listing | Sketch]


def kept_document(kept: Kept) -> Document:
    """Return what keeping a batch did."""
    done = f"Kept as revision {kept.revision}." if kept.changed else f"Nothing changed since revision {kept.revision}."
    facts = [("store", kept.store), ("read", _counts(kept.lots, kept.observations, kept.photos))]
    if kept.photos_cleaned:
        facts.append(("photos", f"place, owner and other notes of the camera left out: {listed(kept.photos_cleaned)}"))
    gaps = []
    if kept.without_lot:
        gaps.append(f"Weighed without a lot: {listed(kept.without_lot)}. There the trace ends; write the lots down.")
    if kept.without_supplier:
        gaps.append(
            f"No supplier is known of lot {listed(kept.without_supplier)}; name the shelf that says so with --shelf."
        )
    return Document(f"Batch {kept.batch}", done, facts, (Listing("Gaps", tuple(gaps), "caution"),))


def _counts(lots: int, readings: int, photos: int) -> str:
    return f"{many(lots, 'lot')}, {many(readings, 'reading')}, {many(photos, 'photo')}"


def many(count: int, what: str) -> str:
    """Return a count with its noun, plural in -s."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def list_document(found: Listed) -> Document:
    """Return batches and master formulas."""
    batches = tuple((b.batch, b.revision, b.product, b.master, b.made_on, b.size_g, b.bottles) for b in found.batches)
    masters = tuple((m.name, m.version, m.on, m.cost_per_kg, m.currency, m.active_percent) for m in found.masters)
    heads: Columns = (
        "batch", *figures("revision"), "product", "master", "made on", *figures("planned g", "bottles", digits=2)
    )  # fmt: skip
    costs = figures("cost per kg", digits=3)
    others: Columns = ("master formula", *figures("version"), "on", *costs, "", *figures("active %", digits=2))
    tables = filled(Table("Batches", heads, batches), Table("Master formulas", others, masters))
    verdict = f"{many(len(batches), 'batch').replace('batchs', 'batches')}, {many(len(masters), 'master formula')}."
    return Document(f"Records in {found.store}", verdict, (), tables)


def batch_document(batch: Shown, *, file: bool = False) -> Document:
    """Return a batch with its readings and samples, if asked with its file."""
    title = f"Batch {batch.batch}" + (f", {batch.product}" if batch.product else "")
    verdict = f"Revision {batch.revision} of {batch.revisions}, kept on {batch.kept_on}."
    facts = [
        ("brief", batch.brief),
        ("master formula", batch.master),
        ("planned on", batch.planned_on),
        ("made on", batch.made_on),
        ("planned mass", f"{_g(batch.size_g)} g"),
        ("mass before filling", "" if batch.mass_g is None else f"{_g(batch.mass_g)} g"),
        ("bottles", _count(batch.bottles)),
        ("formula as made", "stored, see --json" if batch.as_made is not None else ""),
        ("library since", _since(batch.changed_since)),
    ]
    rows = tuple(_noted(o) for o in batch.observations)
    heads: Columns = ("read", *figures("value"), "unit", "at", "on", "said", "photo")
    sections: Sections = [Listing(FIRST, batch.alarms, "caution"), *filled(Table("Readings", heads, rows))]
    if batch.samples:
        kept = tuple(
            (s.place, s.on, s.until, "" if s.amount_g is None else f"{_g(s.amount_g)} g", s.note) for s in batch.samples
        )
        sections.append(Table("Retained samples", ("place", "on", "until", "amount", "note"), kept))
    else:
        sections.append(Listing("Retained samples", ("None is recorded: tenside records sample.",), "caution"))
    if file:
        sections.append(
            Sketch(
                f"{batch.file}, as it was",
                tuple(map(printable, batch.text.splitlines())),
                "Long lines are cut; --out writes it whole.",
            )
        )
    return Document(title, verdict, tuple((k, v) for k, v in facts if v), sections)


def _since(changed: tuple[str, ...] | None) -> str:
    if changed is None:
        return ""
    return f"says something else now of {listed(changed)}" if changed else "says the same of every material as then"


def _noted(seen: NoteKept) -> Row:
    at = "" if seen.temperature_c is None else f"{number(seen.temperature_c, 1)} °C"
    return (seen.what, seen.value, seen.unit, at, seen.on, seen.text, seen.photo)


def version_document(version: Version) -> Document:
    """Return a version of a master formula against the one before it."""
    verdict = f"Version {version.version}, kept on {version.on}."
    if version.version > 1:
        verdict += f" {many(len(version.changed), 'dose')} differ from version {version.version - 1}."
        verdict = verdict.replace("1 dose differ ", "1 dose differs ")
    facts = (("held against", version.brief), ("why", version.why))
    return Document(version.name, verdict, facts, _version_tables(version))


def versions_document(found: Versions) -> Document:
    """Return the history of a master formula, newest first."""
    sections: Sections = []
    for version in found.versions:
        why = f"Version {version.version} of {version.on}"
        sections += [Listing(why, (version.why,)), *_version_tables(version)]
    return Document(found.name, f"{many(len(found.versions), 'version')}.", (), sections)


def _version_tables(version: Version) -> tuple[Table, ...]:
    first = version.version == 1
    doses, told = [], []
    for dose in version.doses:
        doses.append((dose.material, *_three(dose.before, dose.after, 2, first, absent=0.0)))
    for figure in version.figures:
        if figure.before is not None or figure.after is not None:
            digits = DIGITS.get(figure.figure, 2)
            told.append((_called(figure, version), *_three(figure.before, figure.after, digits, first)))
    heads = figures("now") if first else figures("before", "now", "change")
    return (
        Table("Doses, % as supplied", ("material", *heads), tuple(doses)),
        Table("By the numbers", ("", *heads), tuple(told)),
    )


def _called(figure: FigureChange, version: Version) -> str:
    name = FIGURES[figure.figure]
    return f"{name}, {version.currency}" if figure.figure == "cost_per_kg" else name


def _three(
    before: float | None, after: float | None, digits: int, first: bool, absent: float | None = None
) -> tuple[str, ...]:
    if first:
        return (figure_of(after, digits),)
    old, new = (absent if v is None else v for v in (before, after))
    moved = old is not None and new is not None and abs(new - old) > 0.5 * 10**-digits
    change = f"{new - old:+z.{digits}f}" if moved and old is not None and new is not None else ""
    return figure_of(before, digits), figure_of(after, digits), change


def lots_document(found: LotsOf) -> Document:
    """Return which lots went into a batch."""
    rows = tuple((u.material, u.lot or "not noted", u.supplier, u.grams, u.stage, u.on) for u in found.lots)
    lots = {(u.material, u.lot) for u in found.lots if u.lot}
    bare = sorted({u.material for u in found.lots if not u.lot})
    verdict = f"{many(len({u.material for u in found.lots}), 'material')} of {many(len(lots), 'lot')} went in."
    if bare:
        verdict += f" No lot is noted for {listed(bare)}: there the trace ends."
    heads: Columns = ("material", "lot", "supplier", *figures("g", digits=3), "stage", "on")
    note = "Acid and alkali in g of the pure chemical in its stated form."
    facts = (("product", found.product), ("revision", str(found.revision)), ("bottles", _count(found.bottles)))
    table = Table("Lots", heads, rows, note if any(u.stage == "adjustment" for u in found.lots) else "")
    return Document(f"Batch {found.batch}", verdict, [(k, v) for k, v in facts if v], filled(table))


def where_document(found: WhereLot) -> Document:
    """Return where a lot went."""
    rows = tuple(
        (w.batch, w.product, w.material, w.supplier, w.grams, w.percent, w.made_on, w.bottles, listed(w.samples))
        for w in found.batches
    )
    batches = len({w.batch for w in found.batches})
    verdict = f"It went into {batches} {'batch' if batches == 1 else 'batches'}, {many(found.bottles, 'bottle')}"
    verdict += f" and the uncounted ones of batch {listed(found.uncounted)}." if found.uncounted else "."
    materials = sorted({w.material for w in found.batches})
    heads: Columns = (
        "batch", "product", "material", "supplier", *figures("g", "% of it", digits=3), "made on",
        *figures("bottles"), "retained sample",
    )  # fmt: skip
    notes = []
    if len(materials) > 1:
        notes.append(f"Lots of several materials bear this name: {listed(materials)}. Choose one with --material.")
    if found.formerly:
        notes.append(f"Only an earlier revision of batch {listed(found.formerly)} names it: it was corrected since.")
    sections: tuple[Section, ...] = (*filled(Table("Batches", heads, rows)), Listing("Mind", tuple(notes), "caution"))
    return Document(f"Lot {found.lot}", verdict, (), sections)


def soundness_document(found: Soundness) -> Document:
    """Return what a check of the store found."""
    verdict = "The store is sound." if found.sound else f"{many(len(found.faults), 'fault')} found."
    rows = ", ".join(f"{n} {name}" for name, n in found.rows.items() if n)
    facts = (("schema", str(found.schema_version)), ("rows", rows or "none"))
    faults = Listing("Faults", () if found.sound else found.faults, "caution")
    return Document(f"Check of {found.store}", verdict, facts, (faults,), good=found.sound)


def moved_document(found: Exchanged, verb: str) -> Document:
    """Return what was exported or imported."""
    rows = ", ".join(f"{n} {name}" for name, n in found.rows.items() if n) or "none"
    return Document(found.path, f"{verb}.", (("schema", str(found.schema_version)), ("rows", rows)))


def _g(value: float) -> str:
    return number(value, 2)


def _count(value: int | None) -> str:
    return "" if value is None else str(value)


def figure_of(value: float | None, digits: int) -> str:
    """Return a figure for a cell, empty for none."""
    return "" if value is None else number(value, digits)


def packed_document(packed: Packed, verdict: str, step: str) -> Document:
    """Return what was packed or put back."""
    facts = [
        ("folder", packed.folder),
        ("files", f"{packed.files}, {number(packed.bytes / 1e6, 2)} MB"),
        ("records", listed(list(packed.records)) or "none"),
        ("left out", listed(list(packed.left_out))),
    ]
    return Document("Working folder", verdict, tuple((k, v) for k, v in facts if v), (Listing("Next", (step,)),))
