"""What was really made, held against the plan and every rule of the brief, and the next master formula.

The formula that was made (`bench.made`) is measured at the active matter of the lots that were weighed and at the pH
that was read last. A dose differs from the plan if it is off by more than the balance can tell: error of the balance
per weighing, as % of the final mass; for a rule the errors of all doses are added up, the worst that they can do
together. Whether a way to thicken stays open is a question to a plan, so it is not asked of what was made.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from math import fsum, isnan

from optimizer.assessment.alarms import cautions_at
from optimizer.assessment.planned import planned_cost
from optimizer.bench.batch import Batch
from optimizer.bench.made import Input, WentIn, last_ph, lots_used, water_of, went_in
from optimizer.bench.master import Master, next_master, without_thickening
from optimizer.bench.refill import Refill, additions, evaporation_doubt, refill_of
from optimizer.bench.thicken import overdone, past_peaks
from optimizer.bench.undone import Undone, in_words, undone
from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution
from optimizer.data.formula import Formula
from optimizer.data.pool import Pool
from optimizer.immutable import Figure, immutable, result, seen, told, told_as, untold
from optimizer.rules.row import Setting
from optimizer.solve.existing import formula_at
from optimizer.solve.result import RuleOutcome
from optimizer.solve.shadow_prices import measure_rules
from optimizer.uncertainty.lots import at_lots, lot_range
from optimizer.units import AS_TYPED, KEPT

SLOPPY = 0.5
"""A sum of doses that moved by more than this [% of the batch] is told as a different batch size."""


@immutable
class MadeLine:
    """One material: planned and made."""

    id: str
    name: str
    planned: float = told_as("planned_percent")
    """Dose of the plan [%]; of water with what the bench did not use of the part held back."""
    made: float = told_as("made_percent")
    """Dose as made [%]."""
    grams: float
    """In the product at the end [g]."""
    tolerance: float = told_as("tolerance_percent")
    """What the balance cannot tell [%]."""
    differs: bool
    """Whether made and planned are further apart than that."""
    late: bool
    """Whether it came out of the part held back."""
    active: float | None = told_as("lot_active_percent")
    """Measured active matter of what was weighed [% as supplied]; None if nobody measured it."""
    usual: tuple[float, float] = untold()
    """Lowest and highest active matter that the library knows."""


@immutable
class MadeRule:
    """One rule at the plan and at what was made."""

    planned: Figure
    """Value of the plan, what is held back counted as water."""
    outcome: RuleOutcome = told_as("rule")
    """The rule at what was made."""
    error: float
    """How far the balance's errors can move the value."""
    broken: bool
    """Whether it is broken, be it by less than that."""

    @property
    def differs(self) -> bool:
        """Whether made and planned are further apart than the balance's errors explain."""
        return abs(self.outcome.value - self.planned) > self.error + KEPT

    @told
    def within_error(self) -> bool:
        """Whether it is broken by no more than the balance can tell."""
        return self.broken and self.outcome.violation <= self.error + AS_TYPED

    @property
    def serious(self) -> bool:
        """Whether it is broken by more than the balance can tell."""
        return self.broken and not self.within_error


@result
class Made:
    """A batch as made: the output of `tenside made --json`."""

    FORMAT = 1
    brief: Brief = untold()
    """The brief at the planned lots."""
    batch: Batch = untold()
    batch_id: str = seen("batch.batch", key="batch")
    product: str = seen("batch.product")
    went: WentIn = untold()
    mass_g: float = seen("went.mass_g")
    evaporated_g: float = seen("went.evaporated_g")
    taken_g: float = seen("went.taken_g")
    """The mass balance."""
    formula: Formula = untold()
    """As made, at the lots that were weighed."""
    planned: Formula = untold()
    setting: Setting = untold()
    """The pH as read, else the planned one."""
    ph: float | None
    """What was read last; None if nobody read it."""
    in_window: bool | None
    """Whether that lies in the planned window; None if it cannot be told."""
    cost_per_kg: float = seen("cost")
    planned_cost: float = untold()
    """That of the plan, with what the bench was planned to add, as the batch holds it [per kg]."""
    currency: str = seen("brief.scenario.currency")
    inputs: tuple[Input, ...] = seen("went.inputs")
    lines: tuple[MadeLine, ...] = told_as("formula")
    """Every material, largest first."""
    rules: tuple[MadeRule, ...]
    """Every rule."""
    master: Master
    """The next master formula."""
    notes: tuple[str, ...]
    put_back: Refill | None = None
    """Water that is missing; null if hardly any is."""

    @told
    def broken(self) -> tuple[str, ...]:
        """Ids of the rules that the batch as made breaks."""
        return tuple(r.outcome.id for r in self.rules if r.broken)

    @told
    def cautions(self) -> tuple[Caution, ...]:
        """Those that always apply and those of what was made."""
        return cautions_at(self.brief, self.formula, self.setting)

    @property
    def serious(self) -> bool:
        """Whether a rule is broken by more than the scale can tell."""
        return any(r.serious for r in self.rules)

    @property
    def cost(self) -> float:
        """Material cost per kg as made."""
        return self.formula.cost


def reconcile(brief: Brief, batch: Batch, planned: Formula, setting: Setting) -> Made:
    """Return what was made of a batch.

    Args:
        brief: Its brief; the pool holds every material that went in.
        batch: The batch file's content.
        planned: The plan, with the part held back.
        setting: The planned pH and its window.

    Raises:
        DataError: If the file does not add up.
    """
    went = went_in(batch, brief.library.by_id)
    whole_plan = planned_cost(brief, planned, setting)
    percent = went.percent
    pool = replace(brief.pool, held_back=0.0)
    real = _at_its_lots(brief, batch)
    formula = formula_at(real, percent)
    ph = last_ph(batch)
    at = setting if ph is None else Setting(ph, ph, ph)
    whole = replace(without_thickening(brief), pool=real)
    water = water_of(brief.library.by_id)
    filled = planned.doses
    filled[water] = filled.get(water, 0.0) + planned.held_back
    before = {o.id: o.value for o in measure_rules(replace(brief, pool=pool), formula_at(pool, filled), setting)}
    lines = _lines(brief, batch, went, percent, water)
    rules = _rules(whole, batch, formula, at, lines, before)
    kept = {r.outcome.id for r in rules if not r.broken}

    def worse(doses: Mapping[str, float]) -> list[str]:
        after = _rules(whole, batch, formula_at(real, dict(doses)), at, lines, before)
        return [r.outcome.reading for r in after if r.outcome.id in kept and r.serious and r.outcome.id != "total"]

    against = undone(batch, brief.library.by_id)
    used = _helpful(additions(batch, went, water), batch, against)
    return Made(
        brief=brief,
        batch=batch,
        went=went,
        formula=formula,
        planned=planned,
        planned_cost=planned.cost if whole_plan is None else whole_plan.per_kg.typical,
        setting=at,
        ph=ph,
        in_window=_within(setting, ph),
        lines=lines,
        rules=rules,
        master=next_master(replace(brief, pool=pool), batch, used, setting),
        notes=(
            *_notes(batch, went),
            *([in_words(against, brief.library.by_id)] if against else ()),
            *overdone(batch, brief, planned, setting),
            *brief.assumptions,
        ),
        put_back=refill_of(batch, went, water, worse),
    )


def _rules(
    brief: Brief,
    batch: Batch,
    formula: Formula,
    setting: Setting,
    lines: tuple[MadeLine, ...],
    before: Mapping[str, float],
) -> tuple[MadeRule, ...]:
    """Return every rule at doses of what was weighed as `lines` tell it, and at the plan (`before`)."""
    errors = _errors(brief, formula, setting, lines)
    shown = [o for o in measure_rules(brief, formula, setting) if o.shown != "understood"]
    return tuple(MadeRule(before[o.id], o, errors[o.id], _broken(o, batch)) for o in shown)


def _within(setting: Setting, ph: float | None) -> bool | None:
    """Return whether a pH lies in the window; None if it cannot be told."""
    if ph is None or setting.low is None or setting.high is None:
        return None
    return setting.low - AS_TYPED <= ph <= setting.high + AS_TYPED


def _notes(batch: Batch, went: WentIn) -> Iterator[str]:
    """Yield what is to be said of the mass balance."""
    yield from batch.changes
    yield from went.notes
    if abs(went.mass_g - batch.size_g) > SLOPPY * batch.size_g / 100 and went.weighed_out:
        yield f"{batch.scale.told(went.mass_g)} g were made, {batch.scale.told(batch.size_g)} g were planned"
    doubt = evaporation_doubt(went, batch.scale)
    if doubt:
        yield doubt


def _helpful(used: dict[str, float], batch: Batch, against: tuple[Undone, ...]) -> dict[str, float]:
    """Return what was added [%], of a thickener past its peak no more than read most, without what undid itself."""
    besides, found = batch.besides_g, dict(used)
    for name, best in past_peaks(batch).items():
        logged, apart = batch.thickened_by(name).added_percent, batch.apart_percent(name)
        planned = 0.0 if name in besides else apart
        found[name] *= (best - planned) / (logged + apart - planned)
    for name in {one.material for one in against}:
        mine = [one for one in against if one.material == name]
        found[name] *= 1 - fsum(one.undone_g for one in mine) / fsum(one.added_g for one in mine)
    return found


def _broken(outcome: RuleOutcome, batch: Batch) -> bool:
    """Return whether what was made breaks a rule; an exact dose is as exact as the batch's scale asks of a line."""
    exact = outcome.kind == "dose" and outcome.low == outcome.high
    room = batch.scale.allowed_percent * abs(outcome.low) / 100 if exact else 0.0
    return outcome.broken and outcome.violation > room + AS_TYPED


def formula_made(brief: Brief, batch: Batch, percent: Mapping[str, float]) -> Formula:
    """Return doses as made [% as supplied by id] as a formula at the lots that were weighed; nothing is held back."""
    return formula_at(_at_its_lots(brief, batch), dict(percent))


def _at_its_lots(brief: Brief, batch: Batch) -> Pool:
    pool = replace(brief.pool, held_back=0.0)
    return at_lots(pool, brief.library, {k: v for k, v in lots_used(batch).items() if k in pool.index})


def _lines(brief: Brief, batch: Batch, went: WentIn, percent: Mapping[str, float], water: str) -> tuple[MadeLine, ...]:
    doses, lots = batch.doses, lots_used(batch)
    late = {n for n in percent if n not in doses and n != water}
    spare = max(0.0, batch.held_back_percent - sum(percent[n] for n in late))
    doses[water] = doses.get(water, 0.0) + spare
    found = []
    for name in sorted({*percent, *doses}, key=lambda n: (-percent.get(n, 0.0), n)):
        material = brief.library.by_id[name]
        times = max(1, sum(i.material == name for i in went.inputs))
        tolerance = 100 * batch.scale.off_g * times / went.mass_g
        made, planned = percent.get(name, 0.0), doses.get(name, 0.0)
        differs = name not in late and abs(made - planned) > tolerance + AS_TYPED
        grams = went.grams.get(name, 0.0)
        usual = lot_range(material)
        active = lots.get(name)
        found.append(
            MadeLine(name, material.name, planned, made, grams, tolerance, differs, name in late, active, usual)
        )
    return tuple(found)


def _errors(brief: Brief, formula: Formula, setting: Setting, lines: tuple[MadeLine, ...]) -> dict[str, float]:
    """Return how far the balance's errors can move each rule's value, all of them the worst way."""
    rules = brief.rules
    here = {r.id: r.value(formula, setting) for r in rules}
    found = dict.fromkeys(here, 0.0)
    doses = formula.doses
    for line in lines:
        if line.made <= 0:
            continue
        scale = 100 / (100 + line.tolerance)
        moved = {n: p * scale for n, p in doses.items()}
        moved[line.id] += line.tolerance * scale
        shifted = formula_at(brief.pool, moved)
        for rule in rules:
            shift = abs(rule.value(shifted, setting) - here[rule.id])
            found[rule.id] += 0.0 if isnan(shift) else shift
    return found
