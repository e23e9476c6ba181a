"""One search for every study: whole numbers are searched, fixed, re-solved as a linear program, and that is checked.

Nothing that a solver says is passed on unchecked: a best point reaches a bound that is computed here, an
impossible linear program carries a Farkas proof. What only the solver's search through whole numbers says is
called so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import inf, isnan, nan

import numpy as np

from optimizer.data.pool import Vector
from optimizer.engine.certificate import check_optimal
from optimizer.engine.elastic import barely_met
from optimizer.engine.ending import Ending, Proof, weakest
from optimizer.engine.farkas import proof_of_none
from optimizer.engine.highs import EMPTY, NO_BASIS, Session, SolverAnswer, finest_unit, unit_of
from optimizer.engine.polish import polished, zoomed
from optimizer.engine.tree import Leaf, NoProofError, Tree, checked, grown, reached
from optimizer.errors import SolverError
from optimizer.immutable import immutable, replace
from optimizer.units import AGREED, CHOICES_MET, SAME_WORTH

LEAST = 1e-3
"""An objective below this part of a usual cost counts as this much where a gap is relative to it."""
NOTHING = SolverAnswer("failed", EMPTY, EMPTY, NO_BASIS)
Searcher = Callable[[Vector, Vector, Vector], SolverAnswer]
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
        tree: What proves that no other whole numbers are better, if they were searched by a tree.
    """

    ending: Ending
    proof: Proof
    answer: SolverAnswer = NOTHING
    objective: float = nan
    lower: Vector | None = None
    upper: Vector | None = None
    gap: float = 0.0
    bound: float = nan
    tree: Tree | None = None


def search(
    session: Session,
    cost: Vector,
    lower: Vector,
    upper: Vector,
    searcher: Searcher | None = None,
    known: tuple[Leaf, ...] = (),
) -> Searched:
    """Minimise over whole numbers and the rest.

    Args:
        session: The rows; its last columns are whole numbers.
        cost: Shape (n,).
        lower: Shape (n,).
        upper: Shape (n,).
        searcher: Another solver that searches the whole numbers.
        known: Leaves of a tree over the same choices, which is gone on from.

    Raises:
        SolverError: If an answer does not stand the check.
    """
    if searcher is not None:
        return _searched_elsewhere(session, cost, lower, upper, searcher)
    open_ = np.flatnonzero(lower[session.n - session.integers :] < upper[session.n - session.integers :])
    if not open_.size:
        return linear(session, cost, lower, upper)
    try:
        tree = grown(session, cost, lower, upper, known=known)
    except NoProofError:
        doubted = _by_the_solver(session, cost, lower, upper)
        none = doubted.proof == "solver bound" and not doubted.answer.x.size
        return Searched("stopped", "none") if none else doubted
    found = None if tree is None else _from_tree(session, cost, lower, upper, tree)
    if found is not None and found.tree is not None:
        return found
    try:
        told = _by_the_solver(session, cost, lower, upper)
    except SolverError:  # whole numbers that do not stand a re-solve say nothing against those that do
        if found is None:
            raise
        told = Searched("failed", "none")
    if found is None or (told.answer.x.size and not _clearly_better(found, told, cost)):
        return told
    return replace(found, ending="feasible", proof="none", gap=inf, bound=nan)


def _from_tree(session: Session, cost: Vector, lower: Vector, upper: Vector, tree: Tree) -> Searched | None:
    """Return the checked best of a tree, with the tree if its leaves prove it; None if there is neither."""
    found = Searched("infeasible", "certificate", objective=inf)
    if tree.best.size:
        try:
            found = fixed(session, cost, lower, upper, tree.best[session.n - session.integers :])
        except SolverError:
            return None
    proof = checked(session, cost, lower, upper, tree, reached(cost, found.answer.x))
    return None if proof is None and not tree.best.size else replace(found, tree=proof)


def _clearly_better(found: Searched, other: Searched, cost: Vector) -> bool:
    return found.objective < other.objective - SAME_WORTH * float(np.abs(cost) @ np.abs(other.answer.x))


def _by_the_solver(session: Session, cost: Vector, lower: Vector, upper: Vector) -> Searched:
    """Search by the solver's own integer search, whose word for the best is taken."""
    answer = session.run(cost, lower, upper)
    if answer.ending == "infeasible":
        relaxed = session.run(cost, lower, upper, relaxed=True)
        proven = relaxed.ending == "infeasible" and proof_of_none(session, lower, upper, relaxed.ray) is not None
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
    proof, empty, rows = None, False, (session.matrix, session.row_low, session.row_high)
    for answer in _attempts(session, cost, lower, upper):
        if answer.ending == "failed":
            continue
        if answer.ending == "infeasible":
            if proof_of_none(session, lower, upper, answer.ray) is not None:
                return Searched("infeasible", "certificate")
            empty = True
            continue
        if answer.ending != "optimal":
            return Searched("stopped", "none")
        for better in (None, polished, zoomed):
            tried = answer if better is None else better(session, cost, lower, upper, answer)
            tried = replace(tried, x=np.clip(tried.x, lower, upper))
            proof = check_optimal(*rows, cost, lower, upper, tried.x, tried.y)
            if proof.holds:
                objective = float(cost @ tried.x)
                return Searched("optimal", "certificate", tried, objective, lower, upper, proof.gap, objective)
    if proof is None:
        return Searched("infeasible" if empty else "failed", "none")
    raise SolverError(
        "the solver's answer did not stand the check outside the solver "
        f"(rows {proof.primal:.1e}, signs {proof.dual:.1e}, bound {proof.gap:.1e}). "
        "Look for figures of very different size in the brief."
    )


def _attempts(session: Session, cost: Vector, lower: Vector, upper: Vector) -> Iterator[SolverAnswer]:
    """Yield answers of the solver: hot, from nothing, with finer costs, and with rows that are met by a hair."""
    usual = unit_of(cost)
    yield session.run(cost, lower, upper, unit=usual)
    for unit in (usual, finest_unit(cost)):
        session.forget()
        yield session.run(cost, lower, upper, unit=unit)
    yield barely_met(session, cost, lower, upper)


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
