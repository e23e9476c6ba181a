"""The short chemistry section of a blend or check."""

from __future__ import annotations

from optimizer.chemistry.interval import Interval
from optimizer.outlook.advice import Advice
from optimizer.outlook.chemistry import Chemistry
from optimizer.report.document import Listing, Table
from optimizer.report.record import Figure, Record
from optimizer.units import listed, number


class SpanRecord(Record):
    """Low, typical and high."""

    low: Figure
    typical: Figure
    high: Figure


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
        dissolved_salt=SpanRecord.model_validate(found.budget.total),
        salt_left=SpanRecord.model_validate(found.budget.left),
        dilution=micelles.dilution,
        ideal_mixed_cmc=SpanRecord.model_validate(micelles.mixed_cmc) if micelles.mixed_cmc else None,
        free_anionic_monomer=SpanRecord.model_validate(micelles.free_anionic) if micelles.free_anionic else None,
        without_cmc=list(micelles.unknown),
        advice=[a.text for a in found.advice],
    )


def chemistry_sections(found: Chemistry) -> tuple[Table | Listing, ...]:
    """Return the figures as one table and the advice as a list."""
    rows: list[tuple[str, ...]] = []
    if found.window is not None:
        low, high = (listed(by) or "the brief" for by in (found.window.low_set_by, found.window.high_set_by))
        target = "" if found.setting.target is None else number(found.setting.target, 2)
        ends = number(found.window.low, 2), number(found.window.high, 2)
        rows.append(("shared pH window and target", ends[0], target, ends[1], f"set by {low} and {high}"))
    for acid in found.preservation.acids:
        beside = f"of {number(acid.percent, 3)} % as acid; a floor, no proof"
        rows.append((f"{acid.acid}, undissociated, %", *_span(acid.undissociated, 3), beside))
    left = found.budget.left
    room = f"{number(left.low, 2)} to {number(left.high, 2)} left of {number(found.budget.limit)} %"
    rows.append(("dissolved salt, %", *_span(found.budget.total, 2), room))
    micelles = found.micelles
    if micelles.mixed_cmc and micelles.free_anionic:
        use = f"1 in {number(micelles.dilution)} in water without salt"
        rows.append(("ideal mixed CMC, mM", *_span(micelles.mixed_cmc, 2), use))
        rating = f"mildness rating {number(micelles.mildness, 1)} beside it"
        rows.append(("free anionic monomer, mM", *_span(micelles.free_anionic, 2), rating))
    note = "Ranges are those of the published or printed figures. "
    if found.preservation.acids:
        note += f"{found.preservation.warning} "
    note += "The monomer is a relative index: it may explain a mildness rating, it does not replace it."
    if micelles.unknown:
        note += f" Without a CMC: {listed(micelles.unknown)}."
    columns = ("figure", "low", "typical", "high", "")
    sections: list[Table | Listing] = [Table("Chemistry", columns, tuple(rows), frozenset({1, 2, 3}), note)]
    if found.advice:
        advice = (*map(_said, found.advice), "Reasons, sources and ladders: tenside advice.")
        sections.append(Listing("At the bench", advice))
    return tuple(sections)


def _said(advice: Advice) -> str:
    """Return what to do, with the ids that a text about making or figures leaves to its reason."""
    named = advice.kind not in ("thickening", "clarity") and 0 < len(advice.materials) <= 4
    return f"{advice.text} ({listed(advice.materials)})" if named else advice.text


def _span(interval: Interval, digits: int) -> tuple[str, str, str]:
    return number(interval.low, digits), number(interval.typical, digits), number(interval.high, digits)
