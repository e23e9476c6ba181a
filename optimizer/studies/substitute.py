"""A material is out of stock, limited or withdrawn: the closest formula without it, and every possible stand-in.

The closest formula keeps active matter, the share of each charge, the pH where it can, and every rule of
the brief. First the fewest doses change: the missing material, one stand-in and water; one more dose is
unlocked at a time where that allows no answer (a cardinality-constrained program, `nearest`). Then the sum
of |change| over all doses but water is least, then the cost. Every stand-in with the same main function is
tried by itself in the same way. Linear in the doses: nothing here predicts viscosity, clarity or foam.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import nan

from optimizer.assessment.planned import sought_cost
from optimizer.brief.brief import Brief, protecting, widened
from optimizer.data.facts import Material
from optimizer.data.formula import Formula
from optimizer.data.pool import Group, Ingredient
from optimizer.errors import UsageError, nearest
from optimizer.immutable import immutable, replace
from optimizer.rules import MEASURES, Dose, Rule, named_measure
from optimizer.rules.row import Setting
from optimizer.rules.thickening import Thickening
from optimizer.solve.best import solve
from optimizer.solve.existing import (
    asking,
    best_setting,
    clash,
    formula_at,
    kept_rules,
    nearest_at,
    on_grid,
)
from optimizer.solve.nearest import Near
from optimizer.solve.rounding import broken
from optimizer.studies.stand_in import label_names, matter_of, watch
from optimizer.studies.substituted import Base, StandIn, Substituted, Swap, SwapWish
from optimizer.units import KEPT, USED, number

LEFT = "what is left"
"""Id of the rule that limits the missing material; no scenario can use it, because of the spaces."""
GIVEN = frozenset({"total", LEFT})
"""Rules that go without saying where others clash."""


def substitute(
    brief: Brief,
    wide: Brief,
    material: str,
    wish: SwapWish = SwapWish(),
    doses: dict[str, float] | None = None,
    notes: tuple[str, ...] = (),
    *,
    at: float | None = None,
    first_only: bool = False,
) -> Substituted:
    """Find the closest formula without a material, or with what is left of it.

    Args:
        brief: The brief; its pool holds every material of a given formula.
        wide: The same brief with `stand_ins` of the library among its candidates.
        material: Id of what is missing.
        wish: What is asked.
        doses: A given formula [% as supplied by id]; the brief's best if None.
        notes: What was done to its figures.
        at: The pH that it aims at; where it fits the brief best if it aims at none.
        first_only: Whether only the first stand-in is wanted: no other is told, nor what stops them.

    Raises:
        UsageError: If the material is not known, or is the water.
    """
    missing = _missing(wide, material)
    base = _base(brief, doses, notes, at)
    if base is None:
        return Substituted(brief=brief, missing=missing, wish=wish, dose=nan, base=None)
    given, before = brief, base.formula.doses
    brief, wide = (protecting(b, base.formula, base.setting) for b in (brief, wide))
    dose = before.get(material, 0.0)
    rules = _asked_for(material, wish, base)
    asked = asking(brief, rules)
    near, gridded = on_grid(asked, nearest_at(asked, before, base.setting, fewest=not wish.free), before)
    trial = _Trial(wide, brief, base, missing, wish, rules, _helpers(wide, base, missing, near), not first_only)
    like = [] if max(0.0, dose - wish.left) <= USED else _like(wide, missing)
    standins = _first(trial, like) if first_only else [_try(trial, i) for i in like]
    return Substituted(
        brief=given,
        missing=missing,
        wish=wish,
        dose=dose,
        base=base,
        answer=near,
        on_grid=gridded,
        measures=(measured(base.formula), {} if near is None else measured(near.formula)),
        conflict=() if near is not None else clash(asked, GIVEN),
        standins=tuple(sorted(standins, key=lambda s: s.rank)),
    )


def possible(brief: Brief, material: str, wish: SwapWish, doses: dict[str, float], *, at: float | None = None) -> bool:
    """Return whether some formula of the brief's own candidates does without a material; see `substitute`."""
    base = _base(brief, doses, (), at)
    assert base is not None
    asked = asking(protecting(brief, base.formula, base.setting), _asked_for(material, wish, base))
    return nearest_at(asked, base.formula.doses, base.setting, fewest=False) is not None


def _asked_for(material: str, wish: SwapWish, base: Base) -> tuple[Rule, ...]:
    """Return the rules that a substitution adds to those of the brief."""
    floors = tuple(_floor(name, percent) for name, percent in wish.inside.items())
    return (_left(material, wish.left), *floors, *kept_rules(base.formula, wish.active_band, wish.charge_band))


def stand_ins(brief: Brief, material: str) -> tuple[str, ...]:
    """Return ids of the library's materials with the same main function that the brief's pool does not hold.

    What was entered from memory as a whole stands in for nothing unless the shelf names it.
    """
    function = _known(brief, material).function
    held = brief.pool.index
    others = (m for m in brief.library.materials if m.function == function and m.id not in held)
    return tuple(m.id for m in others if not m.unread)


def with_stand_ins(brief: Brief, material: str, doses: Iterable[str]) -> Brief:
    """Return the brief with all that could stand in for a material, and with the doses that are there.

    Args:
        brief: The brief.
        material: Id of what is missing.
        doses: Ids of the materials that are there.
    """
    wide = widened(brief, [*stand_ins(brief, material), *doses])
    return replace(wide, pool=replace(wide.pool, held_back=brief.pool.held_back))


def measured(formula: Formula) -> Mapping[str, float]:
    """Return the named measures of a formula, cost aside."""
    return {name: named_measure(name).value(formula, Setting()) for name in MEASURES if name != "cost"}


def _known(brief: Brief, material: str) -> Material:
    if material not in brief.library.by_id:
        raise UsageError(f"there is no material '{material}'. {nearest(material, brief.library.by_id)}")
    return brief.library.by_id[material]


def _missing(wide: Brief, material: str) -> Ingredient:
    known = _known(wide, material)
    if known.function == "solvent":
        raise UsageError(f"nothing stands in for {material}: it fills the formula to 100 %.")
    position = wide.pool.index.get(material)
    return Ingredient(known, nan) if position is None else wide.pool.items[position]


def _base(brief: Brief, doses: dict[str, float] | None, notes: tuple[str, ...], at: float | None = None) -> Base | None:
    if doses is None:
        result = solve(brief, weighable=True)
        formula = result.weighable
        return None if formula is None else Base(formula, result.setting, (), "the brief's best formula")
    formula = formula_at(brief.pool, doses)
    setting = best_setting(brief, formula, at)
    bad = tuple(r.reading() for r in brief.enforced if broken(r, formula, setting))
    return Base(formula, setting, bad, "the given formula", notes)


def _left(material: str, left: float) -> Rule:
    rule = Dose(id="left", of=Group(materials=(material,)), at_most=min(left, 100.0), source="what is left")
    return rule.model_copy(update={"id": LEFT})


def _floor(material: str, percent: float) -> Rule:
    """Return the rule that what is in stays in; its id has spaces, as no scenario's can."""
    rule = Dose(id="in", of=Group(materials=(material,)), at_least=min(percent, 100.0), source="what is in already")
    return rule.model_copy(update={"id": f"in already {material}"})


def _like(wide: Brief, missing: Ingredient) -> list[Ingredient]:
    return [i for i in wide.pool.items if i.material.function == missing.material.function and i.id != missing.id]


@immutable
class _Trial:
    """What every stand-in is tried with; helpers are new materials of other kinds that the answer needs as well."""

    wide: Brief
    brief: Brief
    base: Base
    missing: Ingredient
    wish: SwapWish
    rules: tuple[Rule, ...]
    helpers: frozenset[str]
    reasons: bool


def _helpers(wide: Brief, base: Base, missing: Ingredient, near: Near | None) -> frozenset[str]:
    """Return new materials of the answer that take over a second job of the missing one, such as solubilising."""
    before = base.formula.doses
    new = [i for i in (near.changed if near else ()) if before.get(i, 0.0) <= USED]
    return frozenset(
        i for i in new if wide.pool.items[wide.pool.index[i]].material.function != missing.material.function
    )


def _first(trial: _Trial, like: Iterable[Ingredient]) -> list[StandIn]:
    """Return the first stand-in: what is at hand goes before what is not (see `StandIn.rank`)."""
    at_hand: list[Ingredient] = []
    elsewhere: list[Ingredient] = []
    for item in like:
        (at_hand if item.id in trial.brief.pool.index else elsewhere).append(item)
    for group in (at_hand, elsewhere):
        found = [s for s in (_try(trial, item) for item in group) if s.formula is not None]
        if found:
            return [min(found, key=lambda s: s.rank)]
    return []


def _try(trial: _Trial, item: Ingredient) -> StandIn:
    """Return one stand-in: what it takes, or what stops it."""
    wide, brief, base, missing, wish = trial.wide, trial.brief, trial.base, trial.missing, trial.wish
    before = base.formula.doses
    standin = StandIn(
        item.material,
        item.id in brief.pool.index,
        item.material.charge == missing.material.charge,
        equal_grams=_swap(wide, base, missing, item, wish.left, wish.offered),
        equal_active=_equal_active(wide, base, missing, item, wish.left),
        watch=watch(item, missing, base.setting, _sulfates(brief)),
    )
    if not standin.on_shelf and any(r.of_prices for r in brief.modelled):
        standin = replace(standin, watch=("nobody prices it: limits on cost were not checked", *standin.watch))
    reason = "" if standin.on_shelf else brief.scenario.pool.why_not(item.material)
    if reason:
        return replace(standin, stopped=(f"the brief leaves it out: {reason}",))
    outside = _outside(wide, item)
    if outside:
        return replace(standin, stopped=(outside,))
    allowed = {*before, missing.id, item.id, "aqua", *trial.helpers}
    asked = asking(wide, trial.rules, [i for i in wide.pool.items if i.id in allowed])
    near = nearest_at(asked, before, base.setting, fewest=not wish.free, free=frozenset((missing.id, item.id)))
    if near is None:
        return replace(standin, stopped=(trial.reasons and clash(asked, GIVEN)) or ("the total of 100 %",))
    if item.id not in near.changed:
        return replace(standin, stopped=("not needed: the other doses make up for it alone",))
    return _changed(brief, standin, base, missing, item, near)


def _changed(brief: Brief, standin: StandIn, base: Base, missing: Ingredient, item: Ingredient, near: Near) -> StandIn:
    before = base.formula.doses
    dose = near.formula.dose(item.id)
    change = sought_cost(brief, near.formula, near.setting) - sought_cost(brief, base.formula, base.setting)
    more = dose - before.get(item.id, 0.0)
    names, new = label_names(base.formula), label_names(near.formula)
    return replace(
        standin,
        dose=dose,
        also=tuple(i for i in near.changed if i not in (missing.id, item.id)),
        formula=near.formula,
        ph=near.ph,
        distance=near.distance,
        cost_change=change if standin.on_shelf else nan,
        even=item.price - 100 * change / more if more > KEPT else nan,
        measures=measured(near.formula),
        gained=tuple(sorted(new - names)),
        lost=tuple(sorted(names - new)),
    )


def _outside(brief: Brief, item: Ingredient) -> str:
    """Return why no pH of the brief suits a material, empty if one does."""
    acidity = brief.acidity
    if acidity is None:
        return ""
    low, high = acidity.window(item.material)
    if min(high, acidity.high) - max(low, acidity.low) >= 2 * acidity.tolerance - KEPT:
        return ""
    return f"it wants pH {number(low, 2)} - {number(high, 2)}: outside {acidity.reading()}"


def _swap(brief: Brief, base: Base, missing: Ingredient, item: Ingredient, left: float, dose: float | None) -> Swap:
    """Return what happens when a dose (equal grams if None) takes the place of what is missing, water aside."""
    before = base.formula.doses
    gone = max(0.0, before.get(missing.id, 0.0) - left)
    dose = gone if dose is None else dose
    after = {**before, missing.id: before.get(missing.id, 0.0) - gone, item.id: before.get(item.id, 0.0) + dose}
    after["aqua"] = before.get("aqua", 0.0) + gone - dose
    formula = formula_at(brief.pool, after)
    breaks = [
        r.reading()
        for r in brief.enforced
        if r.shown != "understood" and broken(r, formula, base.setting) and r.reading() not in base.broken
    ]
    if after["aqua"] < -KEPT:
        breaks.append(f"no room: {number(-after['aqua'], 2)} % more than 100")
    active = named_measure("active").value(formula, base.setting)
    return Swap(dose, dose * matter_of(item, missing), active, tuple(breaks))


def _equal_active(brief: Brief, base: Base, missing: Ingredient, item: Ingredient, left: float) -> Swap | None:
    matter = matter_of(item, missing)
    if matter <= 0:
        return None
    gone = max(0.0, base.formula.dose(missing.id) - left)
    return _swap(brief, base, missing, item, left, gone * matter_of(missing, missing) / matter)


def _sulfates(brief: Brief) -> Group:
    """Return what the brief, else the default, counts as answering to salt."""
    return next((r for r in brief.modelled if isinstance(r, Thickening)), Thickening(id="thickening")).sulfates
