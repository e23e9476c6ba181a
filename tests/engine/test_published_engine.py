"""Published linear and integer programs fed to the engine as they stand, without the tool's files.

Author, title and year stand beside each case; files, pages and what is from memory stand in
`published/<case>.json` under `source` and `provenance`. Cases with general integers (the AMPL and
Chvatal diets in whole numbers) are not listed: a session knows 0 and 1 only. They run through the
tool's files instead, in packets that are all or nothing.
"""

from __future__ import annotations

from math import inf

import numpy as np
import pytest

from optimizer.engine.certificate import check_feasible, check_infeasible, check_optimal
from optimizer.engine.highs import Session, SolverAnswer
from optimizer.engine.sensitivity import Basis
from tests.support.published_cases import arrays, independent, load

LINEAR = {
    "netlib_adlittle": "D. M. Gay, The NETLIB LP test set, COAL Newsletter 13 (1985)",
    "netlib_afiro": "D. M. Gay, The NETLIB LP test set, COAL Newsletter 13 (1985)",
    "netlib_blend": "D. M. Gay, The NETLIB LP test set, COAL Newsletter 13 (1985)",
    "netlib_kb2": "D. M. Gay, The NETLIB LP test set, COAL Newsletter 13 (1985)",
    "netlib_sc50a": "D. M. Gay, The NETLIB LP test set, COAL Newsletter 13 (1985)",
    "netlib_share2b": "D. M. Gay, The NETLIB LP test set, COAL Newsletter 13 (1985)",
    "williams_food1": "H. P. Williams, Model Building in Mathematical Programming, 5th ed. (2013), 12.1",
    "williams_refinery": "H. P. Williams, Model Building in Mathematical Programming, 5th ed. (2013), 12.6",
    "gasoline_blend_rvp": "J. C. Kantor, ND Pyomo Cookbook, Gasoline Blending",
    "hl_saveit": "from memory, source believed to be F. S. Hillier and G. J. Lieberman, Introduction to OR, 3.4",
    "stigler_diet": "G. J. Stigler, The Cost of Subsistence, J. Farm Economics 27 (1945) 303",
}
BINARY = {
    "williams_food2": "H. P. Williams, Model Building in Mathematical Programming, 5th ed. (2013), 12.2",
    "steel_blend_milp": "C.-H. Westerberg et al., Interfaces 7(2) (1977) 39; optimum from memory",
}
RANGING = {
    "hl_wyndor_ranging": "F. S. Hillier and G. J. Lieberman, Introduction to OR; answers from memory",
    "lpsolve_sensitivity": "M. Berkelaar et al., lp_solve reference guide 5.5, sensitivity.htm",
    "plan_alloy_ranging": "A. Makhorin, GLPK Reference Manual, sample report of glp_print_ranges",
    "soil_mix_ranging": "LP Examples: Solid Waste Management (lecture slides), case 2 with LINDO output",
    "winston_dakota_ranging": "W. L. Winston, Operations Research, 4th ed. (2004), chs. 3-6",
    "winston_diet_ranging": "W. L. Winston, Operations Research, 4th ed. (2004), p. 68; prices, ranges from memory",
}
INFEASIBLE = {
    "ampl_diet2_infeasible": "R. Fourer, D. M. Gay and B. W. Kernighan, AMPL, 2nd ed. (2003), ch. 2",
    "galenet_iis": "J. W. Chinneck, Netlib infeasible LP set, GALENET (from memory); HiGHS check/TestIis.cpp",
}
"""Cases in which every column has an upper bound, as every dose has in the tool."""
SOURCES = {**LINEAR, **BINARY, **RANGING, **INFEASIBLE}


class Posed:
    """A case as the engine's arrays, in minimising form, yes/no columns last."""

    def __init__(self, name: str) -> None:
        self.case = load(name)
        kinds = self.case["integrality"]
        self.case["variables"].sort(key=lambda v: v in kinds)
        self.matrix, self.row_low, self.row_high, cost, self.lower, self.upper = arrays(self.case)
        self.sign = -1 if self.case["sense"] == "max" else 1
        self.cost = self.sign * cost
        self.published = self.case["published"]
        self.rows = [row["name"] for row in self.case["rows"]]
        self.session = Session(self.matrix, self.row_low, self.row_high, integers=len(kinds))

    def run(self) -> SolverAnswer:
        """Solve it."""
        return self.session.run(self.cost, self.lower, self.upper)

    def objective(self, found: SolverAnswer) -> float:
        """Return the objective in the stated sense."""
        return self.sign * float(self.cost @ found.x)


@pytest.mark.parametrize("name", [*LINEAR, *RANGING])
def test_linear_optimum_is_the_published_one_and_certified(name: str) -> None:
    posed = Posed(name)
    found = posed.run()
    assert found.ending == "optimal", SOURCES[name]
    assert posed.objective(found) == pytest.approx(
        posed.published["objective"], abs=posed.published["objective_tol"], rel=1e-9
    ), SOURCES[name]
    assert posed.objective(found) == pytest.approx(independent(posed.case).fun, rel=1e-8)
    ends = posed.matrix, posed.row_low, posed.row_high, posed.cost, posed.lower, posed.upper
    assert check_optimal(*ends, found.x, found.y).holds
    assert not check_optimal(*ends, found.x, found.y + 1e-3).holds
    assert not check_optimal(*ends, found.x * 1.001, found.y).holds


@pytest.mark.parametrize("name", BINARY)
def test_integer_optimum_is_the_published_one(name: str) -> None:
    posed = Posed(name)
    found = posed.run()
    assert found.ending == "optimal", SOURCES[name]
    assert posed.objective(found) == pytest.approx(
        posed.published["objective"], abs=posed.published["objective_tol"], rel=1e-9
    ), SOURCES[name]
    assert posed.sign * found.bound == pytest.approx(posed.objective(found), rel=1e-6)
    choices = found.x[-posed.session.integers :]
    assert choices == pytest.approx(np.round(choices), abs=1e-6)
    assert check_feasible(posed.matrix, posed.row_low, posed.row_high, posed.lower, posed.upper, found.x) < 1e-6
    relaxed = Session(posed.matrix, posed.row_low, posed.row_high).run(posed.cost, posed.lower, posed.upper)
    assert posed.sign * posed.objective(relaxed) < posed.sign * posed.objective(found) - 1e-3, "choices must matter"


def test_products_of_the_refinery_are_the_published_ones() -> None:
    """H. P. Williams, Model Building in Mathematical Programming, 5th ed. (2013), 12.6."""
    posed = Posed("williams_refinery")
    plan = dict(zip(posed.case["variables"], posed.run().x, strict=True))
    for name, value in posed.published["x"].items():
        assert plan[name] == pytest.approx(value, abs=posed.published["x_tol"]), name


@pytest.mark.parametrize(("name", "row"), [(n, r) for n in RANGING for r in load(n)["published"]["dual"]])
def test_dual_and_range_are_the_published_ones(name: str, row: str) -> None:
    posed = Posed(name)
    found = posed.run()
    low = np.concatenate([posed.lower, posed.row_low])
    high = np.concatenate([posed.upper, posed.row_high])
    basis = Basis(posed.matrix, posed.cost, low, high, found.x, found.basic)
    index = posed.rows.index(row)
    (reach,) = basis.reaches([(np.array([index]), np.array([1.0]), None)])
    assert posed.sign * reach.price == pytest.approx(posed.published["dual"][row], abs=posed.published["dual_tol"]), (
        SOURCES[name]
    )
    if row in posed.published["rhs_range"]:
        limit = float(posed.matrix[index] @ found.x)
        first, last = posed.published["rhs_range"][row]
        tolerance = posed.published["rhs_range_tol"]
        assert limit + reach.down == pytest.approx(-inf if first is None else first, abs=tolerance), SOURCES[name]
        assert limit + reach.up == pytest.approx(inf if last is None else last, abs=tolerance), SOURCES[name]


@pytest.mark.parametrize("name", INFEASIBLE)
def test_ray_proves_the_published_contradiction(name: str) -> None:
    posed = Posed(name)
    found = posed.run()
    ends = posed.matrix, posed.row_low, posed.row_high, posed.lower, posed.upper
    assert found.ending == "infeasible", SOURCES[name]
    assert found.ray is not None
    assert check_infeasible(*ends, found.ray)
    assert not check_infeasible(*ends, np.zeros_like(found.ray))
    eased = posed.row_low - 1e6, posed.row_high + 1e6
    assert not check_infeasible(posed.matrix, *eased, posed.lower, posed.upper, found.ray)
