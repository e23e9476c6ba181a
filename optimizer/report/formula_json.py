"""What is told as JSON of a formula that was found or held against a brief: what several rooms say of it, joined."""

from optimizer.assessment.alarms import cautions_at
from optimizer.assessment.chemistry import Chemistry
from optimizer.assessment.evidence import line_of_clash
from optimizer.assessment.planned import PlannedCost, planned_cost
from optimizer.data.cautions import Caution
from optimizer.data.formula import Doses, Formula
from optimizer.immutable import Figure, immutable, result, seen, told, untold
from optimizer.solve.nearest import Near
from optimizer.solve.result import EntryPrice, PhOutcome, Result, Rounded, RuleOutcome, SettingOutcome, Without
from optimizer.studies.check import Checked, Mend
from optimizer.studies.explain import Explanation, LimitChange


@immutable
class Conflict:
    """A rule of the clashing set."""

    id: str
    reading: str


@result
class Blend:
    """The output of `tenside blend --json`."""

    FORMAT = 1
    result: Result = untold()
    explanation: Explanation | None = untold(default=None)
    name: str = seen("result.brief.scenario.name")
    ending: str = seen("result.ending")
    proof: str = seen("result.proof")
    """certificate, solver bound, local (the best of its neighbourhood and of the starting points tried,
    where a rule is linear only around a formula) or none."""
    choice_groups: int = seen("result.groups")
    """Groups of choices that were each ruled out or found worse, over all pH settings; 0 without choices."""
    exact: str = seen("result.exact")
    """Verdict of exact arithmetic; empty unless --exact was given."""
    objective_value: Figure = seen("result.objective")
    """What is best, before rounding; `objective_is` names it."""
    cost_per_kg: Figure = seen("result.cost")
    """Of the blend alone, before rounding."""
    currency: str = seen("result.brief.scenario.currency")
    ph: PhOutcome | None = seen("result.ph")
    held_back_percent: float = seen("result.brief.scenario.held_back.percent")
    formula: Doses = seen("result.formula")
    rounded: Rounded | None = seen("result.rounded")
    """Null if there is no formula."""
    rules: tuple[RuleOutcome, ...] = seen("result.rules")
    repair: tuple[LimitChange, ...] = seen("explanation.repair", ())
    """The least giving-way: fewest rules, then fewest noticeable steps."""
    single_repairs: tuple[LimitChange, ...] = seen("explanation.single_repairs", ())
    """Every single limit that would suffice alone."""
    choices: tuple[str, ...] = seen("result.choices")
    entry_prices: tuple[EntryPrice, ...] = seen("result.entry_prices")
    without: tuple[Without, ...] = seen("result.without")
    """The best without each of the choices made, the least loss first, at most three."""
    settings: tuple[SettingOutcome, ...] = seen("result.settings")
    chemistry: Chemistry | None = None
    """Of the weighable formula at its pH; null without one."""
    broken_by_lots: tuple[str, ...] = ()
    """Rules that sit on a limit and that one lot, as far off as the library knows lots, would break."""
    notes: tuple[str, ...] = seen("result.notes")
    """What else must be known of the answer, such as where a local one comes from."""
    assumptions: tuple[str, ...] = seen("result.brief.assumptions")
    provenance: dict[str, str] = seen("result.provenance")

    @told
    def planned_cost(self) -> PlannedCost | None:
        """Of the weighable formula with acid and thickener as planned; null if nothing is kept free for them."""
        formula = self.result.weighable
        return None if formula is None else planned_cost(self.result.brief, formula, self.result.setting)

    @told
    def objective(self) -> str:
        """What is best, in words."""
        return self.result.brief.scenario.objective.words()

    @told
    def objective_is(self) -> str:
        """What `objective_value` is: 'planned cost' (the blend, acid, the way to thicken and water for the rest of the
        part held back), 'material cost' (the blend alone, without a thickening rule or a part held back), or another
        measure by its name.
        """
        brief = self.result.brief
        measure = brief.measure(brief.scenario.objective.goals[0][1])
        return f"natural logarithm of {measure.name}" if measure.by_logarithm else measure.name

    @told
    def conflict(self) -> tuple[Conflict, ...]:
        """Rules that clash; empty if the brief can be met."""
        clash = self.explanation
        return tuple(map(Conflict, clash.conflict, clash.readings)) if clash else ()

    @told
    def cautions(self) -> tuple[Caution, ...]:
        """Those that always apply and those of the formula, or on what it rests that there is none."""
        clash = line_of_clash(self.result.brief, self.explanation.conflict) if self.explanation else ()
        return (*clash, *cautions_at(self.result.brief, self.result.weighable, self.result.setting))


@immutable
class Nearest:
    """The nearest formula that keeps every rule."""

    near: Near = untold()
    formula: Formula = seen("near.formula")
    changed: tuple[str, ...] = seen("near.changed")
    distance_percent: float = seen("near.distance")
    cost_per_kg: float = seen("near.formula.cost")
    on_grid: bool
    proven: bool = seen("near.proven")


@result
class Check:
    """The output of `tenside check --json`."""

    FORMAT = 1
    checked: Checked = untold()
    brief: str = seen("checked.brief.scenario.name")
    ph_target: float | None = seen("checked.setting.target")
    cost_per_kg: float = seen("checked.cost")
    currency: str = seen("checked.brief.scenario.currency")
    formula: Formula = seen("checked.formula")
    held_back_percent: float = seen("checked.formula.held_back")
    rules: tuple[RuleOutcome, ...] = seen("checked.rules")
    broken: tuple[str, ...] = seen("checked.broken")
    mends: tuple[Mend, ...] = seen("checked.mends")
    chemistry: Chemistry | None = None

    @told
    def planned_cost(self) -> PlannedCost | None:
        """Of the formula with acid and thickener as planned; null if nothing is kept free for them."""
        return planned_cost(self.checked.brief, self.checked.formula, self.checked.setting)

    @told
    def nearest(self) -> Nearest | None:
        """The nearest formula that keeps every rule; null if there is none."""
        near = self.checked.nearest
        return None if near is None else Nearest(near, self.checked.on_grid)

    @told
    def notes(self) -> tuple[str, ...]:
        """What was done to the given figures, and what was assumed."""
        return (*self.checked.notes, *self.checked.brief.assumptions)

    @told
    def cautions(self) -> tuple[Caution, ...]:
        """Those that always apply and those of the formula."""
        return cautions_at(self.checked.brief, self.checked.formula, self.checked.setting)
