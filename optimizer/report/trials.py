"""Series of trials in words: the plan, the weigh sheet of all beakers, the readings, the next beakers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from itertools import groupby
from math import isnan, sqrt

from optimizer.data.cautions import ALWAYS, Caution
from optimizer.report.cautions import alarm_listing, caution_listing
from optimizer.report.document import (
    Cell,
    Column,
    Columns,
    Document,
    Listing,
    Row,
    Section,
    Strong,
    Table,
    figures,
    filled,
)
from optimizer.report.struck import struck_listing
from optimizer.shell import quoted
from optimizer.trials.more import NextBeakers
from optimizer.trials.plan import PlannedBeaker, TrialPlan
from optimizer.trials.series import Series
from optimizer.trials.sheet import SheetBeaker, TrialSheet
from optimizer.trials.standing import BeakerRead, SeriesStanding
from optimizer.units import listed, number

SHEET = "trial sheet"
"""What its files call themselves; see `files.report_mark`."""
BESIDE = 6
"""Beakers side by side on paper and screens."""
TELLS = {"line": "straight lines, curves only if they are moderate", "quadratic": "curves too (a full quadratic)"}
ROLES = {"plan": "the plan", "chosen": "", "repeat": "repeats"}
NOT_FOR_USE = "These beakers are for measuring, not for use: nothing in them was assessed."


def plan_document(plan: TrialPlan, series: Series) -> Document:
    """Return a plan: what is varied and why, where the doses go, the beakers, what to do next."""
    days = max(b.day for b in plan.beakers)
    own = sum(b.role == "plan" for b in plan.beakers)
    verdict = (
        f"{len(plan.beakers)} beakers of {number(plan.asked.grams)} g on {days} day{'s' * (days > 1)}, {own} of them "
        f"the plan itself; they tell {TELLS[plan.model]}."
    )
    sections: list[Section] = [
        alarm_listing(plan.cautions),
        *_factors(plan),
        *filled(_materials(plan)),
        _beakers(plan.beakers, [s.material for s in plan.materials]),
        Listing("Mind", plan.notes),
        Listing("Next", _next_steps(series)),
        _cautions(plan.cautions),
    ]
    kept = f"{plan.kept_after_rounding:.1%} of what the chosen points would tell is kept on this scale"
    facts = [
        ("file", series.where),
        ("varied", listed([f.name for f in plan.factors])),
        ("bounded by", "; ".join(plan.held_by)),
        *((("left out", f"{listed(list(plan.freed))}: the trials shall replace these ratings"),) if plan.freed else ()),
        ("on the scale", f"steps of {number(plan.asked.step_g)} g; {kept}"),
    ]
    return Document(f"Trials of {plan.name}", verdict, tuple(f for f in facts if f[1]), sections)


def _factors(plan: TrialPlan) -> list[Section]:
    """Return what is varied, with what that means and why."""
    rows: tuple[Row, ...] = tuple((f.name, f"{number(f.low, 2)} - {number(f.high, 2)} {f.unit}") for f in plan.factors)
    reasons = []
    for f in plan.factors:
        moves = ", ".join(f"{m.material} {m.grams:+z.2f} g" for m in f.moves if abs(m.grams) >= HALF_CENT)
        reasons.append(f"{f.name}: {f.why}{f'. From low to high: {moves}' if moves else ''}")
    note = f"Grams in {number(plan.asked.grams)} g on the way from low to high, the other factors as in the plan."
    table = Table("What is varied", (Column("factor", "name"), "from - to"), rows, note)
    return [table, Listing("", tuple(reasons))]


HALF_CENT = 0.005
"""Grams that two decimals show as nothing."""


def _materials(plan: TrialPlan) -> Table:
    rows = tuple((s.material, s.plan, s.least, s.most) for s in plan.materials)
    columns = (Column("material", "name"), *figures("plan", "least", "most", form=".2f"))
    return Table("Where the doses may go, % as supplied", columns, rows, "All others stay as in the plan.")


def _beakers(beakers: Sequence[PlannedBeaker], shown: Sequence[str]) -> Table:
    varied = len({b.ph for b in beakers}) > 1
    rows: list[Row] = []
    for b in beakers:
        what = f"{ROLES[b.role]} {b.repeats}" if b.role == "repeat" else ROLES[b.role]
        target: tuple[Cell, ...] = (b.ph,) if varied else ()
        rows.append((float(b.number), float(b.day), what, *target, *(b.doses.get(n, 0.0) for n in shown)))
    target_ph = figures("pH", digits=2) if varied else ()
    columns = (*figures("no.", "day", digits=0), Column(""), *target_ph, *figures(*shown, form=".2f"))
    return Table("Beakers in the order of making, % as supplied", columns, tuple(rows))


def _next_steps(series: Series) -> tuple[str, ...]:
    return (
        f"tenside trials sheet {quoted(series.where)} --pdf sheet.pdf",
        f"tenside trials note {quoted(series.where)} 1 viscosity=3200 clarity=4",
    )


def _cautions(cautions: tuple[Caution, ...]) -> Listing:
    told = caution_listing(cautions)
    return Listing(told.title, (NOT_FOR_USE, *told.items), told.kind)


def sheet_document(sheet: TrialSheet) -> Document:
    """Return the sheet of all beakers: on a screen, on paper."""
    sections: list[Section] = [
        alarm_listing(sheet.cautions),
        Listing("", (NOT_FOR_USE, *(c.words for c in sheet.cautions if not c.loud)), "caution"),
        *filled(_mixes(sheet)),
        *_grams(sheet),
        Listing("Each beaker is made like this", tuple(_steps(sheet))),
        Listing("Mind", sheet.notes),
    ]
    count = len(sheet.beakers)
    verdict = f"{count} beaker{'s' * (count > 1)} of {number(sheet.grams)} g, to be made in this order."
    held = f"{number(sheet.held_g, 2)} g in each, for acid and thickener; make up to {number(sheet.grams)} g with it"
    facts = [("series", sheet.trials), *((("water kept back", held),) if sheet.held_g > 0 else ())]
    return Document(
        f"Trial sheet: {sheet.product or sheet.trials}",
        verdict,
        facts,
        sections,
        running=f"trials {sheet.trials}",
        kind=SHEET,
    )


def _mixes(sheet: TrialSheet) -> Table:
    rows = tuple((None, m.id, m.name, m.weigh_g, m.into_name, m.into_g) for m in sheet.mixes)
    columns = (
        Column("", "tick"), Column("mix", "name"), "material", Column("weigh, g", "big", form=_form(sheet)), "into",
        Column("of it, g", "big", form=_form(sheet)),
    )  # fmt: skip
    note = "Mix until even; it is enough for all beakers here. What it brings along is taken off the line of the other."
    return Table("First: what is too little to weigh by itself", columns, rows, note)


def _form(sheet: TrialSheet) -> str:
    exponent = Decimal(f"{sheet.series.scale.step_g:.12g}").normalize().as_tuple().exponent
    return f".{max(0, -int(exponent))}f"


def _grams(sheet: TrialSheet) -> Iterator[Table]:
    """Yield the grams, as many beakers side by side as fit, each day by itself, with room for readings below."""
    numbered = list(enumerate(sheet.beakers))
    told = True
    for day, own in groupby(numbered, key=lambda pair: pair[1].day):
        every = list(own)
        parts = -(-len(every) // BESIDE)
        for k in range(parts):
            part = every[k * len(every) // parts : (k + 1) * len(every) // parts]
            yield _grams_of(sheet, day, part, told=told)
            yield _blanks(sheet, part)
            told = False


def _head(beaker: SheetBeaker) -> str:
    return f"{beaker.number}{' plan' * (beaker.role == 'plan')}"


def _grams_of(sheet: TrialSheet, day: int, part: list[tuple[int, SheetBeaker]], *, told: bool) -> Table:
    """Return the grams of some beakers; how each material is handled stands in the first table only."""
    rows: list[Row] = [
        (line.name, float(line.step), *(line.grams[k] for k, _ in part), line.handling if told else "")
        for line in sheet.lines
    ]
    rows.append(Strong(("together", None, *(b.total_g for _, b in part), "")))
    columns = (
        Column("g", "name"), *figures("step", digits=0),
        *(Column(_head(b), "big", form=_form(sheet)) for _, b in part), Column("how", "note"),
    )  # fmt: skip
    return Table(f"Day {day}, beakers {part[0][1].number} to {part[-1][1].number}", columns, tuple(rows))


def _blanks(sheet: TrialSheet, part: list[tuple[int, SheetBeaker]]) -> Table:
    """Return the rows that are filled in by hand."""
    reads = [f"{m.what}{f', {m.unit}' * bool(m.unit)}{WAYS[m.kind]}" for m in sheet.series.measure if m.what != "ph"]
    targets = {b.ph for _, b in part}
    ph = (
        f"pH, target {number(next(iter(targets)) or 0.0, 2)}"
        if len(targets) == 1 and None not in targets
        else "pH read"
    )
    rows: list[Row] = []
    if len(targets) > 1:
        rows.append(("target pH", *("" if b.ph is None else number(b.ph, 2) for _, b in part)))
    rows += [(name, *(None for _ in part)) for name in (ph, *reads, "weighed otherwise")]
    return Table("", (Column("read", "name"), *(Column(_head(b), "write") for _, b in part)), tuple(rows))


WAYS = {"number": "", "log": "", "judged": " (1 to 5)", "yes/no": "?"}
"""How a reading is written."""


def _steps(sheet: TrialSheet) -> Iterator[str]:
    for step in sheet.steps:
        heat = f" ({step.temperature})" if step.temperature else ""
        wait = f" Wait: {step.wait}" if step.wait else ""
        yield f"{step.number}. {step.title}{heat}: {' '.join(step.do)}{wait}"


def note_document(standing: SeriesStanding) -> Document:
    """Return what was read so far, and what is missing."""
    total, still = len(standing.beakers), len(standing.open)
    verdict = f"{total - still} of {total} beakers have a reading."
    if still:
        verdict += f" Still open: {listed([str(n) for n in standing.open])}."
    sections: list[Section] = [_readings(standing), *filled(_weights(standing)), struck_listing(standing.struck)]
    if not still:
        sections.append(Listing("Next", (f"tenside trials fit {quoted(standing.file)}",)))
    sections.append(Listing("", ALWAYS, "caution"))
    return Document(f"Readings of {standing.trials}", verdict, (("file", standing.file),), sections)


def _readings(standing: SeriesStanding) -> Table:
    shown = [m.what for m in standing.series.measure if any(m.what in b.readings for b in standing.beakers)]
    rows: list[Row] = [
        (float(b.number), float(b.day), _role(b), *(", ".join(b.readings.get(w, ())) for w in shown))
        for b in standing.beakers
    ]
    units = {m.what: f", {m.unit}" * bool(m.unit) for m in standing.series.measure}
    heads = tuple(f"{w}{units[w]}" for w in shown)
    note = (
        "Readings as typed; beakers of the plan are all alike."
        if any(b.role == "plan" for b in standing.beakers)
        else ""
    )
    return Table("Beakers", (*figures("no.", "day", digits=0), "", *heads), tuple(rows), note)


def _role(beaker: BeakerRead) -> str:
    words = f"repeats {beaker.repeats}" if beaker.role == "repeat" else ROLES[beaker.role]
    return "lost" if beaker.lost else words


def _weights(standing: SeriesStanding) -> Table:
    rows = tuple((float(b.number), name, grams) for b in standing.beakers for name, grams in b.weighed.items())
    columns = (*figures("no.", digits=0), Column("material", "name"), *figures("weighed, g"))
    note = "All others count as weighed by the sheet."
    return Table("Weights as made", columns, rows, note)


def _hoped(found: NextBeakers) -> Table:
    """Return what the beakers that may be best are expected to read, each with how far that can be trusted."""
    rows: list[Row] = []
    for one in found.hoped:
        digits = 0 if one.expected >= TO_THE_UNIT else 1
        span = "" if isnan(one.low) else f"{number(one.low, digits)} - {number(one.high, digits)}"
        where = "beyond all beakers that were read: an extrapolation, no result" if one.beyond else "among those read"
        rows.append((float(one.beaker), f"about {number(one.expected, digits)}", span, where))
    first = found.hoped[0] if found.hoped else None
    if first is None:
        return Table("", (), ())
    unit = "% chance" if isnan(first.low) else first.unit
    note = "A beaker is a question: only its reading answers."
    if not first.predicts:
        note = f"The trials do not predict {first.what} yet: the figures only say where to look. {note}"
    what = f"{first.what}, {unit}" if unit else first.what
    columns: Columns = (*figures("no.", digits=0), *figures(what, "90 % of readings"), "where it lies")
    return Table("What they may read", columns, tuple(rows), note)


TO_THE_UNIT = 100.0
"""From here on expected readings are told without decimals."""


def next_document(found: NextBeakers) -> Document:
    """Return the next beakers, and what they would tell."""
    aims = {"learn": "what teaches most besides", "best": "what may be best"}
    chosen = sum(b.role != "plan" for b in found.beakers)
    verdict = f"{chosen} further beaker{'s' * (chosen > 1)}, {aims[found.aim]}, written into {found.file}."
    first = found.series.beaker[0].doses
    every = [b.doses for b in found.series.beaker] + [b.doses for b in found.beakers]
    moving = [n for n in first if len({doses.get(n, 0.0) for doses in every}) > 1]
    numbers = ",".join(str(b.number) for b in found.beakers)
    before, after = (number(sqrt(v), 2) for v in (found.variance_before, found.variance_after))
    gain = f"{before} times that of one reading, {after} with these beakers (average over the region)"
    sections: list[Section] = [
        alarm_listing(found.cautions),
        _beakers(found.beakers, sorted(moving, key=lambda n: (-first[n], n))),
        *filled(_hoped(found)),
        Listing("Mind", found.notes),
        Listing("Next", (f"tenside trials sheet {quoted(found.file)} --only {numbers} --pdf sheet.pdf",)),
        _cautions(found.cautions),
    ]
    facts = (("day", str(found.day)), ("error of a prediction", gain))
    return Document(f"Next beakers of {found.trials}", verdict, facts, sections)
