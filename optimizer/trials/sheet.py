"""The weigh sheet of a series: all beakers side by side, in the order of making, what is too little to weigh mixed.

Order of addition, handling and cautions are those of a batch of the plan; only grams differ between beakers. Whatever
is below half a gram in a beaker, or below what the scale weighs well enough, comes as a pre-dilution for all beakers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import floor

from optimizer.assessment.alarms import cautions_at
from optimizer.assessment.evidence import line_of, rests_on
from optimizer.bench.batch import Batch, PlannedLine
from optimizer.bench.grams import TENTH, spreads_in
from optimizer.bench.weigh import WeighSheet, weigh_sheet
from optimizer.brief.brief import Brief
from optimizer.data.cautions import ALWAYS, PAPER, Caution, cautions_from
from optimizer.data.facts import Material
from optimizer.immutable import immutable, result, seen, untold
from optimizer.solve.existing import formula_at
from optimizer.trials.plan import PlannedBeaker
from optimizer.trials.series import Beaker, Mix, Series
from optimizer.units import AS_TYPED, listed, whole_up

LEAST_G = 0.5
"""Amounts below this come as a pre-dilution [g]: common practice, no source."""
SPARE = 1.1
"""How much more of a pre-dilution is made than is taken; for what sticks to the glass."""
ROUND_G = 0.1
"""What goes into a pre-dilution is a multiple of this [g]."""


@immutable
class Mixed:
    """A pre-dilution as it is made."""

    id: str
    material: str
    name: str
    """Of the material."""
    into: str
    into_name: str
    weigh_g: float
    """Of the material [g]."""
    into_g: float
    """Of the other [g]."""


@immutable
class SheetLine:
    """A row of the sheet: a material or a pre-dilution."""

    id: str
    name: str
    step: int
    """Number of the step in which it goes in."""
    grams: tuple[float, ...]
    """Of each beaker [g]."""
    handling: str


@immutable
class SheetBeaker:
    """A column of the sheet."""

    number: int
    day: int
    role: str
    ph: float | None
    """Target."""
    total_g: float
    """What is weighed before acid and thickener [g]."""


@immutable
class SheetStep:
    """A step of making, the same for every beaker."""

    number: int
    title: str
    temperature: str
    do: tuple[str, ...]
    wait: str


@result
class TrialSheet:
    """All beakers as they are weighed: the output of `tenside trials sheet --json`."""

    FORMAT = 1
    series: Series = untold()
    trials: str = seen("series.trials")
    """Name of the series."""
    product: str = seen("series.product")
    grams: float = seen("series.grams")
    """Product in each beaker, once it is made up [g]."""
    held_g: float
    """Water kept back for acid and thickener in each beaker [g]."""
    beakers: tuple[SheetBeaker, ...]
    lines: tuple[SheetLine, ...]
    mixes: tuple[Mixed, ...]
    steps: tuple[SheetStep, ...]
    cautions: tuple[Caution, ...]
    notes: tuple[str, ...]


def mixes_for(
    beakers: Sequence[Beaker | PlannedBeaker], grams: float, least: float, materials: Mapping[str, Material]
) -> tuple[Mix, ...]:
    """Return the pre-dilutions that beakers need.

    Args:
        beakers: All beakers.
        grams: Product in each [g].
        least: What the scale weighs well enough [g].
        materials: Of the formula, by id.
    """
    plan = beakers[0].doses
    limit = max(LEAST_G, least)
    doses = {name: [b.doses.get(name, 0.0) * grams / 100 for b in beakers] for name in plan}
    found: list[Mix] = []
    for name in sorted(plan, key=lambda n: (plan[n], n)):
        small = 0 < max(doses[name]) < limit - AS_TYPED
        helper = spreads_in(materials[name], dict(materials), dict(plan)) if small else None
        if helper is None or any(m.into == name for m in found):
            continue
        into, whole = helper
        ratio = min(b / a for a, b in zip(doses[name], doses[into], strict=True) if a > 0)
        parts = float(TENTH - 1)
        if whole:  # a solubiliser: all of it if none is left to weigh alone, else half, so that the rest is weighable
            same = len({round(b / a, 6) for a, b in zip(doses[name], doses[into], strict=True) if a > 0}) == 1
            parts = min(parts, ratio if same else float(floor(ratio / 2)))
        if parts >= 1 and parts <= ratio + AS_TYPED:
            found.append(Mix(id=f"mix-{chr(ord('a') + len(found))}", material=name, into=into, parts=round(parts, 6)))
    return tuple(found)


def sheet_of(series: Series, brief: Brief, numbers: Sequence[int] = ()) -> TrialSheet:
    """Return the sheet of a series, or of some of its beakers.

    Args:
        series: The series.
        brief: Its brief, whose pool holds every material.
        numbers: Of the beakers; all if there are none.

    Raises:
        DataError: If a material is not in the library.
    """
    beakers = [b for b in series.beaker if not numbers or b.number in numbers]
    acids = [i.material for i in brief.pool.later if i not in brief.pool.thickeners]
    lots = {item.id: item for item in brief.pool.items}
    procedure = weigh_sheet(_batch(series), brief.library, acids if series.held_back_percent else (), lots=lots)
    lines = _lines(series, procedure, beakers)
    columns = tuple(
        SheetBeaker(b.number, b.day, b.role, b.ph, round(sum(line.grams[k] for line in lines), 6))
        for k, b in enumerate(beakers)
    )
    made = tuple(
        SheetStep(s.number, s.part.title, s.part.temperature, s.part.do, s.part.wait) for s in procedure.steps[:-1]
    )
    steps = (*made, _last(series, brief, len(made) + 1))
    return TrialSheet(
        series=series,
        held_g=series.grams * series.held_back_percent / 100,
        beakers=columns,
        lines=lines,
        mixes=_mixed(series, beakers, brief.library.by_id),
        steps=steps,
        cautions=_cautions(series, brief, beakers),
        notes=_notes(series, beakers, lines),
    )


def _last(series: Series, brief: Brief, number: int) -> SheetStep:
    """Return the last step: no thickening to a target, which would make all beakers alike."""
    named = {n for n, d in series.beaker[0].doses.items() if d > 0}
    later = [i.material.name for i in brief.pool.thickeners if i.id not in named]
    thick = (
        f"No thickener ({listed(later, 'or')}), or the same weight of it in every beaker, written down: thickened to a "
        "target, all beakers would read alike.",
    )
    full = f"With the water that is left make each beaker up to {series.grams:g} g, stir, let the air out."
    read = "Read all beakers at the same temperature and the same time after making; the same spindle or cup."
    return SheetStep(number, "Make up and read", "", (*(thick if later else ()), full, read), "")


def _batch(series: Series) -> Batch:
    """Return the plan of a series as a batch of one beaker."""
    first = series.own or series.beaker[0]
    ph = series.setting_at(first.ph)
    return Batch(
        batch=series.trials,
        product=series.product,
        brief=series.brief,
        size_g=series.grams,
        held_back_percent=series.held_back_percent,
        scale=series.scale,
        line=tuple(PlannedLine(material=n, percent=p) for n, p in first.doses.items() if p > 0),
        ph_low=ph.low,
        ph_target=ph.target,
        ph_high=ph.high,
    )


def _lines(series: Series, procedure: WeighSheet, beakers: Sequence[Beaker]) -> tuple[SheetLine, ...]:
    """Return the rows in the order of addition; of what is in a pre-dilution the rest, if there is one."""
    mixes = {m.material: m for m in series.mix}
    found = []
    for step in procedure.steps:
        for line in step.lines:
            doses = [b.doses.get(line.id, 0.0) for b in beakers]
            mix = mixes.get(line.id)
            if mix is not None:
                grams = [d * (1 + mix.parts) for d in doses]
                name = f"{mix.id}: {line.material.name} 1 in {1 + mix.parts:g}"
            else:
                brought = [
                    sum(b.doses.get(m.material, 0.0) * m.parts for m in series.mix if m.into == line.id)
                    for b in beakers
                ]
                grams, name = [d - x for d, x in zip(doses, brought, strict=True)], line.material.name
            told = tuple(round(g * series.grams / 100, 6) + 0.0 for g in grams)
            if max(told) > AS_TYPED:
                found.append(SheetLine(mix.id if mix else line.id, name, step.number, told, line.material.handling))
    return tuple(found)


def _mixed(series: Series, beakers: Sequence[Beaker], materials: Mapping[str, Material]) -> tuple[Mixed, ...]:
    found = []
    for mix in series.mix:
        needed = sum(b.doses.get(mix.material, 0.0) for b in beakers) * series.grams / 100 * SPARE
        weigh = round(whole_up(max(needed, series.scale.least_g) / ROUND_G) * ROUND_G, 6)
        own, other = materials[mix.material].name, materials[mix.into].name
        found.append(Mixed(mix.id, mix.material, own, mix.into, other, weigh, round(weigh * mix.parts, 6)))
    return tuple(found)


def _cautions(series: Series, brief: Brief, beakers: Sequence[Beaker]) -> tuple[Caution, ...]:
    """Return what is said first of any beaker, on what they rest, then what a weigh sheet says of the materials."""
    found: dict[str, Caution] = {}
    rests = []
    for beaker in beakers:
        here = series.setting_at(beaker.ph)
        formula = formula_at(brief.pool, beaker.doses)
        rests.append(rests_on(brief, formula, here))
        for caution in cautions_at(brief, formula, here):
            if caution.loud:
                found.setdefault(caution.text, caution)
    known = brief.library.by_id
    used = [known[n] for n, d in beakers[0].doses.items() if d > 0] + [i.material for i in brief.pool.later]
    here_too = cautions_from(used, brief.library)
    always = (*line_of(rests), *map(Caution, ALWAYS))
    return (*found.values(), *always, *(c for key, c in here_too.items() if key not in PAPER))


def _notes(series: Series, beakers: Sequence[Beaker], lines: Sequence[SheetLine]) -> tuple[str, ...]:
    """Return what must be minded."""
    notes = ["make the beakers in this order, it was drawn by chance; never sorted by a dose"]
    if len({b.ph for b in beakers}) > 1:
        notes.append("each beaker has its own target pH, below its grams; what a step says of it is that of the plan")
    if any(b.role == "plan" for b in beakers):
        notes.append("the beakers of the plan are all alike: what differs between them is drift or error")
    small = [line.name for line in lines if min(g for g in line.grams if g > 0) < series.scale.least_g - AS_TYPED]
    if small:
        notes.append(
            f"below {series.scale.least_g:g} g this scale errs by more than {series.scale.allowed_percent:g} %: "
            + ", ".join(small)
        )
    return tuple(notes)
