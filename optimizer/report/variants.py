"""Variants of a base: only what differs."""

from __future__ import annotations

from math import isnan

from optimizer.assessment.planned import planned_cost
from optimizer.report.cautions import framed
from optimizer.report.document import Columns, Document, Listing, Table, figures
from optimizer.report.naming import rules_called
from optimizer.studies.variants import VariantOutcome, Variants
from optimizer.units import listed, number

TESTED_ANEW = (
    "Tests of the base do not carry over to a variant by themselves: ask your safety assessor, re-read pH and "
    "viscosity, and look at clarity; a new perfume or extract can change all three, and preservation."
)


def variants_document(found: Variants) -> Document:
    """Return the base in one line and each variant by its differences."""
    brief = found.base.brief
    currency = brief.scenario.currency
    sound = [o for o in found.outcomes if not o.too_much and not o.newly_broken]
    count = len(found.outcomes)
    verdict = f"{len(sound)} of {count} {'variant keeps' if count == 1 else 'variants keep'} the base's rules and size."
    sections: list[Table | Listing] = [_summary(found)]
    for outcome in found.outcomes:
        sections += _one(found, outcome)
    sections.append(Listing("Not covered by the base", (TESTED_ANEW,), "caution"))
    alone = f"{number(found.base.cost, 3)} {currency} per kg"
    planned = planned_cost(brief, found.base.formula, found.base.setting)
    as_planned = f"{number(planned.per_kg.typical, 3)} {currency} per kg as planned; " if planned else ""
    facts = [("base", f"{found.name}, {as_planned}{alone}{', the blend alone' if planned else ''}")]
    if found.base.broken:
        facts.append(("the base itself", f"breaks {listed(rules_called(found.base.rules, found.base.broken))}"))
    facts += [("assumed", note) for note in brief.assumptions]
    shown = framed(found.every_caution, sections)
    return Document(f"Variants of {found.name}", verdict, facts, shown, good=len(sound) == len(found.outcomes))


def _summary(found: Variants) -> Table:
    rows = []
    for outcome in found.outcomes:
        names = rules_called(outcome.checked.rules, outcome.newly_broken)
        broken = [f"breaks {listed(names)}"] if names else []
        judged = "; ".join([*outcome.too_much, *broken]) or "a variant of this base"
        target = outcome.checked.setting.target
        cost_change = "no price" if isnan(outcome.cost_change) else outcome.cost_change
        rows.append((outcome.variant.name, outcome.changed, cost_change, target, judged))
    cost = figures(f"blend {found.base.brief.scenario.currency}/kg", form="+.3f")
    columns: Columns = ("variant", *figures("changed %", digits=2), *cost, *figures("pH", digits=2), "verdict")
    note = (
        f"Changed: what is new or more than in the base; at most {number(found.limits.changed_at_most)} % (common "
        "practice of safety assessors, some allow 2 %; your assessor decides). The rest of the base is locked."
    )
    return Table("Variants", columns, tuple(rows), note)


def _one(found: Variants, outcome: VariantOutcome) -> list[Table | Listing]:
    rows = tuple((d.name, d.before or None, d.after or None, d.after - d.before) for d in outcome.differences)
    columns: Columns = ("material", *figures("base %", "variant %", digits=3), *figures("change", form="+.3g"))
    parts: list[Table | Listing] = [Table(outcome.variant.name, columns, rows, outcome.variant.note)]
    said = [f"breaks: {reading}" for reading in outcome.readings(outcome.newly_broken)]
    aside = tuple(r for r in outcome.checked.broken if r in outcome.variant.freed and r not in found.base.broken)
    said += [f"need not keep: {reading}" for reading in outcome.readings(aside)]
    before, after = found.allergens, outcome.allergens
    gained, lost = [a for a in after if a not in before], [a for a in before if a not in after]
    if gained:
        said.append(f"allergens that the label gains: {listed(gained)}")
    if lost:
        said.append(f"allergens that the label no longer needs: {listed(lost)}")
    said += [w for w in outcome.label.wishes if w not in found.label.wishes]
    said.append(outcome.label.line)
    return [*parts, Listing(f"{outcome.variant.name}: what follows", tuple(said))]
