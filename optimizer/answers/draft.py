"""What of a brief a maker has moved and not kept: figures by the key of a what-if, such as `active.at_least`.

A draft stands in an address and nowhere else. Limits of stated rules, prices and materials that are out (`missing.ID`)
are answered by a `Live` of the brief; what else moves, such as the pH, makes another brief.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import isfinite

from optimizer.brief.brief import Brief
from optimizer.errors import DataError, Problem, nearest
from optimizer.immutable import immutable, replace
from optimizer.rules import LimitRule
from optimizer.rules.base import Rule
from optimizer.sweep.single import own
from optimizer.units import AS_TYPED

Draft = Mapping[str, float]
"""Figures that differ from those of the file."""
SIDES = {"at_least": "at least", "at_most": "at most", "exactly": "exactly", "low": "from", "high": "to"}
MISSING, PRICE = "missing.", "price."
STEPS_SHOWN = 20
"""Steps of a ruler to each side of the figure in the file."""


@immutable
class Mark:
    """One figure of the brief that may be moved.

    Attributes:
        key: The key of its what-if.
        rule: The rule that it is a limit of.
        live: Whether a `Live` of the brief answers for it.
        at: What stands in the file.
        least: Where its ruler begins.
        most: Where it ends.
        step: One noticeable step.
    """

    key: str
    rule: Rule
    live: bool
    at: float
    least: float
    most: float
    step: float
    field: str
    """The end of the rule that it is: at_least, at_most, exactly, low or high."""

    @property
    def ends(self) -> tuple[float, float]:
        """What the rule takes."""
        return (self.rule.lowest, self.rule.highest) if isinstance(self.rule, LimitRule) else (0.0, 14.0)

    @property
    def words(self) -> str:
        """What it is, such as 'active matter at least'."""
        return f"{self.rule.name} {SIDES[self.field]}"


def marks_of(brief: Brief) -> tuple[Mark, ...]:
    """Return the figures of a brief that may be moved: the pH, then the limits in the order of the file."""
    found = []
    if brief.acidity is not None:
        for field in ("low", "high"):
            at = getattr(brief.acidity, field)
            low, high = round(max(0.0, at - 2), 6), round(min(14.0, at + 2), 6)
            found.append(Mark(f"ph.{field}", brief.acidity, False, at, low, high, 0.1, field))
    enforced = {rule.id: rule for rule in brief.modelled}
    for stated in brief.scenario.rule:
        rule = enforced.get(stated.id)
        if isinstance(rule, LimitRule):
            found += [_mark(rule, field, at) for field, at in _limits(rule)]
    for name, at in brief.scenario.fixed.items():
        dose = enforced[f"fixed-{name}"]
        assert isinstance(dose, LimitRule)
        found.append(replace(_mark(dose, "exactly", at), key=f"fixed.{name}", live=False))
    return tuple(found)


def _limits(rule: LimitRule) -> Iterator[tuple[str, float]]:
    for field in ("at_least", "at_most", "exactly"):
        at = getattr(rule, field)
        if at is not None and isfinite(at):
            yield field, at


def _mark(rule: LimitRule, field: str, at: float) -> Mark:
    """Return the ruler of one limit: so many steps to each side, within what the rule takes."""
    step = _step(rule, at)
    least, most = at - STEPS_SHOWN * step, at + STEPS_SHOWN * step
    low, high = round(max(least, rule.lowest), 6), round(min(most, rule.highest), 6)
    return Mark(f"{rule.id}.{field}", rule, type(rule).rows is LimitRule.rows, at, low, high, step, field)


def _step(rule: LimitRule, at: float) -> float:
    """Return the step of a ruler: the rule's own, a finer one where that is more than a tenth of the figure."""
    step = rule.step
    while at > 0 and step > at / 5 + AS_TYPED and rule.way != "counted":
        step /= 10
    return step


def moved_of(brief: Brief, marks: tuple[Mark, ...], said: Mapping[str, float]) -> dict[str, float]:
    """Return what of a draft differs from the file, sorted by key.

    Raises:
        DataError: With every key that leads nowhere and every figure that its rule does not take.
    """
    known, problems, found = {m.key: m for m in marks}, [], {}
    for key, value in sorted(said.items()):
        name = key.partition(".")[2]
        if own(key):
            if name not in brief.pool.index and name not in {i.id for i in brief.pool.later}:
                problems.append(Problem("the draft", key, f"'{name}' is no candidate here.", ""))
            elif key.startswith(PRICE) or value:
                found[key] = value
        elif key not in known:
            what = f"there is no limit '{key}' in this brief."
            problems.append(Problem("the draft", key, what, nearest(key, known)))
        elif abs(value - known[key].at) > AS_TYPED:
            problems += _refused(known[key], value)
            found[key] = value
    if problems:
        raise DataError(problems)
    return found


def _refused(mark: Mark, value: float) -> list[Problem]:
    low, high = mark.ends
    if low <= value <= high:
        return []
    return [Problem("the draft", mark.key, f"{value:g} {mark.rule.unit} is outside {low:g} to {high:g}.", "")]


def structural(marks: tuple[Mark, ...], draft: Draft) -> tuple[tuple[str, str], ...]:
    """Return the part of a draft that makes another brief, as what-ifs."""
    live = {m.key for m in marks if m.live}
    return tuple((key, f"{value!r}") for key, value in draft.items() if key not in live and not own(key))


def live_part(marks: tuple[Mark, ...], draft: Draft) -> dict[str, float]:
    """Return every figure that a `Live` is told at a draft: all limits, so that what it learns serves any of them."""
    figures = {m.key: draft.get(m.key, m.at) for m in marks if m.live}
    return {**figures, **{key: value for key, value in draft.items() if own(key)}}
