"""The weigh sheet in words: what every renderer shows, as a document and as JSON."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import fsum, nan

from optimizer.bench.weigh import Step, WeighLine, WeighSheet
from optimizer.chemistry.interval import Interval
from optimizer.data.cautions import ALWAYS, Caution
from optimizer.errors import UsageError
from optimizer.report.cautions import alarm_listing, rests_listing
from optimizer.report.document import Column, Columns, Document, Listing, Row, Section, Strong, Sum, Table, figures
from optimizer.units import listed, number

SHEET = "weigh sheet"
"""What its files call themselves; see `files.report_mark`."""
BLANK_ROWS = 5
"""Empty rows to fill in by hand."""
SIGNED = ("made by, date", "checked by, date")
PLAN = "A plan for the bench. " + " ".join(ALWAYS)


def grams_text(sheet: WeighSheet, grams: float) -> str:
    """Return grams with as many decimals as the scale shows."""
    return f"{grams:.{sheet.batch.scale.decimals}f}"


def facts_of(sheet: WeighSheet) -> list[tuple[str, str]]:
    """Return what stands at the head of the sheet."""
    batch = sheet.batch
    facts = [("batch", batch.batch), ("product", batch.product)]
    facts += [(k, v) for k, v in (("master formula", batch.master), ("planned on", batch.planned_on)) if v]
    facts.append(("batch size", f"{batch.scale.told(batch.size_g)} g"))
    held = f"{grams_text(sheet, sheet.total_g)} g are weighed"
    if sheet.held_g > 0:
        held += f", {batch.scale.told(sheet.held_g)} g of water are set aside for acid, thickener and evaporation"
    facts.append(("of which", held))
    scale = batch.scale
    least = f"shows {number(scale.step_g)} g; below {number(scale.least_g, 4)} g a line is off by more than "
    facts.append(("scale", f"{least}{number(scale.allowed_percent)} %"))
    if batch.ph_target is not None:
        window = ""
        if batch.ph_low is not None and batch.ph_high is not None:
            window = f" ({number(batch.ph_low, 2)} to {number(batch.ph_high, 2)})"
        facts.append(("target pH", f"{number(batch.ph_target, 2)}{window}"))
    for more in sheet.besides:
        lots = f", lot {listed(list(more.lots))}" if more.lots else ""
        facts.append(
            ("weighed besides", f"{grams_text(sheet, more.grams)} g of {more.name}{lots}: no line of the plan")
        )
    if sheet.fill_g is not None and batch.bottle_ml and batch.density_g_per_ml:
        fill = f"{number(sheet.fill_g, 1)} g per bottle of {number(batch.bottle_ml)} ml"
        facts.append(("filling", f"{fill} at {number(batch.density_g_per_ml)} g/ml; about {sheet.bottles} bottles"))
    return facts


def remark(sheet: WeighSheet, line: WeighLine, *, ahead: bool = True) -> str:
    """Return what helps a line that the scale weighs too coarsely, with what is made of it later unless left out."""
    inside = [li.number for li in sheet.lines if li.used and li.dilution and li.dilution.diluent == line.material.id]
    if line.grams <= 0 and inside:
        return f"All of it comes along with no. {listed([str(n) for n in inside])}."
    remarks = [*(_kept_for(sheet, line) if ahead else ()), *_too_coarse(sheet, line)]
    return " ".join(remarks)


def _kept_for(sheet: WeighSheet, line: WeighLine) -> Iterator[str]:
    """Yield which premixes are made of a line, before it is weighed in full."""
    for other in sheet.lines:
        dilution = other.dilution
        later = dilution is not None and other.number > line.number and not other.used
        if dilution is None or not later or dilution.diluent != line.material.id:
            continue
        yield (
            f"Decide first how no. {other.number}, {other.material.name}, is weighed: as a premix with "
            f"{grams_text(sheet, dilution.into_g)} g of this, made now, of which a part goes in, "
            f"{grams_text(sheet, dilution.less_g)} g less are weighed here."
        )


def _too_coarse(sheet: WeighSheet, line: WeighLine) -> Iterator[str]:
    """Yield what helps a line that is too small for the scale."""
    if not line.small:
        return
    off = f"{number(line.error_percent, 0)} %"
    head = f"Below the least weighable amount: may be off by {off}."
    if line.used and line.dilution is not None:
        yield _recipe(sheet, line, "Pre-dilution:")
    elif line.dilution is None:
        yield f"{head} Use a finer scale, or make at least {number(line.enough_g / 1000, 2)} kg."
    else:
        yield f"{head} {_recipe(sheet, line, 'Better:')}"


def _recipe(sheet: WeighSheet, line: WeighLine, head: str) -> str:
    dilution = line.dilution
    assert dilution is not None
    name = next(li.material.name for li in sheet.lines if li.material.id == dilution.diluent)
    words = (
        f"{head} weigh {grams_text(sheet, dilution.weigh_g)} g into {grams_text(sheet, dilution.into_g)} g of {name}, "
        f"mix until even, take {grams_text(sheet, dilution.take_g)} g of it; note it as {number(dilution.brings_g)} g "
        f"and {number(dilution.take_g - dilution.brings_g)} g of {name}"
    )
    if line.used:
        return f"{words}. It is already taken off that line."
    return f"{words}, and weigh {grams_text(sheet, dilution.less_g)} g less of {name} on its own line."


def head_of(step: Step) -> str:
    """Return number, title and temperature of a step."""
    heat = f" - {step.part.temperature}" if step.part.temperature else ""
    return f"{step.number}. {step.part.title}{heat}"


def after_of(step: Step) -> list[str]:
    """Return what is done, seen and waited for."""
    lines = [*step.part.do, *(f"usually: {sign}" for sign in step.part.see)]
    if step.part.ph is not None:
        lines.append(f"pH by estimate: {ph_words(step.part.ph, apart=step.part.apart)}")
    return lines + ([f"wait: {step.part.wait}"] if step.part.wait else [])


def ph_words(ph: Interval, *, apart: bool = False) -> str:
    """Return an estimated pH in words."""
    acid = ", with the acid that brought the alkaline surfactants to pH 6 to 7," if apart else ""
    span = f"{number(ph.low, 1)} to {number(ph.high, 1)} in 8 of 10"
    return f"about {number(ph.typical, 1)} once all of this step is in{acid} ({span}); nothing was measured"


def cautions_told(step: Step) -> Listing:
    """Return the cautions of a step, in full where they come first."""
    sentences = [c.words for c in step.cautions]
    if step.again:
        sentences.append("As above: " + listed([f"{key} (step {number_})" for key, number_ in step.again]) + ".")
    return Listing("", tuple(sentences), "caution")


def _by_number(sheet: WeighSheet, caution: Caution) -> Caution:
    """Return a caution that names its materials by the numbers of their lines, which takes less room."""
    numbers = {line.name: line.number for line in sheet.lines}
    lines = [str(n) for n in sorted(numbers[m] for m in caution.materials if m in numbers)]
    others = [m for m in caution.materials if m not in numbers]
    places = [f"no. {listed(lines)}"] * bool(lines) + [listed(others)] * bool(others)
    return replace(caution, materials=("; ".join(places),) if places else ())


def _columns(sheet: WeighSheet) -> Columns:
    grams = f".{sheet.batch.scale.decimals}f"
    return (
        Column("", "tick"), *figures("no."), Column("material", "name"), Column("id", "key"), *figures("%"),
        Column("weigh, g", "big", form=grams), Column("lot", "write"), Column("weighed, g", "write", form=grams),
        Column("INCI", "note"), Column("how", "note"),
    )  # fmt: skip


def _row(sheet: WeighSheet, line: WeighLine) -> Row:
    material = line.material
    told = remark(sheet, line)
    how = tuple(filter(None, (material.handling, f"! {told}" if told else "")))
    lots = ", ".join(lot for lot, _ in line.weighed if lot) or None
    weighed = tuple(grams for _, grams in line.weighed) or None
    return (None, line.number, material.name, material.id, line.percent, line.grams, lots, weighed, material.inci, how)


def _lines(sheet: WeighSheet, step: Step) -> list[Table]:
    rows = tuple(_row(sheet, line) for line in step.lines)
    return [Table(head_of(step), _columns(sheet), rows)] if rows else []


def _title(sheet: WeighSheet) -> str:
    return f"Weigh sheet: {sheet.batch.product or 'batch'}, batch {sheet.batch.batch}"


def _verdict(sheet: WeighSheet) -> tuple[str, bool]:
    small = sum(line.small and not line.used for line in sheet.lines)
    if small:
        return f"{small} of {len(sheet.lines)} lines are too small for this scale; see what is offered.", False
    return "Every line can be weighed well enough on this scale.", True


def weigh_document(sheet: WeighSheet) -> Document:
    """Return the sheet for a screen."""
    sections: list[Section] = [alarm_listing(sheet.alarms)]
    for step in sheet.steps:
        lines = _lines(sheet, step)
        told = Listing("" if lines else head_of(step), tuple(after_of(step)))
        sections += [*lines, told, cautions_told(step)]
    sections += [rests_listing(sheet.alarms), Listing("", ALWAYS, "caution")]
    facts = [*facts_of(sheet)[2:], *(("note", note) for note in sheet.notes)]
    verdict, good = _verdict(sheet)
    return Document(_title(sheet), verdict, facts, sections, good)


def _blanks(step: Step, rows: int = BLANK_ROWS) -> list[Table]:
    """Return the rows that are filled in by hand."""
    names = step.part.blanks
    return [_blank(*names, rows=1 if "final" in names[0] else rows)] if names else []


def _blank(*names: str, rows: int = 1) -> Table:
    return Table("", tuple(Column(name, "write") for name in names), ((None,) * len(names),) * rows)


def weigh_short(sheet: WeighSheet, rows: int = 3, most: int = 1) -> Document:
    """Return the sheet for one page: all lines in one table, what is done in a line a step, every caution once.

    Args:
        sheet: The sheet.
        rows: Empty rows for each reading.
        most: Sentences of each step; the long sheet has all.
    """
    every = Table("", _columns(sheet), ()).every
    short = [k for k, column in enumerate(every) if column.kind not in ("key", "note")]
    columns = tuple(every[k] for k in short)
    parts: list[Section] = []
    lines: list[Row] = []
    for step in sheet.steps:
        told = [f"{head_of(step)}: {' '.join(step.part.do[:most])}".removesuffix(": ")]
        remarks = ((line, remark(sheet, line, ahead=most > 0)) for line in step.lines)
        told += [f"! {line.number} {line.material.name}: {said}" for line, said in remarks if said]
        if step.lines or not step.part.blanks:
            lines.append(Strong(("", None, " ".join(told), None, None, "", None)))
        lines += [tuple(row[k] for k in short) for row in (_row(sheet, line) for line in step.lines)]
        if step.part.blanks:
            if lines:  # what is read before the next lines stands above them
                parts.append(Table("", columns, tuple(lines)))
                lines = []
            if not step.lines:
                parts.append(Listing("", (" ".join(told),)))
            parts += _blanks(step, rows)
    if lines:
        parts.append(Table("", columns, tuple(lines)))
    words = dict.fromkeys(_by_number(sheet, caution).words for caution in sheet.handling)
    words |= dict.fromkeys(caution.rests for caution in sheet.alarms if caution.rests)
    sections: list[Section | Document] = [
        alarm_listing(sheet.alarms),
        Listing("", (" ".join((PLAN, *words)),), "caution"),
        *parts,
        _blank(*SIGNED),
    ]
    facts = [fact for fact in facts_of(sheet)[2:] if most or fact[0] in ("batch size", "of which", "target pH")]
    return _form(sheet, facts, sections)


def one_page(sheet: WeighSheet) -> bytes:
    """Return the short sheet as a PDF of one page: with as many empty rows and sentences as have room.

    Raises:
        UsageError: If it does not fit one page in letters that can be read.
    """
    from optimizer.report.formats.pdf import fits, one_page_pdf

    tried = ((rows, most) for rows, most in ((5, 9), (3, 9), (3, 2), (3, 1), (2, 1), (2, 0)))
    page = next((d for d in (weigh_short(sheet, *one) for one in tried) if fits(d)), None)
    if page is None:
        raise UsageError(f"--short: {len(sheet.lines)} lines do not fit one page; leave it out for the long sheet.")
    return one_page_pdf(page)


def weigh_form(sheet: WeighSheet) -> Document:
    """Return the sheet to be filled in, on paper or in a workbook: cautions come before what they are about."""
    sections: list[Section | Document] = [alarm_listing(sheet.alarms), Listing("", (PLAN,), "caution")]
    for step in sheet.steps:
        lines = tuple(replace(table, title="") for table in _lines(sheet, step))
        told = Listing("", tuple(after_of(step)))
        sections.append(Document(head_of(step), "", (), (cautions_told(step), *lines, told, *_blanks(step))))
    percent = Sum(fsum(line.percent for line in sheet.lines))
    weighed = fsum(g for line in sheet.lines for _, g in line.weighed)
    done = Sum(weighed if all(line.weighed for line in sheet.lines) else nan)
    note = "the part held back is not in the sum" if sheet.held_g > 0 else ""
    total = Strong(("", None, "sum", "", percent, Sum(sheet.total_g), "", done, "", note))
    sections += [Table("", _columns(sheet), (total,)), rests_listing(sheet.alarms)]
    sections.append(_blank(*SIGNED))
    return _form(sheet, facts_of(sheet), sections)


def _form(sheet: WeighSheet, facts: list[tuple[str, str]], sections: Sequence[Section | Document]) -> Document:
    """Return a sheet to be filled in, with what stands on every page of it."""
    running = f"batch {sheet.batch.batch} - {sheet.batch.product}".removesuffix(" - ")
    verdict, good = _verdict(sheet)
    facts += [("note", note) for note in sheet.notes]
    return Document(_title(sheet), verdict, facts, sections, good, running, SHEET)
