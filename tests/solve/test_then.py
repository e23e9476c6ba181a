"""What `then` decides: among equally good formulas of all choices and pH cases, held against a second program."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import optimizer
from optimizer.brief.brief import Brief
from optimizer.solve.best import solve
from optimizer.solve.lexicographic import by_rows, preferred
from optimizer.solve.linear import solve_fully
from tests.support.draws import some

NEAR = 1e-7
"""How much of the first goal the second program may give up, so that rounding does not forbid it; the test's own."""


GOALS = {
    "maximise mildness": "mildness.at_least",
    "maximise flash-foam": "flash-foam.at_least",
    "minimise active": "active.at_most",
    "minimise salt": "salt.at_most",
}


def asked(name: str, goal: str, then: str, **limits: object) -> Brief:
    """Return a shipped brief with other goals, the blend's own cost among them."""
    sense, measure = goal.split()
    goals = {"objective.minimise": "", "objective.maximise": "", f"objective.{sense}": measure}
    goals |= {"objective.then": f'["{then}"]', "objective.planned": "false"}
    return optimizer.read_brief(name, **goals, **limits)


@pytest.mark.parametrize("name", some(["hand-wash", "body-wash", "after-swim-shampoo"], 1))
@pytest.mark.parametrize("goal", GOALS)
def test_no_formula_as_good_costs_less(name: str, goal: str) -> None:
    """Whatever rounding leaves of a price of 0 must not fix a limit, or the tie-break is lost without a word."""
    best = solve(asked(name, goal, "minimise cost"))
    assert best.proof != "none"
    held = best.objective + (NEAR if goal.startswith("min") else -NEAR)
    least = solve(asked(name, "minimise cost", "maximise water", **{GOALS[goal]: held}))
    assert best.cost == pytest.approx(least.cost, rel=1e-5)


TWO_WAYS = """
name = "two ways to preserve"
shelf = "shelf.csv"
ph = { low = 4.5, high = 5.7 }
objective = { maximise = "mildness", then = ["minimise cost"] }
pool.materials = ["aqua", "decyl-glucoside", "sodium-cocoamphoacetate", "phenoxyethanol", "sodium-benzoate"]
rule = [
  { id = "active", kind = "active", exactly = 8 },
  { id = "mild", kind = "rating", rating = "mildness", at_least = 40 },
  { id = "one", kind = "one-of", of = ["phenoxyethanol", "sodium-benzoate"] },
  { id = "p", kind = "if-used", of = ["phenoxyethanol"], at_least = 0.9 },
  { id = "b", kind = "if-used", of = ["sodium-benzoate"], at_least = 0.5 },
]
"""
PRICES = {
    "aqua": 0.03, "decyl-glucoside": 7, "sodium-cocoamphoacetate": 4, "phenoxyethanol": 24, "sodium-benzoate": 20
}  # fmt: skip
"""Made up; sodium benzoate does not go above the pH that keeps its acid, phenoxyethanol goes everywhere."""


def test_then_decides_between_ph_cases(tmp_path: Path) -> None:
    """Two preservatives, as mild as each other: the dearer one has more room around its pH, and costs more."""
    (tmp_path / "brief.toml").write_text(TWO_WAYS, encoding="utf-8")
    lines = ["material,price per kg", *(f"{name},{price}" for name, price in PRICES.items())]
    (tmp_path / "shelf.csv").write_text("\n".join(lines), encoding="utf-8")
    best, dear = (solve(optimizer.read_brief(tmp_path / "brief.toml", ph__low=low)) for low in (4.5, 5.3))
    assert best.formula is not None
    assert "sodium-benzoate" in best.formula.doses
    assert best.objective == pytest.approx(dear.objective, abs=NEAR)
    assert best.cost < dear.cost - 0.05


def test_rows_for_what_was_met_lead_where_fixing_what_costs_does() -> None:
    """The way that is left where fixing fails gives the same formula."""
    whole = solve_fully(asked("body-wash", "maximise mildness", "minimise cost"))
    assert whole.chosen is not None
    basis = whole.chosen.basis
    further = [np.asarray(v, dtype=float) for v in np.eye(basis.n)[:6]]
    one, other = preferred(basis, further, 10.0), by_rows(basis, basis.x, further, 10.0)
    assert not basis.unique
    for vector in further:
        assert vector @ one == pytest.approx(vector @ other, abs=1e-5)
    assert float(basis.cost[: basis.n] @ other) == pytest.approx(float(basis.cost[: basis.n] @ basis.x), abs=NEAR)
