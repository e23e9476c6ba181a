"""The price below which an unused material comes in, over all choices and pH settings.

The trees that prove an answer are gone on from: their leaves still bound what each group of choices costs at another
price, so that only boxes are solved, as linear programs, in which the material may make something better.
"""

from __future__ import annotations

from math import inf, nan

import numpy as np

from optimizer.data.pool import Vector
from optimizer.engine.certificate import lower_bounds
from optimizer.engine.ending import Proof, weakest
from optimizer.engine.search import search
from optimizer.engine.tree import lowest_below
from optimizer.immutable import immutable, replace
from optimizer.model.model import widest
from optimizer.solve.case_solver import CaseAnswer
from optimizer.solve.result import EntryPrice
from optimizer.solve.solved import Solved
from optimizer.units import SAME_WORTH, USED

STEPS = 40
"""Prices that are tried; a few suffice."""


@immutable
class Entry:
    """The price below which a material comes in: minus infinite if no formula may hold it, NaN if that is not proven.

    Attributes:
        price: Per kg.
        proof: What it rests on.
    """

    price: float
    proof: Proof


def entry_of_all(solved: Solved, position: int, start: float) -> Entry:
    """Return the price below which an unused material comes in at some choice and pH.

    The root of best(price) = best without it, which is concave in the price (Newton's method from below: each step goes
    to the price at which the formula found so far would cost the same; Dinkelbach, Management Science 13 (1967) 492).

    Args:
        solved: The least cost, by a formula that does not use it.
        position: Its place in the pool.
        start: A price below which it is known to come in, or minus infinite.
    """
    chosen = solved.chosen
    if solved.result.ending != "optimal" or chosen is None or chosen.cost is None or chosen.x is None:
        return Entry(nan, "none")
    lowest = _Lowest(solved, position)
    worth, price, entry = float(chosen.cost @ chosen.x), solved.result.brief.pool.items[position].price, start
    for _ in range(STEPS):
        if entry == -inf:
            found = lowest.below(-USED, 0.0, -1.0)
        else:
            found = lowest.below(worth - SAME_WORTH * (1 + abs(worth)), 1.0, (entry - price) / 100)
        if lowest.proof == "none":
            break
        if found is None or found[1] <= USED:
            return Entry(entry, lowest.proof)
        entry = price - 100 * (found[0] - worth) / found[1]
    return Entry(nan, "none")


def bounded(solved: Solved) -> tuple[EntryPrice, ...]:
    """Return the entry prices of an answer; what a choice keeps out with a price above which no choice lets it in.

    The leaves of its trees tell that without a further program: by the row prices of one, what holds x of a material
    that is t cheaper costs at least r + (d - t) x, with d its reduced cost and r the bound without it, its yes/no
    taken. Up to which t no x within the leaf goes below the answer is proven.
    """
    prices, wide = solved.result.entry_prices, widest(solved.corridor.cases)
    found = [found for found in solved.found if any(found.case is case for case in wide)]
    if any(one.tree is None or one.cost is None for one in found):
        return prices
    pool, out = solved.result.brief.pool, [entry.id for entry in prices if entry.kept_out]
    falls = np.min([_falls(solved, one, out) for one in found], axis=0).tolist()
    above = {i: pool.items[pool.index[i]].price - 100 * fall for i, fall in zip(out, falls, strict=True)}
    return tuple(replace(e, never_above=above.get(e.id, nan)) for e in prices)


def _falls(solved: Solved, found: CaseAnswer, ids: list[str]) -> Vector:
    """Return by how much a % of each material must be cheaper at least until a case holds it, shape (k,)."""
    model, chosen, tree = found.case.model, solved.chosen, found.tree
    assert chosen is not None
    assert chosen.cost is not None
    assert chosen.x is not None
    assert found.cost is not None
    assert tree is not None
    worth = float(chosen.cost @ chosen.x)
    least, falls = worth - SAME_WORTH * (1 + abs(worth)), np.full(len(ids), inf)
    leaves = [leaf for leaf in tree.leaves if not leaf.empty]
    if not leaves:
        return falls
    lower, upper, y = (np.array([getattr(leaf, name) for leaf in leaves]) for name in ("lower", "upper", "y"))
    rows = model.matrix, model.row_low, model.row_high
    y = np.where(((y > 0) & np.isneginf(model.row_low)) | ((y < 0) & np.isposinf(model.row_high)), 0.0, y)
    reduced = found.cost - y @ model.matrix
    for k, name in enumerate(ids):
        dose, use = solved.result.brief.pool.index[name], model.names.index(f"use:{name}")
        open_ = (upper[:, dose] > 0) & (upper[:, use] > 0)
        low, high = lower[open_].copy(), upper[open_].copy()
        low[:, use], high[:, dose] = 1.0, 0.0
        rest = lower_bounds(*rows, found.cost, low, high, y[open_])
        falls[k] = (reduced[open_, dose] + (rest - least) / upper[open_, dose]).min(initial=inf)
    return falls


class _Lowest:
    """Points of the lowest cost over all cases, where one column costs otherwise."""

    def __init__(self, solved: Solved, position: int) -> None:
        """Keep the cases that no other one contains."""
        wide = widest(solved.corridor.cases)
        self._found = [found for found in solved.found if any(found.case is case for case in wide)]
        self._corridor, self._position = solved.corridor, position
        self.proof: Proof = "certificate"
        """What the last answer that there is no such point rests on."""

    def below(self, least: float, share: float, extra: float) -> tuple[float, float] | None:
        """Return what the lowest point below a value costs by itself, and its dose of the column, if there is one.

        Args:
            least: The value.
            share: What its own cost counts.
            extra: What one % of the column costs besides.
        """
        best: tuple[float, float] | None = None
        proofs: set[Proof] = {"certificate"}
        for found in self._found:
            assert found.cost is not None
            cost = share * found.cost
            cost[self._position] += extra
            x, proof = self._lowest(found, cost, least)
            proofs.add(proof)
            if x is not None:
                best, least = (float(found.cost @ x), float(x[self._position])), float(cost @ x)
        self.proof = weakest(proofs)
        return best

    def _lowest(self, found: CaseAnswer, cost: Vector, least: float) -> tuple[Vector | None, Proof]:
        """Return the lowest point of a case below a value, if there is one, and what it rests on that there is none."""
        session, lower, upper = self._corridor.session(found.case.model), found.case.model.lower, found.case.upper
        if found.tree is not None:
            below = lowest_below(session, cost, lower, upper, least, known=found.tree.leaves)
            if below.settles(least):
                return below.best, "certificate"
        done = search(session, cost, lower, upper)
        if done.ending not in ("optimal", "infeasible"):
            return None, "none"
        return (done.answer.x if done.answer.x.size and done.objective < least else None), done.proof
