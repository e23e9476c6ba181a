"""A brief that can be solved: the scenario joined with library and shelf."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Set
from dataclasses import field
from functools import cached_property
from math import inf, isnan
from pathlib import Path
from typing import TypeVar

from optimizer.brief.defaults import BenchDefaults, bench_defaults, is_shipped
from optimizer.brief.implied import counted_together, rules_of
from optimizer.brief.references import declared, references
from optimizer.brief.scenario import Scenario, lying_beside, read_scenario
from optimizer.data.facts import Material
from optimizer.data.formula import Formula
from optimizer.data.library import Library, read_library
from optimizer.data.pool import Ingredient, Pool, join, unknown
from optimizer.data.shelf import Shelf, read_shelf
from optimizer.errors import DataError, Problem, UsageError, fault, nearest, spelled
from optimizer.files import digest, shipped
from optimizer.immutable import immutable, replace
from optimizer.rules import (
    MEASURES,
    Acidity,
    Cost,
    CurvedRule,
    LimitRule,
    Preserved,
    Rule,
    Stock,
    named_measure,
)
from optimizer.rules.preserved import PRESERVATIVE
from optimizer.rules.row import Setting
from optimizer.units import USED, listed

C = TypeVar("C", bound=Cost)
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
    added: tuple[Rule, ...] = ()
    """Rules besides those of the scenario, such as what trials measured."""
    gone: frozenset[str] = frozenset()
    """Ids of the scenario's rules that they take the place of."""

    def why_no_candidate(self, material: Material) -> str:
        """Return why a material is no candidate, in words; empty if it is one."""
        if material.id in self.pool.index:
            return ""
        return self.left_out.get(material.id) or self.scenario.pool.why_not(material) or "the shelf does not price it"

    @property
    def rules(self) -> tuple[Rule, ...]:
        """Every rule: what is enforced, then what is only watched."""
        return (*self.enforced, *self.watched)

    @property
    def enforced(self) -> tuple[Rule, ...]:
        """Rules that a formula must keep: those of the model, then the pH rule."""
        return (*self.modelled, *((self.acidity,) if self.acidity else ()))

    def measure(self, name: str) -> LimitRule:
        """Return the measure that an objective names, without limits: cost as planned, where that is sought."""
        if name not in self._measures:
            found = find_measure(name, self.modelled, self.scenario.currency)
            self._measures[name] = self.planned(found) if isinstance(found, Cost) else found
        return self._measures[name]

    def planned(self, cost: C) -> C:
        """Return cost with what the bench is planned to add; of the blend alone without one rule that plans it."""
        ways = [rule for rule in self.modelled if rule.of_plan]
        asked = self.pool.counts_plan and len(ways) == 1 and self.pool.held_back > USED
        return cost.with_plan(ways[0], self.pool) if asked else cost

    @property
    def seeks_planned(self) -> bool:
        """Whether what is best is the least planned cost."""
        return self.measure(self.scenario.objective.goals[0][1]).counts_plan

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


def protecting(brief: Brief, formula: Formula, setting: Setting, *, mending: bool = False) -> Brief:
    """Return a brief by which a formula may be changed only so that it is preserved no worse than it is.

    Args:
        brief: The brief.
        formula: What is changed.
        setting: Its pH setting.
        mending: Whether a formula with too little of a preservative, or one that does not act at its pH, must be
            changed so that it has enough.
    """
    guards = tuple(r.no_worse(formula, setting) for r in brief.watched if isinstance(r, Preserved))
    if mending and any(PRESERVATIVE in line.item.material.functions for line in formula.lines if line.percent > USED):
        guards = tuple(r.model_copy(update={"at_least": 1.0}) for r in guards)
    watched = tuple(r for r in brief.watched if not isinstance(r, Preserved))
    return replace(brief, modelled=tuple(sorted((*brief.modelled, *guards), key=lambda r: r.id)), watched=watched)


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
    defaults = bench_defaults(path)
    problems: list[Problem] = []
    library = lines = shelf_path = None
    try:
        library = read_library(_libraries_of(path, scenario) if libraries is None else libraries)
    except DataError as error:
        problems += error.problems
    try:
        shelf_path = shelf or _shelf_of(path, scenario, defaults)
        lines = read_shelf(shelf_path).converted(rates or {}, scenario.currency) if shelf_path else None
    except DataError as error:
        problems += error.problems
    if problems or library is None:
        raise DataError(problems)
    hashes = {str(p): digest(p) for p in [*files, *([shelf_path] if shelf_path else [])]}
    brief = make_brief(scenario, library, lines, where=str(path), files={**hashes, **library.files}, also=also)
    if shelf is None and shelf_path is not None and shelf_path == _default_shelf(defaults):
        brief = replace(brief, assumptions=(*brief.assumptions, *defaults.told("shelf")))
    return brief


def _libraries_of(path: Path, scenario: Scenario) -> list[Path]:
    """Return the library files of a brief: the shipped ones unless it wants none of them, then its own."""
    shipped_ones = [] if scenario.only_own_library else [shipped("library")]
    return [*shipped_ones, *(lying_beside(path, name, "library") for name in scenario.library)]


def _default_shelf(defaults: BenchDefaults) -> Path | None:
    return lying_beside(Path(defaults.where), defaults.shelf, "shelf") if defaults.shelf else None


def _shelf_of(path: Path, scenario: Scenario, defaults: BenchDefaults) -> Path | None:
    """Return the shelf of a brief: its own, else the bench's, which also goes before that of the demo."""
    own = _default_shelf(defaults)
    if own is not None and (not scenario.shelf or is_shipped(path)):
        return own
    return lying_beside(path, scenario.shelf, "shelf") if scenario.shelf else None


def widened(brief: Brief, also: Iterable[str]) -> Brief:
    """Return a brief with further candidates, whatever its pool says, priced or not; no file is read again.

    Raises:
        DataError: If one of them is not known.
    """
    wide = make_brief(
        brief.scenario,
        brief.library,
        brief.shelf,
        where=brief.where,
        files=brief.files,
        also=also,
        added=brief.added,
        gone=brief.gone,
    )
    if not brief.added:
        return wide
    return replace(wide, assumptions=tuple(dict.fromkeys((*wide.assumptions, *brief.assumptions))))


def make_brief(
    scenario: Scenario,
    library: Library,
    shelf: Shelf | None,
    *,
    where: str = "scenario",
    files: Mapping[str, str] | None = None,
    also: Iterable[str] = (),
    added: tuple[Rule, ...] = (),
    gone: frozenset[str] = frozenset(),
) -> Brief:
    """Join a scenario with library and shelf; `also` names further candidates, priced or not.

    Rules that are `added` take the place of those that are `gone`.

    Raises:
        DataError: If the shelf cannot be joined, the scenario names what does not exist or gives a rule an id of the
            tool, no candidate is left, or the goals are none that it knows.
    """
    scenario = declared(scenario, library, where)
    wanted = frozenset(also)
    joined, chosen, left_out, assumptions = _joined(scenario, library, shelf, wanted, where)
    pool = _pool_of(scenario, joined, chosen)
    rules, watched = rules_of(scenario, library, pool, shelf)
    rules = tuple(sorted((*(r for r in rules if r.id not in gone), *added), key=lambda r: r.id))
    assumptions += [counted_together(rule, pool, shelf) for rule in rules if isinstance(rule, Stock) and rule.lines > 1]
    assumptions += _unasked(scenario, chosen.keys() - wanted, left_out)
    clear = any(r.clears for r in rules)
    acidity = scenario.ph.model_copy(update={"id": "ph", "clear": clear}) if scenario.ph else None
    brief = Brief(
        scenario,
        pool,
        rules,
        acidity,
        watched,
        library,
        files or {},
        tuple(assumptions),
        left_out,
        shelf,
        where,
        added,
        gone,
    )
    _refuse_ids_and_goals(brief)
    return brief


def _joined(
    scenario: Scenario, library: Library, shelf: Shelf | None, wanted: frozenset[str], where: str
) -> tuple[dict[str, Ingredient], dict[str, Ingredient], dict[str, str], list[str]]:
    """Return all ingredients and the candidates among them, why others are none, and what was assumed of prices.

    Raises:
        DataError: With every problem of scenario and shelf at once.
    """
    problems = references(scenario, library, where)
    try:
        joined, assumptions = _free_of_charge(join(library, shelf, scenario.currency), scenario, wanted)
    except DataError as error:
        raise DataError([*problems, *error.problems]) from None
    chosen, left_out = _candidates(joined, scenario, wanted)
    problems += _unpriced(scenario, joined, chosen, where)
    if problems:
        raise DataError(problems)
    return joined, chosen, left_out, assumptions


def _unpriced(
    scenario: Scenario, joined: Mapping[str, Ingredient], chosen: Mapping[str, Ingredient], where: str
) -> Iterator[Problem]:
    """Yield what is wrong where prices are missing: of a fixed dose, or of all that could be a candidate."""
    for name in scenario.fixed:
        if name in joined and isnan(joined[name].price):
            yield Problem(where, f"fixed.{name}", "the shelf has no price for it.", "Add it to the shelf.")
    if not {n for n, i in joined.items() if not isnan(i.price)} - {"aqua"}:
        step = "Name a shelf with prices, or set unpriced = true in [pool]."
        yield Problem(where, "shelf", "nothing but water has a price.", step)
    elif not chosen:
        step = "Widen [pool], or add what it names to the shelf."
        yield Problem(where, "pool", "no candidate is left: nothing priced is in the pool.", step)


def _pool_of(scenario: Scenario, joined: Mapping[str, Ingredient], chosen: Mapping[str, Ingredient]) -> Pool:
    """Return the candidates, with what is added after the blend."""
    held = scenario.held_back
    thickeners = tuple(joined[n] for n in held.thickeners)
    later = (*(joined[n] for n in held.acids), *thickeners)
    salt = next((i for i in (*thickeners, *joined.values()) if _salts(i)), None)
    candidates = tuple(chosen[n] for n in sorted(chosen))
    return Pool(candidates, held.percent, later, thickeners, held.planned, salt, scenario.counts_plan)


READ_AT_THE_BENCH = frozenset(("viscosity", "thickness", "clarity", "turbidity", "haze", "stability", "foam-height"))


def _refuse_ids_and_goals(brief: Brief) -> None:
    """Refuse rules that are called as one of the tool, and goals that are none that the brief knows."""
    where, goals = brief.where, brief.scenario.objective.goals
    counts = Counter(r.id for r in (*brief.modelled, *brief.watched))
    twice = [i for i, n in counts.items() if n > 1 or i in RESERVED - {"total"}]
    if twice:
        step = f"Choose another, such as 'my-{twice[0]}'."
        raise DataError(Problem(where, f"rule.{i}", "this id belongs to a rule of the tool.", step) for i in twice)
    known = [*MEASURES, *(r.id for r in brief.modelled if isinstance(r, LimitRule))]
    read = [m for _, m in goals if m in READ_AT_THE_BENCH and m not in known]
    if read:
        step = "Plan beakers with 'tenside trials plan'; 'tenside blend' holds a limit on what they read by --want."
        raise fault(where, "objective", f"'{read[0]}' is read at the bench, never computed.", step)
    unknown_goals = unknown(where, "objective", [m for _, m in goals], known)
    if unknown_goals:
        raise DataError(unknown_goals)
    curved = [m for _, m in goals[1:] if isinstance(brief.measure(m), CurvedRule)]
    if curved:
        what = f"'{curved[0]}' is linear only around a formula and cannot break ties."
        raise fault(where, "objective.then", what, "Make it the objective itself, or limit it with a rule.")


def _salts(item: Ingredient) -> bool:
    return item.material.thickener is not None and item.material.thickener.type == "salt"


UNLISTED_WATER = 'aqua is a candidate though pool.materials does not list it; without = ["aqua"] keeps it out'
UNPRICED = "the shelf has no price for it"


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
        named = {*scenario.pool.also, *scenario.pool.materials, *scenario.fixed}
        free = [k for k, i in joined.items() if isnan(i.price) and (not i.material.unread or i.line or k in named)]
        joined |= {k: Ingredient(joined[k].material, 0.0, joined[k].line) for k in free}
    return joined, assumptions


def _unasked(scenario: Scenario, chosen: Set[str], left_out: Mapping[str, str]) -> Iterator[str]:
    """Yield what is said of candidates: water that nobody listed, and what has no price."""
    if scenario.pool.materials and "aqua" in chosen - {*scenario.pool.materials}:
        yield UNLISTED_WATER
    unpriced = sorted(n for n, why in left_out.items() if why == UNPRICED)
    if unpriced:
        yield f"left out, no price: {listed(unpriced)}; write one on the shelf to let them in"


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
        elif name in named or (item.line is not None and not reason):
            left_out[name] = UNPRICED
    return chosen, left_out


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
    free = rule if rule.limits == (-inf, inf) else rule.with_limits(-inf, inf)
    return free.model_copy(update={"currency": currency}) if isinstance(free, Cost) else free
