"""What is said of a brief at a draft of its limits: the one record of the formula page, and its words."""

from __future__ import annotations

from collections.abc import Mapping
from math import fsum, inf, isnan, nan

from optimizer.answers.draft import Draft, Mark
from optimizer.assessment.alarms import alarms_of
from optimizer.assessment.planned import planned_cost
from optimizer.brief.brief import Brief
from optimizer.brief.scenario import Scenario
from optimizer.data.cautions import cautions_of
from optimizer.data.formula import Formula
from optimizer.engine.ending import Proof
from optimizer.immutable import Figure, immutable, result, seen, untold
from optimizer.rules import LimitRule
from optimizer.rules.row import Setting
from optimizer.solve.existing import formula_at
from optimizer.sweep.live import LiveAnswer
from optimizer.units import CHANGE_SHOWN, PRICE_SHOWN, number

Steps = Mapping[str, tuple[float, float]]
"""What raising and lowering a limit by a step changes, by key; NaN where nobody knows."""


@immutable
class FitsTo:
    """How far a limit may go before nothing fits, and what that rests on."""

    fits: float
    proof: Proof


Reaches = Mapping[str, FitsTo | None]
"""Where nothing fits any more, by key of the limit; None where it could not be found out."""


@immutable
class Ruler:
    """One limit as it stands in a draft."""

    mark: Mark = untold()
    key: str = seen("mark.key")
    """Key of the what-if that moves it."""
    words: str = seen("mark.words")
    """What it is, such as 'active matter at least'."""
    unit: str = seen("mark.rule.unit")
    at: float
    """Where it stands in the draft."""
    in_file: float = seen("mark.at")
    least: float
    """Where the ruler begins."""
    most: float
    step: float = seen("mark.step")
    value: Figure
    """What the formula has; null without one, or where the limit is one of the pH."""
    binding: bool
    """Whether the formula sits on it."""
    raised: Figure
    """Change of what is sought if it is raised by one step; null if that is not known or nothing fits then."""
    lowered: Figure
    """The same if it is lowered by one step."""
    costs: str
    """What a step does, in words; empty if nobody knows yet."""
    fits_to: Figure
    """The last place at which anything fits, the other limits as they stand; null if it is not known yet."""
    fits_proof: Proof
    """What it rests on that nothing fits beyond: 'certificate' if every group of choices was held against it outside
    the solver; 'none' if it is not known yet."""
    nothing: str
    """Where nothing fits any more, in words; empty if that is not known or lies off the ruler."""


@immutable
class Moved:
    """A dose of the formula beside that of the file's."""

    id: str
    name: str
    percent: float
    """As supplied [% w/w]."""
    before: float
    """In the formula of the file."""
    change: Figure
    """Null where it stays."""


@result
class Ruled:
    """What is known of a brief as its limits stand in a draft: the one record of the formula page."""

    FORMAT = 1
    scenario: Scenario = untold()
    answer: LiveAnswer = untold()
    file: LiveAnswer = untold()
    """The answer of the file as it is."""
    number: int
    """Counts answers: one with a lower number is older."""
    brief: str = seen("scenario.name")
    digest: str
    """Of the brief's file, first 16 digits."""
    moved: dict[str, float]
    """The draft: figures that differ from the file, by key."""
    word: str = seen("answer.word")
    """'proven', 'same choices' (keeps all limits, perhaps not the best), 'best found' or 'open'."""
    ending: str = seen("answer.ending")
    """'optimal', 'feasible', 'infeasible' or 'stopped'."""
    proof: str = seen("answer.proof")
    """What that rests on: 'certificate' if every group of choices was held against it outside the solver."""
    cost: Figure = seen("answer.cost")
    """Material cost per kg, of the blend alone."""
    currency: str = seen("scenario.currency")
    cost_of_file: Figure = seen("file.cost")
    change: Figure
    """Cost against that of the file's formula."""
    objective: Figure
    """Worth of what is sought, if that is not the cost of the blend alone: such as the planned cost."""
    ph: Figure = seen("answer.ph")
    verdict: str
    """Cost in words, the planned one where that is sought, or that there is no formula."""
    alone: str
    """The cost of the blend alone in words, where the planned one is sought."""
    against: str
    """Cost, the planned one where that is sought, against the file's formula in words; empty if either has none."""
    standing: str
    """How sure it is, in words."""
    rulers: tuple[Ruler, ...]
    lines: tuple[Moved, ...]
    """The formula before it is rounded to the scale, most first; then what is no longer in it."""
    held_back: float
    """Part kept free for what is added to effect [%]."""
    held_for: str
    """What for, in words; empty if nothing is."""
    total: float
    """Of all lines and what is kept free [%]."""
    planned: str
    """What of it is planned for the bench, in words; empty if nothing is."""
    alarms: tuple[str, ...]
    """What is said before anything else of this formula."""
    cautions: tuple[str, ...]
    """What always applies, first, then what its materials ask for."""
    stepped: bool
    """Whether what a step of each limit costs was looked up."""


class Teller:
    """Makes records of a brief's answers, each against the answer of the file as it is."""

    def __init__(self, brief: Brief, digest: str, marks: tuple[Mark, ...], file: LiveAnswer) -> None:
        self._brief, self._digest, self._marks, self._file = brief, digest, marks, file

    def told(
        self, number_: int, draft: Draft, brief: Brief, answer: LiveAnswer, steps: Steps | None, reaches: Reaches
    ) -> Ruled:
        """Return the record of an answer.

        Args:
            number_: Counts answers.
            draft: Where it was asked.
            brief: The brief with what of the draft makes another one.
            answer: The answer.
            steps: What a step of a limit changes; None if that was not looked up.
            reaches: Where nothing fits any more.
        """
        scenario, file = self._brief.scenario, self._file
        formula = formula_at(brief.pool, answer.doses)
        setting = setting_of(brief, answer.ph)
        goal = scenario.objective.goals[0][1]
        planned = planned_cost(brief, formula, setting) if answer.doses else None
        sought = nan if self._of_blend(goal) else answer.objective
        return Ruled(
            scenario=scenario,
            answer=answer,
            file=file,
            number=number_,
            digest=self._digest,
            moved=dict(draft),
            change=answer.cost - file.cost,
            objective=sought,
            verdict=self._verdict(answer, goal),
            alone=self._alone(answer, goal),
            against=self._against(self._money_of(answer, goal) - self._money_of(file, goal)),
            standing=_standing(answer),
            rulers=tuple(
                self._ruler(mark, draft, answer, formula, setting, steps or {}, reaches) for mark in self._marks
            ),
            lines=_lines(brief, answer.doses, file.doses),
            held_back=formula.held_back,
            held_for=formula.kept_free if formula.held_back else "",
            total=fsum(line.percent for line in formula.lines) + formula.held_back,
            planned=f"{planned.words} planned for the bench, not computed" if planned else "",
            alarms=tuple(c.words for c in alarms_of(brief, formula, setting)) if answer.doses else (),
            cautions=tuple(c.words for c in cautions_of(formula, brief.library)) if answer.doses else (),
            stepped=steps is not None,
        )

    def _of_blend(self, goal: str) -> bool:
        """Return whether what is sought is the cost of the blend alone."""
        return goal == "cost" and not self._brief.measure(goal).counts_plan

    def _verdict(self, answer: LiveAnswer, goal: str) -> str:
        if not answer.doses:
            return "Nothing fits" if answer.ending == "infeasible" else "Not known yet"
        words = self._per_kg(answer.cost)
        if goal != "cost":
            return f"{words}, {goal} {number(answer.objective, 2)}"
        if self._of_blend(goal):
            return words
        return f"{self._per_kg(answer.objective)} as planned"

    def _alone(self, answer: LiveAnswer, goal: str) -> str:
        if not answer.doses or goal != "cost" or self._of_blend(goal):
            return ""
        return f"the blend alone {self._per_kg(answer.cost)}"

    def _per_kg(self, cost: float) -> str:
        return f"{number(cost, 3)} {self._brief.scenario.currency} per kg"

    def _money_of(self, answer: LiveAnswer, goal: str) -> float:
        """Return the planned cost where that is sought, else that of the blend."""
        return answer.objective if goal == "cost" and answer.doses else answer.cost

    def _against(self, change: float) -> str:
        if isnan(change):
            return ""
        if abs(change) < CHANGE_SHOWN:
            return "as in the file"
        return f"{change:+z.3f} {self._brief.scenario.currency} against the file".replace("-", "−")

    def _ruler(
        self,
        mark: Mark,
        draft: Draft,
        answer: LiveAnswer,
        formula: Formula,
        setting: Setting,
        steps: Steps,
        reaches: Reaches,
    ) -> Ruler:
        side = {"at_least": "low", "at_most": "high", "exactly": "equal"}.get(mark.field, "")
        at = draft.get(mark.key, mark.at)
        value = mark.rule.value(formula, setting) if answer.doses and isinstance(mark.rule, LimitRule) else nan
        raised, lowered = steps.get(mark.key, (nan, nan))
        binding = (mark.rule.id, side) in answer.binding
        reach = reaches.get(mark.key) or FitsTo(nan, "none")
        costs = self._costs(mark, raised, lowered) if binding else ""
        return Ruler(
            mark, at, min(mark.least, at), max(mark.most, at), value, binding, raised, lowered, costs,
            reach.fits, reach.proof, _nothing(mark, reach.fits, at),
        )  # fmt: skip

    def _costs(self, mark: Mark, raised: float, lowered: float) -> str:
        """Return in words what a step of a limit does."""
        effects = [
            f"{sign}{number(mark.step)} {mark.rule.unit}: {said}"
            for sign, change in (("+", raised), ("−", lowered))
            if (said := self._money(change))
        ]
        return "; ".join(effects)

    def _money(self, change: float) -> str:
        if isnan(change):
            return ""
        if change == inf:
            return "nothing fits"
        if abs(change) < PRICE_SHOWN:
            return "no change"
        goal = self._brief.scenario.objective.goals[0][1]
        unit = f"{self._brief.scenario.currency} per kg" if goal == "cost" else goal
        return f"{change:+z.3f} {unit}".replace("-", "−")


STANDING: dict[str, tuple[str, str, str]] = {
    "proven": (
        "Proven: nothing better keeps every limit.",
        "Proven: no formula keeps all of these limits.",
        "The search was cut short: nothing is known at these limits.",
    ),
    "same choices": ("Same materials, proof follows.", "", ""),
    "best found": (
        "The best that was found; that nothing is better is not proven.",
        "No formula was found; that there is none is not proven.",
        "The search was cut short: nothing is known at these limits.",
    ),
    "open": (
        "",
        "No formula was found yet; it is being looked for.",
        "No formula is known yet at these limits; it is being looked for.",
    ),
}
"""How sure an answer is, by its word: with a formula, if there is none, if that is not known."""


def _standing(answer: LiveAnswer) -> str:
    with_formula, impossible, unknown = STANDING[answer.word]
    return with_formula if answer.doses else impossible if answer.ending == "infeasible" else unknown


def setting_of(brief: Brief, ph: float) -> Setting:
    """Return a target pH with the brief's tolerance."""
    if brief.acidity is None or isnan(ph):
        return Setting()
    return Setting(ph, ph - brief.acidity.tolerance, ph + brief.acidity.tolerance)


def _nothing(mark: Mark, fits: float, at: float) -> str:
    """Return in words where nothing fits any more; the figure lies on the side on which something fits."""
    upper = mark.field == "at_least"
    if isnan(fits) or not min(mark.least, at) < fits < max(mark.most, at):
        return ""
    unit = 10 ** (2 if mark.step >= 0.1 else 3)
    near = (int(fits * unit) if upper else -int(-fits * unit // 1)) / unit
    return f"nothing fits {'above' if upper else 'below'} {number(near, 3)}"


def _lines(brief: Brief, doses: Mapping[str, float], before: Mapping[str, float]) -> tuple[Moved, ...]:
    """Return doses beside those of the file, most first."""
    names = {item.id: item.material.name for item in brief.pool.items}
    order = sorted({*doses, *before}, key=lambda n: (-doses.get(n, 0.0), -before.get(n, 0.0), n))
    found = []
    for name in order if doses else ():
        now, then = doses.get(name, 0.0), before.get(name, 0.0)
        found.append(Moved(name, names.get(name, name), now, then, now - then if abs(now - then) > SHOWN else nan))
    return tuple(found)


SHOWN = 10 * CHANGE_SHOWN
"""Least change of a dose that a page of two decimals shows [%]."""
