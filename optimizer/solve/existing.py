"""A formula that is there already: what it costs, the pH it fits best, what of it is kept, its neighbours."""

from __future__ import annotations

from collections.abc import Iterable
from math import inf, isnan
from pathlib import Path

import numpy as np

from optimizer.brief.brief import Brief, load_brief, widened
from optimizer.data.formula import Formula, Line
from optimizer.data.formula_file import GivenFormula, read_formula
from optimizer.data.pool import Group, Ingredient, Pool, Vector
from optimizer.immutable import replace
from optimizer.model.model import Case, build, cases
from optimizer.rules import Acidity, LimitRule, Rule, named_measure
from optimizer.rules.acidity import SharedWindow
from optimizer.rules.row import Setting
from optimizer.solve.conflict import find_conflict, read_in_conflict
from optimizer.solve.feasibility import Probe
from optimizer.solve.nearest import Near, nearest_within
from optimizer.solve.rounding import NEAR, broken, grid_formula, near_grid
from optimizer.units import AS_TYPED, CHANGE_SHOWN, KEPT, is_whole, number, whole_down, whole_up

ACTIVE_BAND = 0.05
"""Half-width within which a formula's active matter is kept [% of the product]."""
CHARGE_BAND = 2.0
"""Half-width within which the share of each charge is kept [points]; an editable default, no source."""
SHORT = 0.01
"""Limits of what is kept are multiples of this, so that they can be read."""
CHARGES = ("anionic", "amphoteric", "nonionic", "cationic")


def formula_at(pool: Pool, doses: dict[str, float]) -> Formula:
    """Return doses [% as supplied by id] as a formula of the pool's ingredients."""
    lines = tuple(Line(item, doses[item.id]) for item in pool.items if doses.get(item.id, 0.0) > 0)
    return Formula(lines, pool.held_back, pool.later, pool.thickeners)


def read_given(
    path: Path,
    scenario: Path,
    *,
    changes: Iterable[tuple[str, str]] = (),
    shelf: Path | None = None,
    libraries: Iterable[Path] | None = None,
    rest: str = "",
) -> tuple[Brief, GivenFormula]:
    """Return a formula of a file and the brief in whose pool all its materials are.

    The part held back is the formula's own: a formula that sums to 100 leaves nothing free. `rest` is the material
    that makes the rest, if no line says so.

    Raises:
        DataError: If a file cannot be used.
    """
    return held_against(path, load_brief(scenario, changes=changes, shelf=shelf, libraries=libraries), rest)


def held_against(path: Path, brief: Brief, rest: str = "") -> tuple[Brief, GivenFormula]:
    """Return a formula of a file and a brief widened to all its materials, of which nothing more is held back.

    Raises:
        DataError: If the file cannot be used.
    """
    given = read_formula(path, brief.library.materials, brief.pool.held_back, rest)
    wide = widened(brief, given.doses)
    if given.target is not None and _asked_for(brief.acidity, given.target) is None:
        note = f"its file aims at pH {number(given.target, 2)}, which this brief does not ask for"
        given = replace(given, target=None, notes=(*given.notes, note))
    return replace(wide, pool=replace(wide.pool, held_back=given.held_back)), given


def best_setting(brief: Brief, formula: Formula, target: float | None = None) -> Setting:
    """Return the setting at the pH that a formula aims at.

    Where it aims at none, or at one outside the brief: the one that its windows miss least and where it breaks the
    fewest rules; of equals the one that is best by the brief's goals, such as the least planned cost, then the one
    furthest from an edge of its windows, as between the settings of a brief that is solved.
    """
    acidity = brief.acidity
    if acidity is None:
        return Setting()
    if (aimed := _asked_for(acidity, target)) is not None:
        return aimed
    edges = acidity.edges(brief.pool) + tuple(e for r in brief.modelled for e in r.edges(brief.pool))
    settings = acidity.settings(edges)
    shared = acidity.shared(formula)
    misses = [_misses(acidity, brief, formula, s) for s in settings]
    even = [s for s, miss in zip(settings, misses, strict=True) if miss == min(misses)]
    return min(even, key=lambda s: _rank(brief, formula, s, shared))


def _asked_for(acidity: Acidity | None, target: float | None) -> Setting | None:
    """Return the setting at a pH, None if there is none or the brief's window leaves it out."""
    if acidity is None or target is None:
        return None
    first, last = acidity.low + acidity.tolerance, acidity.high - acidity.tolerance
    return acidity.at(target) if first - AS_TYPED <= target <= last + AS_TYPED else None


def _misses(acidity: Acidity, brief: Brief, formula: Formula, setting: Setting) -> tuple[float, int]:
    """Return by how much a setting lies outside a formula's windows, and how many rules that ask the pH it breaks."""
    breaks = sum(broken(r, formula, setting) for r in brief.modelled if r.ph_key(brief.pool, setting) is not None)
    return round(acidity.violation(formula, setting), 6), breaks


def _rank(brief: Brief, formula: Formula, setting: Setting, shared: SharedWindow) -> tuple[float, ...]:
    """Return the brief's goals at a setting, then how near it is to an edge, then the target itself."""
    target = setting.target or 0.0
    goals = brief.scenario.objective.goals
    worth = [sign * brief.measure(name).value(formula, setting) for sign, name in goals]
    margin = min(target - shared.low, shared.high - target)
    return (*(inf if isnan(value) else round(value, 9) for value in worth), -round(margin, 6), target)


def kept_rules(
    formula: Formula, active_band: float = ACTIVE_BAND, charge_band: float = CHARGE_BAND
) -> tuple[Rule, ...]:
    """Return rules that hold active matter and the share of each charge where a formula has them.

    Their ids hold a space, which no id of a scenario can, so that they never clash.

    Args:
        formula: The formula; without surfactants there is nothing to keep.
        active_band: Half-width for active matter [% of the product].
        charge_band: Half-width for the share of each charge [points].
    """
    active = named_measure("active")
    total = active.value(formula, Setting())
    if total <= KEPT:
        return ()
    kept: list[Rule] = [_rule_at(active, total, active_band, "kept active")]
    for charge in CHARGES:
        share = named_measure("anionic").model_copy(update={"of": Group(charges=(charge,), called=charge)})
        kept.append(_rule_at(share, share.value(formula, Setting()), charge_band, f"kept {charge}"))
    return tuple(kept)


def _rule_at(measure: LimitRule, value: float, band: float, name: str) -> Rule:
    low, high = max(0.0, value - band), min(100.0, value + band)
    if band > SHORT:  # figures that can be read, on the strict side
        low, high = whole_up(low / SHORT) * SHORT, whole_down(high / SHORT) * SHORT
    limits = {"at_least": round(low, 9), "at_most": round(high, 9), "band": 0.0}
    return measure.model_copy(update={"id": name, "source": "the formula", **limits})


def asking(brief: Brief, rules: Iterable[Rule], items: Iterable[Ingredient] | None = None) -> Brief:
    """Return the brief with further rules and, if given, other candidates.

    An exact limit on a computed measure counts with its band, as it does for the formula that is there.
    """
    pool = brief.pool
    if items is not None:
        pool = pool.with_items(sorted(items, key=lambda i: i.id))
    own = tuple(_banded(r) for r in brief.modelled)
    return replace(brief, pool=pool, modelled=tuple(sorted((*own, *rules), key=lambda r: r.id)))


def _banded(rule: Rule) -> Rule:
    band = rule.within
    if not isinstance(rule, LimitRule) or band == 0:
        return rule
    return rule.with_limits(max(rule.lowest, rule.limits[0] - band), min(rule.highest, rule.limits[1] + band))


def clash(brief: Brief, aside: frozenset[str] = frozenset({"total"})) -> tuple[str, ...]:
    """Return the readings of rules that no formula keeps together, those aside that go without saying."""
    probe = Probe(brief)
    found = find_conflict(probe, frozenset(probe.ids)) or ()
    rules = {r.id: r for r in brief.enforced}
    return tuple(read_in_conflict(brief, rules, found, i) for i in found if i not in aside)


def case_at(brief: Brief, setting: Setting) -> Case:
    """Return the program of a brief at one pH setting, whether or not that is one of its own."""
    model = build(brief.modelled, brief.pool, setting)
    if brief.acidity is None:
        return Case(model, (setting,), model.upper)
    allowed = brief.acidity.allowed(brief.pool, setting)
    upper = model.upper.copy()
    upper[: model.doses][~allowed] = 0.0
    return Case(model, (setting,), upper, tuple(i for i, ok in zip(brief.pool.ids, allowed, strict=True) if not ok))


def nearest_at(
    brief: Brief,
    doses: dict[str, float],
    setting: Setting,
    *,
    fewest: bool = True,
    free: frozenset[str] = frozenset(),
) -> Near | None:
    """Return the nearest formula at a pH setting, at another one where that allows none, or None.

    Args:
        brief: The brief.
        doses: The given doses [% as supplied by id].
        setting: The pH setting that is kept where possible.
        fewest: Whether the number of changed doses counts before their sum.
        free: Ids whose change does not count in that number.
    """
    here = (case_at(brief, setting),)
    near = nearest_within(brief, doses, here, here, fewest=fewest, free=free)
    if near is not None or brief.acidity is None:
        return near
    every = cases(brief.modelled, brief.acidity, brief.pool)
    return nearest_within(brief, doses, every, every, fewest=fewest, free=free)


def on_grid(brief: Brief, near: Near | None, doses: dict[str, float]) -> tuple[Near | None, bool]:
    """Return the nearest formula on the scale's grid, and whether one lies within a few steps; unchanged doses stay.

    Args:
        brief: The brief.
        near: The nearest formula, if there is one.
        doses: The given doses [% as supplied by id].
    """
    if near is None:
        return None, False
    step = brief.scenario.scale_step
    still = [item.id not in near.changed and item.material.function != "solvent" for item in brief.pool.items]
    width = np.full(len(brief.pool), float(NEAR))
    for j, item in enumerate(brief.pool.items):
        steps = doses.get(item.id, 0.0) / step
        if still[j] and is_whole(steps):
            width[j] = 0.0
    goal = near.found.case.model.spread(_least_change(brief, near, doses))
    counted = near_grid(brief, near.found, goal, width, limit=5.0)
    formula = None if counted is None else grid_formula(brief, counted[0])
    if formula is None or any(broken(r, formula, near.setting) for r in brief.enforced):
        return near, False
    after = formula.doses
    moves = {
        item.id: abs(after.get(item.id, 0.0) - doses.get(item.id, 0.0))
        for item in brief.pool.items
        if item.material.function != "solvent"
    }
    changed = tuple(name for name, move in moves.items() if move > CHANGE_SHOWN)
    return replace(near, formula=formula, changed=changed, distance=sum(moves.values())), True


def _least_change(brief: Brief, near: Near, doses: dict[str, float]) -> Vector:
    """Return a goal for the grid that stays near the given doses, then near the least cost, shape (n,)."""
    after = near.formula.doses
    moves = [
        0.0 if item.material.function == "solvent" else np.sign(after.get(item.id, 0.0) - doses.get(item.id, 0.0))
        for item in brief.pool.items
    ]
    return np.array(moves) * np.isin(brief.pool.ids, near.changed) + 1e-4 * brief.pool.prices
