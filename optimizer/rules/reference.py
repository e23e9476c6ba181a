"""Documentation made from the code itself: fields, equations, units, JSON Schemas."""

from __future__ import annotations

import ast
import inspect
import sys
from collections.abc import Mapping
from contextlib import suppress
from functools import cache
from typing import Any, get_args

from pydantic import BaseModel, ValidationError, create_model
from pydantic.fields import FieldInfo

from optimizer.data.pool import Group
from optimizer.immutable import immutable, keys_of, told
from optimizer.rules import IMPLIED, STATED, AnyRule, Rule
from optimizer.rules.base import CurvedRule, LimitRule


@immutable
class FieldNote:
    """One key of a rule's table."""

    name: str
    type: str
    default: str
    meaning: str


@immutable
class RuleNote:
    """A kind of rule."""

    kind: str
    summary: str
    equation: str
    unit: str
    fields: tuple[FieldNote, ...]
    example: str


@cache
def _stated_in(module: str) -> dict[str, dict[str, str]]:
    """Return the string under each field, by class and field; a file is read once for all its classes."""
    classes = [n for n in ast.parse(inspect.getsource(sys.modules[module])).body if isinstance(n, ast.ClassDef)]
    found: dict[str, dict[str, str]] = {}
    for one in classes:
        docs = found[one.name] = {}
        for field, note in zip(one.body, one.body[1:], strict=False):
            said = note.value if isinstance(note, ast.Expr) else None
            name = field.target if isinstance(field, ast.AnnAssign) else None
            if isinstance(name, ast.Name) and isinstance(said, ast.Constant) and isinstance(said.value, str):
                docs[name.id] = inspect.cleandoc(said.value)
    return found


@cache
def attribute_docs(model: type) -> dict[str, str]:
    """Return the string under each field of a model, or of the results it tells, and of its bases, by field name."""
    docs: dict[str, str] = {}
    for base in reversed(model.__mro__):
        if base in (object, BaseModel) or getattr(base, "made_of", None):
            continue
        docs |= _stated_in(base.__module__).get(base.__qualname__, {})
        docs |= {name: inspect.getdoc(value) or "" for name, value in vars(base).items() if isinstance(value, told)}
    results = getattr(model, "made_of", None)
    if results:
        keys = keys_of(results)
        docs |= {keys[name]: text for name, text in attribute_docs(results).items() if name in keys}
    return docs


COMMON = {
    "id": "name by which reports, variants and --set address the rule; made from the rule when left out",
    "at_least": "lower limit",
    "at_most": "upper limit",
    "exactly": "both limits at once",
    "source": "who asks for it",
}
"""Meanings of fields that every limit has."""


def rule_notes() -> list[RuleNote]:
    """Return the notes of every kind of rule, sorted by kind."""
    return sorted((_note(rule) for rule in (*STATED, *IMPLIED)), key=lambda n: n.kind)


def _note(rule: type[Rule]) -> RuleNote:
    text = inspect.cleandoc(rule.__doc__ or "")
    summary, _, rest = text.partition("\n\n")
    equation = " ".join(rest.removeprefix("Equation: ").split())
    docs = attribute_docs(rule)
    fields = []
    for name, info in rule.model_fields.items():
        if name == "kind":
            continue
        fields.append(field_note(name, info, docs))
    unit = (
        rule.unit
        if isinstance(rule.unit, str)
        else "of the property"
        if rule.__name__ == "Property"
        else "currency per kg"
    )
    kind = str(get_args(rule.model_fields["kind"].annotation)[0])
    return RuleNote(kind, " ".join(summary.split()), equation, unit, tuple(fields), _example(rule, kind))


def field_note(name: str, info: FieldInfo, docs: Mapping[str, str]) -> FieldNote:
    """Return what a key of a table is, from its field and the strings under the fields."""
    default = "required" if info.is_required() else _default(info.get_default(call_default_factory=True))
    meaning = COMMON[name] if name in COMMON else docs.get(name, "")
    return FieldNote(name, _type(info.annotation), default, " ".join(meaning.split()))


SAMPLES: dict[str, Any] = {
    "other": ["polysorbate-20"],
    "property": "protein",
    "at_least": 0.05,
    "rating": "mildness",
    "ceiling": {
        "id": "example", "substances": ["Sodium Benzoate"], "percent": 0.5, "basis": "as supplied", "kind": "law",
        "source": "example", "confidence": "common practice",
    },
}  # fmt: skip
"""Required fields of the small instance by which a kind of rule is shown."""


def _example(rule: type[Rule], kind: str) -> str:
    """Return the reading of a small instance of the rule, empty if none can be made up from its fields."""
    values = {n: SAMPLES.get(n, _sample(i.annotation)) for n, i in rule.model_fields.items() if i.is_required()}
    side = "exactly" if kind == "total" else "at_most" if issubclass(rule, CurvedRule) else "at_least"
    for limits in ({side: 100 if kind == "total" else 2}, {}) if issubclass(rule, LimitRule) else ({},):
        with suppress(ValidationError):
            return rule.model_validate({"id": kind, **values, **limits}).reading()
    return ""


def _sample(annotation: Any) -> object:
    """Return a value of a type, for a field that is not among the samples."""
    if annotation is Group:
        return ["decyl-glucoside"]
    simple = {bool: True, int: 1, float: 1.0, str: "example"}
    if annotation in simple:
        return simple[annotation]
    arguments = get_args(annotation)
    return None if not arguments else arguments[0] if isinstance(arguments[0], str) else _sample(arguments[0])


def _default(value: object) -> str:
    if isinstance(value, BaseModel):
        given = value.model_dump(exclude_defaults=True)
        return ", ".join(f"{k} = {list(v) if isinstance(v, tuple) else v}" for k, v in given.items()) or "{}"
    return "" if value is None else repr(value) if isinstance(value, str) else str(value)


def _type(annotation: Any) -> str:
    if isinstance(annotation, type):
        return {"Group": "group", "float": "number", "str": "text", "bool": "true or false"}.get(
            annotation.__name__, annotation.__name__
        )
    arguments = [a for a in get_args(annotation) if a is not type(None)]
    literal = all(isinstance(a, str) for a in arguments) and arguments
    if literal:
        return " | ".join(repr(a) for a in arguments)
    return " | ".join(dict.fromkeys(_type(a) for a in arguments if isinstance(a, type) or get_args(a))) or "text"


def json_schema(model: type[BaseModel], title: str) -> dict[str, Any]:
    """Return the JSON Schema of a model with field meanings as descriptions."""
    found: dict[str, type[BaseModel]] = {}
    _collect(model, found)
    if "rule" in model.model_fields:
        _collect(AnyRule, found)
        model = create_model(model.__name__, __base__=model, rule=(tuple[AnyRule, ...], ()))
    printed = bool(model.model_config.get("from_attributes"))
    schema = model.model_json_schema(mode="serialization" if printed else "validation")
    for name, part in {model.__name__: schema, **schema.get("$defs", {})}.items():
        if name in found:
            docs = attribute_docs(found[name])
            for field, text in docs.items():
                if field in part.get("properties", {}):
                    part["properties"][field]["description"] = " ".join(text.split())
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": title}


def _collect(annotation: Any, found: dict[str, type[BaseModel]]) -> None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        if annotation.__name__ not in found:
            found[annotation.__name__] = annotation
            for info in annotation.model_fields.values():
                _collect(info.annotation, found)
        return
    for argument in get_args(annotation):
        _collect(argument, found)
