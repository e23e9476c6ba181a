"""How a formula may be thickened at the bench: whether salt can do it, which thickeners suit, in which steps."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import inf, isnan, nan

from optimizer.assessment.electrolyte import Budget, electrolyte_of
from optimizer.brief.brief import Brief
from optimizer.data.facts import Material
from optimizer.data.formula import Formula
from optimizer.data.pool import Group, Ingredient
from optimizer.immutable import Figure, immutable, seen, told, told_as, untold
from optimizer.rules.counting import group_active
from optimizer.rules.row import Setting
from optimizer.rules.thickening import LEAST_SALT, Thickening, thickens_as_salt
from optimizer.units import KEPT, listed, number, whole_down

SALT_STEP = 0.2
"""Step of salt [%]; source: cosmetic chemistry education site on salt curves, 0.2 to 2.0 % in steps of 0.2."""
STEP = 0.5
"""Largest step of any other thickener [%]; common practice, no source."""
WAIT_MIN = 30
"""Minutes at least of gentle mixing and standing before a reading, until the air is out; common practice, no source."""
STOP_RULE = (
    "Stop at the target, when a reading no longer rises, or at the planned limit, whichever comes first. Past the peak "
    "more thickener thins the product, and nothing takes it out again."
)


@immutable
class SaltRoute:
    """Whether salt can thicken this make-up.

    By what is known of it.
    """

    open: bool
    """True if nothing known speaks against it."""
    reasons: tuple[str, ...]
    """Why, in sentences; all that speak against it, or what speaks for it."""
    anionic: float
    """Share of the active matter [%]."""
    answering: float
    """Share of the anionics that answer to salt [%]."""
    glucoside: float
    """Share of the alkyl glucosides [%]."""
    active: float
    """Active matter [% of the product]."""
    carried: float
    """Dissolved salt before any is added [%]."""


@immutable
class Candidate:
    """One thickener and its steps."""

    material: Material = untold()
    id: str = seen("material.id")
    name: str = seen("material.name")
    type: str = seen("material.thickener.type", "")
    planned: bool
    """True if the brief keeps part of the product free for it."""
    window: tuple[float, float] = untold()
    """PH in which it builds and keeps viscosity, infinite where unknown."""
    ph_low: Figure = seen("window.0")
    ph_high: Figure = seen("window.1")
    heat_to: float | None = seen("material.thickener.heat_to")
    after_ph: bool = seen("material.thickener.after_ph", False)
    most: float = told_as("most_percent")
    """Highest dose here [%]: usual upper dose, part held back and, for salt, the salt budget."""
    ladder: tuple[float, ...] = told_as("ladder_percent")
    """Doses to try [% as supplied], all additions together, rising."""
    against: tuple[str, ...]
    """What speaks against it, in sentences; empty if it suits."""
    price: Figure = told_as("price_per_kg")
    """Price per kg in the brief's currency; NaN if nobody sells it."""

    @told
    def suits(self) -> bool:
        """Whether nothing speaks against it."""
        return not self.against


@immutable
class ThickeningPlan:
    """The thickening plan of a formula; viscosity is read at the bench, never computed.

    Attributes:
        salt: Whether salt can do it.
        budget: Dissolved salt against its limit.
        candidates: Planned ones in the brief's order, then those of the library that suit.
        setting: Target pH and its window.
        room: Part of the product held back [%].
        stop: When to stop.
    """

    salt: SaltRoute
    budget: Budget
    candidates: tuple[Candidate, ...]
    setting: Setting
    room: float
    stop: str = STOP_RULE

    @property
    def verdict(self) -> str:
        """What the make-up allows, in one sentence."""
        if self.salt.open:
            return "Salt may thicken this make-up; a salt curve on samples shows whether it does."
        return "Salt is not the way here: plan an associative or polymer thickener."


def rule_of(brief: Brief) -> Thickening:
    """Return the brief's thickening rule, or one with its usual limits."""
    return next((r for r in brief.modelled if isinstance(r, Thickening)), Thickening(id="thickening"))


def plan_of(formula: Formula, setting: Setting, brief: Brief) -> ThickeningPlan:
    """Return the thickening plan of a formula.

    Args:
        formula: Doses; the part held back is the room for a thickener.
        setting: Target pH and its window.
        brief: Its thickening rule holds the limits (shares, active matter, salt), the library the thickeners.

    Source: salt screens the charge of anionic micelles, so it needs a lead of anionics and enough active matter, and
    glucosides have no charge to screen (cosmetic chemistry education site; makers' forums); the limits are common
    practice, no source. All dissolved salt counts here, so salt may be ruled out where the brief's rule, which
    counts sodium chloride alone, still allows it.
    """
    rule = rule_of(brief)
    budget = electrolyte_of(formula, rule.salt)
    route = salt_route(formula, rule, budget)
    items = {i.id: i for i in (*brief.pool.items, *formula.thickeners)}
    candidates = [
        _candidate(i.material, i.price, True, formula, setting, brief, budget, route) for i in formula.thickeners
    ]
    planned = {i.id for i in formula.thickeners}
    for material in brief.library.materials:
        if material.thickener is None or material.id in planned or formula.dose(material.id) > 0:
            continue
        if material.function not in ("thickener", "salt") or _unwanted(material, brief):
            continue
        price = items[material.id].price if material.id in items else float("nan")
        one = _candidate(material, price, False, formula, setting, brief, budget, route)
        if one.suits:
            candidates.append(one)
    kept = candidates[: len(planned)]
    rest = sorted(
        candidates[len(planned) :],
        key=lambda c: (isnan(c.price), not (c.material.thickener and c.material.thickener.after_ph), c.material.id),
    )
    return ThickeningPlan(route, budget, (*kept, *rest), setting, formula.held_back)


def unfit_thickeners(formula: Formula, setting: Setting, brief: Brief) -> dict[str, str]:
    """Return the thickeners held ready that are no way to thicken a formula, by id, and why in sentences."""
    return {c.material.id: " ".join(c.against) for c in plan_of(formula, setting, brief).candidates if not c.suits}


def against(material: Material, formula: Formula, setting: Setting, brief: Brief) -> tuple[str, ...]:
    """Return, in sentences, what speaks against a thickener in a formula, be it planned or not."""
    rule = rule_of(brief)
    budget = electrolyte_of(formula, rule.salt)
    route = salt_route(formula, rule, budget)
    return _candidate(material, nan, False, formula, setting, brief, budget, route).against


def salt_route(formula: Formula, rule: Thickening, budget: Budget) -> SaltRoute:
    """Return whether salt can thicken a formula, with every reason."""
    active = formula.active

    def share(group: Group) -> float:
        part = formula.total(lambda i: group_active(group, i))
        return 100 * part / active if active > KEPT else 0.0

    anionic, hydrotropes = share(Group(charges=("anionic",))), share(rule.hydrotropes)
    answering = share(rule.sulfates) - hydrotropes
    glucoside = share(Group(families=("alkyl glucoside",)))
    carried = budget.total.typical - budget.percent("added salt").typical
    against = []
    if not rule.salt_route:
        against.append("The brief rules salt out.")
    elif not rule.salt_fits(formula.held_back, formula.total(thickens_as_salt)):
        against.append(
            f"{number(formula.held_back, 2)} % is kept free, and a salt curve begins at {number(LEAST_SALT)} %: keep "
            "more free under [held_back]."
        )
    if answering < rule.sulfate_share - KEPT:
        against.append(
            f"Salt screens the charge of sulfate-type anionics; they make up {number(answering, 0)} % of the active "
            f"matter (anionics {number(anionic, 0)} %"
            + (f"; hydrotropes take {number(hydrotropes, 0)} % off" if hydrotropes > 0 else "")
            + f"), below {number(rule.sulfate_share)} %."
        )
    if glucoside > anionic and glucoside > 0:
        against.append(f"Glucosides lead with {number(glucoside, 0)} %: they carry no charge that salt could screen.")
    if active < rule.active - KEPT:
        against.append(
            f"Active matter is {number(active, 1)} %, below {number(rule.active)} %: too few micelles to build."
        )
    against += _no_room(formula, rule, budget)
    why = (
        f"Sulfate-type anionics make up {number(answering, 0)} % of {number(active, 1)} % active matter, and about "
        f"{number(budget.left.typical, 2)} % of the salt budget is left.",
    )
    return SaltRoute(not against, tuple(against) or why, anionic, answering, glucoside, active, carried)


def _no_room(formula: Formula, rule: Thickening, budget: Budget) -> Iterator[str]:
    """Yield why salt finds no room in the budget, if it does not."""
    if budget.left.typical >= rule.salt_room - KEPT:
        return
    yield (
        f"The blend holds about {number(budget.total.typical, 2)} % dissolved salt already; of "
        f"{number(budget.limit)} % {_left_of(budget.left.typical)}."
    )
    plain = formula.total(lambda i: i.salt)
    if plain <= rule.salt - rule.salt_room + KEPT:
        yield (
            f"Of that {number(plain, 2)} % is sodium chloride, and the brief's thickening rule counts nothing "
            "else: that a blend was chosen as thickening with salt does not speak against this."
        )


def _left_of(left: float) -> str:
    return f"only {number(left, 2)} % is left" if left > 0 else "nothing is left"


def window_of(material: Material) -> tuple[float, float]:
    """Return the pH window in which a thickener works, infinite where none is known."""
    stated = material.thickener.ph if material.thickener else None
    return stated or material.ph_stable or (-inf, inf)


def step_of(material: Material) -> float:
    """Return the step of a thickener [%]: 0.2 for salt, else a tenth of its usual dose, 0.1 to 0.5."""
    if material.thickener is None or material.thickener.type == "salt":
        return SALT_STEP
    span = material.thickener.use[1]
    return STEP if span >= 2 else 0.2 if span > 1 else 0.1


def ladder_of(material: Material, most: float) -> tuple[float, ...]:
    """Return doses to try [%], from the usual lower dose up to a limit, in steps of `step_of`."""
    if material.thickener is None or most <= KEPT:
        return ()
    first, step = min(material.thickener.use[0], most), step_of(material)
    count = whole_down((most - first) / step)
    doses = [round(first + n * step, 6) for n in range(count + 1)]
    return tuple(doses if doses[-1] > most - step / 2 else [*doses, round(most, 6)])


def most_of(material: Material, room: float, budget: Budget) -> float:
    """Return the highest dose [%]: usual upper dose, room and, for salt, what is left of the salt budget."""
    if material.thickener is None:
        return 0.0
    limits = [material.thickener.use[1], room]
    if material.thickener.type == "salt":
        limits.append(budget.left.typical)
    return max(0.0, min(limits))


def _candidate(
    material: Material,
    price: float,
    planned: bool,
    formula: Formula,
    setting: Setting,
    brief: Brief,
    budget: Budget,
    route: SaltRoute,
) -> Candidate:
    thickener = material.thickener
    if thickener is None:
        return Candidate(material, planned, (-inf, inf), 0.0, (), ("The library knows no dose for it.",), price)
    room = formula.held_back
    most = most_of(material, room, budget)
    window = window_of(material)
    against = []
    if thickener.type == "salt" and not route.open:
        against.append("Salt is not the way here.")
    if setting.low is not None and setting.high is not None and thickener.type != "salt":
        low, high = setting.low, setting.high
        if not (window[0] <= low + KEPT and high <= window[1] + KEPT):
            against.append(
                f"It works at pH {number(window[0])} to {number(window[1])}; the product may be {number(low, 2)} to "
                f"{number(high, 2)}."
            )
    if most < thickener.use[0] - KEPT:
        against.append(f"Its usual dose starts at {number(thickener.use[0])} %; there is room for {number(most, 2)} %.")
    if thickener.salt_sensitive and budget.total.typical > SALT_STEP:
        against.append(f"Its gel collapses with salt; the blend holds about {number(budget.total.typical, 2)} %.")
    clash = _clash(material, formula, brief)
    if clash:
        against.append(clash)
    return Candidate(material, planned, window, most, ladder_of(material, most), tuple(against), price)


def _clash(material: Material, formula: Formula, brief: Brief) -> str:
    """Return a pair of the library's exclusions that adding the material would make, in words."""
    mine = {s.inci for s in material.substances}
    used: Mapping[str, Ingredient] = {line.item.id: line.item for line in formula.lines}
    for pair in brief.library.exclusions:
        for one, other in ((pair.one, pair.other), (pair.other, pair.one)):
            if mine.intersection(one):
                names = [n for n, i in used.items() if any(s.inci in other for s in i.material.substances)]
                if names:
                    return f"It does not go with {listed(sorted(names))}: {pair.note}"
    return ""


def _unwanted(material: Material, brief: Brief) -> bool:
    """Return whether the brief's pool or its wish for a clear product rules a material out."""
    pool = brief.scenario.pool
    if set(pool.free_from) - material.free_from or (pool.vegan and material.vegan is not True):
        return True
    clear = pool.clear or bool(brief.acidity and brief.acidity.clear)
    return material.id in pool.without or (clear and material.look != "clear" and not material.clear_up_to)
