"""The short chemistry section of a blend or check."""

from __future__ import annotations

from collections.abc import Iterator

from optimizer.assessment.advice import Advice
from optimizer.assessment.chemistry import Chemistry
from optimizer.assessment.measured import Measured
from optimizer.assessment.micelle import Interaction
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.preservation import AT_MOST
from optimizer.data.measured import CLEAR
from optimizer.report.document import Columns, Listing, Table, figures
from optimizer.units import listed, number


def chemistry_sections(found: Chemistry, *, unread: bool = False) -> tuple[Table | Listing, ...]:
    """Return the figures as one table and the advice as a list; `unread` of a batch whose pH nobody read."""
    rows: list[tuple[str, ...]] = []
    if found.window is not None:
        ends_by = found.window.low_set_by, found.window.high_set_by
        low, high = (listed([found.names.get(i, i) for i in by]) or "the brief" for by in ends_by)
        target = "" if found.setting.target is None else number(found.setting.target, 2)
        ends = number(found.window.low, 2), number(found.window.high, 2)
        by = low if low == high else f"{low} and {high}"
        rows.append(("shared pH window and target", ends[0], target, ends[1], f"set by {by}"))
    for acid in found.preservation.acids:
        beside = f"of {number(acid.percent, 3)} % as acid; {AT_MOST}"
        beside += "; at the planned pH, nobody read it" if unread else ""
        rows.append((f"{acid.acid}, undissociated, %", *_span(acid.undissociated, 3), beside))
    rows.append(("dissolved salt, %", *_span(found.budget.total, 2), found.budget.room))
    micelles = found.micelles
    if micelles.mixed_cmc and micelles.free_anionic:
        use = f"1 in {number(micelles.dilution)} in water without salt"
        rows.append(("ideal mixed CMC, mM", *_span(micelles.mixed_cmc, 2), use))
        if micelles.mixed_with_interaction:
            span = _span(micelles.mixed_with_interaction, 3)
            rows.append(("mixed CMC with interaction, mM", *span, _parameters(micelles.interactions)))
        rating = f"mildness rating {number(micelles.mildness, 1)} beside it"
        rows.append(("free anionic monomer, mM", *_span(micelles.free_anionic, 2), rating))
    note = "Ranges are those of the published or printed figures. "
    if found.preservation.acids:
        note += f"{found.preservation.warning} "
    note += "The monomer is a relative index: it may explain a mildness rating, it does not replace it."
    if micelles.unknown:
        note += f" Without a CMC: {listed(micelles.unknown)}."
    columns: Columns = ("figure", *figures("low", "typical", "high"), "")
    sections: list[Table | Listing] = [Table("Chemistry", columns, tuple(rows), note), *_measured(found.measured)]
    if found.pieces:
        advice = (*map(_in_words, found.pieces), "Reasons, sources and ladders: tenside advice.")
        sections.append(Listing("At the bench", advice))
    return tuple(sections)


def _measured(found: Measured) -> Iterator[Table | Listing]:
    """Yield the least often stable measured pair, near neighbours if there are any, and all pairs as a detail."""
    if not found.pairs:
        return
    more = len(found.pairs) - 1
    lines = [f"{found.pairs[0].words} Others' grades and pH: it foretells nothing of yours."]
    if more:
        lines[0] += f" {more} more on the page and in the JSON."
    if found.neighbours:
        lines.append(found.neighbours.words)
    yield Listing("Measured blends", tuple(lines))
    columns: Columns = ("pair", *figures("blends", "stable", "clear"), "doses as supplied")
    rows = tuple(
        (f"{p.one.inci} with {p.other.inci}", p.blends, p.stable, p.clear, f"{p.one.words}; {p.other.words}")
        for p in found.pairs
    )
    note = (
        f"Counted in {found.source}: blends that hold the two, with others beside them, of grades, pH and salt that "
        f"are not told. Clear: below {number(CLEAR)} NTU."
    )
    yield Table("Measured pairs", columns, rows, note, detail=True)


def _parameters(interactions: tuple[Interaction, ...]) -> str:
    """Return the spread of the strongest interaction, in words."""
    strongest = min(interactions, key=lambda i: (i.beta.low, i.kinds))
    span = f"{number(strongest.beta.low)} to {number(strongest.beta.high)}"
    return f"{' with '.join(strongest.kinds)}: parameter {span}, no constant; promises nothing"


def _in_words(advice: Advice) -> str:
    """Return what to do, with the materials that a text about making or figures leaves to its reason."""
    named = advice.kind not in ("thickening", "clarity") and 0 < len(advice.names) <= 4
    return f"{advice.text} ({listed(advice.names)})" if named else advice.text


def _span(interval: Interval, digits: int) -> tuple[str, str, str]:
    return number(interval.low, digits), number(interval.typical, digits), number(interval.high, digits)
