"""What is known, through the door: kinds of rule, the library, the schemas of what is read and printed."""

from __future__ import annotations

from typing import Any

from optimizer.answers.answer import TOLD, Answer, loaded
from optimizer.brief.explained import BriefExplained, explained, explained_shelf
from optimizer.data.doubts import Doubts, doubts_in
from optimizer.data.evidence import Evidence, evidence_of
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
    explaining = {"brief": explained, "shelf": explained_shelf}
    if what not in explaining:
        raise UsageError(f"there is nothing to explain called '{what}'. {nearest(what, explaining)}")
    return Answer(f"explain {what}", explaining[what]())


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


def evidence(library: Library) -> Answer[Evidence]:
    """Return how well the figures of a library are backed."""
    return Answer("library evidence", evidence_of(library))


def doubts(library: Library, on: str) -> Answer[Doubts]:
    """Return what looks doubtful in a library, and which law was read long ago, on a day."""
    return Answer("library check", doubts_in(library, on))


def law(library: Library, use: str) -> Answer[Law]:
    """Return what a library holds of the law for a use, 'rinse-off' or 'leave-on'."""
    if hyphened(use) not in USES:
        raise UsageError(f"there is no use '{use}'. {nearest(use, USES)}")
    return Answer("library law", law_of(library, hyphened(use)))


FILES = {
    "scenario": ("brief.scenario:Scenario", "scenario file"),
    "bench": ("brief.defaults:BenchDefaults", "bench.toml, the defaults of a bench"),
    "library": ("data.library:LibraryFile", "library file"),
    "material": ("data.facts:Material", "a [[material]] of a library file"),
    "shelf-line": ("data.shelf:ShelfLine", "a line of the shelf, once its headings are recognised"),
    "variants-file": ("studies.variants:VariantFile", "file of variants"),
    "costs": ("bench.costs:Costs", "costs file, or [costs] of a batch file"),
    "batch-file": ("bench.batch:Batch", "batch file"),
    "trials-file": ("trials.series:Series", "series file of trials"),
    "page": ("answers.page:Whole", "tenside page --json"),
    "error": ("report.refused:Refused", "any command with --json where it cannot answer"),
}
"""Schemas of what is no answer of `answer.TOLD`: the class and its title."""
COMMANDS = {
    "library list": "library list | find",
    "records show": "records show | note | sample",
    "records tests": "records tests | change | result | strike",
    "records export": "records export | import",
    "pack-up": "pack-up | unpack",
}
"""Commands of questions that several ask."""
NAMED = {
    "explain": ("blend", "tenside blend --json"),
    "explain brief": ("explain", "tenside explain --json"),
    "explain shelf": ("explain", "tenside explain --json"),
    "card --share": ("shared-card", "tenside card --json --share"),
}
"""Schemas that are called otherwise than their question, with their titles."""


def _schemas() -> dict[str, tuple[str, str]]:
    """Return what each schema describes: the class, which is loaded when it is asked for, and its title."""
    found = {}
    for question, (_, kind, _) in TOLD.items():
        usual = question.replace(" ", "-"), " ".join(("tenside", COMMANDS.get(question, question), "--json"))
        name, title = NAMED.get(question, usual)
        found[name] = (kind, title)
    return FILES | found


def schemas_of(what: str = "") -> Any:
    """Return JSON Schemas of files and answers by name, or the one that is asked for."""
    kinds = _schemas()
    if what and what not in kinds:
        raise UsageError(f"there is no schema '{what}'. {nearest(what, kinds)}")
    schemas = {n: json_schema(record_of(loaded(kind)), title) for n, (kind, title) in kinds.items() if what in ("", n)}
    return schemas[what] if what else schemas
