"""A material is out of stock, limited or withdrawn: the closest formula without it, and every possible stand-in.

The closest formula keeps active matter, the share of each charge, the pH where it can, and every rule of
the brief. First the fewest doses change: the missing material, one stand-in and water; one more dose is
unlocked at a time where that allows no answer (a cardinality-constrained program, `nearest`). Then the sum
of |change| over all doses but water is least, then the cost. Every stand-in with the same main function is
tried by itself in the same way. Linear in the doses: nothing here predicts viscosity, clarity or foam.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import field
from math import inf, nan

from optimizer.assessment.alarms import cautions_at
from optimizer.bench.rescue import Rescue
from optimizer.brief.brief import Brief, protecting, widened
from optimizer.data.cautions import Caution
from optimizer.data.facts import Material
from optimizer.data.formula import Doses, Formula
from optimizer.data.pool import Group, Ingredient
from optimizer.errors import UsageError, nearest
from optimizer.immutable import Figure, immutable, replace, result, seen, told, told_as, untold
from optimizer.rules import MEASURES, Dose, Rule, named_measure
from optimizer.rules.row import Setting
from optimizer.rules.thickening import Thickening
from optimizer.solve.best import solve
from optimizer.solve.existing import (
    ACTIVE_BAND,
    CHARGE_BAND,
    asking,
    best_setting,
    clash,
    formula_at,
    kept_rules,
    least_change,
    nearest_at,
    on_grid,
)
from optimizer.solve.nearest import Near
from optimizer.solve.result import PhOutcome
from optimizer.solve.rounding import broken
from optimizer.studies.stand_in import label_names, matter_of, watch
from optimizer.units import KEPT, USED, number

LEFT = "what is left"
"""Id of the rule that limits the missing material; no scenario can use it, because of the spaces."""
GIVEN = frozenset({"total", LEFT})
"""Rules that go without saying where others clash."""


@immutable
class Wish:
    """What is asked of the substitution.

    Attributes:
        left: What is left of the material [% of the product]; 0 if it is out.
        free: Whether every dose may move, so that only the sum of the changes counts.
        active_band: Half-width for active matter [% of the product].
        charge_band: Half-width for the share of each charge [points].
        offered: Dose of the stand-in that somebody offers [% as supplied]; equal grams if None.
        inside: What is in the vessel already and cannot be taken out [% of the product by id].
    """

    left: float = 0.0
    free: bool = False
    active_band: float = ACTIVE_BAND
    charge_band: float = CHARGE_BAND
    offered: float | None = None
    inside: Mapping[str, float] = field(default_factory=dict)


@immutable
class Base:
    """The formula that is there.

    Attributes:
        formula: Its doses.
        setting: Its pH setting.
        broken: Readings of the rules that it breaks itself.
        origin: Where it comes from.
        notes: What was done to its figures.
    """

    formula: Formula
    setting: Setting
    broken: tuple[str, ...]
    origin: str
    notes: tuple[str, ...] = ()


@immutable
class Swap:
    """A dose in place of what is missing, where nothing moves but water."""

    dose: float
    """% as supplied."""
    matter: float
    """Active matter it brings [% of the product]."""
    active: float
    """Active matter of the whole product [%]."""
    breaks: tuple[str, ...]
    """Rules that are broken so, those of the base aside."""


@immutable
class StandIn:
    """One possible stand-in, tried as the only new material of its kind; figures are null if it cannot stand in.

    The rest of the base is locked as far as that goes.
    """

    material: Material = untold()
    id: str = seen("material.id")
    name: str = seen("material.name")
    on_shelf: bool
    """Whether the shelf prices it."""
    same_charge: bool
    look: str = seen("material.look")
    stopped: tuple[str, ...] = ()
    """What stops it: readings of rules that clash, empty if it can stand in."""
    dose: Figure = nan
    """Its dose [% as supplied]."""
    also: tuple[str, ...] = ()
    """Ids of other doses that have to move as well, or to come in for a second job of the missing one."""
    formula: Doses = None
    """The formula with it; None if it cannot stand in."""
    ph: PhOutcome | None = None
    """Target pH and window of that formula."""
    distance: Figure = told_as("distance_percent", default=nan)
    """Sum of |change| over everything but water [%]."""
    cost_change: Figure = nan
    """Change of the cost per kg of product; null if the shelf has no price."""
    even: Figure = told_as("even_price", default=nan)
    """Price per kg at which the cost does not change; NaN if its dose does not rise."""
    measures: Mapping[str, float] | None = untold(default=None)
    measured: dict[str, Figure] = seen("measures", {}, key="measures")
    """Measures of that formula by name."""
    gained: tuple[str, ...] = told_as("label_gained", default=())
    """Names that the label gains."""
    lost: tuple[str, ...] = told_as("label_lost", default=())
    """Names that it loses."""
    equal_grams: Swap | None = None
    """The same grams, or the offered dose."""
    equal_active: Swap | None = None
    """The same active matter instead; None if it has none."""
    watch: tuple[str, ...] = ()
    """What to watch at the bench."""

    @property
    def rank(self) -> tuple[object, ...]:
        """Order: possible, at hand, fewest doses, same charge, least change, cost."""
        cost = self.cost_change if self.cost_change == self.cost_change else inf
        distance = round(self.distance, 6) if self.formula else 0.0
        return (
            self.formula is None,
            not self.on_shelf,
            len(self.also),
            not self.same_charge,
            distance,
            round(cost, 9),
            self.material.id,
        )


@result
class Substituted:
    """The closest formula without a material, and what could stand in for it."""

    FORMAT = 1
    brief: Brief = untold()
    brief_name: str = seen("brief.scenario.name", key="brief")
    missing: Ingredient = untold()
    material: str = seen("missing.id")
    """The material."""
    wish: Wish = untold()
    left_percent: float = seen("wish.left")
    free: bool = seen("wish.free")
    active_band: float = seen("wish.active_band")
    charge_band: float = seen("wish.charge_band")
    currency: str = seen("brief.scenario.currency")
    dose: Figure = told_as("dose_percent")
    """Its dose in the base [%]."""
    base: Base | None = untold()
    base_formula: Doses = seen("base.formula", key="base")
    base_ph: Figure = seen("base.setting.target")
    base_broken: tuple[str, ...] = seen("base.broken", ())
    base_measures: dict[str, Figure] = seen("measures.0")
    held_back_percent: Figure = seen("base.formula.held_back")
    """The formula that is there; None if the brief has none."""
    answer: Near | None = untold(default=None)
    formula: Doses = seen("answer.formula")
    """The closest formula; empty if there is none."""
    ph: PhOutcome | None = seen("answer.ph")
    changed: tuple[str, ...] = seen("answer.changed", ())
    distance_percent: Figure = seen("answer.distance")
    proven: bool = seen("answer.proven", False)
    """The closest formula; None if there is none."""
    on_grid: bool = False
    """Whether it is on the grid of the scale."""
    measures: tuple[Mapping[str, float], Mapping[str, float]] = untold(default=({}, {}))
    answer_measures: dict[str, Figure] = seen("measures.1", key="measures")
    """Measures of base and answer by name."""
    conflict: tuple[str, ...] = ()
    """Rules that clash; empty if there is a formula."""
    standins: tuple[StandIn, ...] = ()
    """Every possible stand-in, best first."""
    now: Rescue | None = None
    """What to do with the batch that is being made; null where the question is not about one."""

    @told
    def cost_change(self) -> Figure:
        """Change of the cost per kg of product; null without a formula."""
        return self.answer.formula.cost - self.base.formula.cost if self.answer and self.base else nan

    @told
    def notes(self) -> tuple[str, ...]:
        """What was done to the base's figures, and what was assumed."""
        return (*(self.base.notes if self.base else ()), *self.brief.assumptions)

    @told
    def cautions(self) -> tuple[Caution, ...]:
        """Those that always apply and those of the answer, or of the base."""
        at = self.ph.setting if self.ph else self.base.setting if self.base else Setting()
        return cautions_at(self.brief, self.formula or self.base_formula, at)

    @told
    def new(self) -> tuple[str, ...]:
        """Ids of the materials that the answer adds to the base."""
        before = self.base.formula.doses if self.base else {}
        return tuple(i for i in self.answer.changed if before.get(i, 0.0) <= USED) if self.answer else ()

    @told
    def moved(self) -> tuple[str, ...]:
        """Ids of the base's doses that move, the missing material aside."""
        if self.answer is None:
            return ()
        return tuple(i for i in self.answer.changed if i not in self.new and i != self.missing.id)

    @told
    def ph_moved(self) -> bool:
        """Whether the base's pH could not be kept."""
        near, base = self.answer, self.base
        return near is not None and near.ph is not None and base is not None and near.ph.setting != base.setting


def substitute(
    brief: Brief,
    wide: Brief,
    material: str,
    wish: Wish = Wish(),
    doses: dict[str, float] | None = None,
    notes: tuple[str, ...] = (),
    *,
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
        first_only: Whether only the first stand-in is wanted: no other is told, nor what stops them.

    Raises:
        UsageError: If the material is not known, or is the water.
    """
    missing = _missing(wide, material)
    base = _base(brief, doses, notes)
    if base is None:
        return Substituted(brief=brief, missing=missing, wish=wish, dose=nan, base=None)
    given, before = brief, base.formula.doses
    brief, wide = (protecting(b, base.formula, base.setting) for b in (brief, wide))
    dose = before.get(material, 0.0)
    rules = _asked_for(material, wish, base)
    asked = asking(brief, rules)
    near = nearest_at(asked, before, base.setting, fewest=not wish.free)
    gridded = False
    if near is not None:
        near, gridded = on_grid(asked, near, before, least_change(asked, near, before))
    conflict = () if near is not None else clash(asked, GIVEN)
    short = max(0.0, dose - wish.left)
    trial = _Trial(wide, brief, base, missing, wish, rules, _helpers(wide, base, missing, near), not first_only)
    like = [] if short <= USED else _like(wide, missing)
    standins = _first(trial, like) if first_only else [_try(trial, i) for i in like]
    measures = (measured(base.formula), {} if near is None else measured(near.formula))
    order = tuple(sorted(standins, key=lambda s: s.rank))
    return Substituted(
        brief=given,
        missing=missing,
        wish=wish,
        dose=dose,
        base=base,
        answer=near,
        on_grid=gridded,
        measures=measures,
        conflict=conflict,
        standins=order,
    )


def possible(brief: Brief, material: str, wish: Wish, doses: dict[str, float]) -> bool:
    """Return whether some formula of the brief's own candidates does without a material; see `substitute`."""
    base = _base(brief, doses, ())
    assert base is not None
    asked = asking(protecting(brief, base.formula, base.setting), _asked_for(material, wish, base))
    return nearest_at(asked, base.formula.doses, base.setting, fewest=False) is not None


def _asked_for(material: str, wish: Wish, base: Base) -> tuple[Rule, ...]:
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


def _base(brief: Brief, doses: dict[str, float] | None, notes: tuple[str, ...]) -> Base | None:
    if doses is None:
        result = solve(brief, weighable=True)
        formula = result.weighable
        return None if formula is None else Base(formula, result.setting, (), "the brief's best formula")
    formula = formula_at(brief.pool, doses)
    setting = best_setting(brief, formula)
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
    wish: Wish
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
    return _changed(standin, base, missing, item, near)


def _changed(standin: StandIn, base: Base, missing: Ingredient, item: Ingredient, near: Near) -> StandIn:
    before = base.formula.doses
    dose = near.formula.dose(item.id)
    change = near.formula.cost - base.formula.cost
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
