"""A brief that can be solved: the scenario joined with library and shelf."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import field
from functools import cached_property
from math import fsum, inf, isnan
from pathlib import Path

from optimizer.brief.scenario import Scenario, beside, read_scenario
from optimizer.data.library import Library, read_library
from optimizer.data.pool import Group, Ingredient, Pool, join, unknown
from optimizer.data.purchase import lines_of, stock_of
from optimizer.data.shelf import Shelf, read_shelf
from optimizer.errors import DataError, Problem, UsageError, fault, nearest, spelled
from optimizer.files import digest, shipped
from optimizer.immutable import immutable, replace
from optimizer.rules import (
    MEASURES,
    Acidity,
    Cost,
    CurvedRule,
    Dose,
    Excludes,
    LimitRule,
    Property,
    Rule,
    Stock,
    Total,
    UndissociatedAcid,
    UseLevel,
    named_measure,
)
from optimizer.units import number

RESERVED = frozenset({"total", "ph", "use", "forced"})
"""Ids that the tool gives itself."""


@immutable
class Brief:
    """A scenario that can be solved: candidates, rules with ids, objective, provenance."""

    scenario: Scenario
    pool: Pool
    modelled: tuple[Rule, ...]
    """Rules that the model has rows or yes/no columns for, sorted by id; the pH rule is apart."""
    acidity: Acidity | None
    watched: tuple[Rule, ...]
    """Ceilings that are reported but are no law."""
    library: Library
    files: Mapping[str, str]
    assumptions: tuple[str, ...] = ()
    left_out: Mapping[str, str] = field(default_factory=dict)
    """Why stocked materials are no candidates, by id."""
    shelf: Shelf | None = None
    """What the prices come from."""
    where: str = "scenario"
    """Where the scenario was read, for messages."""

    @property
    def rules(self) -> tuple[Rule, ...]:
        """Every rule: what is enforced, then what is only watched."""
        return (*self.enforced, *self.watched)

    @property
    def enforced(self) -> tuple[Rule, ...]:
        """Rules that a formula must keep: those of the model, then the pH rule."""
        return (*self.modelled, *((self.acidity,) if self.acidity else ()))

    def measure(self, name: str) -> LimitRule:
        """Return the measure that an objective names, without limits."""
        if name not in self._measures:
            self._measures[name] = find_measure(name, self.modelled, self.scenario.currency)
        return self._measures[name]

    @cached_property
    def _measures(self) -> dict[str, LimitRule]:
        return {}


def bent(brief: Brief) -> tuple[CurvedRule, ...]:
    """Return the rules of a brief that have a limit and no rows."""
    return tuple(r for r in brief.modelled if isinstance(r, CurvedRule) and r.limits != (-inf, inf))


def straight(brief: Brief) -> Brief:
    """Return a brief without its curved rules that have a limit."""
    gone = {r.id for r in bent(brief)}
    return replace(brief, modelled=tuple(r for r in brief.modelled if r.id not in gone))


def load_brief(
    path: Path,
    *,
    changes: Iterable[tuple[str, str]] = (),
    shelf: Path | None = None,
    libraries: Iterable[Path] | None = None,
    also: Iterable[str] = (),
    rates: Mapping[str, float] | None = None,
) -> Brief:
    """Read scenario, library and shelf from files and join them.

    Args:
        path: Scenario file.
        changes: What-ifs, see `read_scenario`.
        shelf: Shelf that replaces the scenario's own.
        libraries: Library files or folders that replace the scenario's own and the shipped one.
        also: Ids that are candidates whatever the pool says, priced or not.
        rates: Units of the brief's currency per unit of another; no rate is assumed.

    Raises:
        DataError: With every problem of the scenario; if it has none, with every one of library and shelf; if they have
            none, with every one of the three together.
    """
    scenario, files = read_scenario(path, changes)
    own = [beside(path, name, "library") for name in scenario.library]
    folders = (
        list(libraries)
        if libraries is not None
        else [*([] if scenario.only_own_library else [shipped("library")]), *own]
    )
    shelf_path = shelf or (beside(path, scenario.shelf, "shelf") if scenario.shelf else None)
    problems: list[Problem] = []
    library = lines = None
    try:
        library = read_library(folders)
    except DataError as error:
        problems += error.problems
    try:
        lines = read_shelf(shelf_path).converted(rates or {}, scenario.currency) if shelf_path else None
    except DataError as error:
        problems += error.problems
    if problems or library is None:
        raise DataError(problems)
    hashes = {str(p): digest(p) for p in [*files, *([shelf_path] if shelf_path else [])]}
    return make_brief(scenario, library, lines, where=str(path), files={**hashes, **library.files}, also=also)


def widened(brief: Brief, also: Iterable[str]) -> Brief:
    """Return a brief with further candidates, whatever its pool says, priced or not; no file is read again.

    Raises:
        DataError: If one of them is not known.
    """
    return make_brief(brief.scenario, brief.library, brief.shelf, where=brief.where, files=brief.files, also=also)


def make_brief(
    scenario: Scenario,
    library: Library,
    shelf: Shelf | None,
    *,
    where: str = "scenario",
    files: Mapping[str, str] | None = None,
    also: Iterable[str] = (),
) -> Brief:
    """Join a scenario with library and shelf; `also` names further candidates, priced or not.

    Raises:
        DataError: If the shelf cannot be joined, the scenario names what does not exist or gives a rule an id of the
            tool, no candidate is left, or the goals are none that it knows.
    """
    scenario = _declared(scenario, library)
    problems = _references(scenario, library, where)
    wanted = frozenset(also)
    joined, assumptions = _free_of_charge(join(library, shelf, scenario.currency), scenario, wanted)
    chosen, left_out = _candidates(joined, scenario, wanted)
    for name in scenario.fixed:
        if name in joined and isnan(joined[name].price):
            problems.append(Problem(where, f"fixed.{name}", "the shelf has no price for it.", "Add it to the shelf."))
    if not {n for n, i in joined.items() if not isnan(i.price)} - {"aqua"}:
        step = "Name a shelf with prices, or set unpriced = true in [pool]."
        problems.append(Problem(where, "shelf", "nothing but water has a price.", step))
    elif not chosen:
        step = "Widen [pool], or add what it names to the shelf."
        problems.append(Problem(where, "pool", "no candidate is left: nothing priced is in the pool.", step))
    if problems:
        raise DataError(problems)
    thickeners = tuple(joined[n] for n in scenario.held_back.thickeners)
    later = (*(joined[n] for n in scenario.held_back.acids), *thickeners)
    pool = Pool(tuple(chosen[n] for n in sorted(chosen)), scenario.held_back.percent, later, thickeners)
    rules, watched = _rules(scenario, library, pool, shelf)
    assumptions += [_together(rule, pool, shelf) for rule in rules if isinstance(rule, Stock) and rule.lines > 1]
    clear = any(r.clears for r in rules)
    acidity = scenario.ph.model_copy(update={"id": "ph", "clear": clear}) if scenario.ph else None
    brief = Brief(
        scenario, pool, rules, acidity, watched, library, files or {}, tuple(assumptions), left_out, shelf, where
    )
    counts = Counter(r.id for r in (*rules, *watched))
    twice = [i for i, n in counts.items() if n > 1 or i in RESERVED - {"total"}]
    if twice:
        step = f"Choose another, such as 'my-{twice[0]}'."
        raise DataError(Problem(where, f"rule.{i}", "this id belongs to a rule of the tool.", step) for i in twice)
    known = [*MEASURES, *(r.id for r in rules if isinstance(r, LimitRule))]
    unknown_goals = unknown(where, "objective", [m for _, m in scenario.objective.goals], known)
    if unknown_goals:
        raise DataError(unknown_goals)
    curved = [m for _, m in scenario.objective.goals[1:] if isinstance(brief.measure(m), CurvedRule)]
    if curved:
        what = f"'{curved[0]}' is linear only around a formula and cannot break ties."
        raise fault(where, "objective.then", what, "Make it the objective itself, or limit it with a rule.")
    return brief


def _free_of_charge(
    joined: dict[str, Ingredient], scenario: Scenario, wanted: frozenset[str]
) -> tuple[dict[str, Ingredient], list[str]]:
    """Return the ingredients with what counts as free of charge, and sentences that say so."""
    joined, assumptions = dict(joined), []
    for name in ("aqua", *sorted(wanted - {"aqua"})):
        item = joined.get(name)
        if item is not None and isnan(item.price):
            joined[name] = Ingredient(item.material, 0.0, item.line)
            assumptions.append(f"{name} has no price on the shelf and counts as free of charge")
    if scenario.pool.unpriced:
        joined = {k: Ingredient(i.material, 0.0, i.line) if isnan(i.price) else i for k, i in joined.items()}
    return joined, assumptions


def _candidates(
    joined: Mapping[str, Ingredient], scenario: Scenario, wanted: frozenset[str]
) -> tuple[dict[str, Ingredient], dict[str, str]]:
    """Return the candidates by id, and why other priced or named materials are none."""
    chosen, left_out = {}, {}
    always = wanted | scenario.fixed.keys() | ({"aqua"} - set(scenario.pool.without))
    named = {*scenario.pool.also, *scenario.pool.materials}
    for name, item in joined.items():
        reason = "" if name in always else scenario.pool.why_not(item.material)
        if not reason and not isnan(item.price):
            chosen[name] = item
        elif not isnan(item.price):
            left_out[name] = reason
        elif name in named:
            left_out[name] = "the shelf has no price for it"
    return chosen, left_out


def _rules(
    scenario: Scenario, library: Library, pool: Pool, shelf: Shelf | None
) -> tuple[tuple[Rule, ...], tuple[Rule, ...]]:
    """Return the rules of the model, sorted by id, and the ceilings that are only watched."""
    rules: list[Rule] = [Total(id="total", exactly=100.0, source="arithmetic")]
    for rule in scenario.rule:
        if isinstance(rule, Cost):
            rule = rule.model_copy(update={"currency": scenario.currency})
        elif isinstance(rule, Property) and not rule.measure_unit and rule.property in library.property_units:
            rule = rule.model_copy(update={"measure_unit": library.property_units[rule.property].unit})
        rules.append(rule)
    for name, percent in scenario.fixed.items():
        rules.append(Dose(id=f"fixed-{name}", of=Group(materials=(name,)), exactly=percent))
    rules += _stocks(scenario, pool, shelf)
    present = {s.inci for i in pool.items for s in i.material.substances}
    watched: list[Rule] = []
    for ceiling in library.ceilings:
        applies = ceiling.use in (scenario.use, "any") and present.intersection(ceiling.substances)
        if not applies or (ceiling.kind == "law" and ceiling.jurisdiction not in ("", scenario.market)):
            continue
        law = ceiling.kind == "law"
        level = UseLevel(id=f"level-{ceiling.id}", ceiling=ceiling, source="law" if law else ceiling.kind)
        (rules if law else watched).append(level)
    for pair in library.exclusions:
        if present.intersection(pair.one) and present.intersection(pair.other):
            law = pair.jurisdiction == scenario.market
            one, other = Group(inci=pair.one), Group(inci=pair.other, but_not=_both(pool, pair.one))
            rule = Excludes(id=f"exclusion-{pair.id}", of=one, other=other, source="law" if law else pair.confidence)
            (rules if law else watched).append(rule)
    return tuple(sorted(rules, key=lambda r: r.id)), tuple(sorted(watched, key=lambda r: r.id))


def _stocks(scenario: Scenario, pool: Pool, shelf: Shelf | None) -> list[Stock]:
    """Return a limit for each candidate whose stock the shelf states, if the scenario states a batch."""
    if not scenario.batch_kg or shelf is None:
        return []
    items = {item.id: item for item in pool.items}
    held = [name for name, line in lines_of(shelf.lines, items, priced=False) if line.stock_kg]
    return [
        Stock(
            id=f"stock-{name}",
            of=Group(materials=(name,)),
            at_most=100 * kg / scenario.batch_kg,
            lines=max(1, held.count(name)),
            source="shelf",
        )
        for name, kg in stock_of(shelf.lines, items).items()
    ]


def _together(rule: Stock, pool: Pool, shelf: Shelf | None) -> str:
    """Return the sentence that says how several shelf lines of one material are counted."""
    name = rule.of.materials[0]
    item = pool.items[pool.index[name]]
    lines = [x for _, x in lines_of(shelf.lines if shelf else (), {name: item}, priced=False) if x.stock_kg]
    kg = fsum(line.stock_kg or 0.0 for line in lines)
    dearest = max([item.price, *(x.price_per_kg for x in lines if x.price_per_kg is not None)])
    dearer = f", the dearest in stock is {number(dearest)}" if dearest > item.price else ""
    return (
        f"{name}: the {number(kg)} kg in stock on {rule.lines} shelf lines count together, at the price per kg and the "
        f"strength of the cheapest line ({number(item.price)}{dearer})"
    )


def _both(pool: Pool, names: tuple[str, ...]) -> tuple[str, ...]:
    """Return the ids that contain a substance of the first side, which cannot exclude themselves."""
    return tuple(i.id for i in pool.items if any(s.inci in names for s in i.material.substances))


def _declared(scenario: Scenario, library: Library) -> Scenario:
    """Return the scenario with each property named as the library declares it."""
    properties = _properties(library)
    rules = tuple(
        r.model_copy(update={"property": spelled(r.property, properties)}) if isinstance(r, Property) else r
        for r in scenario.rule
    )
    return scenario.model_copy(update={"rule": rules})


def _properties(library: Library) -> set[str]:
    return {p for m in library.materials for p in m.properties} | set(library.property_units)


def _references(scenario: Scenario, library: Library, where: str) -> list[Problem]:
    """Return every name in the scenario that leads nowhere, and every id that is used twice."""
    ids = library.by_id
    problems = unknown(where, "fixed", scenario.fixed, ids)
    for key in ("also", "without", "materials"):
        problems += unknown(where, f"pool.{key}", getattr(scenario.pool, key), ids)
    for key in ("acids", "thickeners"):
        problems += unknown(where, f"held_back.{key}", getattr(scenario.held_back, key), ids)
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
                problems += unknown(where, key, group.functions, functions)
                if name in rule.model_fields_set:
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


def find_measure(name: str, rules: Iterable[Rule], currency: str = "") -> LimitRule:
    """Return a named measure or a rule's measure, without limits.

    Raises:
        UsageError: If neither has that name.
    """
    stated = {r.id: r for r in rules if isinstance(r, LimitRule)}
    known = [*MEASURES, *stated]
    name = name if name in known else spelled(name, known)
    if name not in known:
        raise UsageError(f"there is no measure or rule '{name}'. {nearest(name, known)}")
    rule = stated[name] if name in stated else named_measure(name)
    free = rule.with_limits(-float("inf"), float("inf"))
    return free.model_copy(update={"currency": currency}) if isinstance(free, Cost) else free
