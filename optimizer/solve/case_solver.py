"""One brief, many programs: the best of each case, checked, for any measure."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from math import nan
from typing import Literal

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.pool import Vector
from optimizer.engine.ending import Ending, Proof
from optimizer.engine.highs import Session, SolverAnswer
from optimizer.engine.onesided import Directions
from optimizer.engine.search import fixed, search
from optimizer.engine.sensitivity import Basis
from optimizer.engine.tree import Leaf, Tree
from optimizer.errors import fault
from optimizer.immutable import immutable, replace
from optimizer.model.model import Case, Model, cases
from optimizer.rules import LimitRule
from optimizer.solve.fractional import VanishingError, optimum
from optimizer.units import SAME_WORTH

Sign = Literal[1, -1]
Brancher = Callable[[Model, Vector, Vector, Vector], SolverAnswer]


@immutable
class CaseAnswer:
    """The best of one case: column values, duals at fixed choices, and how it was proven.

    Attributes:
        objective: Value of the measure.
        weight: Size of the terms that the objective sums, which differences of it are relative to.
        tree: What proves it over all choices of the case, if a tree of its own does.
    """

    case: Case
    ending: Ending
    proof: Proof
    objective: float = nan
    x: Vector | None = None
    lower: Vector | None = None
    upper: Vector | None = None
    cost: Vector | None = None
    answer: SolverAnswer | None = None
    gap: float = 0.0
    weight: float = nan
    tree: Tree | None = None

    @cached_property
    def basis(self) -> Basis:
        """The basis of the answer at its fixed choices."""
        model = self.case.model
        assert self.answer is not None
        assert self.cost is not None
        assert self.lower is not None
        assert self.upper is not None
        low = np.concatenate([self.lower, model.row_low])
        high = np.concatenate([self.upper, model.row_high])
        return Basis(model.matrix, self.cost, low, high, self.answer.x, self.answer.basic)

    @cached_property
    def directions(self) -> Directions:
        """The ways out of the answer at its fixed choices."""
        assert self.x is not None
        return Directions(self.basis, self.x)

    @property
    def margin(self) -> float:
        """By how much an objective may differ from this one and still be as good."""
        return SAME_WORTH * self.weight


class Corridor:
    """Solves the cases of one brief; sessions are kept by model and re-run hot.

    The first tree over some choices is gone on from at other pH settings and ratios, which ask nearly the same.
    """

    def __init__(self, brief: Brief, *, time_limit: float = 60.0, brancher: Brancher | None = None) -> None:
        """Build every case of the brief.

        Args:
            brief: What to solve.
            time_limit: Seconds for each integer program [s].
            brancher: Another solver that searches each case first; its choices are then fixed,
                re-solved and certified, its objective is compared.
        """
        self.brief = brief
        self.time_limit = time_limit
        self.brancher = brancher
        self.cases = cases(brief.modelled, brief.acidity, brief.pool)
        self._sessions: dict[int, tuple[Model, Session]] = {}
        self._first: dict[tuple[tuple[str, ...], int], tuple[Leaf, ...]] = {}

    def session(self, model: Model) -> Session:
        """Return the session of a model."""
        if id(model) not in self._sessions:
            # The model is kept along: its id would be given to another one if it were dropped.
            self._sessions[id(model)] = model, self.session_of(model)
        return self._sessions[id(model)][1]

    def session_of(self, model: Model) -> Session:
        """Return a session of its own for a model."""
        integers = model.size - model.doses
        return Session(model.matrix, model.row_low, model.row_high, integers=integers, time_limit=self.time_limit)

    def best_of_each(self, sign: Sign, measure: LimitRule) -> list[CaseAnswer]:
        """Return the best point of every case, in order of the cases.

        The best of a case is also the best of every case that allows less but all that it uses, so
        such a case takes over the choices, which are re-solved and verified within it.
        """
        found: dict[int, CaseAnswer] = {}
        for k in sorted(range(len(self.cases)), key=lambda k: len(self.cases[k].barred)):
            case = self.cases[k]
            wider = next((f for f in found.values() if _carries_over(f, case)), None)
            if wider is None or wider.x is None:
                found[k] = self.best(case, sign, measure)
            else:
                found[k] = self.repriced(replace(wider, case=case), sign, measure, wider.x[case.model.doses :])
        return [found[k] for k in range(len(self.cases))]

    def best(self, case: Case, sign: Sign, measure: LimitRule, session: Session | None = None) -> CaseAnswer:
        """Return the checked best point of a case for a measure, linear or ratio.

        Raises:
            DataError: If the measure is a mean over something that the formula need not contain.
            SolverError: If an answer does not stand the check outside the solver.
        """
        return self._best(case, sign, measure, session or self.session(case.model), None)

    def repriced(self, found: CaseAnswer, sign: Sign, measure: LimitRule, choices: Vector) -> CaseAnswer:
        """Return the checked best at other fixed choices, shape (choices,), for a measure."""
        again = self._best(found.case, sign, measure, self.session(found.case.model), choices)
        return replace(again, proof=found.proof, ending=found.ending, gap=found.gap)

    def _best(self, case: Case, sign: Sign, measure: LimitRule, session: Session, choices: Vector | None) -> CaseAnswer:
        pool = self.brief.pool
        ended = CaseAnswer(case, "failed", "none")

        def run(ratio: float) -> CaseAnswer | None:
            nonlocal ended
            cost, constant = case.model.objective(measure, pool, sign, ratio)
            ended = self._searched(case, cost, session, choices)
            weight = ended.weight + abs(constant)
            ended = replace(ended, objective=sign * (ended.objective + constant), weight=weight)
            return None if ended.x is None else ended

        def ratio_of(found: CaseAnswer) -> float:
            assert found.x is not None
            top, bottom = measure.parts(pool, found.x[: case.model.doses])
            if not bottom > measure.vanishing(pool):
                raise VanishingError
            return top / bottom

        if not measure.ratio:
            run(0.0)
            return ended
        try:
            best = optimum(run, ratio_of)
        except VanishingError:
            what = f"'{measure.name}' is a mean over something that the formula need not contain."
            raise fault("objective", measure.id, what, "State a lower limit of what it is a mean over.") from None
        if best is None:
            return ended
        assert ended.x is not None
        bottom = measure.parts(pool, ended.x[: case.model.doses])[1]
        return replace(ended, objective=best[1], weight=max(ended.weight / bottom, abs(best[1])))

    def _searched(self, case: Case, cost: Vector, session: Session, choices: Vector | None) -> CaseAnswer:
        """Minimise a cost over a case, all choices or some fixed ones."""
        model = case.model
        if choices is not None:
            done = fixed(session, cost, model.lower, case.upper, choices)
        else:
            brancher = self.brancher
            searcher = None if brancher is None else lambda c, low, high: brancher(model, c, low, high)
            alike = model.names, session.m
            done = search(session, cost, model.lower, case.upper, searcher, self._first.get(alike, ()))
            if done.tree is not None:
                self._first.setdefault(alike, done.tree.leaves)
        if not done.answer.x.size:
            return CaseAnswer(case, done.ending, done.proof, cost=cost, tree=done.tree)
        weight = float(np.abs(cost) @ np.abs(done.answer.x))
        x, ends = done.answer.x, (done.lower, done.upper)
        return CaseAnswer(
            case, done.ending, done.proof, done.objective, x, *ends, cost, done.answer, done.gap, weight, done.tree
        )


def _carries_over(found: CaseAnswer, case: Case) -> bool:
    """Return whether the proven best of an integer program is a point of a case that allows no more."""
    if found.case.model is not case.model or not case.model.choices or found.ending != "optimal" or found.x is None:
        return False
    return bool((case.upper <= found.case.upper).all() and (found.x <= case.upper).all())
