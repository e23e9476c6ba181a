"""One kernel for every study: pH and case told together, plans equal blends, time for each run, proofs by name."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.brief.brief import Brief, load_brief
from optimizer.engine import farkas
from optimizer.engine import search as searching
from optimizer.engine.certificate import check_infeasible, check_optimal
from optimizer.engine.highs import Session, SolverAnswer, row_scales
from optimizer.engine.search import fixed, linear, search
from optimizer.files import shipped
from optimizer.solve.fractional import optimum
from optimizer.solve.linear import solve_fully
from optimizer.solve.result import Result
from optimizer.studies.multi_product import Product, joint

SCENARIOS = shipped("scenarios")
LINEAR = ("body-wash", "curl-wash", "hand-wash")
INF = np.inf


def brief(name: str, **changes: str) -> Brief:
    return load_brief(SCENARIOS / f"{name}.toml", changes=[(k.replace("__", "."), v) for k, v in changes.items()])


# pH -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", LINEAR)
@pytest.mark.parametrize("low", ["5.2", "5.4"])
def test_what_the_told_ph_bars_is_told_as_barred_and_has_no_entry_price(name: str, low: str) -> None:
    # potassium sorbate, clear up to pH 5.8, had an entry price beside a target of 6.1
    solved = solve_fully(brief(name, ph__low=low))
    result = solved.result
    assert result.ph is not None
    assert solved.chosen is not None
    acidity = result.brief.acidity
    assert acidity is not None
    assert result.ph.target in {s.target for s in solved.chosen.case.settings}
    barred = {i.id for i in result.brief.pool.items if acidity.gap(i.material, result.setting) > 1e-6}
    assert set(result.barred) == barred
    assert not barred & {e.id for e in result.entry_prices}
    assert not barred & {line.item.id for line in (result.formula.lines if result.formula else ())}


@pytest.mark.thorough
@pytest.mark.parametrize(
    "name", sorted(p.stem for p in SCENARIOS.glob("*.toml") if p.stem not in ("common", "impossible-wash"))
)
def test_one_product_alone_without_packs_is_the_blend(name: str) -> None:
    # the plan told pH 5.8 for a gentle wash whose blend told 5.5, and 5.4 for a facial wash told 5.6
    one = brief(name)
    assert one.shelf is not None
    lines = tuple(
        line.model_copy(update={"pack_kg": None, "min_packs": None, "stock_kg": 0.0}) for line in one.shelf.lines
    )
    one = replace(one, shelf=one.shelf.model_copy(update={"lines": lines}))
    if one.scenario.objective.goals[0] != (1, "cost"):
        pytest.skip("a plan counts money")
    blend, plan = solve_fully(one).result, joint((Product(one, 50.0),))
    made = plan.products[0]
    assert blend.formula is not None
    assert made.formula.doses == pytest.approx(blend.formula.doses, abs=1e-9)
    assert made.setting == blend.setting
    assert made.cost == pytest.approx(blend.cost, rel=1e-12)
    assert plan.total == pytest.approx(50 * blend.cost, rel=1e-9)


def test_the_worth_of_stock_is_what_one_more_kg_saves() -> None:
    # at a kink the price of a basis may be that of less stock: 6 kg in stock are just enough for 30 kg at 20 %
    one = brief("hand-wash")
    assert one.shelf is not None
    plan = joint((Product(one, 20.0),), leftover=1.0)
    for balance in (b for b in plan.balances if b.worth > 1e-6):
        lines = tuple(
            line.model_copy(update={"stock_kg": (line.stock_kg or 0.0) + 0.01})
            if line.material == balance.material
            else line
            for line in one.shelf.lines
        )
        more = joint((Product(replace(one, shelf=one.shelf.model_copy(update={"lines": lines})), 20.0),), leftover=1.0)
        assert plan.total - more.total == pytest.approx(0.01 * balance.worth, abs=1e-6)


# time -----------------------------------------------------------------------------------------------


def test_each_run_of_a_session_has_its_own_time() -> None:
    # HiGHS counts its limit over all runs: the tenth met it, and what had been found could not be repeated
    matrix = np.ones((1, 2))
    session = Session(matrix, np.array([1.0]), np.array([2.0]), time_limit=0.05)
    ended = set()
    for k in range(400):
        ended.add(session.run(np.array([1.0, 2.0 + k]), np.zeros(2), np.ones(2)).ending)
    assert ended == {"optimal"}


def test_what_was_found_in_time_is_told_with_its_gap(monkeypatch: pytest.MonkeyPatch) -> None:
    # x + y >= 1.5 in whole numbers: the search is stopped at (1, 1), which costs 3, with a bound of 2
    session = Session(np.ones((1, 2)), np.array([1.5]), np.array([INF]), integers=2)
    run = session.run
    monkeypatch.setattr(searching, "grown", lambda *_, **__: None)

    def stopped(cost: np.ndarray, lower: np.ndarray, upper: np.ndarray, **more: object) -> SolverAnswer:
        if (lower == upper).all():
            return run(cost, lower, upper, **more)  # type: ignore[arg-type]
        return SolverAnswer("unfinished", np.ones(2), np.zeros(0), np.zeros(0, dtype=np.int64), None, 2.0)

    monkeypatch.setattr(session, "run", stopped)
    found = search(session, np.array([1.0, 2.0]), np.zeros(2), np.ones(2))
    assert (found.ending, found.proof, found.objective) == ("feasible", "none", 3.0)
    assert found.gap == pytest.approx(1 / 3)


# proofs ---------------------------------------------------------------------------------------------


def test_an_impossible_program_without_a_proof_is_not_certified(monkeypatch: pytest.MonkeyPatch) -> None:
    session = Session(np.ones((1, 1)), np.array([2.0]), np.array([3.0]))
    found = linear(session, np.ones(1), np.zeros(1), np.ones(1))
    assert (found.ending, found.proof) == ("infeasible", "certificate")
    monkeypatch.setattr(farkas, "check_infeasible", lambda *_: False)
    found = linear(session, np.ones(1), np.zeros(1), np.ones(1))
    assert (found.ending, found.proof) == ("infeasible", "none")
    result = Result(brief("hand-wash"), "infeasible", "none", float("nan"), None)
    assert result.exit_code == 5
    assert replace(result, proof="certificate").exit_code == 4


def test_impossible_is_proven_without_the_solvers_ray(monkeypatch: pytest.MonkeyPatch) -> None:
    # 5e-10 x >= 3e-7 with x <= 100 asks for x = 600
    session = Session(np.array([[5e-10]]), np.array([3e-7]), np.array([INF]))
    run = session.run
    monkeypatch.setattr(session, "run", lambda *a, **k: replace(run(*a, **k), ray=None))
    found = linear(session, np.ones(1), np.zeros(1), np.full(1, 100.0))
    assert (found.ending, found.proof) == ("infeasible", "certificate")


def test_a_point_is_not_best_because_something_else_is_dear() -> None:
    # min x + 1e12 z, x + y >= 1, x <= 1, y free of charge: y = 1 costs 0; x = 1 costs 1, which is nothing beside 1e12
    matrix, low, high = np.array([[1.0, 1.0, 0.0]]), np.array([1.0]), np.array([INF])
    cost, lower, upper = np.array([1.0, 0.0, 1e12]), np.zeros(3), np.ones(3)
    assert check_optimal(matrix, low, high, cost, lower, upper, np.array([0.0, 1.0, 0.0]), np.zeros(1)).holds
    assert not check_optimal(matrix, low, high, cost, lower, upper, np.array([1.0, 0.0, 0.0]), np.ones(1)).holds


def test_a_row_in_parts_per_billion_is_missed_relative_to_itself() -> None:
    matrix, cost = np.array([[5e-10]]), np.ones(1)
    for x, holds in ((3.0, True), (2.9, False)):
        found = check_optimal(
            matrix,
            np.array([1.5e-9]),
            np.array([INF]),
            cost,
            np.zeros(1),
            np.full(1, 100.0),
            np.array([x]),
            np.array([2e9]),
        )
        assert found.holds == holds


def test_a_proof_in_parts_per_billion_is_one_and_a_tie_is_none() -> None:
    matrix, lower, upper = np.array([[5e-10]]), np.zeros(1), np.full(1, 100.0)
    assert check_infeasible(matrix, np.array([6e-8]), np.array([INF]), lower, upper, np.ones(1))
    assert not check_infeasible(matrix, np.array([5e-8]), np.array([INF]), lower, upper, np.ones(1))


def test_rows_are_scaled_by_powers_of_two_to_their_own_size() -> None:
    matrix = np.array([[5e-10, 0.0], [2e8, 1e9], [0.0, 0.0], [1.0, 1.0]])
    scales = row_scales(matrix, np.array([1.5e-9, -INF, 0.0, 1e-3]), np.array([INF, 3e7, 0.0, INF]))
    assert (np.frexp(scales)[0] == 0.5).all()
    sizes = scales * np.array([1.5e-9, 3e7, 1.0, 1e-3])
    assert ((sizes >= 0.5) & (sizes <= 4)).all()


def test_fixed_choices_that_cannot_be_met_are_an_error() -> None:
    session = Session(np.ones((1, 2)), np.array([1.5]), np.array([INF]), integers=2)
    with pytest.raises(searching.SolverError, match="could not be repeated"):
        fixed(session, np.ones(2), np.zeros(2), np.ones(2), np.array([1.0, 0.0]))


def test_the_best_ratio_is_found_from_any_start() -> None:
    # (3 - x) / (1 + x) over 0 <= x <= 2 is least at x = 2: 1 / 3
    runs: list[float] = []

    def run(ratio: float) -> float:
        runs.append(ratio)
        return 2.0 if -1 - ratio < 0 else 0.0

    for start in (0.0, 50.0, -3.0):
        found = optimum(run, lambda x: (3 - x) / (1 + x), start)
        assert found is not None
        assert found == (2.0, pytest.approx(1 / 3))
    assert optimum(lambda ratio: None, lambda x: 0.0) is None


def test_a_hard_brief_keeps_its_best_formula_when_time_is_up(tmp_path: Path) -> None:
    result = solve_fully(brief("gentle-wash"), time_limit=1e-4).result
    assert result.ending in ("feasible", "stopped", "optimal")
    assert (result.exit_code == 0) == (result.ending == "optimal")
