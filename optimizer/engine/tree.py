"""Whole numbers searched by a tree of hot linear programs, of which every leaf carries a proof of its own.

Best-first branch and bound (Land and Doig, Econometrica 28 (1960) 497) with strong branching. A leaf is a box of
choices in which nothing is better than the best found, or nothing is at all. Nothing that the solver says of it is
trusted: `checked` holds each leaf against its row prices or its Farkas ray, and counts the choices that the leaves
hold, so that none is left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from heapq import heappop, heappush
from itertools import combinations, count
from math import inf, prod
from time import thread_time

import numpy as np
import numpy.typing as npt

from optimizer.data.pool import Vector
from optimizer.engine.certificate import check_infeasible, lower_bounds
from optimizer.engine.elastic import barely_met
from optimizer.engine.farkas import proof_of_none
from optimizer.engine.highs import EMPTY, Session, SolverAnswer, unit_of
from optimizer.engine.polish import polished, zoomed
from optimizer.immutable import immutable, replace
from optimizer.units import BOUND_MET, LAST_DIGIT, SAME_WORTH, WHOLE

MOST_RUNS = 400
"""Linear programs after which the solver's own search, which also cuts, is the faster way."""
SHARE_OF_TIME = 0.1
"""Part of the time limit of a search, in time of the processor, after which it is left to the solver."""
TRIED = 2
"""Most columns of which both halves are solved before one of them is split."""


@immutable
class Leaf:
    """A box of choices that is closed.

    Attributes:
        lower: Column bounds, shape (n,).
        upper: The same.
        y: Row prices that bound the cost of all in it, or the ray that proves it empty, shape (m,).
        empty: Whether it holds nothing.
    """

    lower: Vector
    upper: Vector
    y: Vector
    empty: bool


@immutable
class Tree:
    """A finished search: the best point, shape (n,), or none, and boxes that cover all choices."""

    best: Vector
    leaves: tuple[Leaf, ...]
    runs: int


@immutable
class Half:
    """A box of choices with the answer of its linear program; the bound is infinite if it has none."""

    lower: Vector
    upper: Vector
    answer: SolverAnswer
    bound: float


Waiting = tuple[float, int, Half | Leaf]
"""A box that is still open with what bounds it."""


class _GivenUpError(Exception):
    """The tree is past its size, or a program ended without a verdict."""


class NoProofError(Exception):
    """A box that the solver finds empty has no proof of it: whatever is said of the whole is in doubt."""


def grown(
    session: Session,
    cost: Vector,
    lower: Vector,
    upper: Vector,
    *,
    below: float = inf,
    most: int = MOST_RUNS,
    known: tuple[Leaf, ...] = (),
) -> Tree | None:
    """Minimise over whole numbers and the rest; None where that is left to the solver's own search.

    Args:
        session: The rows; its last columns are whole numbers.
        cost: Shape (n,).
        lower: Shape (n,).
        upper: Shape (n,).
        below: Only what costs less is looked for.
        most: Linear programs at most.
        known: Leaves of an earlier tree over the same rows and choices, whatever its cost was; they are gone on from.

    Raises:
        NoProofError: If nothing proves that a box is empty which the solver finds so.
    """
    search = _Search(session, cost, below, most)
    try:
        return search.run(lower, upper, known)
    except _GivenUpError:
        return None


def checked(session: Session, cost: Vector, lower: Vector, upper: Vector, tree: Tree, least: float) -> Tree | None:
    """Return a tree whose leaves prove, outside the solver, that nothing costs less than this; None if they do not.

    Args:
        session: The rows that the tree was grown over.
        cost: Shape (n,).
        lower: Column bounds of the whole, shape (n,).
        upper: The same.
        tree: The tree; leaves that miss by a last digit get refined prices.
        least: What they are to prove; infinite that there is nothing at all.
    """
    rows = session.matrix, session.row_low, session.row_high
    if not _cover(tree.leaves, lower[-session.integers :], upper[-session.integers :]):
        return None
    if not all(check_infeasible(*rows, leaf.lower, leaf.upper, leaf.y) for leaf in tree.leaves if leaf.empty):
        return None
    held = [leaf for leaf in tree.leaves if not leaf.empty]
    weak = [leaf for leaf, bound in zip(held, bounds_of(session, cost, held), strict=True) if bound < least]
    better = [_refined(session, cost, leaf) for leaf in weak]
    if (bounds_of(session, cost, better, wide=True) < least).any():
        return None
    return replace(tree, leaves=(*(x for x in tree.leaves if not any(x is leaf for leaf in weak)), *better))


def reached(cost: Vector, x: Vector) -> float:
    """Return what nothing costs less than where a point, shape (n,), is the best; infinite where there is none."""
    return float(cost @ x) - BOUND_MET * float(np.abs(cost) @ np.abs(x)) if x.size else inf


def lowest_below(
    session: Session,
    cost: Vector,
    lower: Vector,
    upper: Vector,
    least: float,
    most: int = MOST_RUNS,
    known: tuple[Leaf, ...] = (),
) -> tuple[Vector | None, float, int]:
    """Return the best point below a value, a bound on every point that was checked, and how many programs ran.

    No point if there is none, or if nothing proves either: the bound is then below the value.

    Args:
        session: The rows; its last columns are whole numbers.
        cost: Shape (n,).
        lower: Shape (n,).
        upper: Shape (n,).
        least: The value; what does not lie below it is not looked for.
        most: Linear programs at most.
        known: Leaves that are gone on from, as in `grown`.
    """
    try:
        tree = grown(session, cost, lower, upper, below=least, most=most, known=known)
    except NoProofError:
        tree = None
    if tree is None:
        return None, -inf, most
    bounds = bounds_of(session, cost, [leaf for leaf in tree.leaves if not leaf.empty])
    bound = float(bounds.min(initial=inf))
    goal = reached(cost, tree.best) if tree.best.size else min(bound, least)
    if checked(session, cost, lower, upper, tree, goal) is None:
        return None, -inf, tree.runs
    return (tree.best, bound, tree.runs) if tree.best.size else (None, max(bound, least), tree.runs)


def bounds_of(session: Session, cost: Vector, leaves: list[Leaf], *, wide: bool = False) -> Vector:
    """Return what nothing in each leaf costs less than, shape (k,); in extended precision if `wide`."""
    if not leaves:
        return np.zeros(0)
    ends = np.array([leaf.lower for leaf in leaves]), np.array([leaf.upper for leaf in leaves])
    rows = session.matrix, session.row_low, session.row_high
    return lower_bounds(*rows, cost, *ends, np.array([leaf.y for leaf in leaves]), wide=wide)


def _refined(session: Session, cost: Vector, leaf: Leaf) -> Leaf:
    """Return a leaf with the prices of its basis, found again from near by and solved for anew."""
    answer = session.run(cost, leaf.lower, leaf.upper, relaxed=True)
    if answer.ending != "optimal":
        return leaf
    answer = zoomed(session, cost, leaf.lower, leaf.upper, answer)
    return replace(leaf, y=polished(session, cost, leaf.lower, leaf.upper, answer).y)


def _cover(leaves: tuple[Leaf, ...], lower: Vector, upper: Vector) -> bool:
    """Return whether boxes hold every combination between two ends: none twice, and as many as there are."""
    k = len(lower)
    low, high = (
        np.array([end[-k:] for end in ends]) for ends in zip(*((x.lower, x.upper) for x in leaves), strict=True)
    )
    if (low < lower).any() or (high > upper).any() or (low != np.round(low)).any() or (high != np.round(high)).any():
        return False
    apart = all(((low[a] > high[b]) | (low[b] > high[a])).any() for a, b in combinations(range(len(leaves)), 2))
    held = sum(_combinations(a, b) for a, b in zip(low, high, strict=True))
    return apart and held == _combinations(lower, upper)


def _combinations(lower: Vector, upper: Vector) -> int:
    return prod(int(width) + 1 for width in upper - lower)


class _Search:
    """A search on its way."""

    def __init__(self, session: Session, cost: Vector, below: float, most: int) -> None:
        self.session, self.cost, self.most = session, cost, most
        self.unit, self.whole = unit_of(cost), session.n - session.integers
        self.until = thread_time() + SHARE_OF_TIME * session.time_limit
        self.leaves: list[Leaf] = []
        self.number = count()
        self.best, self.enough, self.runs = EMPTY, below, 0

    def run(self, lower: Vector, upper: Vector, known: tuple[Leaf, ...]) -> Tree:
        """Search a box, or go on from leaves that hold it, of which those are solved that may hold something better."""
        waiting: list[Waiting] = []
        if known:
            self._reopen(waiting, known)
        else:
            self._sort(waiting, self._solved(lower, upper))
        while waiting:
            bound, _, next_ = heappop(waiting)
            if isinstance(next_, Leaf):
                if bound >= self.enough:
                    self.leaves.append(next_)
                else:
                    self._sort(waiting, self._solved(next_.lower, next_.upper))
            elif bound >= self.enough:
                self._close(next_)
            else:
                for part in self._split(next_):
                    self._sort(waiting, part)
        return Tree(self.best, tuple(self.leaves), self.runs)

    def _reopen(self, waiting: list[Waiting], known: tuple[Leaf, ...]) -> None:
        """Let leaves wait by what their prices bound."""
        self.leaves = [leaf for leaf in known if leaf.empty]
        priced = [leaf for leaf in known if not leaf.empty]
        for leaf, bound in zip(priced, bounds_of(self.session, self.cost, priced).tolist(), strict=True):
            heappush(waiting, (bound, next(self.number), leaf))

    def _solved(self, lower: Vector, upper: Vector) -> Half:
        if self.runs == self.most or thread_time() > self.until:
            raise _GivenUpError
        self.runs += 1
        answer = self.session.run(self.cost, lower, upper, relaxed=True, unit=self.unit, basis=False)
        if answer.ending == "infeasible":
            ray = proof_of_none(self.session, lower, upper, answer.ray)
            if ray is not None:
                return Half(lower, upper, replace(answer, ray=ray), inf)
            self.session.forget()  # a hot start may lose its way
            answer = self.session.run(self.cost, lower, upper, relaxed=True, unit=self.unit, basis=False)
            if answer.ending == "infeasible":
                answer = barely_met(self.session, self.cost, lower, upper)
            if answer.ending == "infeasible":
                raise NoProofError
        if answer.ending != "optimal":
            raise _GivenUpError
        return Half(lower, upper, answer, float(self.cost @ answer.x))

    def _sort(self, waiting: list[Waiting], half: Half) -> None:
        """Close a box, or let it wait: where nothing better can be in it, or its best point is whole."""
        if half.bound >= self.enough or self._is_whole(half):
            self._close(half)
        else:
            heappush(waiting, (half.bound, next(self.number), half))

    def _close(self, half: Half) -> None:
        ray = half.answer.ray
        self.leaves.append(Leaf(half.lower, half.upper, half.answer.y if ray is None else ray, ray is not None))

    def _is_whole(self, half: Half) -> bool:
        """Return whether the best of a box has whole numbers and keeps its worth where they are fixed; note it then."""
        parts = half.answer.x[self.whole :]
        rounded = np.round(parts)
        off = np.abs(parts - rounded).max(initial=0.0)
        if off > WHOLE:
            return False
        x, worth = half.answer.x, half.bound
        if off > LAST_DIGIT:
            lower, upper = half.lower.copy(), half.upper.copy()
            lower[self.whole :] = upper[self.whole :] = rounded
            again = self._solved(lower, upper)
            x, worth = again.answer.x, again.bound
        slack = self._slack(x) if x.size else 0.0
        if worth > half.bound + slack:
            return False
        if worth - slack < self.enough:
            self.best, self.enough = x, worth - slack
        return True

    def _slack(self, x: Vector) -> float:
        """Return what an objective may miss and count as reached; a part of what `checked` allows."""
        return SAME_WORTH / 10 * float(np.abs(self.cost) @ np.abs(x))

    def _split(self, half: Half) -> tuple[Half, Half]:
        """Return the halves of the column whose split says most, at once if it closes one of them."""
        best, most = None, -1.0
        least = self._slack(half.answer.x)
        for column in self._broken(half):
            down, up = (self._solved(*box) for box in self._boxes(half, column))
            for part in (down, up):
                if part.bound < self.enough:
                    self._is_whole(part)
            if max(down.bound, up.bound) >= self.enough:
                return down, up
            gain = max(down.bound - half.bound, least) * max(up.bound - half.bound, least)
            if gain > most:
                best, most = (down, up), gain
        assert best is not None
        return best

    def _broken(self, half: Half) -> npt.NDArray[np.int64]:
        """Return the columns that are furthest from whole, at most `TRIED`."""
        parts = half.answer.x[self.whole :]
        off = np.abs(parts - np.round(parts))
        order = np.argsort(-off, kind="stable")[:TRIED]
        broken = order[off[order] > WHOLE]
        return np.asarray(self.whole + (broken if broken.size else order[:1]))

    def _boxes(self, half: Half, column: int) -> Iterator[tuple[Vector, Vector]]:
        value = half.answer.x[column]
        least = min(np.floor(value), half.upper[column] - 1)
        down, up = half.upper.copy(), half.lower.copy()
        down[column], up[column] = least, least + 1
        yield half.lower, down
        yield up, half.upper
