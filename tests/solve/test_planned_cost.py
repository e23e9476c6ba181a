"""The optimum with the planned thickener in sight: prices, doses and materials are made up.

Held against the enumerating oracle, against each way to thicken solved alone, and every study that sees an objective
against a plain blend.
"""

from __future__ import annotations

import json
import re
from copy import deepcopy
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest

from optimizer.answers.questions import read_brief
from optimizer.assessment.planned import planned_cost
from optimizer.assessment.thickening import plan_of
from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula
from optimizer.data.planned import plan_of_pool
from optimizer.report.changes import cost_changes
from optimizer.rules.row import Setting
from optimizer.rules.thickening import Thickening
from optimizer.solve.best import solve
from optimizer.solve.existing import best_setting, formula_at
from optimizer.solve.nearest import nearest_formula
from optimizer.studies.frontier import frontier
from optimizer.studies.leeway import leeway
from optimizer.studies.multi_product import Product, joint
from optimizer.studies.robust import robust
from optimizer.studies.why import why
from optimizer.sweep.family import Family
from optimizer.sweep.grid import crossed
from optimizer.sweep.live import Live
from optimizer.sweep.single import one_by_one
from optimizer.sweep.source import unknown_keys
from optimizer.uncertainty.robust_counterpart import Safety
from tests.support import briefs, oracle
from tests.support.briefs import aqua, material, substance
from tests.support.draws import some
from tests.support.families import at
from tests.support.hostile import ask
from tests.support.oracle import Case
from tests.support.solved import SHIPPED, solved

SALT, GUM = "thickens with salt", "thickens with a thickener added to effect"


def wash(gum: float = 20.0, ether: float = 2.4, **held: Any) -> Case:
    """Return a wash of ether sulfate, which answers to salt, or of cheaper glucoside, which needs the gum."""
    thick = {"use": [0.5, 1.5]}
    stock = [
        aqua(),
        material(
            "ether",
            [
                substance("Ether", 25, charge="anionic", family="alkyl ether sulfate", surfactant=True),
                substance("Aqua", 75, "water"),
            ],
        ),
        material(
            "glucoside",
            [
                substance("Glucoside", 50, charge="nonionic", family="alkyl glucoside", surfactant=True),
                substance("Aqua", 50, "water"),
            ],
        ),
        material("acid", [substance("Acid", 100)], "acid"),
        material("gum", [substance("Gum", 100)], "thickener", thickener={"type": "polymer", **thick}),
        material(
            "salt", [substance("Sodium Chloride", 100, "salt")], "salt", thickener={"type": "salt", "use": [0.2, 2]}
        ),
    ]
    second = {"type": "associative", "use": [0.4, 1.2], "ph": [4, 9]}
    stock.append(material("second", [substance("Second", 100)], "thickener", thickener=second))
    prices = {"second": 30.0, "aqua": 0.05, "ether": ether, "glucoside": 3.6, "acid": 4.0, "gum": gum, "salt": 0.9}
    scenario = {
        "name": "wash",
        "objective": {"minimise": "cost"},
        "pool": {"without": ["acid", "gum", "salt", "second"]},
        "held_back": {"percent": 4, "acids": ["acid"], "thickeners": ["gum"], **held},
        "rule": [
            {"id": "active", "kind": "active", "exactly": 10},
            {"id": "thickening", "kind": "thickening"},
            {"id": "glucoside", "kind": "dose", "of": ["glucoside"], "at_least": 2},
        ],
    }
    shelf = [{"material": n, "price_per_kg": p} for n, p in prices.items()]
    return {"materials": stock, "shelf": shelf, "scenario": scenario}


def turning(gum: float = 4.0, glucoside: float = 3.6) -> Case:
    """Return the wash with a gum that works below pH 5.5 alone, and glucoside that is stable above 5.2 alone."""
    case = wash(gum)
    case["scenario"]["ph"] = {"low": 4.8, "high": 6.4, "tolerance": 0.2, "grid": 0.2}
    case["scenario"]["held_back"]["thickeners"] = ["gum", "second"]
    by_id = {m["id"]: m for m in case["materials"]}
    by_id["gum"]["thickener"]["ph"] = [3, 5.5]
    by_id["glucoside"]["ph_stable"] = [5.2, 8]
    case["scenario"]["rule"].pop()
    return briefs.repriced(case, "glucoside", glucoside)


def only(case: Case, way: str) -> Case:
    """Return the brief with one way to thicken alone."""
    alone = deepcopy(case)
    if way == SALT:
        alone["scenario"]["held_back"]["thickeners"] = []
    else:
        alone["scenario"]["rule"][1]["salt_route"] = False
    return alone


def blend_alone(case: Case) -> Case:
    """Return the brief with nothing planned that has a price."""
    free = deepcopy(case)
    free["shelf"] = [line for line in free["shelf"] if line["material"] not in ("gum", "salt", "acid")]
    return free


@pytest.mark.parametrize(("gum", "low", "high"), [(4.0, 5.0, 5.3), (4000.0, 5.6, 5.6)])
def test_of_equal_settings_a_formula_is_held_against_that_of_the_least_plan(
    gum: float, low: float, high: float
) -> None:
    """Of ether alone, stable at any pH: where the cheaper gum works, else (it is dearer) halfway; windows made up."""
    brief = briefs.brief_of(only(turning(gum), GUM))
    formula = formula_at(brief.pool, {"ether": 40.0, "aqua": 56.0})
    setting = best_setting(brief, formula)
    assert setting.target is not None
    assert low - 1e-9 <= setting.target <= high + 1e-9
    plans = [planned_cost(brief, formula, Setting(t, t - 0.2, t + 0.2)) for t in (5.0, 5.3, 5.6, 6.2)]
    best = planned_cost(brief, formula, setting)
    assert best is not None
    assert all(one is not None and best.per_kg.typical <= one.per_kg.typical + 1e-9 for one in plans)


def test_the_planned_cost_turns_the_choice_that_the_blend_alone_would_make() -> None:
    case = wash()
    cheapest = solve(briefs.brief_of(blend_alone(case)))
    found = solve(briefs.brief_of(case), exact=True)
    assert cheapest.choices == (GUM,)
    assert found.choices == (SALT,)
    assert found.proof == "certificate"
    assert "all 2 groups of choices" in found.exact
    assert found.cost > cheapest.cost
    assert found.objective == pytest.approx(oracle.best(case).objective, abs=1e-9)


@pytest.mark.parametrize("gum", [0.04, 1.0, 5.0, 10.0, 20.0, 40.0])
def test_the_best_is_the_better_of_the_ways_solved_alone(gum: float) -> None:
    case = wash(gum)
    found = solve(briefs.brief_of(case))
    alone = {way: solve(briefs.brief_of(only(case, way))) for way in (SALT, GUM)}
    best = min(alone, key=lambda way: alone[way].objective)
    assert found.objective == pytest.approx(alone[best].objective, abs=1e-9)
    assert found.choices == (best,)
    assert found.objective == pytest.approx(oracle.best(case).objective, abs=1e-9)


def test_what_is_minimised_is_the_blend_acid_thickener_and_water_by_hand() -> None:
    # 0.2 % acid: common practice, no source; 1 % gum: the middle of its use; water for the other 2.8 %.
    found = solve(briefs.brief_of(wash(gum=1.0)))
    assert found.choices == (GUM,)
    assert found.objective == pytest.approx(found.cost + (0.2 * 4.0 + 1.0 * 1.0 + 2.8 * 0.05) / 100, abs=1e-12)
    salted = solve(briefs.brief_of(wash()))  # of salt no more than the rule keeps room for
    assert salted.objective == pytest.approx(salted.cost + (0.2 * 4.0 + 0.5 * 0.9 + 3.3 * 0.05) / 100, abs=1e-12)


def test_doses_of_the_brief_go_before_the_usual_ones() -> None:
    case = wash(planned={"gum": 0.1, "acid": 0.3})
    found = solve(briefs.brief_of(case))
    assert solve(briefs.brief_of(wash())).choices == (SALT,)
    assert found.choices == (GUM,)
    assert found.objective == pytest.approx(found.cost + (0.3 * 4.0 + 0.1 * 20.0 + 3.6 * 0.05) / 100, abs=1e-12)
    assert found.objective == pytest.approx(oracle.best(case).objective, abs=1e-9)


def test_a_limit_on_cost_is_one_of_the_blend_alone() -> None:
    case = wash()
    free = solve(briefs.brief_of(case))
    case["scenario"]["rule"].append({"id": "budget", "kind": "cost", "at_most": round(free.cost + 1e-4, 6)})
    assert solve(briefs.brief_of(case)).objective == pytest.approx(free.objective, abs=1e-9)
    case["scenario"]["rule"][-1]["at_most"] = round(free.cost - 1e-2, 6)
    assert solve(briefs.brief_of(case)).choices == (GUM,)  # the dearer whole, the cheaper blend


def priced(seed: int) -> Case:
    """Return a drawn brief with a thickening rule whose acid, thickener and salt have prices and are no candidates."""
    r = Random(f"planned {seed}")
    case = briefs.draw(r, briefs.Wish(must=("thickening",), sizes=(2, 4), rules=(1, 4), goals=False))
    salt = material(
        "salt", [substance("Sodium Chloride", 100, "salt")], "salt", thickener={"type": "salt", "use": [0.2, 2]}
    )
    case["materials"].append(salt)
    case["scenario"].setdefault("objective", {})["planned"] = True
    added = ("late-acid", "late-thickener", "salt")
    case["shelf"] += [{"material": n, "price_per_kg": r.choice([0.3, 4, 25])} for n in added if r.random() < 0.85]
    case["scenario"].setdefault("pool", {}).setdefault("without", []).extend(added)
    if r.random() < 0.3:
        held = case["scenario"]["held_back"]
        late = next(m for m in case["materials"] if m["id"] == "late-thickener")
        rule = next(x for x in case["scenario"]["rule"] if x["kind"] == "thickening")
        room = rule.get("salt_room", 0.5) if late["thickener"]["type"] == "salt" else held["percent"]
        held["planned"] = {"late-thickener": min(held["percent"], room, r.choice([0.2, 0.8, 3]))}
    _also_late(case, Random(f"also late {seed}"))
    if r.random() < 0.3:
        case["scenario"]["rule"].append(
            {"id": "each", "kind": "if-used", "of": {"surfactants": True}, "at_least": r.choice([1, 3])}
        )
    return case


def _also_late(case: Case, r: Random) -> None:
    """Name a second thickener, dearer, cheaper or without a price; the first named need not be the cheapest."""
    first = next((m for m in case["materials"] if m["id"] == "late-thickener"), None)
    if first is None or r.random() < 0.4:
        return
    low = r.choice([0.1, 0.5])
    case["materials"].append(
        {**deepcopy(first), "id": "also-late", "thickener": {**first["thickener"], "use": [low, 3 * low]}}
    )
    case["scenario"]["held_back"]["thickeners"].append("also-late")
    case["scenario"]["pool"]["without"].append("also-late")
    if r.random() < 0.7:
        case["shelf"].append({"material": "also-late", "price_per_kg": r.choice([0.5, 3, 30])})


@pytest.mark.parametrize("seed", some(range(60), 30))
def test_drawn_briefs_are_answered_as_the_oracle_answers_them(seed: int) -> None:
    case = priced(seed)
    expected, brief = oracle.best(case), briefs.brief_of(case)
    found = solve(brief)
    assert found.ending == expected.ending
    if found.formula is not None:
        assert found.proof == "certificate"
        assert found.objective == pytest.approx(expected.objective, rel=1e-7, abs=1e-7)
        told = planned_cost(brief, found.formula, found.setting)
        if not oracle.plans(case):
            assert found.objective == pytest.approx(found.cost, abs=1e-9)
        elif told is not None:
            assert told.per_kg.typical == pytest.approx(found.objective, abs=1e-9)


@pytest.mark.thorough
def test_the_drawn_briefs_hold_every_way_and_choices_that_turn() -> None:
    ways, turned = set(), 0
    for seed in range(60):
        case = priced(seed)
        found = solve(briefs.brief_of(case))
        plain = deepcopy(case)
        plain["shelf"] = [x for x in plain["shelf"] if x["material"] not in ("late-acid", "late-thickener", "salt")]
        ways |= set(found.choices)
        turned += found.choices != solve(briefs.brief_of(plain)).choices
    assert ways == {SALT, GUM}
    assert turned >= 3


# every study that sees an objective ----------------------------------------------------------------------------


KEYS = {
    "active.exactly": [9.0, 10.0, 11.0],
    "price.ether": [1.0, 2.4, 3.5],
    "price.aqua": [0.05, 0.2],
    "missing.ether": [0.0, 1.0],
}


def varied() -> tuple[Case, Brief, Any]:
    case = wash(gum=10.0)
    grid = crossed(list(KEYS.items()))
    return case, briefs.brief_of(case), grid


def test_a_family_answers_as_single_solves_and_the_oracle_do() -> None:
    case, brief, grid = varied()
    family = Family(brief, grid.keys)
    assert family.reuse is not None
    frame, alone = family.solve(grid), one_by_one(brief, grid, 60.0)
    np.testing.assert_allclose(frame.objective, alone.objective, atol=1e-9)
    np.testing.assert_allclose(frame.cost, alone.cost, atol=1e-9)
    for s in range(len(grid)):
        known = oracle.best(at(case, grid.row(s)))
        assert (known.ending == "optimal") == bool(np.isfinite(frame.objective[s]))
        if known.ending == "optimal":
            assert frame.objective[s] == pytest.approx(known.objective, abs=1e-9)


TURNS = {"active.exactly": [8.0, 10.0], "price.ether": [1.0, 2.4, 3.5], "price.glucoside": [1.0, 3.6, 9.0]}
"""What moves the answer from one gum, and pH, to the other, and to salt."""


def test_a_family_knows_that_the_planned_thickener_changes_with_the_ph() -> None:
    case = turning()
    brief, grid = briefs.brief_of(case), crossed(list(TURNS.items()))
    family = Family(brief, grid.keys)
    assert family.reuse is not None
    assert np.unique([c.model.planned for c in family.cases], axis=0).shape[0] == 2
    frame, alone = family.solve(grid), one_by_one(brief, grid, 60.0)
    np.testing.assert_allclose(frame.objective, alone.objective, atol=1e-9)
    np.testing.assert_allclose(frame.ph, alone.ph, atol=1e-9)
    for s in range(len(grid)):
        assert frame.objective[s] == pytest.approx(oracle.best(at(case, grid.row(s))).objective, abs=1e-9)
    whole = Live(brief)
    for s in (0, 7, 17):
        proven = whole.prove({k: float(v) for k, v in grid.row(s).items()})
        assert proven is not None
        assert proven.objective == pytest.approx(float(frame.objective[s]), abs=1e-9)


@pytest.mark.parametrize("glucoside", [1.0, 3.6])
@pytest.mark.parametrize("gum", [4.0, 40.0])
def test_one_product_knows_it_too(gum: float, glucoside: float) -> None:
    case = turning(gum, glucoside)
    brief = briefs.brief_of(case)
    found, plan = solve(brief), joint((Product(brief, 20.0),), leftover=1.0)
    assert found.objective == pytest.approx(oracle.best(case).objective, abs=1e-9)
    assert found.formula is not None
    assert plan.products[0].formula.doses == pytest.approx(found.formula.doses, abs=1e-6)
    assert plan.total == pytest.approx(20 * found.cost, abs=1e-6)


def test_live_answers_as_single_solves_do() -> None:
    _, brief, _ = varied()
    live = Live(brief)
    for moved in ({"price.ether": 1.0}, {"price.ether": 3.5, "active.exactly": 9.0}, {"price.ether": 2.0}):
        proven = live.prove(moved)
        assert proven is not None
        assert proven.word == "proven"
        grid = crossed([(key, [value]) for key, value in moved.items()])
        assert proven.objective == pytest.approx(float(one_by_one(brief, grid, 60.0).objective[0]), abs=1e-9)


@pytest.mark.parametrize("gum", [1.0, 5.0, 20.0])
def test_together_makes_of_one_product_what_a_blend_is(gum: float) -> None:
    brief = briefs.brief_of(wash(gum))
    found, plan = solve(brief), joint((Product(brief, 50.0),), leftover=1.0)
    assert plan.ending == "optimal"
    made = plan.products[0]
    assert made.formula.doses == pytest.approx(found.formula.doses if found.formula else {}, abs=1e-6)
    assert plan.total == pytest.approx(50 * found.cost, abs=1e-6)
    assert plan.bound == pytest.approx(plan.total, abs=1e-5)


@pytest.mark.parametrize("gum", [1.0, 20.0])
def test_other_studies_start_from_the_same_optimum(gum: float) -> None:
    brief = briefs.brief_of(wash(gum))
    found = solve(brief, next_best=3)
    curve = frontier(brief, (1, "cost"), (-1, "anionic"))
    assert curve.breaks[0].y == pytest.approx(found.objective, abs=1e-9)
    lee = leeway(brief, loss=0.0, alternatives=1)
    assert lee.result.objective == pytest.approx(found.objective, abs=1e-9)
    assert all(a.objective <= found.objective + 1e-6 for a in lee.alternatives)
    other = next(one for one in found.without if not one.material)
    alone = solve(briefs.brief_of(only(wash(gum), SALT if found.choices == (GUM,) else GUM)))
    assert other.worse == pytest.approx(alone.objective - found.objective, abs=1e-9)
    assert other.objective == pytest.approx(alone.objective, abs=1e-9)


@pytest.mark.parametrize(("gum", "way"), [(0.05, "thickening:thickener"), (20.0, "thickening:salt")])
def test_the_nearest_formula_takes_the_cheaper_way_where_both_are_open(gum: float, way: str) -> None:
    brief = briefs.brief_of(wash(gum))
    doses = solve(briefs.brief_of(only(wash(gum), SALT))).formula
    assert doses is not None
    near = nearest_formula(brief, doses.doses)
    assert near is not None
    assert near.distance == pytest.approx(0, abs=1e-6)
    model = near.found.case.model
    taken = dict(zip(model.names, near.found.x if near.found.x is not None else (), strict=True))
    assert {key for key in taken if key.startswith("thickening") and taken[key] > 0.5} == {way}


def test_reports_of_a_formula_that_is_there_tell_the_same_planned_cost(tmp_path: Path) -> None:
    """The blend alone of the gentle wash is the cheaper one; with its thickener it is the dearer product."""
    told = ask("blend", "hand-wash", "--json").out
    (tmp_path / "f.json").write_text(told, encoding="utf-8")
    expected = json.loads(told)["planned_cost"]["per_kg"]
    hand, gentle = json.loads(ask("compare", "hand-wash", "gentle-wash", "--json").out)["sides"]
    assert hand["planned_cost_per_kg"] == pytest.approx(expected["typical"], abs=1e-9)
    assert hand["cost_per_kg"] > gentle["cost_per_kg"]
    assert hand["planned_cost_per_kg"] < gentle["planned_cost_per_kg"]
    checked = json.loads(ask("check", str(tmp_path / "f.json"), "hand-wash", "--json").out)
    assert checked["planned_cost"]["per_kg"] == pytest.approx(expected, abs=1e-9)


@pytest.mark.thorough
def test_the_first_cost_that_is_told_is_the_same_everywhere(tmp_path: Path) -> None:
    """Blend, check of what it printed, comparison, stand-in and batch: all with what the bench is planned to add."""
    (tmp_path / "f.json").write_text(ask("blend", "hand-wash", "--json").out, encoding="utf-8")
    own = str(tmp_path / "f.json")
    first = re.compile(r"(\d+\.\d{3})\b(?=[^\n]*(?:EUR|\n))")
    costed = ask("cost", own, "--for", "hand-wash", "--size", "5kg").out
    told = {
        "blend": re.findall(r"planned cost +about (\S+) EUR", ask("blend", "hand-wash").out),
        "check": re.findall(r"planned cost +about (\S+) EUR", ask("check", own, "hand-wash").out),
        "compare": re.findall(r"planned cost, EUR per kg +(\S+)", ask("compare", "hand-wash", "body-wash").out),
        "substitute": first.findall(ask("substitute", "coco-glucoside", "hand-wash").out.split("starts from")[1])[:1],
        "cost": re.findall(r"materials per kg of product +(\S+)", costed),
    }
    assert set(map(tuple, told.values())) == {("0.992",)}, told


def test_the_row_of_a_change_tells_the_planned_cost_of_both() -> None:
    found = [solve(read_brief("hand-wash", **{"thickening.salt_route": way})) for way in ("true", "false")]
    now, then = ((f.formula, f.setting) for f in found if f.formula is not None)
    (label, old, new, more), (alone, *_) = cost_changes(found[0].brief, now, then)
    assert (label, alone) == ("EUR per kg as planned", "EUR per kg, the blend alone")
    assert (old, new) == tuple(f"{f.objective:.3f}" for f in found)
    assert float(str(more)) == pytest.approx(found[1].objective - found[0].objective, abs=6e-4)
    whole = ((Formula(formula.lines), setting) for formula, setting in (now, then))
    assert [row[0] for row in cost_changes(found[0].brief, *whole)] == ["EUR per kg"]


def test_safe_formulas_count_the_planned_thickener_too() -> None:
    brief = briefs.brief_of(wash())
    done = robust(brief, safety=Safety(off=0.0, count=10))
    assert done.objective == pytest.approx(solve(brief).objective, abs=1e-6)


def test_the_entry_price_over_all_choices_is_where_the_way_turns() -> None:
    case = wash(gum=1.0)
    case["scenario"]["rule"] = case["scenario"]["rule"][:2]  # without the dose of glucoside
    found = why(briefs.brief_of(case), "ether")
    assert found.dose == 0
    for change, used in ((-0.01, True), (0.01, False)):
        again = solve(briefs.brief_of(briefs.repriced(case, "ether", found.entry_of_all + change)))
        assert ("ether" in (again.formula.doses if again.formula else {})) is used


def test_another_solver_finds_the_same() -> None:
    pytest.importorskip("pulp")
    brief = briefs.brief_of(wash())
    assert solve(brief, solver="PULP_CBC_CMD").objective == pytest.approx(solve(brief).objective, abs=1e-9)


# the shipped briefs --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SHIPPED)
def test_what_is_minimised_is_the_planned_cost_that_is_told(name: str) -> None:
    found = solved(name)
    brief = found.brief
    assert found.formula is not None
    told = planned_cost(brief, found.formula, found.setting)
    assert told is not None
    assert told.per_kg.typical == pytest.approx(found.objective, abs=1e-9)
    assert told.per_kg.low <= told.per_kg.typical <= told.per_kg.high
    assert found.proof == "certificate"
    ready = {i.id for i in brief.pool.later}
    assert {d.item.id for d in told.doses} <= ready, "the shop holds ready what its best is costed with"
    if found.choices == (SALT,):
        assert plan_of(found.formula, found.setting, brief).salt.open, "the bench's plan agrees"


@pytest.mark.parametrize("name", ["hand-wash", "body-wash", "gentle-wash"])
def test_another_solver_finds_the_same_for_shipped_briefs(name: str) -> None:
    pytest.importorskip("pulp")
    found = solve(read_brief(name), solver="PULP_CBC_CMD")
    assert found.objective == pytest.approx(solved(name).objective, abs=1e-6)


def test_hand_wash_is_the_better_of_its_ways_alone() -> None:
    brief = read_brief("hand-wash")
    rule = next(r for r in brief.modelled if isinstance(r, Thickening))
    others = tuple(r for r in brief.modelled if r is not rule)
    later = replace(brief, modelled=(*others, rule.model_copy(update={"salt_route": False})))
    salted = replace(brief, pool=replace(brief.pool, thickeners=(), later=brief.pool.later[:1]))
    best = min(solve(later).objective, solve(salted).objective)
    assert solved("hand-wash").objective == pytest.approx(best, abs=1e-9)


def test_a_way_cheaper_than_water_counts_as_free_not_twice() -> None:
    case = wash(gum=0.0)
    brief = briefs.brief_of(briefs.repriced(case, "aqua", 1.0))
    plan = plan_of_pool(brief.pool)
    rule = next(r for r in brief.modelled if isinstance(r, Thickening))
    planned = rule.planned(plan, solve(brief).setting)
    assert all(plan.cost(doses) == 0 for doses in planned.values())
    assert solve(brief).objective == pytest.approx(oracle.best(briefs.repriced(case, "aqua", 1.0)).objective, abs=1e-9)


MOVED = ("price.salt", "price.gum", "price.acid", "missing.salt", "missing.gum")


@pytest.mark.parametrize("planned", [True, False])
@pytest.mark.parametrize("key", MOVED)
def test_a_range_moves_what_is_kept_for_the_bench(key: str, planned: bool) -> None:
    """Prices of salt, gum and acid count as a brief's own would; what is missing thickens nothing."""
    case = wash()
    case["scenario"].setdefault("objective", {})["planned"] = planned
    name = key.partition(".")[2]
    brief, value = briefs.brief_of(case), 60.0 if key.startswith("price") else 1.0
    assert unknown_keys(brief, [key], "test") == []
    grid = crossed([(key, [value])])
    frame = Family(brief, grid.keys).solve(grid)
    expected = deepcopy(case)
    if key.startswith("price"):
        expected = briefs.repriced(expected, name, value)
    elif key == "missing.salt":
        expected = only(expected, GUM)
    else:
        expected["scenario"]["held_back"]["thickeners"] = []
    found = solve(briefs.brief_of(expected))
    assert found.formula is not None
    assert frame.objective[0] == pytest.approx(found.objective, abs=1e-9)
    assert frame.cost[0] == pytest.approx(found.cost, abs=1e-9)


def test_a_range_tells_the_planned_cost_where_it_is_the_least() -> None:
    """Without salt the blend of the hand wash is the cheaper one, its product the dearer."""
    asked = ("range", "hand-wash", "--missing", "sodium-chloride")
    told = json.loads(ask(*asked, "--json").out)
    there, gone = (s["planned_cost"]["least"] for s in told["slices"])
    assert [there, gone] == pytest.approx([a["objective_value"] for a in told["answers"]], abs=1e-12)
    assert gone > there + 0.1
    assert told["slices"][1]["cost"]["least"] < told["slices"][0]["cost"]["least"]
    assert ", the blend alone" in " ".join(ask(*asked).out.split())
    alone = json.loads(ask(*asked, "--set", "objective.planned=false", "--json").out)
    assert alone["planned_cost_per_kg"]["least"] is None


def test_what_is_kept_for_the_bench_is_no_material_that_does_not_matter() -> None:
    """No part of the blend, yet of the product: the answers say where to ask what is without it."""
    why_not = ask("why", "sorbitan-sesquicaprylate", "hand-wash").out
    assert "added to effect, out of the 4 % kept free" in why_not
    gone = ask("substitute", "sodium-chloride", "hand-wash").out
    assert "Nothing is missing in the blend: the formula stays as it is." in gone
    assert "--missing sodium-chloride" in " ".join(gone.split())
