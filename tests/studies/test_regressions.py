"""Defects that independent tests once found, each pinned by its smallest case."""

from __future__ import annotations

from math import inf

import pytest

from optimizer.brief.brief import load_brief
from optimizer.files import shipped
from optimizer.solve.best import solve
from optimizer.solve.nearest import nearest_formula
from optimizer.studies.check import check
from optimizer.studies.explain import changed, explain
from optimizer.studies.why import why
from tests.support import oracle
from tests.support.bent import bent
from tests.support.briefs import aqua, brief_of, material, repriced, substance
from tests.support.pencil import dose, one, pencil, rated, rated_pencil, surfactant
from tests.support.repairs import possible, told


def test_a_dropped_rule_caps_nothing() -> None:
    rules = {"id": "cap", "kind": "active", "at_most": 3}, {"id": "n", "kind": "count", "of": ["aa"], "at_most": 1}
    explanation = explain(brief_of(pencil(*rules, dose("d", "aa", at_least=10))))
    assert explanation.conflict == ("cap", "d")
    assert told(explanation) == {("cap", "high", 5.0), ("d", "low", 6.0)}


def test_a_limit_can_give_to_either_side_of_a_gap() -> None:
    a, c = surfactant("aa", 50, ph_stable=[4, 5]), surfactant("cc", 50, "nonionic", ph_stable=[8, 9])
    band = {"id": "band", "kind": "share", "of": {"charges": ["anionic"]}, "at_least": 40, "at_most": 60}
    case = pencil(band, {"id": "act", "kind": "active", "at_least": 5}, materials=(a, c), ph={"low": 4, "high": 9})
    found = told(explain(brief_of(case)))
    assert {("band", "low", 0.0), ("band", "high", 100.0)} <= found


def test_a_ceiling_that_gives_really_gives() -> None:
    level = {"id": "level", "substances": ["AA"], "percent": 1.0, "basis": "as substance", "kind": "panel",
             "source": "invented", "confidence": "common practice"}  # fmt: skip
    brief = brief_of(pencil(dose("d", "aa", at_least=10), {"id": "lev", "kind": "use-level", "ceiling": level}))
    for change in explain(brief).single_repairs:
        assert possible(changed(brief, change)), change.words


def test_a_repair_of_the_ph_and_another_rule_is_found() -> None:
    a, c = surfactant("aa", 50, ph_stable=[4, 5]), surfactant("cc", 50, "nonionic", ph_stable=[8, 9])
    rules = dose("wish", "aa", at_least=1), {**dose("must", "cc", at_least=1), "source": "law"}
    repair = explain(brief_of(pencil(*rules, materials=(a, c), ph={"low": 4, "high": 6}))).repair
    assert {(x.id, x.side) for x in repair} == {("ph", "high"), ("wish", "low")}


def test_a_clash_of_law_beside_another_clash_is_told() -> None:
    law = [{**dose("c1", "cc", at_least=3), "source": "law"}, {**dose("c2", "cc", at_most=2), "source": "law"}]
    explanation = explain(brief_of(pencil(dose("a1", "aa", at_least=3), dose("a2", "aa", at_most=2), *law)))
    assert explanation.hopeless


def test_a_count_between_two_numbers() -> None:
    stock = tuple(surfactant(n, 50) for n in ("aa", "bb", "cc"))
    shut = {**dose("shut", "aa", at_most=0), "source": "law"}
    found = told(explain(brief_of(pencil(shut, {"id": "n", "kind": "count", "at_least": 2.5}, materials=stock))))
    assert found == {("n", "low", 2.0)}


def test_the_nearest_formula_takes_out_what_the_ph_bars() -> None:
    stock = (
        rated("aa", 50, 20, ph_stable=[6.5, 8]),
        rated("cc", 25, 80, "nonionic", ph_stable=[4, 6]),
    )
    rule = {"id": "act", "kind": "active", "at_least": 5}
    case = rated_pencil(rule, stock=stock, ph={"low": 4, "high": 9, "tolerance": 0.2})
    near = nearest_formula(brief_of(case), {"aa": 10, "cc": 20, "aqua": 70})
    assert near is not None
    assert (near.changed, near.distance) == (("aa",), pytest.approx(10, abs=1e-5))


@pytest.mark.thorough
def test_the_grid_formula_is_the_nearest_not_the_cheapest() -> None:
    for seed in range(60):
        case, doses = bent(seed)
        checked = check(brief_of(case), doses, oracle.held_back(case))
        if checked.nearest is None or not checked.on_grid:
            continue
        new = {x.item.id: x.percent for x in checked.nearest.formula.lines}
        moves = {n: abs(new.get(n, 0.0) - d) for n, d in doses.items() if n != "aqua"}
        step = checked.brief.scenario.scale_step
        assert sum(moves.values()) <= checked.nearest.distance + 2 * step * len(moves), seed
        assert {n for n, m in moves.items() if m > step} <= set(checked.nearest.changed), seed


def test_a_formula_within_tolerance_is_its_own_nearest() -> None:
    stock = rated("aa", 50, 20)
    brief = brief_of(rated_pencil({"id": "exact", "kind": "cost", "exactly": 0.1}, stock=(stock,)))
    near = nearest_formula(brief, {"aa": 5 + 2e-6, "aqua": 95 - 2e-6})
    assert near is not None


def test_what_is_called_the_best_grid_formula_is_the_best() -> None:
    brief = load_brief(shipped("scenarios") / "clear-shampoo.toml")
    rounded = solve(brief, weighable=True).rounded
    assert rounded is not None
    assert not rounded.proven or rounded.cost_of_rounding <= 0.0065


def test_an_entry_price_at_a_kink_is_true() -> None:
    salty = [substance("S", 50, charge="anionic", surfactant=True), substance("Sodium Chloride", 10, "salt")]
    aa, cc = material("aa", [*salty, substance("Aqua", 40, "water")]), one("cc")
    rules = [{"id": "act", "kind": "active", "at_least": 10}, {"id": "salt", "kind": "salt", "at_most": 0}]
    shelf = [{"material": "aa", "price_per_kg": 1.0}, {"material": "cc", "price_per_kg": 4.0}]
    case = {"materials": [aqua(), aa, cc], "shelf": shelf, "scenario": {"name": "salt", "rule": rules}}
    answer = why(brief_of(case), "aa")
    assert answer.entry == -inf or answer.entry != answer.entry or answer.entry < 0.5
    assert solve(brief_of(repriced(case, "aa", 0.1))).formula.dose("aa") == 0  # type: ignore[union-attr]


@pytest.mark.parametrize("tie", ["minimise cost", "maximise cost"])
def test_the_price_of_a_mean_does_not_depend_on_the_tie_break(tie: str) -> None:
    # pencil: 40 % of aa at 20 and 60 % of cc at 80 is 56 at any total; a percent more of aa costs 0.6
    share = {"id": "share", "kind": "share", "of": {"charges": ["anionic"]}, "at_least": 40}
    active = {"id": "act", "kind": "active", "at_least": 2, "at_most": 12}
    case = rated_pencil(share, active, objective={"maximise": "mildness", "then": [tie]})
    result = solve(brief_of(case))
    assert result.objective == pytest.approx(56)
    (priced,) = [r for r in result.rules if r.id == "share"]
    assert priced.price == pytest.approx(-0.6, abs=1e-6)
