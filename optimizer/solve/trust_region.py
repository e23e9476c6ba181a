"""Descents along curved rules: each round a program with straight rules that touch the curved ones.

Each round solves the brief with every curved rule replaced by its tangent at the last formula, the doses that they
depend on kept in a box round it (trust region; Griffith and Stewart, Management Science 7 (1961) 379, from memory). A
step that overshoots is brought back by tangents at its own end. It is taken only if the curved rules are kept by their
own equations and the objective gets better by a part of what the program promised; the box then widens, else it
shrinks. So every point keeps every rule and is better than the last. A round that promises nothing ends it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from math import inf, isnan

import numpy as np

from optimizer.brief.brief import Brief, straight
from optimizer.data.formula import Formula
from optimizer.data.pool import Vector
from optimizer.errors import DataError
from optimizer.immutable import immutable
from optimizer.model.linearisation import Tangent, with_rules
from optimizer.rules import CurvedRule, LimitRule, Rule, named_measure
from optimizer.rules.row import Setting
from optimizer.solve.case_solver import CaseAnswer, Corridor, Sign
from optimizer.solve.solved import formula_of
from optimizer.units import SAME_WORTH, USED

ROUNDS = 40
"""Most rounds from one starting point."""
CORRECTIONS = 5
"""Most tangents at its own end that bring a step back."""
BOX, WIDEST, NARROWEST = 5.0, 40.0, 1e-4
"""Half-width of the box at the start, at most, and where a descent is given up [% as supplied]."""
ENOUGH = 0.1
"""Part of the promised gain that a step must bring."""
STARTS: tuple[tuple[Sign, str], ...] = (
    (-1, "amphoteric"), (-1, "nonionic"), (1, "anionic"), (-1, "mildness"), (1, "active"),
)  # fmt: skip
"""Besides the best formula without the curved rules, descents start from the best of these measures."""


@immutable
class SlpPoint:
    """A formula that keeps every straight rule.

    Attributes:
        doses: % as supplied, shape (n,).
        setting: First pH setting of its program.
    """

    doses: Vector
    formula: Formula
    setting: Setting


@dataclass
class Descent:
    """Descents of one brief.

    Attributes:
        brief: As asked, with its curved rules.
        rules: The curved rules with a limit.
        solves: Programs run.
        tried: Starting points.
        known: What descents of briefs that differ only in the limit of their one curved rule have in common, by itself.
    """

    brief: Brief
    time_limit: float
    rules: tuple[CurvedRule, ...]
    solves: int = 0
    tried: int = 0
    known: dict[object, SlpPoint | None] = field(default_factory=dict)
    _boxed: tuple[str, ...] = field(init=False, default=())

    def __post_init__(self) -> None:
        """Note which doses the curved rules depend on."""
        rules = [*self.rules, *([self.goal[1]] if isinstance(self.goal[1], CurvedRule) else [])]
        self._boxed = tuple(i.id for i in self.brief.pool.items if any(r.depends(i) for r in rules))

    @cached_property
    def goal(self) -> tuple[Sign, LimitRule]:
        """The objective."""
        sign, name = self.brief.scenario.objective.goals[0]
        return sign, self.brief.measure(name)

    def run(
        self, brief: Brief, sign: Sign, measure: LimitRule, at: Setting | None = None
    ) -> tuple[CaseAnswer, SlpPoint] | None:
        """Return the best of a brief with straight rules for a measure, at one pH setting or at all."""
        self.solves += 1
        corridor = Corridor(brief, time_limit=self.time_limit)
        chosen = [c for c in corridor.cases if at in c.settings]
        every = [corridor.best(c, sign, measure) for c in chosen] or corridor.best_of_each(sign, measure)
        found = [f for f in every if f.x is not None]
        if not found:
            return None
        best = min(found, key=lambda f: sign * f.objective)
        assert best.x is not None
        return best, SlpPoint(best.x[: len(brief.pool)], formula_of(brief, best), best.case.settings[0])

    def tangents(
        self,
        point: SlpPoint,
        rules: tuple[CurvedRule, ...],
        box: Vector | None,
        width: float,
        tightened: float = 0.0,
    ) -> dict[str, Rule]:
        """Return the tangents of rules at a point, and a box of a half-width round doses, by id."""
        made: dict[str, Rule] = {}
        ends = {} if box is None else self.box(box, width)
        for rule in rules:
            low = tightened * max(abs(_limit(rule)), 1e-3)
            made[rule.id] = Tangent.at(rule, self.brief.pool, point.doses, box=ends, tightened=low)
            ends = {}
        return made

    def box(self, doses: Vector, width: float) -> dict[str, tuple[float, float]]:
        """Return the ends of every dose that is boxed within a half-width of its own [% as supplied], by id."""
        index = self.brief.pool.index
        return {n: (max(0.0, doses[index[n]] - width), float(doses[index[n]] + width)) for n in self._boxed}

    def kept(self, point: SlpPoint, rules: tuple[CurvedRule, ...]) -> bool:
        """Return whether curved rules are kept by their own equations, well within the tolerance."""
        return all(r.violation(point.formula, point.setting) <= r.slack() / 4 for r in rules)

    def worth(self, point: SlpPoint, goal: tuple[Sign, LimitRule]) -> float:
        """Return a measure at a point, turned so that less is better."""
        return goal[0] * goal[1].value(point.formula, point.setting)

    def descend(
        self, start: SlpPoint, goal: tuple[Sign, LimitRule], rules: tuple[CurvedRule, ...], stop: float = -inf
    ) -> SlpPoint:
        """Return the best point that is reached from one that keeps the rules.

        Args:
            start: Where to start.
            goal: What is made better, straight or curved.
            rules: Curved rules that are kept.
            stop: A worth that is good enough.
        """
        here, width = start, BOX
        at: Setting | None = None
        for _ in range(ROUNDS):
            now = self.worth(here, goal)
            if now <= stop or width < NARROWEST:
                break
            step = self._step(here, here, goal, rules, width, at)
            if step is None:
                break
            promised = now - step[1]
            if isnan(now) or promised <= SAME_WORTH * (1 + abs(now)):
                break
            moved = self._corrected(here, step[0], goal, rules, width)
            if moved is not None and now - self.worth(moved, goal) >= ENOUGH * promised:
                # The first step looks at every pH; to go on at the one it chose saves most of the programs.
                here, width, at = moved, min(2 * width, WIDEST), moved.setting
            else:
                width /= 4
        return here

    def _step(
        self,
        centre: SlpPoint,
        at: SlpPoint,
        goal: tuple[Sign, LimitRule],
        rules: tuple[CurvedRule, ...],
        width: float,
        setting: Setting | None,
    ) -> tuple[SlpPoint, float] | None:
        """Return the best point of the program with tangents at a point in the box round another, and its promise."""
        sign, measure = goal
        asked = self.tangents(at, rules, centre.doses, width)
        if isinstance(measure, CurvedRule):
            box = {} if rules else self.box(centre.doses, width)
            measure = Tangent.at(measure, self.brief.pool, at.doses, box=box)
            # Without a limit it makes no row of its own, but it carries the box and the place of its rule.
            asked.setdefault(measure.id, measure)
        found = self.run(with_rules(straight(self.brief), asked), sign, measure, setting)
        return None if found is None else (found[1], sign * found[0].objective)

    def _corrected(
        self,
        centre: SlpPoint,
        point: SlpPoint,
        goal: tuple[Sign, LimitRule],
        rules: tuple[CurvedRule, ...],
        width: float,
    ) -> SlpPoint | None:
        """Return the step brought back to the curved rules by tangents at its own end, or None."""
        for _ in range(CORRECTIONS):
            if self.kept(point, rules):
                return point
            step = self._step(centre, point, goal, rules, width, point.setting)
            if step is None:
                return None
            point = step[0]
        return point if self.kept(point, rules) else None

    def restored(self, start: SlpPoint, *, fully: bool) -> tuple[SlpPoint, float]:
        """Return a point that keeps the curved rules if one is reached, and by how much the worst is still broken.

        Args:
            start: A point that keeps the straight rules.
            fully: Whether each rule's measure is brought down as far as it goes, not just to its limit.
        """
        key = start.doses.tobytes()
        alone = fully and len(self.rules) == 1
        if alone and (known := self.known.get(key)) is not None:
            return known, self.rules[0].violation(known.formula, known.setting)
        point, kept = start, tuple(r for r in self.rules if self.kept(start, (r,)))
        for rule in self.rules:
            if rule not in kept or fully:
                sign: Sign = 1 if rule.limits[1] < inf else -1
                stop = -inf if fully else sign * _limit(rule) - rule.slack() / 4
                free = rule.with_limits(-inf, inf)
                point = self.descend(point, (sign, free), tuple(r for r in kept if r is not rule), stop)
                kept = tuple(r for r in self.rules if self.kept(point, (r,)))
        if alone:
            self.known[key] = point
        return point, max((r.violation(point.formula, point.setting) for r in self.rules), default=0.0)

    def starts(self, first: SlpPoint, near: Formula | None = None) -> Iterator[SlpPoint]:
        """Yield starting points: the best without the curved rules, then the best of other measures.

        Args:
            first: The former.
            near: A formula that keeps the straight rules and takes the place of all of them.
        """
        seen: list[Vector] = []
        given = None
        if near is not None:
            given = SlpPoint(np.array([near.dose(i) for i in self.brief.pool.ids]), near, Setting())
        for point in (given,) if given else (first, *(self._best_of(sign, name) for sign, name in STARTS)):
            if point is not None and not any(np.abs(point.doses - other).max() < USED for other in seen):
                seen.append(point.doses)
                yield point

    def _best_of(self, sign: Sign, name: str) -> SlpPoint | None:
        if (sign, name) not in self.known:
            try:
                found = self.run(straight(self.brief), sign, named_measure(name))
            except DataError:  # a mean over something that the formula need not contain
                found = None
            self.known[sign, name] = None if found is None else found[1]
        return self.known[sign, name]


def _limit(rule: CurvedRule) -> float:
    """Return the one limit of a curved rule as written."""
    return next(limit for limit in rule.limits if abs(limit) < inf)
