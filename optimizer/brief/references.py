"""Names in a scenario: as the library declares them, and those that lead nowhere."""

from __future__ import annotations

from optimizer.brief.scenario import Scenario
from optimizer.data.library import Library
from optimizer.data.pool import Group, unknown
from optimizer.errors import Problem, spelled
from optimizer.rules import (
    Property,
    UndissociatedAcid,
)
from optimizer.units import number


def declared(scenario: Scenario, library: Library) -> Scenario:
    """Return the scenario with each property named as the library declares it."""
    properties = _properties(library)
    rules = tuple(
        r.model_copy(update={"property": spelled(r.property, properties)}) if isinstance(r, Property) else r
        for r in scenario.rule
    )
    return scenario.model_copy(update={"rule": rules})


def _properties(library: Library) -> set[str]:
    return {p for m in library.materials for p in m.properties} | set(library.property_units)


def references(scenario: Scenario, library: Library, where: str) -> list[Problem]:
    """Return every name in the scenario that leads nowhere, and every id that is used twice."""
    ids = library.by_id
    problems = unknown(where, "fixed", scenario.fixed, ids)
    for key in ("also", "without", "materials"):
        problems += unknown(where, f"pool.{key}", getattr(scenario.pool, key), ids)
    for key in ("acids", "thickeners"):
        problems += unknown(where, f"held_back.{key}", getattr(scenario.held_back, key), ids)
    kept_for = (*scenario.held_back.acids, *scenario.held_back.thickeners)
    problems += unknown(where, "held_back.planned", scenario.held_back.planned, kept_for)
    functions = {f for m in library.materials for f in m.functions}
    families = {s.family for m in library.materials for s in m.substances if s.family}
    inci = {s.inci for m in library.materials for s in m.substances}
    problems += unknown(where, "pool.functions", scenario.pool.functions, functions)
    problems += unknown(where, "pool.inci", scenario.pool.inci, inci)
    for key in ("surfactant_families", "without_families"):
        problems += unknown(where, f"pool.{key}", getattr(scenario.pool, key), families)
    seen: set[str] = set()
    for rule in scenario.rule:
        if rule.id in seen:
            problems.append(
                Problem(where, f"rule.{rule.id}", "two rules have this id.", "Give one of them another id.")
            )
        seen.add(rule.id)
        for name in type(rule).model_fields:
            group = getattr(rule, name)
            if isinstance(group, Group):
                key = f"rule.{rule.id}.{name}"
                problems += unknown(where, key, (*group.materials, *group.but_not), ids)
                if name in rule.model_fields_set:  # what goes without saying may be of a kind that nobody has
                    problems += unknown(where, key, group.functions, functions)
                    problems += unknown(where, key, group.families, families)
                problems += unknown(where, key, group.inci, inci)
        if isinstance(rule, UndissociatedAcid):
            acids = {s.acid.name for m in library.materials for s in m.substances if s.acid}
            if rule.acid.casefold() not in {"", *(a.casefold() for a in acids)}:
                problems += unknown(where, f"rule.{rule.id}.acid", [rule.acid], acids)
            if scenario.ph is None:
                what = "how much acid is undissociated depends on the pH, and the brief has none."
                problems.append(Problem(where, f"rule.{rule.id}", what, "Write [ph] with low and high."))
        if isinstance(rule, Property):
            problems += unknown(where, f"rule.{rule.id}.property", [rule.property], _properties(library))
    total = sum(scenario.fixed.values()) + scenario.held_back.percent
    if total > 100:
        what = f"fixed doses and the part held back sum to {number(total)} %, more than 100."
        problems.append(Problem(where, "fixed", what, "Lower one of them."))
    return problems
