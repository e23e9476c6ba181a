"""Names in a scenario: as the library declares them, and those that lead nowhere."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from optimizer.brief.scenario import Scenario
from optimizer.data.facts import Material
from optimizer.data.library import Library
from optimizer.data.names import ids_of, unmeant
from optimizer.data.pool import Group, unknown
from optimizer.errors import Problem, fault, spelled
from optimizer.immutable import immutable
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
    kinds = _kinds_in(library)
    problems += _of_pool(scenario, kinds, ids, where)
    seen: set[str] = set()
    for rule in scenario.rule:
        if rule.id in seen:
            step = "Give one of them another id."
            problems.append(Problem(where, f"rule.{rule.id}", "two rules have this id.", step))
        seen.add(rule.id)
        problems += _of_groups(rule, kinds, ids, where)
        if isinstance(rule, UndissociatedAcid):
            problems += _of_acid(rule, scenario, library, where)
        if isinstance(rule, Thickening) and rule.salt_route:
            problems += _beyond_the_room(rule, scenario, ids, where)
        if isinstance(rule, Property):
            problems += unknown(where, f"rule.{rule.id}.property", [rule.property], _properties(library))
    total = sum(scenario.fixed.values()) + scenario.held_back.percent
    if total > 100:
        what = f"fixed doses and the part held back sum to {number(total)} %, more than 100."
        problems.append(Problem(where, "fixed", what, "Lower one of them."))
    return problems


@immutable
class _Kinds:
    """What materials may be meant by besides their names."""

    functions: set[str]
    families: set[str]
    inci: set[str]


def _kinds_in(library: Library) -> _Kinds:
    substances = [s for m in library.materials for s in m.substances]
    functions = {f for m in library.materials for f in m.functions}
    return _Kinds(functions, {s.family for s in substances if s.family}, {s.inci for s in substances})


def _of_pool(scenario: Scenario, kinds: _Kinds, ids: Mapping[str, Material], where: str) -> Iterator[Problem]:
    """Yield what leads nowhere in the pool and in what is held back."""
    pool, held = scenario.pool, scenario.held_back
    for key in ("also", "without", "materials"):
        yield from unmeant(where, f"pool.{key}", getattr(pool, key), ids)
    for key in ("acids", "thickeners"):
        yield from unmeant(where, f"held_back.{key}", getattr(held, key), ids)
    yield from unknown(where, "held_back.planned", held.planned, (*held.acids, *held.thickeners))
    yield from unknown(where, "pool.functions", pool.functions, kinds.functions)
    yield from unknown(where, "pool.inci", pool.inci, kinds.inci)
    for key in ("surfactant_families", "without_families"):
        yield from unknown(where, f"pool.{key}", getattr(pool, key), kinds.families)


def _of_groups(rule: Rule, kinds: _Kinds, ids: Mapping[str, Material], where: str) -> Iterator[Problem]:
    """Yield what leads nowhere in the groups of a rule."""
    for name, group in rule:
        if not isinstance(group, Group):
            continue
        key = f"rule.{rule.id}.{name}"
        yield from unmeant(where, key, (*group.materials, *group.but_not), ids)
        if name in rule.model_fields_set:  # what goes without saying may be of a kind that nobody has
            yield from unknown(where, key, group.functions, kinds.functions)
            yield from unknown(where, key, group.families, kinds.families)
        yield from unknown(where, key, group.inci, kinds.inci)


def _of_acid(rule: UndissociatedAcid, scenario: Scenario, library: Library, where: str) -> Iterator[Problem]:
    """Yield an acid that no material has, and that the pH is missing on which the rule rests."""
    acids = {s.acid.name for m in library.materials for s in m.substances if s.acid}
    if rule.acid.casefold() not in {"", *(a.casefold() for a in acids)}:
        yield from unknown(where, f"rule.{rule.id}.acid", [rule.acid], acids)
    if scenario.ph is None:
        what = "how much acid is undissociated depends on the pH, and the brief has none."
        yield Problem(where, f"rule.{rule.id}", what, "Write [ph] with low and high.")


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
