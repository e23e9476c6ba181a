"""Names in a scenario: as the library declares them, and those that lead nowhere."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from optimizer.brief.scenario import Scenario
from optimizer.data.facts import Material
from optimizer.data.library import Library
from optimizer.data.names import ids_of, unmeant
from optimizer.data.pool import Group, unknown
from optimizer.errors import Problem, fault, spelled
from optimizer.rules import Property, Rule, UndissociatedAcid
from optimizer.rules.thickening import Thickening
from optimizer.units import AS_TYPED, number


def declared(scenario: Scenario, library: Library, where: str) -> Scenario:
    """Return the scenario with properties and materials named as the library declares them.

    Raises:
        DataError: If two names of one table mean the same material.
    """
    properties, ids = _properties(library), ids_of(_materials(scenario), library.materials)
    rules = tuple(
        r.model_copy(update={"property": spelled(r.property, properties)}) if isinstance(r, Property) else r
        for r in scenario.rule
    )
    if all(word == name for word, name in ids.items()):
        return scenario.model_copy(update={"rule": rules})
    held, pool = scenario.held_back, scenario.pool
    lists = {key: tuple(ids[n] for n in getattr(held, key)) for key in ("acids", "thickeners")}
    pools = {key: tuple(ids[n] for n in getattr(pool, key)) for key in ("also", "without", "materials")}
    planned = _keyed(held.planned, ids, where, "held_back.planned")
    return scenario.model_copy(
        update={
            "rule": tuple(_rule_by_id(rule, ids) for rule in rules),
            "pool": pool.model_copy(update=pools),
            "held_back": held.model_copy(update={**lists, "planned": planned}),
            "fixed": _keyed(scenario.fixed, ids, where, "fixed"),
        }
    )


def _rule_by_id(rule: Rule, ids: Mapping[str, str]) -> Rule:
    groups = {
        key: Group.model_validate(
            {**dict(g), **{k: tuple(ids[n] for n in getattr(g, k)) for k in ("materials", "but_not")}}
        )
        for key, g in rule
        if isinstance(g, Group)
    }
    return rule.model_copy(update=groups)


def _keyed(doses: Mapping[str, float], ids: Mapping[str, str], where: str, key: str) -> dict[str, float]:
    """Return doses by id.

    Raises:
        DataError: If two names mean the same material.
    """
    found: dict[str, float] = {}
    for word, percent in doses.items():
        if ids[word] in found:
            what = f"'{word}' is '{ids[word]}', of which a dose stands here too."
            raise fault(where, f"{key}.{word}", what, "Write the id, once.")
        found[ids[word]] = percent
    return found


def _materials(scenario: Scenario) -> list[str]:
    """Return every word of a scenario that names a material."""
    held, pool = scenario.held_back, scenario.pool
    groups = [g for rule in scenario.rule for _, g in rule if isinstance(g, Group)]
    return [
        *scenario.fixed, *pool.also, *pool.without, *pool.materials, *held.acids, *held.thickeners, *held.planned,
        *(name for g in groups for name in (*g.materials, *g.but_not)),
    ]  # fmt: skip


def _properties(library: Library) -> set[str]:
    return {p for m in library.materials for p in m.properties} | set(library.property_units)


def references(scenario: Scenario, library: Library, where: str) -> list[Problem]:
    """Return every name in the scenario that leads nowhere, and every id that is used twice."""
    ids = library.by_id
    problems = unmeant(where, "fixed", scenario.fixed, ids)
    for key in ("also", "without", "materials"):
        problems += unmeant(where, f"pool.{key}", getattr(scenario.pool, key), ids)
    for key in ("acids", "thickeners"):
        problems += unmeant(where, f"held_back.{key}", getattr(scenario.held_back, key), ids)
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
                problems += unmeant(where, key, (*group.materials, *group.but_not), ids)
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
        if isinstance(rule, Thickening) and rule.salt_route:
            problems += _beyond_the_room(rule, scenario, ids, where)
        if isinstance(rule, Property):
            problems += unknown(where, f"rule.{rule.id}.property", [rule.property], _properties(library))
    total = sum(scenario.fixed.values()) + scenario.held_back.percent
    if total > 100:
        what = f"fixed doses and the part held back sum to {number(total)} %, more than 100."
        problems.append(Problem(where, "fixed", what, "Lower one of them."))
    return problems


def _beyond_the_room(
    rule: Thickening, scenario: Scenario, ids: Mapping[str, Material], where: str
) -> Iterator[Problem]:
    """Yield the planned doses of salt that are more than a rule keeps free for them."""
    for name, dose in scenario.held_back.planned.items():
        thickener = ids[name].thickener if name in ids else None
        if thickener is not None and thickener.type == "salt" and dose > rule.salt_room + AS_TYPED:
            room = number(rule.salt_room, 2)
            what = f"{number(dose, 2)} % is planned, and rule '{rule.id}' keeps {room} % for the salt that is added."
            yield Problem(where, f"held_back.planned.{name}", what, "Raise its salt_room to the dose, or plan less.")
