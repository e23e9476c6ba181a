"""What a substitution is asked for and what it found: the closest formula without a material, and every stand-in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from math import inf, nan

from optimizer.assessment.alarms import cautions_at
from optimizer.assessment.planned import sought_cost
from optimizer.bench.rescue import Rescue
from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution, cautions_from, joined
from optimizer.data.facts import Material
from optimizer.data.formula import Doses, Formula
from optimizer.data.pool import Ingredient
from optimizer.immutable import Figure, immutable, result, seen, told, told_as, untold
from optimizer.rules.row import Setting
from optimizer.solve.existing import ACTIVE_BAND, CHARGE_BAND
from optimizer.solve.nearest import Near
from optimizer.solve.result import PhOutcome
from optimizer.units import USED


@immutable
class SwapWish:
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
    """Change of the cost per kg of product, as planned where the brief seeks that; null if the shelf has no price."""
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
    def brought(self) -> tuple[Material, ...]:
        """What the formula with it holds; nothing if it cannot stand in."""
        lines = self.formula.lines if self.formula is not None else ()
        return tuple(line.item.material for line in lines if line.percent > USED)

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

    FORMAT = 2
    brief: Brief = untold()
    brief_name: str = seen("brief.scenario.name", key="brief")
    missing: Ingredient = untold()
    material: str = seen("missing.id")
    """The material."""
    wish: SwapWish = untold()
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
        """Change of the cost per kg of product, as planned where the brief seeks that; null without a formula."""
        if self.answer is None or self.base is None:
            return nan
        before = sought_cost(self.brief, self.base.formula, self.base.setting)
        return sought_cost(self.brief, self.answer.formula, self.answer.setting) - before

    @told
    def notes(self) -> tuple[str, ...]:
        """What was done to the base's figures, and what was assumed."""
        return (*(self.base.notes if self.base else ()), *self.brief.assumptions)

    @told
    def cautions(self) -> tuple[Caution, ...]:
        """Those that always apply, those of the answer, or of the base, and those of every stand-in that is offered."""
        at = self.ph.setting if self.ph else self.base.setting if self.base else Setting()
        offered = {m.id: m for one in self.standins for m in one.brought}
        own = cautions_from(offered.values(), self.brief.library).values()
        return joined((*cautions_at(self.brief, self.formula or self.base_formula, at), *own))

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
