"""Whole numbers searched by a tree of hot linear programs, of which every leaf carries a proof of its own.

Best-first branch and bound (Land and Doig, Econometrica 28 (1960) 497) with strong branching. A leaf is a box of
choices in which nothing is better than the best found, or nothing is at all. Nothing that the solver says of it is
trusted: `checked` holds each leaf against its row prices or its Farkas ray, and counts the choices that the leaves
hold, so that none is left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from heapq import heappop, heappush
from itertools import count
from math import inf, prod
from time import thread_time

import numpy as np
import numpy.typing as npt

from optimizer.data.pool import Vector
from optimizer.engine.certificate import empty_boxes, lower_bounds
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
RUNS_A_LOOK = 8
"""Linear programs from one look at the time to the next, as on some machines a look takes as long as a program."""
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


@immutable
class Below:
    """What lies below a value: the best point, shape (n,), or None, and a bound on every point that was checked.

    No point if there is none, or if nothing proves either: the bound is then below the value.

    Attributes:
        runs: Programs run.
        leaves: The boxes that prove it; none if nothing does.
    """

    best: Vector | None
    bound: float
    runs: int
    leaves: tuple[Leaf, ...] = ()

    def settles(self, value: float) -> bool:
        """Return whether the best point below a value is found, or it is proven that there is none."""
        return self.best is not None or self.bound >= value


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
    most_open: float = 1.0,
) -> Tree | None:
    """Minimise over whole numbers and the rest; None where that is left to the solver's own search.

    Args:
        session: The rows; its last columns are whole numbers.
        cost: Shape (n,).
        lower: Shape (n,).
        upper: Shape (n,).
        below: Only what costs less is looked for.
        most: Linear programs at most.
        known: Leaves of an earlier tree over the same choices, whatever its rows and cost were; they are gone on from.
        most_open: Share of them that may be open: if it is more, a new tree is grown.

    Raises:
        NoProofError: If nothing proves that a box is empty which the solver finds so.
    """
    search = _Search(session, cost, below, most)
    try:
        return search.run(lower, upper, known, most_open)
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
    proof = _proof(session, cost, lower, upper, tree.leaves, least)
    return None if proof is None else replace(tree, leaves=proof[0])


def _proof(
    session: Session, cost: Vector, lower: Vector, upper: Vector, leaves: tuple[Leaf, ...], least: float
) -> tuple[tuple[Leaf, ...], float] | None:
    """Return leaves that prove what `checked` asks, and what nothing costs less than by them."""
    if not _cover(leaves, lower, upper, session.integers):
        return None
    bounds = bounds_of(session, cost, leaves)
    strong = bounds >= least
    if any(leaf.empty for leaf, ok in zip(leaves, strong, strict=True) if not ok):
        return None
    better = [_refined(session, cost, leaf) for leaf, ok in zip(leaves, strong, strict=True) if not ok]
    refined = bounds_of(session, cost, better, wide=True)
    if (refined < least).any():
        return None
    kept = (leaf for leaf, ok in zip(leaves, strong, strict=True) if ok)
    return (*kept, *better), float(min(bounds[strong].min(initial=inf), refined.min(initial=inf)))


def dearest(off: Vector, y: Vector, sizes: Vector) -> npt.NDArray[np.int64]:
    """Return the choices that are furthest from whole in what their rows are worth, at most `TRIED`.

    A yes that is nearly whole may still be the dearest: it decides by how much rows are lifted.

    Args:
        off: How far each choice is from whole, shape (k,); negative where it is none any more.
        y: Prices of the rows, shape (m,).
        sizes: Sizes of the coefficients of the choices in the rows, shape (m, k).
    """
    worth = off * (np.abs(y) @ sizes)
    order = np.lexsort((-off, -worth))
    broken = order[off[order] > WHOLE][:TRIED]
    return broken if broken.size else np.array([off.argmax()])


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
    most_open: float = 1.0,
) -> Below:
    """Return the best point below a value.

    Args:
        session: The rows; its last columns are whole numbers.
        cost: Shape (n,).
        lower: Shape (n,).
        upper: Shape (n,).
        least: The value; what does not lie below it is not looked for.
        most: Linear programs at most.
        known: Leaves that are gone on from, as in `grown`.
        most_open: As there.
    """
    try:
        tree = grown(session, cost, lower, upper, below=least, most=most, known=known, most_open=most_open)
    except NoProofError:
        tree = None
    if tree is None:
        return Below(None, -inf, most)
    found = tree.best.size > 0
    goal = reached(cost, tree.best) if found else least - BOUND_MET * (1 + abs(least)) if least < inf else inf
    proof = _proof(session, cost, lower, upper, tree.leaves, goal)
    if proof is None:
        return Below(None, -inf, tree.runs)
    leaves, bound = proof
    return Below(tree.best, bound, tree.runs, leaves) if found else Below(None, max(bound, least), tree.runs, leaves)


def bounds_of(session: Session, cost: Vector, leaves: Sequence[Leaf], *, wide: bool = False) -> Vector:
    """Return what nothing in each leaf costs less than, shape (k,); in extended precision if `wide`.

    Infinite where a leaf is proven to be empty, and minus that where its proof is none for these rows.
    """
    found, empty = np.full(len(leaves), -inf), np.array([leaf.empty for leaf in leaves], dtype=bool)
    for none in (False, True):
        some = [leaf for leaf in leaves if leaf.empty == none]
        if not some:
            continue
        boxes = (np.array([getattr(leaf, name) for leaf in some]) for name in ("lower", "upper", "y"))
        rows = session.matrix, session.row_low, session.row_high
        if none:
            found[empty] = np.where(empty_boxes(*rows, *boxes), inf, -inf)
        else:
            found[~empty] = lower_bounds(*rows, cost, *boxes, wide=wide)
    return found


def _refined(session: Session, cost: Vector, leaf: Leaf) -> Leaf:
    """Return a leaf with the prices of its basis, found again from near by and solved for anew."""
    answer = session.run(cost, leaf.lower, leaf.upper, relaxed=True)
    if answer.ending != "optimal":
        return leaf
    answer = zoomed(session, cost, leaf.lower, leaf.upper, answer)
    return replace(leaf, y=polished(session, cost, leaf.lower, leaf.upper, answer).y)


def _cover(leaves: tuple[Leaf, ...], lower: Vector, upper: Vector, integers: int) -> bool:
    """Return whether boxes hold every combination between two ends once, each with all of the other columns."""
    low, high = np.array([leaf.lower for leaf in leaves]), np.array([leaf.upper for leaf in leaves])
    whole = len(lower) - integers
    if (low[:, :whole] > lower[:whole]).any() or (high[:, :whole] < upper[:whole]).any():
        return False
    low, high, lower, upper = low[:, whole:], high[:, whole:], lower[whole:], upper[whole:]
    if (low < lower).any() or (high > upper).any() or (low != np.round(low)).any() or (high != np.round(high)).any():
        return False
    past = (low[:, None] > high).any(axis=2)
    apart = past | past.T | np.eye(len(leaves), dtype=bool)
    return bool(apart.all()) and sum(_combinations(low, high)) == sum(_combinations(lower[None], upper[None]))


def _combinations(low: Vector, high: Vector) -> Iterator[int]:
    """Yield how many combinations each box holds."""
    return (prod(widths) for widths in (high - low + 1).astype(int).tolist())


class _Search:
    """A search on its way."""

    def __init__(self, session: Session, cost: Vector, below: float, most: int) -> None:
        self.session, self.cost, self.most = session, cost, most
        self.unit, self.whole = unit_of(cost), session.n - session.integers
        self.sizes = np.abs(session.matrix[:, self.whole :])
        self.until = thread_time() + SHARE_OF_TIME * session.time_limit
        self.leaves: list[Leaf] = []
        self.number = count()
        self.best, self.enough, self.runs = EMPTY, below, 0

    def run(self, lower: Vector, upper: Vector, known: tuple[Leaf, ...], most_open: float) -> Tree:
        """Search a box, or go on from leaves that hold it, of which those are solved that may hold something better."""
        waiting = self._waiting(self._within(known, lower, upper), most_open)
        if not waiting:
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

    def _within(self, known: tuple[Leaf, ...], lower: Vector, upper: Vector) -> tuple[Leaf, ...]:
        """Return the parts of leaves between two ends, with the bounds here of what is no choice; none if some lack."""
        choice = np.arange(len(lower)) >= self.whole
        cut = (
            replace(x, lower=np.where(choice, np.maximum(x.lower, lower), lower),
                    upper=np.where(choice, np.minimum(x.upper, upper), upper))
            for x in known
        )  # fmt: skip
        leaves = tuple(leaf for leaf in cut if (leaf.lower <= leaf.upper).all())
        return leaves if leaves and _cover(leaves, lower, upper, self.session.integers) else ()

    def _waiting(self, known: tuple[Leaf, ...], most_open: float) -> list[Waiting]:
        """Return leaves with what their prices bound, or their proofs; none if more than a share of them are open."""
        bounds = bounds_of(self.session, self.cost, known)
        if (bounds < self.enough).sum() > most_open * len(known):
            return []
        return sorted((bound, next(self.number), leaf) for bound, leaf in zip(bounds.tolist(), known, strict=True))

    def _solved(self, lower: Vector, upper: Vector) -> Half:
        if self.runs == self.most or (self.runs % RUNS_A_LOOK == 0 and thread_time() > self.until):
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
        """Return the columns that are to be split first, at most `TRIED`."""
        parts = half.answer.x[self.whole :]
        return np.asarray(self.whole + dearest(np.abs(parts - np.round(parts)), half.answer.y, self.sizes))

    def _boxes(self, half: Half, column: int) -> Iterator[tuple[Vector, Vector]]:
        value = half.answer.x[column]
        least = min(np.floor(value), half.upper[column] - 1)
        down, up = half.upper.copy(), half.lower.copy()
        down[column], up[column] = least, least + 1
        yield half.lower, down
        yield up, half.upper
