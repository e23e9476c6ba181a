"""The optimal vertex in rational arithmetic: it agrees with the certificates, knows fractions, and denies errors."""

from __future__ import annotations

from fractions import Fraction
from functools import cache
from itertools import combinations
from pathlib import Path
from random import Random

import numpy as np
import numpy.typing as npt
import pytest

from optimizer.brief.brief import load_brief
from optimizer.data.pool import Vector
from optimizer.engine.certificate import check_optimal
from optimizer.engine.exact import ExactCheck, check_exactly
from optimizer.engine.highs import Session
from optimizer.engine.sensitivity import Basis
from optimizer.files import shipped
from optimizer.solve.best import solve
from optimizer.solve.linear import solve_fully
from optimizer.solve.solved import Solved
from tests.support.briefs import Wish, brief_of, draw
from tests.support.published_cases import arrays, load, write_as_blend
from tests.support.solved import SHIPPED, solved

CONFIRMED = "checked in exact rational arithmetic: "


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_answer_is_confirmed(name: str) -> None:
    brief = load_brief(shipped("scenarios") / f"{name}.toml")
    answer = solve_fully(brief, exact=True)
    assert (answer.result.ending, answer.result.proof) == ("optimal", "certificate")
    assert all(found.proof == "certificate" for found in answer.found), "no pH setting rests on the solver's word"
    assert answer.result.exact.startswith(CONFIRMED)
    assert answer.chosen is not None
    found = check_exactly(answer.chosen.basis)
    assert (found.feasible, found.optimal) == (True, True)
    sign, goal = brief.scenario.objective.goals[0]
    _, constant = answer.chosen.case.model.objective(brief.measure(goal), brief.pool, sign)
    assert sign * (float(found.objective) + constant) == pytest.approx(answer.result.objective, rel=1e-12)
    assert solved(name).exact == ""


# published cases ------------------------------------------------------------------------------------

EXACT: dict[str, tuple[Fraction, str]] = {
    # optima as fractions of the case's own decimals; published to the digits in brackets
    "catfood_simple": (Fraction(29, 30), "A. Phillips and S. Mitchell, PuLP documentation (2007) [0.96 or 0.97]"),
    "catfood_full": (Fraction(52, 100), "A. Phillips and S. Mitchell, PuLP documentation (2007) [0.52]"),
    "soil_mix_ranging": (Fraction(49, 100), "LP Examples: Solid Waste Management (lecture slides), case 2 [0.49]"),
    "ampl_diet": (Fraction(882, 10), "R. Fourer, D. M. Gay and B. W. Kernighan, AMPL, 2nd ed. (2003), ch. 2 [88.2]"),
    "brewery_blend": (Fraction(27625, 1000), "J. C. Kantor, ND Pyomo Cookbook, Linear Blending Problem [27.625]"),
    "dantzig_alloy_blend": (Fraction(498, 100), "G. B. Dantzig (1963), ch. 3.4; from memory [4.98]"),
    "hl_radiation": (Fraction(525, 100), "believed to be F. S. Hillier and G. J. Lieberman, 3.4; from memory [5.25]"),
    "hl_wyndor_ranging": (Fraction(-36), "F. S. Hillier and G. J. Lieberman; from memory [36]"),
    "winston_dakota_ranging": (Fraction(-280), "W. L. Winston, 4th ed. (2004), chs. 3-6 [280]"),
    "winston_diet_ranging": (Fraction(90), "W. L. Winston, 4th ed. (2004), p. 68; from memory [90]"),
    "winston_leary": (Fraction(14), "believed to be W. L. Winston, 4th ed. (2004), ch. 3; from memory [14]"),
    "lpsolve_sensitivity": (Fraction(460850, 14500), "lp_solve reference guide 5.5, sensitivity.htm [31.7828]"),
}
OTHERS = ("plan_alloy_ranging", "netlib_afiro", "stigler_diet", "ibm_alloy", "highs_avgas")


class Posed:
    """A case as the engine's arrays in minimising form, solved, with its basis."""

    def __init__(self, name: str) -> None:
        case = load(name)
        matrix, row_low, row_high, cost, lower, upper = arrays(case)
        self.sign = -1 if case["sense"] == "max" else 1
        self.ends = matrix, row_low, row_high, self.sign * cost, lower, upper
        self.found = Session(matrix, row_low, row_high).run(self.sign * cost, lower, upper)
        assert self.found.ending == "optimal"

    def basis(self, basic: npt.NDArray[np.int64] | None = None, x: Vector | None = None) -> Basis:
        matrix, row_low, row_high, cost, lower, upper = self.ends
        low, high = np.concatenate([lower, row_low]), np.concatenate([upper, row_high])
        basic = self.found.basic if basic is None else basic
        return Basis(matrix, cost, low, high, self.found.x if x is None else x, basic)


@cache
def posed(name: str) -> Posed:
    return Posed(name)


def rounded(value: Fraction) -> Fraction:
    """Return the simplest fraction next to a value that decimals stored in binary have blurred."""
    return value.limit_denominator(100_000)


@pytest.mark.parametrize("name", EXACT)
def test_the_rational_optimum_is_the_known_fraction(name: str) -> None:
    value, source = EXACT[name]
    found = check_exactly(posed(name).basis())
    assert (found.feasible, found.optimal) == (True, True), source
    assert rounded(found.objective) == value, source
    assert abs(found.objective - value) <= Fraction(1, 10**12), source
    assert found.words.startswith(CONFIRMED)


@pytest.mark.parametrize("name", [*EXACT, *OTHERS])
def test_exact_arithmetic_agrees_with_the_certificate(name: str) -> None:
    case = posed(name)
    found = check_exactly(case.basis())
    assert check_optimal(*case.ends, case.found.x, case.found.y).holds
    assert (found.feasible, found.optimal) == (True, True)
    assert float(found.objective) == pytest.approx(float(case.ends[3] @ case.found.x), rel=1e-10)


def test_whole_numbers_leave_nothing_to_round() -> None:
    # Hillier and Lieberman's Wyndor case has whole coefficients only; from memory
    found = check_exactly(posed("hl_wyndor_ranging").basis())
    assert (found.worst_miss, found.worst_sign, found.objective) == (0, 0, -36)
    assert found.words.endswith("the vertex keeps every limit and no better one exists")


def at_vertex(case: Posed, basic: tuple[int, ...]) -> tuple[Basis, Vector] | None:
    """Return another basis with its vertex, nonbasic variables at the end where they are now; None if singular."""
    matrix, row_low, row_high, _, lower, upper = case.ends
    n, m = matrix.shape[1], matrix.shape[0]
    full = np.hstack([matrix, -np.eye(m)])
    if abs(np.linalg.det(full[:, list(basic)])) < 1e-9:
        return None
    low, high = np.concatenate([lower, row_low]), np.concatenate([upper, row_high])
    z = np.concatenate([case.found.x, matrix @ case.found.x])
    for j in set(range(n + m)) - set(basic):
        z[j] = low[j] if abs(z[j] - low[j]) <= abs(z[j] - high[j]) or high[j] == np.inf else high[j]
        if abs(z[j]) == np.inf:
            return None
    rest = [j for j in range(n + m) if j not in basic]
    z[list(basic)] = np.linalg.solve(full[:, list(basic)], -full[:, rest] @ z[rest])
    return case.basis(np.array(basic), z[:n]), z[:n]


@pytest.mark.parametrize("name", ["soil_mix_ranging", "hl_wyndor_ranging", "winston_diet_ranging", "brewery_blend"])
def test_a_wrong_basis_is_not_confirmed(name: str) -> None:
    """Every basis that differs in one variable: confirmed only if it is as good to the last fraction and feasible."""
    case = posed(name)
    n, m = case.ends[0].shape[1], case.ends[0].shape[0]
    best = check_exactly(case.basis()).objective
    right = {int(b) for b in case.found.basic}
    denied = 0
    for out, into in ((o, i) for o in right for i in range(n + m) if i not in right):
        swapped = tuple(sorted(right - {out} | {into}))
        found = at_vertex(case, swapped)
        if found is None:
            continue
        basis, x = found
        exact = check_exactly(basis)
        matrix, row_low, row_high, cost, lower, upper = case.ends
        inside = (x >= lower - 1e-9).all() and (x <= upper + 1e-9).all()
        inside &= bool((matrix @ x >= row_low - 1e-9).all() and (matrix @ x <= row_high + 1e-9).all())
        assert exact.feasible == inside
        if exact.feasible and exact.optimal:
            assert abs(exact.objective - best) <= Fraction(1, 10**9)
        else:
            assert exact.words.startswith("NOT confirmed in exact arithmetic: ")
            denied += 1
        if exact.feasible and float(cost @ x) > float(best) + 1e-6:
            assert not exact.optimal
    assert denied >= 3


def test_every_vertex_but_the_best_is_denied() -> None:
    """All bases of the two-soil case: the confirmed ones have the least cost of all vertices, 0.49."""
    case = posed("soil_mix_ranging")
    n, m = case.ends[0].shape[1], case.ends[0].shape[0]
    costs, confirmed = [], []
    for basic in combinations(range(n + m), m):
        found = at_vertex(case, basic)
        if found is None:
            continue
        exact = check_exactly(found[0])
        if exact.feasible:
            costs.append(exact.objective)
        if exact.feasible and exact.optimal:
            confirmed.append(exact.objective)
    assert len(costs) > len(confirmed) >= 1
    assert {rounded(c) for c in confirmed} == {rounded(min(costs))} == {Fraction(49, 100)}


@pytest.mark.parametrize(
    ("miss", "sign", "start"),
    [
        (0.0, 0.0, "checked in exact rational arithmetic: the vertex keeps every limit"),
        (1e-16, 0.0, "checked in exact rational arithmetic: limits given as decimals are met to 1e-16"),
        (0.0, 3e-17, "checked in exact rational arithmetic: limits given as decimals are met to 3e-17"),
        (1e-3, 0.0, "NOT confirmed in exact arithmetic: limits missed by 1.0e-03"),
        (0.0, 1e-3, "NOT confirmed in exact arithmetic: limits missed by 0.0e+00, signs by 1.0e-03"),
    ],
)
def test_the_verdict_says_how_exact_it_is(miss: float, sign: float, start: str) -> None:
    assert ExactCheck(miss < 1e-9, sign < 1e-9, miss, sign, Fraction(1)).words.startswith(start)


# random briefs --------------------------------------------------------------------------------------


@pytest.mark.thorough
def test_random_answers_are_confirmed_and_bent_ones_denied() -> None:
    solved: list[Solved] = []
    seed = 0
    while len(solved) < 80:
        answer = solve_fully(brief_of(draw(Random(seed), Wish(past=0.0))))
        seed += 1
        if answer.chosen is not None:
            solved.append(answer)
    for answer in solved:
        assert answer.chosen is not None
        basis = answer.chosen.basis
        found = check_exactly(basis)
        assert found.words.startswith(CONFIRMED)
        assert found.worst_miss <= 1e-9
        # a limit moved by a thousandth after the fact is missed
        n, ends = basis.n, (basis.ends_low, basis.ends_high)
        bent = Basis(basis.full[:, :n], basis.cost[:n], *ends, basis.x, basis.basic)
        total = next(r for r, row in enumerate(answer.chosen.case.model.rows) if row.owner == "total")
        bent.ends_low = bent.ends_low.copy()
        bent.ends_low[basis.n + total] += 1e-3
        assert not check_exactly(bent).feasible


@pytest.mark.parametrize("name", ["catfood_simple", "soil_mix_ranging", "ampl_diet", "winston_diet_ranging"])
def test_the_flag_confirms_published_cases_as_briefs(name: str, tmp_path: Path) -> None:
    result = solve(load_brief(write_as_blend(load(name), tmp_path).path), exact=True)
    assert result.exact.startswith(CONFIRMED), EXACT[name][1]
    assert result.objective == pytest.approx(float(EXACT[name][0]), rel=1e-9)
