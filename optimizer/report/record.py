"""Results as JSON: the record of a class of results is made of its fields, on demand."""

import inspect
import sys
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import cache, reduce
from math import isfinite
from operator import or_
from types import SimpleNamespace, UnionType
from typing import Annotated, Any, ClassVar, Literal, Union, get_args, get_origin, get_type_hints

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, create_model

from optimizer.data.formula import Formula, Line
from optimizer.immutable import EMPTY, NULL, keys_of, told


def finite(value: Any) -> Any:
    """Return a number, or None for NaN and infinities, which JSON does not have."""
    return None if isinstance(value, float) and not isfinite(value) else value


Figure = Annotated[float | None, BeforeValidator(finite)]
"""A number; null where it has no meaning or no end."""


class Record(BaseModel):
    """Base of every record of the output."""

    model_config = ConfigDict(extra="forbid", from_attributes=True, populate_by_name=True)
    made_of: ClassVar[type | None] = None
    """The class of results that it tells; None of a record that is written down."""


class PrintedRecord(Record):
    """Base of every record that a command prints."""

    format: int = 1
    """Number of the record's format; it rises when a key goes or changes its meaning."""


def record(answer: Any) -> Record:
    """Return what a study found as its JSON record."""
    made: Record = record_of(type(answer)).model_validate(answer)  # type: ignore[arg-type]
    return made


@cache
def record_of(kind: Any) -> Any:
    """Return the record of a class of results: a key per field and marked property, as its own annotation says.

    A model is its own record. A class with a `FORMAT` is printed by a command: its record begins with that number.
    """
    if issubclass(kind, BaseModel):
        return kind
    keys = keys_of(kind)
    stated_types = {f.name: f.type for f in fields(kind)}
    looks = {n: v.fget.__annotations__["return"] for n, v in vars(kind).items() if isinstance(v, told) and v.fget}
    scope = SimpleNamespace(__annotations__={name: {**stated_types, **looks}[name] for name in keys})
    hints = get_type_hints(scope, vars(sys.modules[kind.__module__]), include_extras=True)
    stated: dict[str, Any] = {
        keys[name]: (_type(hint), Field(validation_alias=name, serialization_alias=keys[name].rstrip("_")))
        for name, hint in hints.items()
    }
    number = getattr(kind, "FORMAT", None)
    base: type[Record] = Record
    if number is not None:
        base, stated = PrintedRecord, {"format": (int, number), **stated}
    made = create_model(f"{kind.__name__}Record", __base__=base, __module__=kind.__module__, **stated)
    made.made_of, made.__doc__ = kind, inspect.cleandoc(kind.__doc__ or "").split("\n\n")[0]
    return made


def _type(hint: Any) -> Any:
    """Return the type by which a record holds what a result holds."""
    origin, inner = get_origin(hint), get_args(hint)
    if origin is Annotated:
        known: dict[Any, Any] = {NULL: Figure, EMPTY: _type(Formula)}
        return next((known[mark] for mark in inner[1:] if mark in known), _type(inner[0]))
    if origin is Literal:
        return str
    if origin in (Union, UnionType):
        return reduce(or_, map(_type, inner))
    if origin is tuple and len(inner) == 2 and inner[1] is Ellipsis:
        return list[_type(inner[0])]  # type: ignore[misc]
    if origin is Mapping:
        return dict[tuple(map(_type, inner))]  # type: ignore[misc]
    if origin in (list, tuple, dict):
        return origin[tuple(map(_type, inner))]
    if hint is Formula:
        return Annotated[list[record_of(Line)], BeforeValidator(_ranked)]  # type: ignore[misc]
    return record_of(hint) if is_dataclass(hint) else hint  # type: ignore[arg-type]


def _ranked(formula: Any) -> Any:
    """Return the doses of a formula in descending order; what was read of a record already is in order."""
    if isinstance(formula, Formula):
        return sorted(formula.lines, key=lambda line: (-line.percent, line.item.id))
    return formula or []


def as_json(value: Any) -> str:
    """Return a record, what a study found, or plain values as indented JSON text."""
    value = record(value) if is_dataclass(value) else value
    if isinstance(value, BaseModel):
        return value.model_dump_json(indent=2, by_alias=True)
    import json

    return json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False)
