"""Results as JSON with a documented schema."""

from __future__ import annotations

from math import isfinite
from typing import Any

from pydantic import BaseModel, ConfigDict

from optimizer.cautions import cautions_of
from optimizer.formula import Formula
from optimizer.result import Result
from optimizer.studies.explain import Change, Explanation


class Record(BaseModel):
    """Base of every record of the output."""

    model_config = ConfigDict(extra="forbid")


class PhRecord(Record):
    """Target pH and the window that all used materials share."""

    target: float
    tolerance: float
    low: float
    high: float
    low_set_by: list[str]
    high_set_by: list[str]


class LineRecord(Record):
    """One dose."""

    id: str
    inci: str
    name: str
    percent: float
    """% w/w of the product, as supplied."""
    active_percent: float
    """Surfactant active matter it brings [% of the product]."""
    cost_per_kg: float
    """What it adds to the cost of one kg of product."""


class RuleRecord(Record):
    """One rule at the answer; null where a figure has no meaning."""

    id: str
    kind: str
    reading: str
    value: float | None
    low: float | None
    high: float | None
    unit: str
    binding: str
    price: float | None
    holds_from: float | None
    holds_to: float | None
    price_from: float | None
    price_to: float | None
    price_if_lowered: float | None
    price_if_raised: float | None
    source: str


class EntryRecord(Record):
    """An unused material and the price per kg below which it would come in."""

    id: str
    price_per_kg: float
    entry_price_per_kg: float


class SettingRecord(Record):
    """What a group of equal pH settings allows."""

    first_target: float | None
    last_target: float | None
    ending: str
    objective: float | None
    proof: str


class RoundedRecord(Record):
    """The formula on the grid of the maker's scale, or the rules that stop it."""

    step_percent: float
    formula: list[LineRecord] | None
    cost_per_kg: float | None
    objective_value: float | None
    cost_of_rounding: float | None
    proven: bool
    stopped_by: list[str]


class ChangeRecord(Record):
    """A limit that gives way; limits are null where a yes/no rule is dropped."""

    id: str
    side: str
    old: float | None
    new: float | None
    unit: str
    steps: float
    words: str


class ConflictRecord(Record):
    """A rule of the clashing set."""

    id: str
    reading: str


class CautionRecord(Record):
    """A caution and the materials it comes from."""

    text: str
    materials: list[str]


class BlendRecord(Record):
    """The output of `tenside blend --json`."""

    name: str
    ending: str
    proof: str
    objective: str
    objective_value: float | None
    cost_per_kg: float | None
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
    assumptions: list[str]
    cautions: list[CautionRecord]
    provenance: dict[str, str]


def finite(value: float) -> float | None:
    """Return a number, or None for NaN and infinities, which JSON does not have."""
    return value if isfinite(value) else None


def blend_record(result: Result, explanation: Explanation | None = None) -> BlendRecord:
    """Return a result as its JSON record."""
    scenario, formula = result.brief.scenario, result.formula
    ph = result.ph
    return BlendRecord(
        name=scenario.name,
        ending=result.ending,
        proof=result.proof,
        objective=scenario.objective.words(),
        objective_value=finite(result.objective),
        cost_per_kg=finite(result.cost),
        currency=scenario.currency,
        ph=None
        if ph is None
        else PhRecord(
            target=ph.target,
            tolerance=ph.tolerance,
            low=ph.low,
            high=ph.high,
            low_set_by=list(ph.low_set_by),
            high_set_by=list(ph.high_set_by),
        ),
        held_back_percent=scenario.held_back.percent,
        formula=line_records(formula),
        rounded=_rounded(result),
        conflict=[
            ConflictRecord(id=i, reading=r)
            for i, r in (zip(explanation.conflict, explanation.readings, strict=True) if explanation else ())
        ],
        repair=_changes(explanation.repair if explanation else ()),
        single_repairs=_changes(explanation.single_repairs if explanation else ()),
        rules=[
            RuleRecord(
                id=o.id,
                kind=o.kind,
                reading=o.reading,
                value=finite(o.value),
                low=finite(o.low),
                high=finite(o.high),
                unit=o.unit,
                binding=o.binding,
                price=finite(o.price),
                holds_from=finite(o.holds_from),
                holds_to=finite(o.holds_to),
                price_from=finite(o.price_from),
                price_to=finite(o.price_to),
                price_if_lowered=finite(o.price_if_lowered),
                price_if_raised=finite(o.price_if_raised),
                source=o.source,
            )
            for o in result.rules
        ],
        choices=list(result.choices),
        entry_prices=[
            EntryRecord(id=e.id, price_per_kg=e.price, entry_price_per_kg=e.entry) for e in result.entry_prices
        ],
        settings=[
            SettingRecord(
                first_target=finite(s.first),
                last_target=finite(s.last),
                ending=s.ending,
                objective=finite(s.objective),
                proof=s.proof,
            )
            for s in result.settings
        ],
        assumptions=list(result.brief.assumptions),
        cautions=[
            CautionRecord(text=c.text, materials=list(c.materials)) for c in cautions_of(formula, result.brief.library)
        ],
        provenance=result.provenance,
    )


def line_records(formula: Formula | None) -> list[LineRecord]:
    """Return doses in descending order."""
    lines = sorted(formula.lines, key=lambda line: (-line.percent, line.item.id)) if formula else []
    return [
        LineRecord(
            id=line.item.id,
            inci=line.item.material.inci,
            name=line.item.material.name,
            percent=line.percent,
            active_percent=line.percent * line.item.surfactant,
            cost_per_kg=line.percent * line.item.price / 100,
        )
        for line in lines
    ]


def _rounded(result: Result) -> RoundedRecord | None:
    rounded = result.rounded
    if rounded is None:
        return None
    formula = rounded.formula
    cost = sum(line.percent * line.item.price for line in formula.lines) / 100 if formula else float("nan")
    return RoundedRecord(
        step_percent=rounded.step,
        formula=line_records(formula) if formula else None,
        cost_per_kg=finite(cost),
        objective_value=finite(rounded.objective),
        cost_of_rounding=finite(rounded.cost_of_rounding),
        proven=rounded.proven,
        stopped_by=list(rounded.stopped_by),
    )


def _changes(changes: tuple[Change, ...]) -> list[ChangeRecord]:
    return [
        ChangeRecord(
            id=c.id, side=c.side, old=finite(c.old), new=finite(c.new), unit=c.unit, steps=c.steps, words=c.words
        )
        for c in changes
    ]


def as_json(record: BaseModel | dict[str, Any]) -> str:
    """Return a record as indented JSON text."""
    if isinstance(record, BaseModel):
        return record.model_dump_json(indent=2)
    import json

    return json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False)
