"""Trees over yes and no: scipy's own integer search finds the same best, and a proof with a hole in it is none."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from random import Random

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from optimizer.data.pool import Vector
from optimizer.engine.exact import shortfall
from optimizer.engine.highs import Session
from optimizer.engine.search import search
from optimizer.engine.tree import Tree, checked, grown, reached
from optimizer.immutable import replace
from tests.support.draws import drawn, some
from tests.support.solved import SHIPPED, solved

INF = float("inf")


@dataclass
class Drawn:
    """A made-up program: doses that sum to 100 with yes/no ties, counts and a few rows that cut across."""

    matrix: Vector
    low: Vector
    high: Vector
    cost: Vector
    upper: Vector
    whole: int

    @property
    def lower(self) -> Vector:
        return np.zeros(len(self.cost))

    @property
    def session(self) -> Session:
        return Session(self.matrix, self.low, self.high, integers=self.whole)

    def best(self) -> float:
        """Return the least cost by scipy, infinite if there is no point."""
        kinds = np.append(np.zeros(len(self.cost) - self.whole), np.ones(self.whole))
        rows = LinearConstraint(self.matrix, self.low, self.high)
        found = milp(self.cost, integrality=kinds, bounds=Bounds(self.lower, self.upper), constraints=rows)
        return float(found.fun) if found.success else INF


def program(seed: int) -> Drawn:
    draw = Random(seed)
    n, k = draw.randint(4, 9), draw.randint(2, 7)
    k = min(k, n)
    rows, low, high = [np.append(np.ones(n), np.zeros(k))], [100.0], [100.0]
    for j in range(k):
        least, most = draw.uniform(1, 12), draw.uniform(20, 60)
        for bound, ends in ((most, (-INF, 0.0)), (least, (0.0, INF))):
            row = np.zeros(n + k)
            row[j], row[n + j] = 1.0, -bound
            rows.append(row)
            low.append(ends[0])
            high.append(ends[1])
    for _ in range(draw.randint(1, 4)):
        rows.append(np.append([draw.choice([0.0, draw.uniform(0, 2)]) for _ in range(n)], np.zeros(k)))
        low.append(draw.choice([-INF, draw.uniform(10, 60)]))
        high.append(draw.uniform(60, 130))
    rows.append(np.append(np.zeros(n), np.ones(k)))
    low.append(draw.randint(0, 2))
    high.append(draw.randint(2, k))
    cost = np.append(
        [draw.uniform(0.5, 9) for _ in range(n)], [draw.choice([0.0, draw.uniform(0, 30)]) for _ in range(k)]
    )
    upper = np.append([draw.choice([100.0, draw.uniform(5, 40)]) for _ in range(n)], np.ones(k))
    return Drawn(np.array(rows), np.array(low), np.array(high), cost, upper, k)


def proof(one: Drawn) -> tuple[Session, Tree, float]:
    session = one.session
    tree = grown(session, one.cost, one.lower, one.upper)
    assert tree is not None
    return session, tree, float(one.cost @ tree.best) if tree.best.size else INF


@pytest.mark.parametrize("seed", some(range(drawn(120, of=1500)), 60))
def test_scipy_finds_the_same_best(seed: int) -> None:
    one = program(seed)
    session, tree, worth = proof(one)
    assert worth == pytest.approx(one.best(), rel=1e-7, abs=1e-9)
    kept = checked(session, one.cost, one.lower, one.upper, tree, reached(one.cost, tree.best))
    assert kept is not None
    found = search(one.session, one.cost, one.lower, one.upper)
    assert (found.ending, found.proof) == ("optimal" if worth < INF else "infeasible", "certificate")
    rows = session.matrix, session.row_low, session.row_high
    best = Fraction(worth) if worth < INF else None
    assert shortfall(rows, one.cost, kept, best) <= Fraction(1, 10**9)


@pytest.mark.parametrize("seed", range(drawn(25, of=200)))
def test_a_tree_with_a_hole_proves_nothing(seed: int) -> None:
    one = program(seed)
    session, tree, worth = proof(one)

    least = reached(one.cost, tree.best)

    def holds(changed: Tree, least: float) -> bool:
        return checked(session, one.cost, one.lower, one.upper, changed, least) is not None

    assert holds(tree, least)
    for k, leaf in enumerate(tree.leaves):
        rest = (*tree.leaves[:k], *tree.leaves[k + 1 :])
        assert not rest or not holds(replace(tree, leaves=rest), least)
        assert not holds(replace(tree, leaves=(*tree.leaves, leaf)), least), "a box twice"
        barred = replace(leaf, upper=np.append(0.0, leaf.upper[1:]))
        assert not holds(replace(tree, leaves=(*rest, barred)), least), "a box without a dose"
        if leaf.empty:
            told = replace(leaf, y=np.zeros(len(leaf.y)))
            assert not holds(replace(tree, leaves=(*rest, told)), least), "no proof that it is empty"
    if worth < INF:
        assert not holds(tree, worth * (1 + 1e-6)), "something better was found"


@pytest.mark.parametrize("seed", some(range(drawn(40, of=400)), 15))
@pytest.mark.parametrize("barred", [0, -1], ids=["a dose", "a yes"])
def test_a_tree_goes_on_from_one_that_allowed_less_or_more(seed: int, barred: int) -> None:
    one = program(seed)
    few = replace_upper(one, barred)
    for before, now in ((few, one), (one, few)):
        tree = grown(before.session, before.cost, before.lower, before.upper)
        assert tree is not None
        found = search(now.session, now.cost, now.lower, now.upper, known=tree.leaves)
        assert (found.ending, found.proof) == ("optimal" if now.best() < INF else "infeasible", "certificate")
        assert not found.answer.x.size or found.objective == pytest.approx(now.best(), rel=1e-7, abs=1e-9)


def replace_upper(one: Drawn, column: int) -> Drawn:
    """Return a program that bars a column."""
    upper = one.upper.copy()
    upper[column] = 0.0
    return Drawn(one.matrix, one.low, one.high, one.cost, upper, one.whole)


def test_what_is_left_to_the_solver_is_its_word() -> None:
    one = program(3)
    assert grown(one.session, one.cost, one.lower, one.upper, most=1) is None


@pytest.mark.parametrize("name", [*SHIPPED, "impossible-wash"])
def test_every_shipped_answer_is_proven_over_all_choices(name: str) -> None:
    result = solved(name)
    assert result.proof == "certificate"
    assert {s.proof for s in result.settings} == {"certificate"}
