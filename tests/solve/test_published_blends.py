"""Published cases run as the tool's own files: own library, shelf and scenario, read and solved as a user's.

Each case is checked against its published optimum, plan, shadow prices, ranges and entry prices, and
against scipy on the raw data. Author, title and year stand beside each case; files, pages and what is
from memory stand in `published/<case>.json` under `source` and `provenance`.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from math import inf, isnan, nan
from pathlib import Path

import pytest

from optimizer.brief.brief import load_brief
from optimizer.solve.best import solve
from optimizer.solve.result import Result, RuleOutcome
from optimizer.units import slug
from tests.support.published_cases import Blend, Case, in_packets, independent, load, write_as_blend

OPTIMAL = {
    # blends
    "brewery_blend": "J. C. Kantor, ND Pyomo Cookbook, Linear Blending Problem (after Jenchura 2017)",
    "catfood_full": "A. Phillips and S. Mitchell, A Blending Problem, PuLP documentation (2007)",
    "catfood_simple": "A. Phillips and S. Mitchell, A Blending Problem, PuLP documentation (2007)",
    "dantzig_alloy_blend": "G. B. Dantzig, Linear Programming and Extensions (1963), ch. 3.4; plan from memory",
    "gasoline_blend_rvp": "J. C. Kantor, ND Pyomo Cookbook, Gasoline Blending",
    "hl_saveit": "from memory, source believed to be F. S. Hillier and G. J. Lieberman, Introduction to OR, 3.4",
    "ibm_alloy": "IBM Data Processing Application, Aluminium Alloy Blending; GLPK examples/alloy.mps",
    "ibm_furnace": "IBM Data Processing Application, Electric-Arc Furnace Steelmaking; GLPK examples/furnace.mps",
    "plan_alloy_ranging": "A. Makhorin, GLPK Reference Manual, sample report of glp_print_ranges",
    "soil_mix_ranging": "LP Examples: Solid Waste Management (lecture slides), case 2 with LINDO output",
    "steel_blend_milp": "C.-H. Westerberg et al., Interfaces 7(2) (1977) 39; optimum and plan from memory",
    "netlib_blend": "D. M. Gay, The NETLIB LP test set, COAL Newsletter 13 (1985)",
    "netlib_kb2": "D. M. Gay, The NETLIB LP test set, COAL Newsletter 13 (1985)",
    "williams_refinery": "H. P. Williams, Model Building in Mathematical Programming, 5th ed. (2013), 12.6",
    # diets
    "ampl_diet": "R. Fourer, D. M. Gay and B. W. Kernighan, AMPL, 2nd ed. (2003), ch. 2",
    "ampl_diet2a": "R. Fourer, D. M. Gay and B. W. Kernighan, AMPL, 2nd ed. (2003), ch. 2",
    "ampl_diet2a_integer": "R. Fourer, D. M. Gay and B. W. Kernighan, AMPL, 2nd ed. (2003), ch. 2",
    "chvatal_diet": "V. Chvatal, Linear Programming (1983), ch. 1; optimum and plan from memory",
    "chvatal_diet_integer": "V. Chvatal, Linear Programming (1983), ch. 1; M. Berkelaar et al., lp_solve guide 5.5",
    "stigler_diet": "G. J. Stigler, The Cost of Subsistence, J. Farm Economics 27 (1945) 303",
    "winston_diet_ranging": "W. L. Winston, Operations Research, 4th ed. (2004), p. 68; prices and ranges from memory",
    # small models, sensitivity reports and solver test sets
    "bim_robust_box": "K. Postek et al., Hands-On Mathematical Optimization with Python, ch. 2 and 8",
    "highs_avgas": "HiGHS, check/instances/avgas.mps",
    "hl_radiation": "from memory, source believed to be F. S. Hillier and G. J. Lieberman, Introduction to OR, 3.4",
    "hl_wyndor_ranging": "F. S. Hillier and G. J. Lieberman, Introduction to OR; answers from memory",
    "lpsolve_ratio": "M. Berkelaar et al., lp_solve reference guide 5.5, ratio.htm",
    "lpsolve_semicont_a": "M. Berkelaar et al., lp_solve reference guide 5.5, semi-cont.htm",
    "lpsolve_semicont_b": "M. Berkelaar et al., lp_solve reference guide 5.5, semi-cont.htm",
    "lpsolve_sensitivity": "M. Berkelaar et al., lp_solve reference guide 5.5, sensitivity.htm",
    "netlib_adlittle": "D. M. Gay, The NETLIB LP test set, COAL Newsletter 13 (1985)",
    "netlib_afiro": "D. M. Gay, The NETLIB LP test set, COAL Newsletter 13 (1985)",
    "netlib_sc50a": "D. M. Gay, The NETLIB LP test set, COAL Newsletter 13 (1985)",
    "winston_dakota_ranging": "W. L. Winston, Operations Research, 4th ed. (2004), chs. 3-6",
    "winston_leary": "from memory, source believed to be W. L. Winston, Operations Research, 4th ed. (2004), ch. 3",
}
"""Cases with an optimum that run through the tool's files, with their sources."""

INFEASIBLE = {
    "ampl_diet2_infeasible": "R. Fourer, D. M. Gay and B. W. Kernighan, AMPL, 2nd ed. (2003), ch. 2",
    "galenet_iis": "J. W. Chinneck, Netlib infeasible LP set, GALENET (from memory); HiGHS check/TestIis.cpp",
    "lpsolve_elastic": "M. Berkelaar et al., lp_solve reference guide 5.5, Infeasible.htm",
    "or_se_iis": "Operations Research Stack Exchange, spotting contradictory constraints; author believed R. Pratt",
    "sas_iis_example": "SAS Institute, SAS/OR User's Guide, Finding an Irreducible Infeasible Set",
}
"""Cases that no plan satisfies, with their sources."""


@dataclass(frozen=True)
class Run:
    """A case with its files and the tool's answer."""

    case: Case
    blend: Blend
    result: Result

    @property
    def plan(self) -> dict[str, float]:
        """Variables in the case's own units."""
        assert self.result.formula is not None
        return {v: self.result.formula.dose(slug(v)) / k for v, k in self.blend.scale.items()}

    def rule(self, name: str) -> RuleOutcome:
        """Return the outcome of a rule."""
        return next(o for o in self.result.rules if o.id == name)

    def ranged(self, row: str) -> tuple[float, float, float]:
        """Return price, lower and upper end of its range for a row's limit, in the row's own units."""
        found, unit = self.rule(self.blend.rule(row)), self.blend.unit(row)
        return (0.0 if isnan(found.price) else found.price / unit), found.holds_from * unit, found.holds_to * unit


ROOM = ("soil_mix_ranging",)
"""The published range of its total reaches plans above 100 % of the product."""


def run(case: Case, folder: Path) -> Run:
    """Write a case, read it back as a brief and solve it."""
    stated = in_packets(case) if "integer" in case["integrality"].values() else case
    blend = write_as_blend(stated, folder, room=case.get("id") in ROOM)
    return Run(case, blend, solve(load_brief(blend.path)))


@pytest.fixture(scope="module")
def answer(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Run]:
    """Return a function that runs a case once."""
    runs: dict[str, Run] = {}

    def find(name: str) -> Run:
        if name not in runs:
            runs[name] = run(load(name), tmp_path_factory.mktemp(name))
        return runs[name]

    return find


def near(value: float, published: float, tolerance: float) -> bool:
    """Return whether a value is the published one to its digits."""
    return abs(value - published) <= tolerance + 1e-9 * abs(published)


def listed(key: str) -> list[tuple[str, str]]:
    """Return (case, name) of every published number under a key, for the cases above."""
    return [(name, item) for name in OPTIMAL for item in load(name)["published"].get(key, {})]


@pytest.mark.parametrize("name", OPTIMAL)
def test_objective_is_the_published_one(name: str, answer: Callable[[str], Run]) -> None:
    found = answer(name)
    published = found.case["published"]
    assert found.result.ending == "optimal", OPTIMAL[name]
    assert near(found.result.objective, published["objective"], published["objective_tol"]), OPTIMAL[name]


@pytest.mark.parametrize("name", OPTIMAL)
def test_objective_is_that_of_a_second_path(name: str, answer: Callable[[str], Run]) -> None:
    found = answer(name)
    assert found.result.objective == pytest.approx(independent(found.case).fun, rel=1e-8), OPTIMAL[name]


@pytest.mark.parametrize("name", OPTIMAL)
def test_proof_is_named(name: str, answer: Callable[[str], Run]) -> None:
    assert answer(name).result.proof == "certificate"


# Plans: where the solution is known to be the only one; both lp_solve cases have one plan per choice.
PLANS = [
    name
    for name in OPTIMAL
    if "x" in load(name)["published"]
    and (load(name)["computed"].get("solution_unique") or name.startswith("lpsolve_semicont"))
]


@pytest.mark.parametrize("name", PLANS)
def test_plan_is_the_published_one(name: str, answer: Callable[[str], Run]) -> None:
    found = answer(name)
    published = found.case["published"]
    wrong = {v: (found.plan[v], x) for v, x in published["x"].items() if not near(found.plan[v], x, published["x_tol"])}
    assert not wrong, OPTIMAL[name]
    unused = set(found.plan) - set(published["x"])
    assert all(found.plan[v] < 1e-6 for v in unused), OPTIMAL[name]


def test_steel_takes_the_published_ingots(answer: Callable[[str], Run]) -> None:
    """C.-H. Westerberg et al. (1977), plan from memory; alloy2 is half alloy1 and half alloy3 in every figure."""
    plan, published = answer("steel_blend_milp").plan, load("steel_blend_milp")["published"]["x"]
    for name in ("ingot1", "ingot2", "ingot3", "ingot4", "scrap"):
        assert plan[name] == pytest.approx(published[name], abs=1e-4)
    assert plan["alloy1"] + plan["alloy2"] / 2 == pytest.approx(published["alloy1"], abs=1e-4)
    assert plan["alloy3"] + plan["alloy2"] / 2 == pytest.approx(published["alloy3"], abs=1e-4)


def test_whole_servings_are_the_published_ones(answer: Callable[[str], Run]) -> None:
    """V. Chvatal's diet in whole servings; the lp_solve reference guide prints the plan."""
    found = answer("chvatal_diet_integer")
    servings = dict.fromkeys(found.case["variables"], 0.0)
    for packet, count in found.plan.items():
        variable, _, packet_size = packet.rpartition(" x")
        servings[variable] += count * float(packet_size)
    assert servings == pytest.approx({**dict.fromkeys(servings, 0), **found.case["published"]["x"]}, abs=1e-6)


@pytest.mark.parametrize(("name", "row"), listed("row_activity"))
def test_row_has_the_published_value(name: str, row: str, answer: Callable[[str], Run]) -> None:
    found = answer(name)
    published = found.case["published"]
    value = found.rule(found.blend.rule(row)).value * found.blend.unit(row)
    assert near(value, published["row_activity"][row], published["row_activity_tol"]), OPTIMAL[name]


@pytest.mark.parametrize(("name", "row"), listed("slack"))
def test_row_has_the_published_slack(name: str, row: str, answer: Callable[[str], Run]) -> None:
    found = answer(name)
    published = found.case["published"]
    outcome = found.rule(found.blend.rule(row))
    slack = min(outcome.value - outcome.low, outcome.high - outcome.value)
    assert near(slack, published["slack"][row], published["slack_tol"]), OPTIMAL[name]


@pytest.mark.parametrize(("name", "row"), [(n, r) for n, r in listed("dual") if load(n)["computed"]["duals_unique"]])
def test_price_of_a_limit_is_the_published_dual(name: str, row: str, answer: Callable[[str], Run]) -> None:
    found = answer(name)
    published = found.case["published"]
    assert near(found.ranged(row)[0], published["dual"][row], published["dual_tol"]), OPTIMAL[name]


@pytest.mark.parametrize(("name", "row"), listed("rhs_range"))
def test_price_holds_over_the_published_range(name: str, row: str, answer: Callable[[str], Run]) -> None:
    found = answer(name)
    published = found.case["published"]
    _, *reach = found.ranged(row)
    limit = found.rule(found.blend.rule(row))
    present = (limit.high if limit.binding == "high" else limit.low) * found.blend.unit(row)
    for side, end, stated in zip((-1, 1), reach, published["rhs_range"][row], strict=True):
        if stated is not None:
            assert near(end, stated, published["rhs_range_tol"]), OPTIMAL[name]
        else:  # only the room for the plan in the product ends it, far beyond
            assert side * (end - present) > 5 * abs(present), OPTIMAL[name]


@pytest.mark.parametrize(("name", "row"), listed("rhs_range_nonbinding"))
def test_limit_that_costs_nothing_may_move_to_the_value(name: str, row: str, answer: Callable[[str], Run]) -> None:
    found = answer(name)
    price, *_ = found.ranged(row)
    stated = [end for end in found.case["published"]["rhs_range_nonbinding"][row] if end is not None]
    value = found.rule(found.blend.rule(row)).value * found.blend.unit(row)
    assert price == 0, OPTIMAL[name]
    assert any(near(value, end, found.case["published"]["rhs_range_tol"]) for end in stated), OPTIMAL[name]


@pytest.mark.parametrize(("name", "row"), [(n, r) for n, r in listed("objective_at_rhs_limits") if r != "YIELD"])
@pytest.mark.parametrize("side", [0, 1])
def test_limit_moved_to_its_end_costs_the_published_amount(
    name: str, row: str, side: int, answer: Callable[[str], Run]
) -> None:
    """The what-if runs from the same file with one limit changed. YIELD is the total, which is no field of a rule."""
    found = answer(name)
    published = found.case["published"]
    outcome = found.rule(found.blend.rule(row))
    end = found.ranged(row)[1 + side]
    change = (f"{outcome.id}.{'at_most' if outcome.binding == 'high' else 'at_least'}", repr(end))
    moved = solve(load_brief(found.blend.path, changes=[change])).objective
    assert near(moved, published["objective_at_rhs_limits"][row][side], 2 * published["objective_at_limits_tol"])


def entry_cases(key: str) -> list[tuple[str, str]]:
    """Return (case, variable) of unused materials of least-cost cases that have a published number."""
    pairs = [(n, v) for n, v in listed(key) if load(n)["sense"] == "min"]
    return [(n, v) for n, v in pairs if load(n)["published"]["x"].get(v) == 0]


@pytest.mark.parametrize(("name", "variable"), entry_cases("reduced_cost"))
def test_entry_price_is_price_less_published_reduced_cost(
    name: str, variable: str, answer: Callable[[str], Run]
) -> None:
    found = answer(name)
    published = found.case["published"]
    expected = found.case["objective"][variable] - published["reduced_cost"][variable]
    assert near(entry(found, variable), expected, published["reduced_cost_tol"]), OPTIMAL[name]


@pytest.mark.parametrize(("name", "variable"), entry_cases("cost_range"))
def test_entry_price_is_low_end_of_published_cost_range(name: str, variable: str, answer: Callable[[str], Run]) -> None:
    found = answer(name)
    published = found.case["published"]
    low, _ = published["cost_range"][variable]
    assert near(entry(found, variable), low, published["cost_range_tol"]), OPTIMAL[name]


def entry(found: Run, variable: str) -> float:
    """Return the entry price of an unused material in the case's own units, NaN if there is none."""
    prices = {e.id: e.entry for e in found.result.entry_prices}
    return prices.get(slug(variable), nan) * found.blend.scale[variable] / 100


def test_bound_of_a_material_costs_its_published_reduced_cost(answer: Callable[[str], Run]) -> None:
    """COLONE stands on its lower bound at reduced cost 1: lp_solve reference guide 5.5, sensitivity.htm."""
    found = answer("lpsolve_sensitivity")
    price = found.rule("bound-colone").price * found.blend.scale["COLONE"]
    published = found.case["published"]
    assert near(price, published["reduced_cost"]["COLONE"], published["reduced_cost_tol"])


@pytest.mark.parametrize(("name", "variable"), listed("cost_range"))
def test_plan_changes_only_outside_the_published_cost_range(
    name: str, variable: str, answer: Callable[[str], Run], tmp_path: Path
) -> None:
    found = answer(name)
    case = found.case
    plan = pytest.approx(found.plan, abs=1e-5 * max(found.plan.values()))
    present = case["objective"][variable]
    low, high = case["published"]["cost_range"][variable]
    for number, end in enumerate(e for e in (low, high) if e is not None):
        for share, same in ((0.98, True), (1.02, False)):
            cost = present + share * (end - present)
            folder = tmp_path / f"{number}-{same}"
            folder.mkdir()
            changed = run({**case, "objective": {**case["objective"], variable: cost}}, folder)
            assert (changed.plan == plan) is same, (OPTIMAL[name], cost)


@pytest.mark.parametrize("name", INFEASIBLE)
def test_contradiction_is_proven(name: str, answer: Callable[[str], Run]) -> None:
    found = answer(name).result
    assert independent(load(name)).status == 2, INFEASIBLE[name]
    assert (found.ending, found.proof, found.exit_code) == ("infeasible", "certificate", 4), INFEASIBLE[name]
    assert found.formula is None


def without(case: Case, member: str) -> Case:
    """Return a case without one end of a row or one bound, named as in a published IIS."""
    name, side = member.split(":")
    if side in ("lb", "ub"):
        low, high = case["bounds"].get(name, (0, None))
        return {**case, "bounds": {**case["bounds"], name: [0, high] if side == "lb" else [low, None]}}
    rows = [{**row, side: None} if row["name"] == name else row for row in case["rows"]]
    return {**case, "rows": rows}


# A lower bound of 0 cannot be dropped: a dose is never negative.
MEMBERS = [(n, m) for n in INFEASIBLE for m in load(n)["published"].get("iis", ()) if not m.endswith(":lb")]
OTHERWISE_INFEASIBLE = "galenet_iis"
"""Has six irreducible sets, so that dropping one member need not help."""


@pytest.mark.parametrize(("name", "member"), MEMBERS)
def test_dropping_a_member_of_the_published_contradiction(name: str, member: str, tmp_path: Path) -> None:
    eased = without(load(name), member)
    possible = independent(eased).status != 2
    assert possible or name == OTHERWISE_INFEASIBLE, INFEASIBLE[name]
    assert run(eased, tmp_path).result.ending == ("optimal" if possible else "infeasible"), INFEASIBLE[name]


def test_sodium_limit_of_50_g_makes_the_diet_feasible(answer: Callable[[str], Run]) -> None:
    """R. Fourer, D. M. Gay and B. W. Kernighan, AMPL, 2nd ed. (2003), ch. 2: the same file with one limit changed."""
    brief = load_brief(answer("ampl_diet2_infeasible").blend.path, changes=[("na.at_most", "50000")])
    published = load("ampl_diet2a")["published"]
    assert near(solve(brief).objective, published["objective"], published["objective_tol"])


def test_contradiction_relaxed_by_penalties(tmp_path: Path) -> None:
    """Each row may be missed at 1000 per unit: optimum 1011, miss 1; lp_solve reference guide 5.5, Infeasible.htm."""
    case = load("lpsolve_elastic")
    published = case["published"]
    rows = [
        {**row, "coef": {**row["coef"], f"miss {row['name']}": 1 if row["hi"] is None else -1}} for row in case["rows"]
    ]
    misses = [f"miss {row['name']}" for row in rows]
    elastic = {
        **case,
        "variables": [*case["variables"], *misses],
        "objective": {**case["objective"], **dict.fromkeys(misses, published["elastic_penalty"])},
        "rows": rows,
    }
    found = run(elastic, tmp_path)
    assert found.result.objective == pytest.approx(published["elastic_objective"])
    assert sum(found.plan[m] for m in misses) == pytest.approx(published["min_total_violation"])


def test_box_robust_counterpart(tmp_path: Path) -> None:
    """K. Postek et al., Hands-On Mathematical Optimization with Python, ch. 8: worst case of every interval."""
    case = load("bim_robust_box")
    published = case["published"]
    found = run({**case, "rows": case["robust_rows"]}, tmp_path)
    assert near(found.result.objective, published["robust_objective"], published["robust_objective_tol"])
    assert found.plan == pytest.approx(published["robust_x"], abs=published["robust_x_tol"])


def test_ratio_is_maximised_as_a_mean(tmp_path: Path) -> None:
    """Most (1.8 x1 + 1.7 x2) / (10 + 4 x1 + 4.1 x2), lp_solve reference guide 5.5, ratio.htm.

    One unit of x1 is 4 %, one of x2 4.1 %, and a third material is fixed at 10 %; the ratio is then
    the mean of 1.8 / 4, 1.7 / 4.1 and 0 over the three, found by Dinkelbach's iteration.
    """
    weight = {"x1": 4.0, "x2": 4.1}
    fraction = load("lpsolve_ratio")["original_fractional"]
    assert fraction["subject_to"] == ["1.5 x1 + x2 <= 6", "3 x1 + 4 x2 <= 20"]
    names = ["x1", "x2", "ten", "rest"]
    rows = [
        {"name": "sum", "coef": dict.fromkeys(names, 1), "lo": 100, "hi": 100},
        {"name": "ratio", "coef": {"x1": 1.8 / 4.0, "x2": 1.7 / 4.1}, "lo": None, "hi": None},
        {"name": "r1", "coef": {"x1": 1.5 / 4.0, "x2": 1 / 4.1}, "lo": None, "hi": 6},
        {"name": "r2", "coef": {"x1": 3 / 4.0, "x2": 4 / 4.1}, "lo": None, "hi": 20},
    ]
    about = {"title": "ratio", "sense": "min", "objective": {}, "integrality": {}}
    case = {**about, "variables": names, "rows": rows, "bounds": {"ten": [10, 10]}}
    path = write_as_blend(case, tmp_path).path
    text = path.read_text(encoding="utf-8")
    text = text.replace('minimise = "cost"', 'maximise = "ratio"')
    text = text.replace('property = "ratio"', 'property = "ratio"\nover = ["x1", "x2", "ten"]')
    path.write_text(text, encoding="utf-8")
    result = solve(load_brief(path))
    assert result.formula is not None
    # the files state a property per 100 % of dose, so that the mean is 100 times the ratio
    assert result.objective / 100 == pytest.approx(fraction["published_value"], abs=5e-7)
    plan = {v: result.formula.dose(v) / weight[v] for v in weight}
    assert plan == pytest.approx(fraction["published_x"], abs=5e-6)


@pytest.mark.parametrize("factor", [0.9, 1.1])
@pytest.mark.parametrize(("row", "variable"), [("Fat", "BEEF")])
def test_a_wrong_coefficient_is_noticed(row: str, variable: str, factor: float, tmp_path: Path) -> None:
    """Cat food of A. Phillips and S. Mitchell (2007) with 10 % error in the one coefficient that binds."""
    case = load("catfood_full")
    rows = [
        {**r, "coef": {**r["coef"], variable: r["coef"][variable] * factor}} if r["name"] == row else r
        for r in case["rows"]
    ]
    found = run({**case, "rows": rows}, tmp_path)
    published = case["published"]
    assert found.result.ending == "optimal"
    assert not near(found.result.objective, published["objective"], published["objective_tol"])
    assert not near(found.plan["BEEF"], published["x"]["BEEF"], 1.0)


@pytest.mark.parametrize("name", [*OPTIMAL, *INFEASIBLE])
def test_files_hold_every_number_of_the_case(name: str, answer: Callable[[str], Run]) -> None:
    """The converter drops nothing: as many rules and materials as the case has rows and variables."""
    found = answer(name)
    text = found.blend.path.read_text(encoding="utf-8")
    stated = len(re.findall(r'kind = "property"', text)) - ('id = "objective"' in text) + bool(found.blend.total[0])
    rows = in_packets(found.case)["rows"] if "integer" in found.case["integrality"].values() else found.case["rows"]
    assert stated == sum(bool(row["coef"]) for row in rows)
    assert len(found.blend.scale) + (not found.blend.total[0]) == len(found.result.brief.pool)
    assert inf not in found.blend.scale.values()
