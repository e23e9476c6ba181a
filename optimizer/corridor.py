"""One brief, many programs: run each case, fix choices, certify, break ties."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
from math import inf, nan
from typing import Literal

import numpy as np

from optimizer.brief import Brief
from optimizer.engine.certificate import check_infeasible, check_optimal
from optimizer.engine.highs import Answer, Session
from optimizer.engine.sensitivity import Basis
from optimizer.errors import SolverError, fault
from optimizer.model import Case, Model, cases, objective_vector
from optimizer.pool import Vector
from optimizer.result import Ending, Proof
from optimizer.rules import LimitRule
from optimizer.units import TOLERANCE

ENUMERATED = 6
"""Up to this many free yes/no columns every combination is tried instead of branching."""
TIE = 1e-9
"""Objectives closer than this, relative, are a tie."""
Sign = Literal[1, -1]
Brancher = Callable[[Model, Vector, Vector, Vector], Answer]


@dataclass(frozen=True)
class Found:
    """The best of one case: column values, duals at fixed choices, and how it was proven."""

    case: Case
    ending: Ending
    proof: Proof
    objective: float = nan
    x: Vector | None = None
    lower: Vector | None = None
    upper: Vector | None = None
    cost: Vector | None = None
    answer: Answer | None = None
    gap: float = 0.0

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


class Corridor:
    """Solves the cases of one brief; sessions are kept by model and re-run hot."""

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
        self.cases = cases(brief.rules, brief.acidity, brief.pool)
        self._sessions: dict[int, tuple[Model, Session]] = {}

    def session(self, model: Model) -> Session:
        """Return the session of a model."""
        if id(model) not in self._sessions:
            integers = model.size - model.doses
            session = Session(
                model.matrix, model.row_low, model.row_high, integers=integers, time_limit=self.time_limit
            )
            # The model is kept along: its id would be given to another one if it were dropped.
            self._sessions[id(model)] = model, session
        return self._sessions[id(model)][1]

    def best_of_each(self, sign: Sign, measure: LimitRule) -> list[Found]:
        """Return the best point of every case, in order of the cases.

        The best of a case is also the best of every case that allows less but all that it uses, so
        such a case takes over the choices, which are re-solved and verified within it.
        """
        found: dict[int, Found] = {}
        for k in sorted(range(len(self.cases)), key=lambda k: len(self.cases[k].barred)):
            case = self.cases[k]
            wider = next((f for f in found.values() if _carries_over(f, case)), None)
            if wider is None or wider.x is None:
                found[k] = self.best(case, sign, measure)
            else:
                found[k] = self.repriced(replace(wider, case=case), sign, measure, wider.x[case.model.doses :])
        return [found[k] for k in range(len(self.cases))]

    def best(self, case: Case, sign: Sign, measure: LimitRule, session: Session | None = None) -> Found:
        """Return the best point of a case for a measure, linear or ratio.

        A ratio is optimised by Dinkelbach's iteration (Management Science 13 (1967) 492): the last
        linear program proves it.
        """
        ratio = 0.0
        pool = self.brief.pool
        found = None
        for _ in range(60):
            vector, constant = objective_vector(measure, pool, sign, ratio)
            found = self._solve(case, case.model.spread(vector), session or self.session(case.model))
            if found.x is None:
                return found
            if not measure.ratio:
                return replace(found, objective=sign * (found.objective + constant))
            doses = found.x[: case.model.doses]
            above, below = measure.constants(pool.held_back)
            bottom = float(pool.vector(measure.per) @ doses) + below
            if bottom <= TOLERANCE:
                what = f"'{measure.name}' is a mean over something that the formula need not contain."
                raise fault("objective", measure.id, what, "State a lower limit of what it is a mean over.")
            value = (float(pool.vector(measure.amount) @ doses) + above) / bottom
            if abs(value - ratio) <= 1e-12 * (1 + abs(value)):
                break
            ratio = value
        assert found is not None
        return replace(found, objective=ratio)

    def repriced(self, found: Found, sign: Sign, measure: LimitRule, choices: Vector) -> Found:
        """Return the verified best at other fixed choices, shape (choices,), for a measure."""
        model = found.case.model
        assert found.lower is not None
        lower, upper = found.lower.copy(), found.case.upper.copy()
        lower[model.doses :] = upper[model.doses :] = choices
        fixed = replace(found.case, model=replace(model, lower=lower), upper=upper)
        again = self.best(fixed, sign, measure, self.session(model))
        return replace(again, case=found.case, proof=found.proof, ending=found.ending, gap=found.gap)

    def _solve(self, case: Case, cost: Vector, session: Session) -> Found:
        """Minimise a cost vector over a case and verify the answer outside the solver."""
        model = case.model
        free = int((model.lower[model.doses :] < case.upper[model.doses :]).sum())
        if self.brancher is not None:
            return self._branched(case, cost, session, self.brancher)
        if free == 0:
            return self._linear(case, cost, model.lower, case.upper, session)
        if free <= ENUMERATED:
            return self._enumerate(case, cost, session)
        answer = session.run(cost, model.lower, case.upper)
        if answer.ending == "infeasible":
            return self._impossible(case, cost)
        if answer.x.size == 0:
            ending: Ending = "stopped" if answer.ending == "unfinished" else "failed"
            return Found(case, ending, "none")
        chosen = np.round(answer.x[model.doses :])
        lower, upper = model.lower.copy(), case.upper.copy()
        lower[model.doses :] = upper[model.doses :] = chosen
        found = self._linear(case, cost, lower, upper, session)
        if found.x is None:
            raise SolverError(
                "the integer answer could not be repeated as a linear program. Try --solver PULP_CBC_CMD."
            )
        gap = abs(found.objective - answer.bound) / (1 + abs(found.objective)) if answer.bound == answer.bound else inf
        done = answer.ending == "optimal" and gap <= 1e-6
        return replace(
            found, ending="optimal" if done else "feasible", proof="solver bound" if done else "none", gap=gap
        )

    def _branched(self, case: Case, cost: Vector, session: Session, brancher: Brancher) -> Found:
        """Let another solver search, then fix its choices, re-solve and compare."""
        model = case.model
        answer = brancher(model, cost, model.lower, case.upper)
        if answer.ending == "infeasible":
            return Found(case, "infeasible", "solver bound")
        if answer.x.size == 0:
            return Found(case, "stopped", "none")
        lower, upper = model.lower.copy(), case.upper.copy()
        lower[model.doses :] = upper[model.doses :] = np.round(answer.x[model.doses :])
        found = self._linear(case, cost, lower, upper, session)
        if found.x is None or abs(found.objective - answer.bound) > 1e-4 * (1 + abs(found.objective)):
            raise SolverError(
                "the chosen solver's answer does not stand a re-solve at its own choices. Try another solver."
            )
        return replace(found, proof="solver bound" if model.size > model.doses else found.proof)

    def _impossible(self, case: Case, cost: Vector) -> Found:
        """Prove by the relaxation, which covers all choices, that a case is impossible, if it can."""
        model = case.model
        relaxed = Session(model.matrix, model.row_low, model.row_high, time_limit=self.time_limit)
        answer = relaxed.run(cost, model.lower, case.upper)
        proven = answer.ray is not None and check_infeasible(
            model.matrix, model.row_low, model.row_high, model.lower, case.upper, answer.ray
        )
        return Found(case, "infeasible", "certificate" if proven else "solver bound")

    def _enumerate(self, case: Case, cost: Vector, session: Session) -> Found:
        """Try every combination of the yes/no columns, each a verified linear program."""
        model = case.model
        best = Found(case, "infeasible", "enumerated")
        ends = list(zip(model.lower[model.doses :], case.upper[model.doses :], strict=True))
        for combination in product(*((low, high) if low < high else (low,) for low, high in ends)):
            lower, upper = model.lower.copy(), case.upper.copy()
            lower[model.doses :] = upper[model.doses :] = combination
            found = self._linear(case, cost, lower, upper, session)
            if found.x is not None and (
                best.x is None or found.objective < best.objective - TIE * (1 + abs(best.objective))
            ):
                best = replace(found, proof="enumerated")
        return best

    def _linear(self, case: Case, cost: Vector, lower: Vector, upper: Vector, session: Session) -> Found:
        """Solve one linear program and check it by its optimality conditions or a Farkas ray."""
        matrix, row_low, row_high = case.model.matrix, case.model.row_low, case.model.row_high
        answer = session.run(cost, lower, upper)
        if answer.ending == "infeasible":
            if answer.ray is not None and check_infeasible(matrix, row_low, row_high, lower, upper, answer.ray):
                return Found(case, "infeasible", "certificate")
            return Found(case, "infeasible", "solver bound")
        if answer.ending != "optimal":
            return Found(case, "failed" if answer.ending == "failed" else "stopped", "none")
        certificate = check_optimal(matrix, row_low, row_high, cost, lower, upper, answer.x, answer.y)
        if not certificate.holds:
            raise SolverError(
                "the solver's answer did not stand the check outside the solver "
                f"(bounds {certificate.primal:.1e}, signs {certificate.dual:.1e}, gap {certificate.gap:.1e}). "
                "Look for figures of very different size in the brief."
            )
        objective = float(cost @ answer.x)
        return Found(case, "optimal", "certificate", objective, answer.x, lower, upper, cost, answer, certificate.gap)

    def basis(self, found: Found) -> Basis:
        """Return the basis of a found answer at its fixed choices."""
        return found.basis


def _carries_over(found: Found, case: Case) -> bool:
    """Return whether the proven best of an integer program is a point of a case that allows no more."""
    if found.case.model is not case.model or not case.model.choices or found.ending != "optimal" or found.x is None:
        return False
    return bool((case.upper <= found.case.upper).all() and (found.x <= case.upper).all())
