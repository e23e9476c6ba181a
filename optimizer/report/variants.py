"""Variants of a base: only what differs."""

from __future__ import annotations

from optimizer.data.cautions import Caution, cautions_of
from optimizer.labelling.label import Label
from optimizer.report.blend import caution_listing
from optimizer.report.document import Columns, Document, Listing, Table, figures
from optimizer.report.record import Record
from optimizer.studies.variants import VariantOutcome, Variants
from optimizer.units import listed, number


class DifferenceRecord(Record):
    """A dose that differs from the base."""

    id: str
    name: str
    before: float
    """% as supplied in the base."""
    after: float


class VariantRecord(Record):
    """One variant."""

    name: str
    note: str
    changed: float
    """Share of the variant that is not the base [%]."""
    too_much: list[str]
    """Why it is more than a variant of this base; empty if it is not."""
    differences: list[DifferenceRecord]
    new_materials: list[str]
    cost_per_kg: float
    cost_change: float
    """Change of material cost per kg against the base."""
    ph: float | None
    """Target at which its windows fit best."""
    broken: list[str]
    """Readings of the rules that it breaks."""
    newly_broken: list[str]
    """Ids of those that the base keeps."""
    ingredients: str
    """List of ingredients, made anew."""
    allergens: list[str]
    """Allergens that the label names, certain or possible."""


class VariantsRecord(Record):
    """A base and its variants."""

    base: str
    changed_at_most: float
    ingredients: str
    allergens: list[str]
    broken: list[str]
    """Ids of rules that the base itself breaks."""
    variants: list[VariantRecord]
    cautions: list[str]


def variants_record(found: Variants) -> VariantsRecord:
    """Return variants as a record."""
    return VariantsRecord(
        base=found.name,
        changed_at_most=found.limits.changed_at_most,
        ingredients=found.label.line,
        allergens=_allergens(found.label),
        broken=list(found.base.broken),
        variants=[_record(o) for o in found.outcomes],
        cautions=[c.text for c in _cautions(found)],
    )


def _record(outcome: VariantOutcome) -> VariantRecord:
    return VariantRecord(
        name=outcome.variant.name,
        note=outcome.variant.note,
        changed=outcome.changed,
        too_much=list(outcome.too_much),
        differences=[DifferenceRecord.model_validate(d) for d in outcome.differences],
        new_materials=list(outcome.new_materials),
        cost_per_kg=outcome.checked.cost,
        cost_change=outcome.cost_change,
        ph=outcome.checked.setting.target,
        broken=_readings(outcome, outcome.checked.broken),
        newly_broken=list(outcome.newly_broken),
        ingredients=outcome.label.line,
        allergens=_allergens(outcome.label),
    )


def _cautions(found: Variants) -> tuple[Caution, ...]:
    """Return the cautions of the base and of every variant, each once with all the materials it comes from."""
    every = [found.base.formula, *(o.checked.formula for o in found.outcomes)]
    said: dict[str, set[str]] = {}
    for formula in every:
        for caution in cautions_of(formula, found.base.brief.library):
            said.setdefault(caution.text, set()).update(caution.materials)
    return tuple(Caution(text, tuple(sorted(names))) for text, names in said.items())


def _allergens(label: Label) -> list[str]:
    return [a.name for a in label.named]


def _readings(outcome: VariantOutcome, ids: tuple[str, ...]) -> list[str]:
    return [o.reading for o in outcome.checked.rules if o.id in ids]


def variants_document(found: Variants) -> Document:
    """Return the base in one line and each variant by its differences."""
    brief = found.base.brief
    currency = brief.scenario.currency
    sound = [o for o in found.outcomes if not o.too_much and not o.newly_broken]
    count = len(found.outcomes)
    verdict = f"{len(sound)} of {count} {'variant keeps' if count == 1 else 'variants keep'} the base's rules and size."
    rows = []
    for outcome in found.outcomes:
        state = "; ".join(
            [*outcome.too_much, *([f"breaks {listed(outcome.newly_broken)}"] if outcome.newly_broken else [])]
        )
        target = outcome.checked.setting.target
        told = state or "a variant of this base"
        rows.append((outcome.variant.name, outcome.changed, outcome.cost_change, target, told))
    cost = figures(f"{currency}/kg", form="+.3f")
    columns: Columns = ("variant", *figures("changed %", digits=2), *cost, *figures("pH", digits=2), "verdict")
    summary = Table(
        "Variants",
        columns,
        tuple(rows),
        f"Changed: what is new or more than in the base; at most {number(found.limits.changed_at_most)} % (common "
        "practice of safety assessors, some allow 2 %; your assessor decides). The rest of the base is locked.",
    )
    sections: list[Table | Listing] = [summary]
    for outcome in found.outcomes:
        sections += _one(found, outcome)
    sections.append(
        Listing(
            "Not covered by the base",
            (
                "Tests of the base do not carry over to a variant by themselves: ask your safety assessor, re-read pH "
                "and viscosity, and look at clarity; a new perfume or extract can change all three, and preservation.",
            ),
            "caution",
        )
    )
    sections.append(caution_listing(_cautions(found)))
    facts = [("base", f"{found.name}, {number(found.base.cost, 3)} {currency} per kg")]
    if found.base.broken:
        facts.append(("the base itself", f"breaks {listed(found.base.broken)}"))
    facts += [("assumed", note) for note in brief.assumptions]
    title = f"Variants of {found.name}"
    return Document(title, verdict, tuple(facts), tuple(sections), good=len(sound) == len(found.outcomes))


def _one(found: Variants, outcome: VariantOutcome) -> list[Table | Listing]:
    rows = tuple((d.name, d.before or None, d.after or None, d.after - d.before) for d in outcome.differences)
    columns: Columns = ("material", *figures("base %", "variant %", digits=3), *figures("change", form="+.3g"))
    parts: list[Table | Listing] = [Table(outcome.variant.name, columns, rows, outcome.variant.note)]
    said = [f"breaks: {reading}" for reading in _readings(outcome, outcome.newly_broken)]
    aside = tuple(r for r in outcome.variant.without_rules if r in outcome.checked.broken)
    said += [f"need not keep: {reading}" for reading in _readings(outcome, aside)]
    before, after = _allergens(found.label), _allergens(outcome.label)
    gained, lost = [a for a in after if a not in before], [a for a in before if a not in after]
    if gained:
        said.append(f"allergens that the label gains: {listed(gained)}")
    if lost:
        said.append(f"allergens that the label no longer needs: {listed(lost)}")
    said += [w for w in outcome.label.wishes if w not in found.label.wishes]
    said.append(outcome.label.line)
    return [*parts, Listing(f"{outcome.variant.name}: what follows", tuple(said))]
