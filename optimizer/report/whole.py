"""A formula that exists as a whole report: its doses and pictures above what is told of it."""

from __future__ import annotations

from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula
from optimizer.immutable import replace
from optimizer.report.blend import formula_table, provenance_listing
from optimizer.report.charts import charges, costs, windows
from optimizer.report.document import Document, Listing, Section
from optimizer.rules.row import Setting


def whole_document(
    told: Document,
    brief: Brief,
    formula: Formula,
    setting: Setting,
    provenance: dict[str, str],
    more: tuple[Section | Document, ...] = (),
) -> Document:
    """Return a report with doses and pictures; what is said first stays first, the cautions stay last.

    Args:
        told: What is told of the formula; its last section holds the cautions.
        brief: What it is held against.
        formula: The formula.
        setting: The pH that it is planned for.
        provenance: Versions and digests.
        more: Further sections and chapters, shown before the cautions.
    """
    *sections, cautions = told.sections
    alarms = [s for s in sections if isinstance(s, Listing) and s.kind == "caution"]
    currency = brief.scenario.currency
    shown = (
        *alarms,
        formula_table(formula, currency),
        *charges(formula),
        *costs(formula, currency),
        *windows(brief, formula, setting),
        *(s for s in sections if s not in alarms),
        *more,
        cautions,
        provenance_listing(provenance),
    )
    return replace(told, sections=shown)
