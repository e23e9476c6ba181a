"""What was found, detached from everything that found it."""

from __future__ import annotations

from dataclasses import field
from math import isnan, nan
from typing import Literal

from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula
from optimizer.engine.ending import Ending, Proof
from optimizer.immutable import Figure, immutable, result, seen, told, told_as, untold
from optimizer.rules.base import Rule, Shown
from optimizer.rules.row import Setting
from optimizer.units import number

EXIT_CODES: dict[str, int] = {"optimal": 0, "feasible": 5, "infeasible": 4, "stopped": 5, "failed": 5}


@result
class Taken:
    """The formula of another choice, by what it uses otherwise."""

    comes: tuple[str, ...]
    """Ids that it uses and the answer does not."""
    goes: tuple[str, ...]
    """Ids that the answer uses and it does not."""


@result
class BindingLimit:
    """A limit that the answer sits on, with its price; null where a figure has no meaning."""

    binding: Literal["", "low", "high", "equal"] = ""
    """Which end it is: low, high or equal; empty if no limit of the rule binds."""
    limit: str = ""
    """Field of the rule in which it stands; 'at_most' also for a ceiling and for stock."""
    limit_at: Figure = nan
    limit_unit: str = ""
    price: Figure = nan
    """Change of the objective per unit by which the binding limit is raised (its shadow price)."""
    holds_from: Figure = nan
    """Lowest value of the limit for which that price's basis stays optimal."""
    holds_to: Figure = nan
    price_from: Figure = nan
    """Price at `holds_from`; differs for limits inside coefficients."""
    price_to: Figure = nan
    price_if_lowered: Figure = nan
    """Differs from the next where more limits meet than needed (a degenerate optimum)."""
    price_if_raised: Figure = nan
    """Infinite, null here, if that makes the brief impossible."""
    whole_from: Figure = nan
    """Lowest value of the limit, within that range, down to which no other choice and no other pH is better, proven;
    null where nobody asked or a price has no range."""
    whole_to: Figure = nan
    taken_from: Taken | None = None
    """The formula that takes over below; null if no other choice is known to."""
    taken_to: Taken | None = None
    """The formula that takes over above."""
    limit_step: float = untold(default=nan)
    """One noticeable step of it."""


@result
class RuleOutcome(BindingLimit):
    """One rule at the answer, at the first of its limits that binds."""

    rule: Rule = untold(repr=False)
    id: str = seen("rule.id")
    kind: str = seen("rule.kind")
    reading: str = seen("rule.reading()")
    value: Figure
    """The measure, in the rule's unit."""
    low: Figure
    high: Figure
    unit: str = seen("rule.unit")
    violation: float = 0.0
    """By how much the limits are missed, in the rule's unit."""
    source: str = seen("rule.source")
    missed: bool = untold(default=False)
    """Whether that is more than the tolerance; what is only watched is never missed nor broken."""
    broken: bool = untold(default=False)
    """Whether it is more than is allowed of a formula on the grid, an exact limit with its band."""
    further: tuple[RuleOutcome, ...] = untold(default=())
    """The same rule at each further limit of it that binds."""

    @told
    def also(self) -> tuple[BindingLimit, ...]:
        """Further limits of the rule that bind."""
        return self.further

    @property
    def name(self) -> str:
        """What is measured, in the brief's words."""
        return self.rule.name

    @property
    def step(self) -> float:
        """One noticeable step of the rule's own limits."""
        return self.rule.step

    @property
    def shown(self) -> Shown:
        """When a report has a line for the rule (see `Rule.shown`)."""
        return self.rule.shown

    @property
    def idle(self) -> bool:
        """Whether such a line says nothing at the value."""
        return self.rule.idle(self.value)

    @property
    def bound(self) -> tuple[RuleOutcome, ...]:
        """The rule at every limit of it that binds."""
        return (self, *self.further) if self.binding else ()

    @property
    def which(self) -> str:
        """The limit in words, where the rule has more numbers than its own two ends; else ''."""
        if self.limit in ("", "at_least", "at_most", "exactly", "above"):
            return ""
        return f"{self.limit.replace('_', ' ')} {number(self.limit_at)} {self.limit_unit}"

    @property
    def weight(self) -> float:
        """What one noticeable step of the limit does to the objective at most; 0 where nobody can say."""
        change = max(abs(self.price_if_lowered), abs(self.price_if_raised)) * self.limit_step
        return 0.0 if isnan(change) else change


@immutable
class PhOutcome:
    """Target pH and the window that all used materials share."""

    target: float
    tolerance: float
    low: float
    high: float
    low_set_by: tuple[str, ...]
    high_set_by: tuple[str, ...]

    @property
    def setting(self) -> Setting:
        """The target with its tolerance."""
        return Setting(self.target, self.target - self.tolerance, self.target + self.tolerance)


@immutable
class SettingOutcome:
    """What a group of equal pH settings allows."""

    first: Figure
    last: Figure
    ending: Ending
    objective: Figure
    proof: Proof
    barred: int
    """How many candidates the pH rules out."""


@immutable
class EntryPrice:
    """An unused material and the price per kg below which it would come in."""

    id: str
    name: str = untold()
    price: float = told_as("price_per_kg")
    entry: Figure = told_as("entry_price_per_kg")
    """At the choices made; null if they have no place for it (minus infinite) or one of them keeps it out (NaN)."""
    kept_out: bool = False
    """Whether a yes/no choice made here keeps it out: another one may let it in."""
    never_above: Figure = told_as("never_above_per_kg", default=nan)
    """Of what is kept out: price above which no choice at any pH lets it in, proven; the price at which one does may
    lie lower. Null if that was not asked, or minus infinite: no formula that keeps every rule holds it."""


@immutable
class Rounded:
    """The formula on the grid of the maker's scale, or the rules that stop it."""

    step: float = told_as("step_percent")
    """Grid [% of the product]."""
    formula: Formula | None
    """The doses, multiples of `step` that sum with the part held back to exactly 100; None if there are none."""
    cost_per_kg: Figure = seen("formula.cost")
    objective: Figure = told_as("objective_value", default=nan)
    """Objective of the grid formula."""
    cost_of_rounding: Figure = nan
    """What the grid costs: objective at the grid less the optimum, signed so that positive is worse; what is saved by
    missing an exact figure is not counted."""
    missed: tuple[str, ...] = ()
    """Exact figures that the grid formula misses within their band, in words."""
    stopped_by: tuple[str, ...] = ()
    """Readings of the rules that no grid formula can keep, one of which must give."""
    proven: bool = True
    """True if no grid formula at all is better; False if only those near the optimum were searched, or the search was
    cut short."""


@immutable
class Without:
    """The best formula without something that the best of all chose."""

    choices: tuple[str, ...]
    """What was chosen and is left out here, in words; several that only go together stand together."""
    material: bool
    """Whether these are materials; else another choice, such as the way to thicken."""
    worse: float
    """By how much the objective is worse; 0 for another formula that is as good."""
    objective: float = told_as("objective_value")
    proof: Proof
    formula: Formula
    changes: dict[str, Figure]
    """By how much each planning rating is higher; null for a formula without surfactants."""


@immutable
class Result:
    """The answer to a brief."""

    brief: Brief = field(repr=False)
    ending: Ending
    proof: Proof
    objective: float
    formula: Formula | None
    rules: tuple[RuleOutcome, ...] = ()
    ph: PhOutcome | None = None
    settings: tuple[SettingOutcome, ...] = ()
    choices: tuple[str, ...] = ()
    """What the yes/no rules chose, in words; prices hold for these choices."""
    entry_prices: tuple[EntryPrice, ...] = ()
    barred: tuple[str, ...] = ()
    """Ids that the chosen pH rules out."""
    degenerate: bool = False
    gap: float = 0.0
    exact: str = ""
    """Verdict of exact arithmetic, if that was asked for."""
    provenance: dict[str, str] = field(default_factory=dict)
    rounded: Rounded | None = None
    """The formula on the grid of the maker's scale, if that was asked for."""
    notes: tuple[str, ...] = ()
    """What else must be known of the answer."""
    groups: int = 0
    """Groups of choices that were each held against the answer, over all pH settings; 0 without choices."""
    without: tuple[Without, ...] = ()
    """The best without each of the choices made, the least loss first, if that was asked for."""

    def __repr__(self) -> str:
        return f"<result for {self.brief.scenario.name!r}: {self.ending}, {self.proof}, {self.objective:.6g}>"

    @property
    def setting(self) -> Setting:
        """The pH setting of the answer."""
        return Setting() if self.ph is None else self.ph.setting

    @property
    def weighable(self) -> Formula | None:
        """The formula on the grid if there is one, else the unrounded one."""
        return self.rounded.formula if self.rounded and self.rounded.formula else self.formula

    @property
    def cost(self) -> float:
        """Material cost per kg of product."""
        if self.formula is None:
            return nan
        return sum(line.percent * line.item.price for line in self.formula.lines) / 100

    @property
    def exit_code(self) -> int:
        """Exit code of the command."""
        return EXIT_CODES["stopped" if self.ending == "infeasible" and self.proof == "none" else self.ending]
