"""Materials and rules by what they are called, where a report knows ids alone; what is typed keeps the ids."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from typing import TypeVar

from optimizer.immutable import replace
from optimizer.report.document import Cell, Document, Listing, Section, Sketch, Table
from optimizer.solve.result import RuleOutcome

ID = re.compile(r'(?<![\w"-])(?:aqua|[a-z0-9]+(?:-[a-z0-9]+)+)(?![\w"-])')
"""What can only be an id: 'glycerin' is a word of prose, too."""
TYPED = re.compile(r"'tenside [^']*'|\btenside [a-z].*|--\S+ \S+|\S+=\S+|\b[a-z_]+\.[a-z][\w.-]*")
"""A command, an option with its value, a key with its value, a key of a table."""
Part = TypeVar("Part", bound=Section | Document)


def in_names(part: Part, names: Mapping[str, str]) -> Part:
    """Return a report with its materials by name.

    Args:
        part: The report, or a part of it.
        names: What materials are called, by id.
    """

    def prose(text: str) -> str:
        return ID.sub(lambda found: names.get(found[0], found[0]), text)

    def said(text: str) -> str:
        if text in names:
            return names[text]
        kept = TYPED.findall(text)
        between = TYPED.split(text)
        return "".join(prose(a) + b for a, b in zip(between, [*kept, ""], strict=True))

    return retold(part, said)


def retold(part: Part, said: Callable[[str], str]) -> Part:
    """Return a report with every text of it said otherwise."""

    def cell(found: Cell) -> Cell:
        if isinstance(found, tuple):
            return tuple(said(part) if isinstance(part, str) else part for part in found)
        return said(found) if isinstance(found, str) else found

    if isinstance(part, Table):
        rows = tuple(type(r)(map(cell, r)) for r in part.rows)
        columns = tuple(replace(c, name=said(c.name)) for c in part.every)
        return replace(part, columns=columns, rows=rows, note=said(part.note))
    if isinstance(part, Listing):
        return replace(part, items=tuple(map(said, part.items)))
    if isinstance(part, Sketch):
        return replace(part, note=said(part.note))
    facts = tuple((name, said(told)) for name, told in part.facts)
    return replace(
        part, verdict=said(part.verdict), facts=facts, sections=tuple(retold(s, said) for s in part.sections)
    )


def rule_called(outcome: RuleOutcome) -> str:
    """Return what a rule measures, with its unit, as the head of a row."""
    name = outcome.name.rstrip(",")
    return f"{name}, {outcome.unit}" if outcome.unit else name


def rules_called(outcomes: Iterable[RuleOutcome], ids: Iterable[str]) -> list[str]:
    """Return what some rules measure, each once, by their ids, in the order in which they are told."""
    asked = set(ids)
    return list(dict.fromkeys(o.name.rstrip(",") for o in outcomes if o.id in asked))
