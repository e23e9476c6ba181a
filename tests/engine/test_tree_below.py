"""The search below a value against every combination of yes/no columns, tried one by one with scipy."""

from __future__ import annotations

from itertools import product
from math import inf

import numpy as np
import pytest
from scipy.optimize import linprog

from optimizer.engine import tree
from optimizer.engine.highs import EMPTY, Session
from optimizer.engine.tree import Leaf, Tree, grown, lowest_below
from tests.support.draws import some

DOSES, CHOICES = 4, 5


def posed(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return a cover program: doses under switches, made-up figures."""
    rng = np.random.default_rng(seed)
    links = np.hstack([rng.uniform(0, 1, (CHOICES, DOSES)), -np.diag(rng.uniform(2, 6, CHOICES))])
    asked = np.hstack([rng.uniform(0.1, 1, (2, DOSES)), np.zeros((2, CHOICES))])
    matrix = np.vstack([links, asked])
    low = np.concatenate([np.full(CHOICES, -inf), rng.uniform(1, 3, 2)])
    high = np.concatenate([np.zeros(CHOICES), np.full(2, inf)])
    cost = np.concatenate([rng.uniform(0.1, 1, DOSES), rng.uniform(0.1, 1, CHOICES)])
    return matrix, low, high, cost, np.concatenate([np.full(DOSES, 20.0), np.ones(CHOICES)])


def least_of_all(seed: int) -> float:
    matrix, low, high, cost, upper = posed(seed)
    best = inf
    for chosen in product((0.0, 1.0), repeat=CHOICES):
        rows, ends = np.vstack([matrix, -matrix]), np.concatenate([high, -low])
        there = np.isfinite(ends)
        bounds = [*((0.0, u) for u in upper[:DOSES]), *((c, c) for c in chosen)]
        answer = linprog(cost, A_ub=rows[there], b_ub=ends[there], bounds=bounds)
        best = min(best, answer.fun if answer.status == 0 else inf)
    return best


@pytest.mark.parametrize("seed", some(range(30), 12))
def test_what_lies_below_a_value_is_found_and_nothing_else(seed: int) -> None:
    matrix, low, high, cost, upper = posed(seed)
    session, lower, best = Session(matrix, low, high, integers=CHOICES), np.zeros(len(cost)), least_of_all(seed)
    above = best + 1 if best < inf else 100.0
    below = lowest_below(session, cost, lower, upper, above)
    assert below.settles(above)
    if best == inf:
        assert below.best is None
        assert below.bound == inf
        return
    assert below.best is not None
    assert float(cost @ below.best) == pytest.approx(best, abs=1e-7)
    assert below.bound == pytest.approx(best, abs=1e-7)
    below = lowest_below(session, cost, lower, upper, best - 1e-6)
    assert below.best is None
    assert best - 1e-6 <= below.bound <= best + 1e-7


def test_too_few_nodes_prove_nothing() -> None:
    matrix, low, high, cost, upper = posed(1)
    session = Session(matrix, low, high, integers=CHOICES)
    below = lowest_below(session, cost, np.zeros(len(cost)), upper, 100.0, most=1)
    assert (below.best, below.bound) == (None, -inf)
    assert not below.settles(100.0)


def test_a_tree_that_overlooks_what_lies_below_proves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    matrix, low, high, cost, upper = posed(2)
    session, lower = Session(matrix, low, high, integers=CHOICES), np.zeros(len(cost))
    whole = Leaf(lower, upper, np.zeros(len(low)), empty=False)
    monkeypatch.setattr(tree, "grown", lambda *_, **__: Tree(EMPTY, (whole,), 1))
    below = lowest_below(session, cost, lower, upper, least_of_all(2) + 1)
    assert (below.best, below.bound) == (None, -inf)


@pytest.mark.parametrize("seed", some(range(30), 12))
def test_a_tree_goes_on_from_leaves_of_other_rows(seed: int) -> None:
    matrix, low, high, cost, upper = posed(seed)
    session, lower = Session(matrix, low, high, integers=CHOICES), np.zeros(len(cost))
    known = grown(session, cost, lower, upper)
    other, eased, asked, dear, _ = posed(seed + 100)
    moved, best = Session(other, eased, asked, integers=CHOICES), least_of_all(seed + 100)
    assert known is not None
    found = lowest_below(moved, dear, lower, upper, 100.0, known=known.leaves)
    assert (found.best is None) == (best == inf)
    assert found.bound == pytest.approx(best, abs=1e-7)
    assert lowest_below(moved, dear, lower, upper, 100.0, known=found.leaves).bound == pytest.approx(best, abs=1e-7)
