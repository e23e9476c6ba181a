"""What every JSON record of the output is made of."""

from collections.abc import Iterable
from math import isfinite
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict

from optimizer.chemistry.interval import Interval
from optimizer.data.cautions import Caution
from optimizer.data.formula import Formula


def finite(value: Any) -> Any:
    """Return a number, or None for NaN and infinities, which JSON does not have."""
    return None if isinstance(value, float) and not isfinite(value) else value


Figure = Annotated[float | None, BeforeValidator(finite)]
"""A number; null where it has no meaning or no end."""


class Record(BaseModel):
    """Base of every record of the output."""

    model_config = ConfigDict(extra="forbid", from_attributes=True, populate_by_name=True)


class CautionRecord(Record):
    """A caution and the materials it comes from."""

    text: str
    materials: list[str]


def caution_records(cautions: Iterable[Caution]) -> list[CautionRecord]:
    """Return cautions as records."""
    return [CautionRecord.model_validate(c) for c in cautions]


class SpanRecord(Record):
    """A figure as low, typical and high; of what was estimated from readings its 10 % point, middle and 90 % point."""

    low: float
    typical: float
    high: float


def span_record(interval: Interval) -> SpanRecord:
    """Return an interval as its record."""
    return SpanRecord(low=interval.low, typical=interval.typical, high=interval.high)


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
