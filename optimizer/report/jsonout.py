"""Results as JSON with a documented schema."""

from typing import Any

from pydantic import BaseModel, Field

from optimizer.assessment.chemistry import Chemistry
from optimizer.data.cautions import cautions_of
from optimizer.report.chemistry_record import ChemistryRecord, chemistry_record
from optimizer.report.record import RuleRecord, CautionRecord, Figure, LineRecord, PhRecord, Record, caution_records, line_records
from optimizer.solve.result import Result
from optimizer.studies.check import Checked
from optimizer.studies.compare import Comparison
from optimizer.studies.explain import Explanation
from optimizer.studies.why import Why


class EntryRecord(Record):
    """An unused material and the price per kg below which it would come in."""

    id: str
    price_per_kg: float = Field(validation_alias="price")
    entry_price_per_kg: Figure = Field(validation_alias="entry")
    """At the choices made; null if they have no place for it or one of them keeps it out."""
    kept_out: bool
    """Whether a yes/no choice made here keeps it out: another one may let it in."""


class SettingRecord(Record):
    """What a group of equal pH settings allows."""

    first: Figure
    last: Figure
    ending: str
    objective: Figure
    proof: str
    barred: int


class RoundedRecord(Record):
    """The formula on the grid of the maker's scale, or the rules that stop it."""

    step_percent: float
    formula: list[LineRecord] | None
    cost_per_kg: Figure
    objective_value: Figure
    cost_of_rounding: Figure
    missed: list[str]
    proven: bool
    stopped_by: list[str]


class ChangeRecord(Record):
    """A limit that gives way; limits are null where a yes/no rule is dropped."""

    id: str
    side: str
    old: Figure
    new: Figure
    unit: str
    steps: float
    words: str


class ConflictRecord(Record):
    """A rule of the clashing set."""

    id: str
    reading: str


class BlendRecord(Record):
    """The output of `tenside blend --json`."""

    name: str
    ending: str
    proof: str
    """certificate, enumerated, solver bound, local (the best of its neighbourhood and of the starting points tried,
    where a rule is linear only around a formula) or none."""
    exact: str
    """Verdict of exact arithmetic; empty unless --exact was given."""
    objective: str
    objective_value: Figure
    cost_per_kg: Figure
    currency: str
    ph: PhRecord | None
    held_back_percent: float
    formula: list[LineRecord]
    rounded: RoundedRecord | None
    """Null if there is no formula."""
    rules: list[RuleRecord]
    conflict: list[ConflictRecord]
    """Rules that clash; empty if the brief can be met."""
    repair: list[ChangeRecord]
    """The least giving-way: fewest rules, then fewest noticeable steps."""
    single_repairs: list[ChangeRecord]
    """Every single limit that would suffice alone."""
    choices: list[str]
    entry_prices: list[EntryRecord]
    settings: list[SettingRecord]
    chemistry: ChemistryRecord | None
    """Of the weighable formula at its pH; null without one."""
    notes: list[str]
    """What else must be known of the answer, such as where a local one comes from."""
    assumptions: list[str]
    cautions: list[CautionRecord]
    provenance: dict[str, str]


class MendRecord(Record):
    """What keeping one broken rule takes; cost is null if another rule would break."""

    id: str
    changed: list[str]
    cost: float | None


class NearestRecord(Record):
    """The nearest formula that keeps every rule."""

    formula: list[LineRecord]
    changed: list[str]
    distance_percent: float
    cost_per_kg: float
    on_grid: bool
    proven: bool


class CheckRecord(Record):
    """The output of `tenside check --json`."""

    brief: str
    ph_target: float | None
    cost_per_kg: float
    currency: str
    formula: list[LineRecord]
    held_back_percent: float
    rules: list[RuleRecord]
    broken: list[str]
    mends: list[MendRecord]
    nearest: NearestRecord | None
    chemistry: ChemistryRecord | None
    notes: list[str]
    cautions: list[CautionRecord]


class WorthRecord(Record):
    """What one rule makes one kg of the material worth."""

    id: str
    reading: str
    per_kg: float


class AtSettingRecord(Record):
    """The material at one group of pH settings."""

    first: Figure
    last: Figure
    objective: Figure
    dose: Figure
    barred: bool


class ForcedRecord(Record):
    """The material forced in or out; cost is null if that is impossible."""

    dose: float
    cost: Figure
    conflict: list[str]


class WhyRecord(Record):
    """The output of `tenside why --json`."""

    id: str
    name: str
    dose: Figure
    left_out: str
    price: Figure
    entry: Figure
    """At the choices and the pH of the best formula; null if they have no place for it."""
    kept_out: bool
    """Whether a yes/no choice of the best formula keeps it out."""
    entry_of_all: Figure
    """Price below which some choice at some pH lets it in, by the solver's bound; null if none does at any price, or
    nobody can say: see `never`."""
    never: bool
    """Whether no formula that keeps every rule holds it, by the solver's bound."""
    worth: list[WorthRecord]
    responsible: str
    settings: list[AtSettingRecord]
    forced: ForcedRecord | None


class SideRecord(Record):
    """One column of a comparison."""

    name: str
    ending: str
    cost_per_kg: Figure
    ph_low: Figure
    ph_high: Figure
    formula: list[LineRecord]
    measures: dict[str, Figure]
    rules: list[RuleRecord]
    notes: list[str]


class SplitRecord(Record):
    """Why the cost differs from the first column."""

    total: Figure
    price: Figure
    lot: Figure
    material: Figure
    limit: Figure


class CompareRecord(Record):
    """The output of `tenside compare --json`; one split per column after the first."""

    sides: list[SideRecord]
    splits: list[SplitRecord]


def blend_record(
    result: Result, explanation: Explanation | None = None, chemistry: Chemistry | None = None
) -> BlendRecord:
    """Return a result as its JSON record."""
    scenario, rounded = result.brief.scenario, result.rounded
    clash = explanation or Explanation((), (), (), (), False, 0)
    return BlendRecord(
        name=scenario.name,
        ending=result.ending,
        proof=result.proof,
        exact=result.exact,
        objective=scenario.objective.words(),
        objective_value=result.objective,
        cost_per_kg=result.cost,
        currency=scenario.currency,
        ph=PhRecord.model_validate(result.ph) if result.ph else None,
        held_back_percent=scenario.held_back.percent,
        formula=line_records(result.formula),
        rounded=None
        if rounded is None
        else RoundedRecord(
            step_percent=rounded.step,
            formula=line_records(rounded.formula) if rounded.formula else None,
            cost_per_kg=rounded.formula.cost if rounded.formula else None,
            objective_value=rounded.objective,
            cost_of_rounding=rounded.cost_of_rounding,
            missed=list(rounded.missed),
            proven=rounded.proven,
            stopped_by=list(rounded.stopped_by),
        ),
        rules=[RuleRecord.model_validate(o) for o in result.rules],
        conflict=[ConflictRecord(id=i, reading=r) for i, r in zip(clash.conflict, clash.readings, strict=True)],
        repair=[ChangeRecord.model_validate(c) for c in clash.repair],
        single_repairs=[ChangeRecord.model_validate(c) for c in clash.single_repairs],
        choices=list(result.choices),
        entry_prices=[EntryRecord.model_validate(e) for e in result.entry_prices],
        settings=[SettingRecord.model_validate(s) for s in result.settings],
        chemistry=chemistry_record(chemistry) if chemistry else None,
        notes=list(result.notes),
        assumptions=list(result.brief.assumptions),
        cautions=caution_records(cautions_of(result.formula, result.brief.library)),
        provenance=result.provenance,
    )


def check_record(checked: Checked, chemistry: Chemistry | None = None) -> CheckRecord:
    """Return a check as its JSON record."""
    near = checked.nearest
    return CheckRecord(
        brief=checked.brief.scenario.name,
        ph_target=checked.setting.target,
        cost_per_kg=checked.cost,
        currency=checked.brief.scenario.currency,
        formula=line_records(checked.formula),
        held_back_percent=checked.formula.held_back,
        rules=[RuleRecord.model_validate(o) for o in checked.rules],
        broken=list(checked.broken),
        mends=[MendRecord.model_validate(m) for m in checked.mends],
        nearest=None
        if near is None
        else NearestRecord(
            formula=line_records(near.formula),
            changed=list(near.changed),
            distance_percent=near.distance,
            cost_per_kg=near.formula.cost,
            on_grid=checked.on_grid,
            proven=near.proven,
        ),
        chemistry=chemistry_record(chemistry) if chemistry else None,
        notes=[*checked.notes, *checked.brief.assumptions],
        cautions=caution_records(cautions_of(checked.formula, checked.brief.library)),
    )


def why_record(why: Why) -> WhyRecord:
    """Return a why as its JSON record."""
    return WhyRecord.model_validate(why)


def compare_record(comparison: Comparison) -> CompareRecord:
    """Return a comparison as its JSON record."""
    return CompareRecord(
        sides=[
            SideRecord(
                name=s.name,
                ending=s.ending,
                cost_per_kg=s.cost,
                ph_low=s.window[0],
                ph_high=s.window[1],
                formula=line_records(s.formula),
                measures=dict(s.measures()),
                rules=[RuleRecord.model_validate(o) for o in s.outcomes().values()],
                notes=list(s.notes),
            )
            for s in comparison.sides
        ],
        splits=[SplitRecord.model_validate(s) for s in comparison.splits],
    )
