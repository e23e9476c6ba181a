"""One search for every study: whole numbers are searched, fixed, re-solved as a linear program, and that is checked.

Nothing that a solver says is passed on unchecked: a best point reaches a bound that is computed here, an
impossible linear program carries a Farkas proof. What only the solver's search through whole numbers says is
called so.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from math import inf, isnan, nan

import numpy as np
import numpy.typing as npt

from optimizer.data.pool import Vector
from optimizer.engine.certificate import check_infeasible, check_optimal
from optimizer.engine.ending import Ending, Proof, weakest
from optimizer.engine.highs import EMPTY, NO_BASIS, Answer, Session, finest_unit, unit_of
from optimizer.errors import SolverError
from optimizer.immutable import immutable, replace
from optimizer.units import AGREED, CHOICES_MET, SAME_WORTH

ENUMERATED = 6
"""Up to this many open yes/no columns every combination is tried instead of branching."""
LEAST = 1e-3
"""An objective below this part of a usual cost counts as this much where a gap is relative to it."""
NOTHING = Answer("failed", EMPTY, EMPTY, NO_BASIS)
Searcher = Callable[[Vector, Vector, Vector], Answer]
"""Minimises a cost between lower and upper column bounds."""


@immutable
class Searched:
    """How a search ended.

    Attributes:
        ending: 'feasible' is a point without a proof that it is best.
        proof: What the ending rests on.
        answer: The linear program at the fixed whole numbers; without values if there is no point.
        objective: cost @ x; NaN without a point.
        lower: Column bounds with the whole numbers fixed.
        upper: The same.
        gap: How much better one could at most be by the bound, relative to the objective.
        bound: No point is better: checked here without open whole numbers, else the solver's word.
    """

    ending: Ending
    proof: Proof
    answer: Answer = NOTHING
    objective: float = nan
    lower: Vector | None = None
    upper: Vector | None = None
    gap: float = 0.0
    bound: float = nan


def search(session: Session, cost: Vector, lower: Vector, upper: Vector, searcher: Searcher | None = None) -> Searched:
    """Minimise over whole numbers and the rest.

    Args:
        session: The rows; its last columns are whole numbers.
        cost: Shape (n,).
        lower: Shape (n,).
        upper: Shape (n,).
        searcher: Another solver that searches the whole numbers.

    Raises:
        SolverError: If an answer does not stand the check.
    """
    if searcher is not None:
        return _searched_elsewhere(session, cost, lower, upper, searcher)
    open_ = np.flatnonzero(lower[session.n - session.integers :] < upper[session.n - session.integers :])
    if not open_.size:
        return linear(session, cost, lower, upper)
    if open_.size <= ENUMERATED and (upper - lower)[session.n - session.integers :].max() <= 1:
        return _enumerated(session, cost, lower, upper)
    answer = session.run(cost, lower, upper)
    if answer.ending == "infeasible":
        relaxed = session.run(cost, lower, upper, relaxed=True)
        proven = relaxed.ending == "infeasible" and _proven_impossible(session, lower, upper, relaxed.ray)
        return Searched("infeasible", "certificate" if proven else "solver bound")
    if answer.x.size == 0:
        return Searched("failed" if answer.ending == "failed" else "stopped", "none")
    found = fixed(session, cost, lower, upper, answer.x[session.n - session.integers :])
    gap = _gap(found.objective, answer.bound, cost)
    done = answer.ending == "optimal" and gap <= CHOICES_MET
    told = replace(found, gap=gap, bound=answer.bound)
    if not done:
        return replace(told, ending="feasible", proof="none")
    return replace(told, ending="optimal", proof="solver bound")


def fixed(session: Session, cost: Vector, lower: Vector, upper: Vector, whole: Vector) -> Searched:
    """Return the checked best at given whole numbers, shape (integers,).

    Raises:
        SolverError: If there is none, or it does not stand the check.
    """
    lower, upper = lower.copy(), upper.copy()
    lower[session.n - session.integers :] = upper[session.n - session.integers :] = np.round(whole)
    found = linear(session, cost, lower, upper)
    if found.answer.x.size == 0:
        raise SolverError("the integer answer could not be repeated as a linear program. Try --solver PULP_CBC_CMD.")
    return found


def linear(session: Session, cost: Vector, lower: Vector, upper: Vector) -> Searched:
    """Minimise with all whole numbers fixed, and check the answer.

    Raises:
        SolverError: If it does not stand the check.
    """
    checked, rows = None, (session.matrix, session.row_low, session.row_high)
    for retry, unit in enumerate((unit_of(cost), finest_unit(cost))):
        if retry:
            session.forget()
        answer = session.run(cost, lower, upper, unit=unit)
        if answer.ending == "failed":
            continue
        if answer.ending == "infeasible":
            proven = _proven_impossible(session, lower, upper, answer.ray)
            return Searched("infeasible", "certificate" if proven else "none")
        if answer.ending != "optimal":
            return Searched("stopped", "none")
        for better in (None, polished):
            tried = answer if better is None else better(session, cost, lower, upper, answer)
            checked = check_optimal(*rows, cost, lower, upper, tried.x, tried.y)
            if checked.holds:
                objective = float(cost @ tried.x)
                return Searched("optimal", "certificate", tried, objective, lower, upper, checked.gap, objective)
    if checked is None:
        return Searched("failed", "none")
    raise SolverError(
        "the solver's answer did not stand the check outside the solver "
        f"(rows {checked.primal:.1e}, signs {checked.dual:.1e}, bound {checked.gap:.1e}). "
        "Look for figures of very different size in the brief."
    )


def polished(session: Session, cost: Vector, lower: Vector, upper: Vector, answer: Answer) -> Answer:
    """Return an answer's vertex and row prices solved for anew from its basis, residuals in extended precision.

    Where rows are nearly parallel a solver's last digits are far from the vertex; two steps of iterative
    refinement (Wilkinson 1963) bring them back. The answer itself if its basis cannot be inverted.
    """
    columns, rows = answer.basic[answer.basic < session.n], np.ones(session.m, dtype=bool)
    rows[answer.basic[answer.basic >= session.n] - session.n] = False
    active = np.flatnonzero(rows)
    inner = session.matrix[np.ix_(active, columns)]
    x = np.where(np.abs(answer.x - lower) <= np.abs(upper - answer.x), lower, upper)
    activity = session.matrix[active] @ answer.x
    low, high = session.row_low[active], session.row_high[active]
    ends = np.where(np.abs(activity - low) <= np.abs(high - activity), low, high)
    x[columns] = 0.0
    right = ends - (session.matrix[active].astype(np.longdouble) @ x)
    try:
        x[columns] = _refined(inner, right)
        prices = _refined(inner.T, cost[columns].astype(np.longdouble))
    except np.linalg.LinAlgError:
        return answer
    y = np.zeros(session.m)
    y[active] = prices
    return replace(answer, x=x, y=y)


def _refined(matrix: Vector, right: npt.NDArray[np.longdouble]) -> Vector:
    """Solve a square system, shape (k, k) and (k,)."""
    wide = matrix.astype(np.longdouble)
    inverse = np.linalg.inv(matrix)
    found = (inverse @ right.astype(float)).astype(np.longdouble)
    for _ in range(2):
        found = found + inverse @ (right - wide @ found).astype(float)
    return np.asarray(found.astype(float))


def _enumerated(session: Session, cost: Vector, lower: Vector, upper: Vector) -> Searched:
    """Try every combination of the open yes/no columns; one without a verdict leaves the answer unproven."""
    whole = session.n - session.integers
    best, others = Searched("infeasible", "enumerated"), set()
    ends = zip(lower[whole:], upper[whole:], strict=True)
    for combination in product(*((low, high) if low < high else (low,) for low, high in ends)):
        low, high = lower.copy(), upper.copy()
        low[whole:] = high[whole:] = combination
        found = linear(session, cost, low, high)
        others.add(found.proof)
        if found.answer.x.size and (isnan(best.objective) or _clearly_better(found, best, cost)):
            best = found
    if "none" not in others:
        return replace(best, proof="enumerated")
    return replace(best, ending="feasible" if best.answer.x.size else "stopped", proof="none", gap=inf, bound=nan)


def _clearly_better(found: Searched, best: Searched, cost: Vector) -> bool:
    return found.objective < best.objective - SAME_WORTH * float(np.abs(cost) @ np.abs(best.answer.x))


def _searched_elsewhere(session: Session, cost: Vector, lower: Vector, upper: Vector, searcher: Searcher) -> Searched:
    """Let another solver search, then fix its choices, re-solve and compare."""
    answer = searcher(cost, lower, upper)
    if answer.ending == "infeasible":
        return Searched("infeasible", "solver bound")
    if answer.x.size == 0:
        return Searched("stopped", "none")
    wrong = "the chosen solver's answer does not stand a re-solve at its own choices. Try another solver."
    try:
        found = fixed(session, cost, lower, upper, answer.x[session.n - session.integers :])
    except SolverError:
        raise SolverError(wrong) from None
    if abs(found.objective - answer.bound) > AGREED * float(np.abs(cost) @ np.abs(found.answer.x)):
        raise SolverError(wrong)
    return replace(found, proof=weakest({found.proof, "solver bound"})) if session.integers else found


def _gap(objective: float, bound: float, cost: Vector) -> float:
    """Return how far the bound lies from the objective, relative to it or to a thousandth of a usual cost."""
    return inf if isnan(bound) else abs(objective - bound) / max(abs(objective), LEAST / unit_of(cost))


def _proven_impossible(session: Session, lower: Vector, upper: Vector, ray: Vector | None) -> bool:
    """Return whether the rows cannot be met between the bounds: by the solver's ray, else by the least total miss."""
    rows = session.matrix, session.row_low, session.row_high
    if ray is not None and check_infeasible(*rows, lower, upper, ray):
        return True
    sizes = np.abs(session.matrix).max(axis=1, initial=0.0)
    sizes[sizes == 0] = 1.0
    elastic = Session(np.hstack([session.matrix, np.diag(sizes), -np.diag(sizes)]), *rows[1:])
    still, missing = np.zeros(session.n), np.ones(2 * session.m)
    least = elastic.run(
        np.concatenate([still, missing]),
        np.concatenate([lower, np.zeros(2 * session.m)]),
        np.concatenate([upper, np.full(2 * session.m, np.inf)]),
    )
    return least.y.size > 0 and check_infeasible(*rows, lower, upper, least.y)
