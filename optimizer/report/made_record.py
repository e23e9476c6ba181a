"""What was made, as JSON: the batch file that was laid, the weights that are noted, the batch as made."""

from __future__ import annotations

from optimizer.bench.batch import Batch
from optimizer.bench.reconcile import Made
from optimizer.bench.weighed import balances
from optimizer.data.cautions import cautions_of
from optimizer.report.jsonout import RuleRecord
from optimizer.report.made import Laid
from optimizer.report.record import CautionRecord, Figure, LineRecord, Record, caution_records, line_records


class LaidRecord(Record):
    """The output of `tenside batch --json`."""

    path: str
    batch: str
    product: str
    brief: str
    size_g: float
    held_back_percent: float
    doses: dict[str, float]
    """% w/w as supplied by id."""
    notes: list[str]
    next: list[str]


def laid_record(laid: Laid) -> LaidRecord:
    """Return what was written as its JSON record."""
    batch = laid.batch
    return LaidRecord(
        path=laid.path,
        batch=batch.batch,
        product=batch.product,
        brief=batch.brief,
        size_g=batch.size_g,
        held_back_percent=batch.held_back_percent,
        doses=batch.doses,
        notes=list(laid.notes),
        next=list(laid.next),
    )


class BalanceRecord(Record):
    """Planned and noted grams of one material."""

    material: str
    planned_g: float
    noted_g: float | None


class WeighedRecord(Record):
    """The output of `tenside weighed --json`."""

    path: str
    batch: str
    weights: list[BalanceRecord]
    finish_mass_g: float | None
    lost_g: float
    water_added_g: float
    bottles: int | None


def weighed_record(path: str, batch: Batch) -> WeighedRecord:
    """Return what is noted as its JSON record."""
    finish = batch.finish
    return WeighedRecord(
        path=path,
        batch=batch.batch,
        weights=[
            BalanceRecord(material=b.material, planned_g=round(b.planned, 6), noted_g=b.noted) for b in balances(batch)
        ],
        finish_mass_g=finish.mass_g,
        lost_g=finish.lost_g,
        water_added_g=finish.water_added_g,
        bottles=finish.bottles,
    )


class InputRecord(Record):
    """One thing that went in."""

    material: str
    kind: str
    grams: float


class MadeLineRecord(Record):
    """One material: planned and made."""

    id: str
    name: str
    planned_percent: float
    """Of water with what the bench did not use of the part held back."""
    made_percent: float
    grams: float
    tolerance_percent: float
    """What the balance cannot tell."""
    differs: bool
    late: bool
    """Whether it came out of the part held back."""
    lot_active_percent: float | None


class MadeRuleRecord(Record):
    """One rule at the plan and at what was made."""

    planned: Figure
    error: float
    """How far the balance's errors can move the value."""
    broken: bool
    within_error: bool
    rule: RuleRecord


class MasterRecord(Record):
    """The next master formula."""

    formula: list[LineRecord]
    held_back_percent: float
    changed: list[str]
    """Ids that differ from what was made because a rule would break."""
    broken: list[str]
    conflict: list[str]


class MadeRecord(Record):
    """The output of `tenside made --json`."""

    batch: str
    product: str
    mass_g: float
    evaporated_g: float
    taken_g: float
    ph: float | None
    in_window: bool | None
    cost_per_kg: float
    currency: str
    inputs: list[InputRecord]
    formula: list[MadeLineRecord]
    rules: list[MadeRuleRecord]
    broken: list[str]
    master: MasterRecord
    notes: list[str]
    cautions: list[CautionRecord]


def made_record(made: Made) -> MadeRecord:
    """Return the batch as made as its JSON record."""
    master = made.master
    return MadeRecord(
        batch=made.batch.batch,
        product=made.batch.product,
        mass_g=made.went.mass_g,
        evaporated_g=made.went.evaporated_g,
        taken_g=made.went.taken_g,
        ph=made.ph,
        in_window=made.in_window,
        cost_per_kg=made.cost,
        currency=made.brief.scenario.currency,
        inputs=[InputRecord(material=i.material, kind=i.kind, grams=i.grams) for i in made.went.inputs],
        formula=[
            MadeLineRecord(
                id=line.id,
                name=line.name,
                planned_percent=line.planned,
                made_percent=line.made,
                grams=line.grams,
                tolerance_percent=line.tolerance,
                differs=line.differs,
                late=line.late,
                lot_active_percent=line.active,
            )
            for line in made.lines
        ],
        rules=[
            MadeRuleRecord(
                planned=r.planned,
                error=r.error,
                broken=r.broken,
                within_error=r.within_error,
                rule=RuleRecord.model_validate(r.outcome),
            )
            for r in made.rules
        ],
        broken=list(made.broken),
        master=MasterRecord(
            formula=line_records(master.formula),
            held_back_percent=master.formula.held_back,
            changed=list(master.changed),
            broken=list(master.broken),
            conflict=list(master.conflict),
        ),
        notes=list(made.notes),
        cautions=caution_records(cautions_of(made.formula, made.brief.library)),
    )
