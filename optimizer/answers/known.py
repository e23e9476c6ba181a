"""What is known, through the door: kinds of rule, the library, the schemas of what is read and printed."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from typing import Any

from optimizer.answers.answer import Answer
from optimizer.brief.explained import BriefExplained, explained, explained_shelf
from optimizer.data.law import Law, law_of
from optimizer.data.library import Library
from optimizer.data.names import found_by, material_of
from optimizer.errors import UsageError, hyphened, nearest
from optimizer.report.record import record_of
from optimizer.report.reference import Materials, MaterialShown, Rules
from optimizer.rules.reference import json_schema, rule_notes

USES = ("rinse-off", "leave-on")


def rules(kind: str = "") -> Answer[Rules]:
    """Return every kind of rule, or one."""
    notes = [note for note in rule_notes() if not kind or note.kind == hyphened(kind)]
    if not notes:
        raise UsageError(f"there is no kind of rule '{kind}'. {nearest(kind, [n.kind for n in rule_notes()])}")
    return Answer("rules", Rules(rules=tuple(notes)))


def explain(what: str) -> Answer[BriefExplained]:
    """Explain the tables of a 'brief' or the columns of a 'shelf'."""
    told = {"brief": explained, "shelf": explained_shelf}
    if what not in told:
        raise UsageError(f"there is nothing to explain called '{what}'. {nearest(what, told)}")
    return Answer(f"explain {what}", told[what]())


def materials(library: Library, function: str = "") -> Answer[Materials]:
    """Return the raw materials, or those with one function."""
    functions = {f for m in library.materials for f in m.functions}
    if function and function not in functions:
        raise UsageError(f"no material has the function '{function}'. {nearest(function, functions)}")
    chosen = (m for m in library.materials if not function or function in m.functions)
    return Answer("library list", Materials(materials=tuple(chosen)))


def materials_called(library: Library, words: str) -> Answer[Materials]:
    """Return the raw materials that are called so, or are for that."""
    chosen = found_by(words, library.materials)
    if not chosen:
        names = [n for m in library.materials for n in (m.id, m.name, m.inci)]
        raise UsageError(f"nothing is called '{words}'. {nearest(words, names)}")
    return Answer("library list", Materials(materials=tuple(chosen)))


def material(library: Library, name: str) -> Answer[MaterialShown]:
    """Return a raw material by its id, name or everyday word, with the source of every figure."""
    found = library.by_id[material_of(name, library.materials)]
    shown = MaterialShown.model_construct(**dict(found))
    return Answer("library show", shown, 0, material=found, library=library)


def law(library: Library, use: str) -> Answer[Law]:
    """Return what a library holds of the law for a use, 'rinse-off' or 'leave-on'."""
    if hyphened(use) not in USES:
        raise UsageError(f"there is no use '{use}'. {nearest(use, USES)}")
    return Answer("library law", law_of(library, hyphened(use)))


def schemas_of(kinds: Mapping[str, tuple[str, str]], what: str = "") -> Any:
    """Return JSON Schemas by name, or the one that is asked for.

    Args:
        kinds: The class of each, as 'module:class' below `optimizer`, and its title.
        what: One of them; else all.
    """
    if what and what not in kinds:
        raise UsageError(f"there is no schema '{what}'. {nearest(what, kinds)}")
    schemas = {}
    for name in [what] if what else kinds:
        place, title = kinds[name]
        module, _, kind = place.partition(":")
        schemas[name] = json_schema(record_of(getattr(import_module(f"optimizer.{module}"), kind)), title)
    return schemas[what] if what else schemas
