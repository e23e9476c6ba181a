"""The short chemistry section of a blend or check as JSON."""

from optimizer.assessment.chemistry import Chemistry
from optimizer.report.record import Figure, Record, SpanRecord, span_record


class AcidRecord(Record):
    """One acid preservative, summed over every material that brings it or its salt."""

    acid: str
    percent: float
    """As free acid [% w/w]."""
    undissociated: SpanRecord
    """Worst of the pH window, at the target, best of it [% w/w]; a floor for planning."""


class ChemistryRecord(Record):
    """What chemistry says of a formula at its pH."""

    ph_low: Figure
    """The window that brief and materials share."""
    ph_high: Figure
    low_set_by: list[str]
    """Ids of who sets the edge; empty if the brief does."""
    high_set_by: list[str]
    acid_preservatives: list[AcidRecord]
    preservation_warning: str
    dissolved_salt: SpanRecord
    """% w/w of the product."""
    salt_left: SpanRecord
    """Left of the usual limit [%]."""
    dilution: float
    """The micelle figures hold for 1 part of the product in this many."""
    ideal_mixed_cmc: SpanRecord | None
    """mM; null if no surfactant has a figure."""
    free_anionic_monomer: SpanRecord | None
    """mM; a relative index."""
    without_cmc: list[str]
    """INCI names of surfactants without a figure."""
    advice: list[str]
    """What to do at the bench; reasons and sources with 'tenside advice'."""


def chemistry_record(found: Chemistry) -> ChemistryRecord:
    """Return the section as a record."""
    window, micelles = found.window, found.micelles
    return ChemistryRecord(
        ph_low=None if window is None else window.low,
        ph_high=None if window is None else window.high,
        low_set_by=[] if window is None else list(window.low_set_by),
        high_set_by=[] if window is None else list(window.high_set_by),
        acid_preservatives=[AcidRecord.model_validate(a) for a in found.preservation.acids],
        preservation_warning=found.preservation.warning if found.preservation.acids else "",
        dissolved_salt=span_record(found.budget.total),
        salt_left=span_record(found.budget.left),
        dilution=micelles.dilution,
        ideal_mixed_cmc=span_record(micelles.mixed_cmc) if micelles.mixed_cmc else None,
        free_anionic_monomer=span_record(micelles.free_anionic) if micelles.free_anionic else None,
        without_cmc=list(micelles.unknown),
        advice=[a.text for a in found.advice],
    )
