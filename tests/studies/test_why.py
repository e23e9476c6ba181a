"""Why a material is in or out: worth, entry price, forcing, and every reason for being no candidate."""

from __future__ import annotations

import re
from copy import deepcopy
from dataclasses import replace
from functools import cache
from html import escape
from math import inf, isnan
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.answers.questions import read_brief
from optimizer.brief.brief import Brief, load_brief
from optimizer.engine import search
from optimizer.engine.tree import Below
from optimizer.errors import UsageError
from optimizer.files import shipped
from optimizer.report.blend import blend_document
from optimizer.report.formats.page import page as html_page
from optimizer.report.formats.terminal import lines
from optimizer.report.formula_json import Blend
from optimizer.report.record import record
from optimizer.report.studies import why_document
from optimizer.solve import entry
from optimizer.solve.best import solve
from optimizer.solve.linear import solve_fully
from optimizer.solve.result import Result
from optimizer.studies.why import why
from tests.support import briefs, draws
from tests.support.briefs import Wish, aqua, brief_of, draw, draw_large, material, repriced, substance
from tests.support.draws import SEED, drawn, some
from tests.support.oracle import Case, Table, best
from tests.support.pencil import one
from tests.support.solved import solved

CI = settings(draws.CI, max_examples=drawn(10, of=60))
LINEAR = Wish(kinds=briefs.PLAIN, ph=False, goals=False, pairs=False, rules=(2, 6), past=0.0)
ANY = Wish(goals=False, rules=(2, 5), past=0.0)


@cache
def met(seed: int, sort: str) -> tuple[Case, Brief, Result]:
    """Return the first brief at or after a seed that can be met, with its answer."""
    wish = ANY if sort == "any" else LINEAR
    while True:
        case = (draw_large if sort == "large" else draw)(Random(seed), wish)
        brief = brief_of(case)
        result = solve(brief)
        if result.formula is not None:
            return case, brief, result
        seed += 1


def with_rule(case: Case, rule: Table) -> Case:
    other = deepcopy(case)
    other["scenario"]["rule"].append(rule)
    return other


def dose_of(result: Result, name: str) -> float:
    assert result.formula is not None
    return result.formula.dose(name)


@CI
@given(SEED, st.sampled_from(["small", "large", "any"]))
def test_worth_sums_to_the_price_of_what_is_used(seed: int, sort: str) -> None:
    _, brief, result = met(seed, sort)
    assert result.formula is not None
    for line in result.formula.lines:
        answer = why(brief, line.item.id)
        assert answer.dose == line.percent
        if line.percent > 100 - 1e-6:
            continue  # nothing else is left to give way: the dose sits on the end of its own column
        together = sum(w.per_kg for w in answer.worth)
        assert together == pytest.approx(line.item.price, rel=1e-6, abs=1e-6)
        assert answer.entry == pytest.approx(together)
        assert answer.left_out == answer.responsible == ""
        shares = [abs(w.per_kg) for w in answer.worth]
        assert shares == sorted(shares, reverse=True)


@pytest.mark.thorough
@CI
@given(SEED, st.sampled_from(["small", "large"]))
def test_at_the_entry_price_an_unused_material_comes_in(seed: int, sort: str) -> None:
    case, brief, result = met(seed, sort)
    told = {e.id: e.entry for e in result.entry_prices}
    for item in brief.pool.items:
        if dose_of(result, item.id) > 0 or item.id == "aqua":
            continue
        answer = why(brief, item.id)
        assert answer.entry <= item.price + 1e-9
        if item.id in told:
            assert answer.entry == pytest.approx(told[item.id], abs=1e-9)
        if answer.entry < 0.02 or item.price - answer.entry < 0.02:
            continue
        above = solve(brief_of(repriced(case, item.id, answer.entry + 0.01)))
        assert dose_of(above, item.id) == 0
        assert above.cost == pytest.approx(result.cost, rel=1e-9)
        below = solve(brief_of(repriced(case, item.id, answer.entry - 0.01)))
        if not result.degenerate:
            assert dose_of(below, item.id) > 0
            assert below.cost < result.cost


@pytest.mark.slow
@CI
@given(SEED, st.sampled_from(["small", "large", "any"]), st.sampled_from([0.5, 1.0, 3.0]))
def test_forcing_costs_what_another_brief_says(seed: int, sort: str, at: float) -> None:
    case, brief, result = met(seed, sort)
    for item in brief.pool.items:
        answer = why(brief, item.id, at)
        assert answer.forced is not None
        used = dose_of(result, item.id) > 1e-7
        limit = {"at_most": 0.0} if used else {"at_least": at}
        assert answer.forced.dose == (0.0 if used else at)
        other = solve(brief_of(with_rule(case, {"id": "forced-in-or-out", "kind": "dose", "of": [item.id], **limit})))
        if other.formula is None:
            assert answer.forced.cost == inf
            assert "forced" not in answer.forced.conflict
        else:
            assert answer.forced.cost == pytest.approx(other.objective - result.objective, abs=1e-7)
            assert answer.forced.conflict == ()
            assert answer.forced.cost >= -1e-9


# reasons for being no candidate ---------------------------------------------------------------------


def shelved(pool: Table, entry: Table, price: float | None = 2.0) -> Brief:
    other = material("oo", [substance("O", 100)], "humectant", free_from=["sulfate"], vegan=True)
    line: Table = {"material": entry["id"]}
    shelf = [{"material": "oo", "price_per_kg": 1.0}, *([{**line, "price_per_kg": price}] if price else [])]
    scenario = {"name": "pool", "rule": [], "pool": pool}
    return brief_of({"materials": [aqua(), other, entry], "shelf": shelf, "scenario": scenario})


@pytest.mark.parametrize(
    ("pool", "entry", "reason"),
    [
        ({"functions": ["humectant"]}, one(), "pool.functions does not list surfactant"),
        ({"materials": ["oo"]}, one(), "pool.materials does not list it"),
        ({"inci": ["O"]}, one(), "pool.inci lists nothing that is in it"),
        ({"surfactant_charges": ["nonionic"]}, one(), "pool.surfactant_charges does not list anionic"),
        ({"without_families": ["kin"]}, one(), "pool.without_families names kin"),
        ({"free_from": ["sulfate"]}, one(), "it is not declared free from sulfate"),
        ({"vegan": True}, one(), "it is not declared vegan"),
        ({"oil_free": True}, one(lipid="oil"), "pool.oil_free leaves out oil"),
        ({"oil_free": True}, one(lipid="essential oil"), "pool.oil_free leaves out essential oil"),
        ({"clear": True}, one(look="pearly"), "pool.clear leaves out what looks pearly"),
        ({"without": ["mm"]}, one(), "pool.without names it"),
        ({"without": ["mm"], "also": ["mm"]}, one(), "pool.without names it"),
    ],
)
def test_every_field_of_the_pool_gives_its_reason(pool: Table, entry: Table, reason: str) -> None:
    answer = why(shelved(pool, entry), "mm")
    assert answer.left_out == reason
    assert answer.dose == 0
    assert answer.forced is None
    assert answer.worth == ()
    assert isnan(answer.entry)


def test_a_family_that_is_not_listed_is_the_reason() -> None:
    kin = material("pp", [substance("P", 100, charge="nonionic", surfactant=True, family="other kin")])
    case: Case = {
        "materials": [aqua(), kin, one()],
        "shelf": [{"material": "mm", "price_per_kg": 2.0}, {"material": "pp", "price_per_kg": 2.0}],
        "scenario": {"name": "pool", "rule": [], "pool": {"surfactant_families": ["other kin"]}},
    }
    brief = brief_of(case)
    assert why(brief, "mm").left_out == "pool.surfactant_families does not list its family"
    assert why(brief, "pp").left_out == ""


@pytest.mark.parametrize(
    ("pool", "entry"),
    [
        ({"functions": ["surfactant"]}, one()),
        ({"functions": ["humectant"], "also": ["mm"]}, one()),
        ({"inci": ["M"]}, one()),
        ({"surfactant_charges": ["anionic"]}, one()),
        ({"free_from": ["sulfate"]}, one(free_from=["sulfate", "ethoxylate"])),
        ({"vegan": True}, one(vegan=True)),
        ({"oil_free": True}, one(lipid="perfume")),
        ({"clear": True}, one(look="pearly", clear_up_to=1)),
    ],
)
def test_a_candidate_has_no_such_reason(pool: Table, entry: Table) -> None:
    assert why(shelved(pool, entry), "mm").left_out == ""


def test_what_the_shelf_does_not_price_is_told() -> None:
    assert why(shelved({}, one(), price=None), "mm").left_out == "the shelf does not price it"
    assert why(shelved({"also": ["mm"]}, one(), price=None), "mm").left_out == "the shelf has no price for it"


def test_an_unknown_material_is_told_with_the_nearest_name() -> None:
    with pytest.raises(UsageError, match=r"there is no material 'glycerinn'.*glycerin"):
        why(load_brief(shipped("scenarios") / "hand-wash.toml"), "glycerinn")


# pencil cases ---------------------------------------------------------------------------------------


def test_a_material_that_the_ph_bars_is_told() -> None:
    cheap = one("cheap", ph_stable=[7, 9])
    dear = one("dear", ph_stable=[4, 6])
    acid = material("acid", [substance("A", 100)], "humectant", ph_stable=[3, 5.5])
    rules = [
        {"id": "act", "kind": "active", "at_least": 10},
        {"id": "need", "kind": "dose", "of": ["acid"], "at_least": 1},
    ]
    shelf = [{"material": n, "price_per_kg": p} for n, p in (("cheap", 1.0), ("dear", 4.0), ("acid", 2.0))]
    scenario = {"name": "barred", "rule": rules, "ph": {"low": 4, "high": 9}}
    brief = brief_of({"materials": [aqua(), cheap, dear, acid], "shelf": shelf, "scenario": scenario})
    answer = why(brief, "cheap")
    assert answer.responsible == "ph"
    assert answer.dose == 0
    assert isnan(answer.entry)
    # where the cheap one is stable, the acid is not: every such setting is impossible, or bars the cheap one
    assert answer.settings
    assert all(s.barred or isnan(s.objective) for s in answer.settings)
    assert answer.forced is not None
    assert answer.forced.cost == inf
    assert any(reading.startswith("pH 4 to 9") for reading in answer.forced.conflict)
    assert why(brief, "dear").responsible == ""


def test_worth_is_the_pencils() -> None:
    """10 % active at mean mildness 50 from aa (50 % active, 20, 2 per kg) and cc (25 % active, 80, 3 per kg)."""
    rated = {"basis": "invented", "low": 0, "high": 100}
    aa = one("aa", ratings={"mildness": {**rated, "typical": 20}})
    parts = [substance("C", 25, charge="nonionic", surfactant=True), substance("Aqua", 75, "water")]
    cc = material("cc", parts, ratings={"mildness": {**rated, "typical": 80}})
    dd = material("dd", parts, ratings={"mildness": {**rated, "typical": 50}})
    rules = [
        {"id": "act", "kind": "active", "at_least": 10},
        {"id": "mild", "kind": "rating", "rating": "mildness", "at_least": 50},
    ]
    prices = {"aa": 2.0, "cc": 3.0, "dd": 5.0}
    case: Case = {
        "materials": [aqua(), aa, cc, dd],
        "shelf": [{"material": n, "price_per_kg": p} for n, p in prices.items()],
        "scenario": {"name": "pencil", "rule": rules},
    }
    brief = brief_of(case)
    # per kg of active matter aa costs 4 and cc 12; per rating point below or above 50 the mix pays 8 / 60
    worth = {w.id: w.per_kg for w in why(brief, "aa").worth}
    assert worth == pytest.approx({"act": 4, "mild": -2})
    assert {w.id: w.per_kg for w in why(brief, "cc").worth} == pytest.approx({"act": 2, "mild": 1})
    unused = why(brief, "dd")
    assert unused.entry == pytest.approx(2), "at mildness 50 it is worth its active matter: 8 per kg of it"
    assert unused.responsible == ""
    assert unused.forced is not None
    # one kg of dd per 100 brings 0.25 % active matter worth 0.02, and costs 0.05
    assert unused.forced.cost == pytest.approx(0.03)
    out = why(brief, "aa").forced
    assert out is not None
    assert out.cost == pytest.approx(1.2 - 0.8), "cc alone: 40 % at 3 per kg"


def test_a_rule_that_takes_worth_is_held_responsible() -> None:
    salty = [substance("S", 50, charge="anionic", surfactant=True), substance("Sodium Chloride", 10, "salt")]
    aa, cc = material("aa", [*salty, substance("Aqua", 40, "water")]), one("cc")
    rules = [
        {"id": "act", "kind": "active", "at_least": 10},
        {"id": "salt", "kind": "salt", "at_most": 0},
    ]
    shelf = [{"material": "aa", "price_per_kg": 1.0}, {"material": "cc", "price_per_kg": 4.0}]
    brief = brief_of({"materials": [aqua(), aa, cc], "shelf": shelf, "scenario": {"name": "salt", "rule": rules}})
    answer = why(brief, "aa")
    assert answer.dose == 0
    assert answer.responsible == "salt"
    assert answer.forced is not None
    assert answer.forced.cost == inf


@pytest.mark.thorough
@pytest.mark.parametrize(
    "name", ["hand-wash", *(pytest.param(n, marks=pytest.mark.slow) for n in ("clear-shampoo", "gentle-wash"))]
)
def test_every_candidate_of_a_shipped_brief_has_an_answer(name: str) -> None:
    brief = load_brief(shipped("scenarios") / f"{name}.toml")
    result = solve(brief)
    assert result.formula is not None
    for item in brief.pool.items[:6]:
        answer = why(brief, item.id)
        assert answer.left_out == ""
        assert answer.dose == pytest.approx(dose_of(result, item.id), abs=1e-9)
        assert {s.first for s in answer.settings} == {s.first for s in result.settings}
        assert answer.forced is not None
        if answer.dose > 0:
            assert sum(w.per_kg for w in answer.worth) == pytest.approx(item.price, rel=1e-6, abs=1e-6)
    for id_, reason in brief.left_out.items():
        assert why(brief, id_).left_out == reason


def test_entry_prices_are_told_of_the_least_cost_alone() -> None:
    """10 % active: of aa (50 %) at 2, a kg of active is 4; bb (60 %) at 3 comes in at 2.4. Made-up figures."""
    stock = [aqua()]
    for name, share in (("aa", 50), ("bb", 60)):
        parts = [substance(name.upper(), share, charge="anionic", surfactant=True)]
        stock.append(material(name, [*parts, substance("Aqua", 100 - share, "water")]))
    shelf = [{"material": "aa", "price_per_kg": 2.0}, {"material": "bb", "price_per_kg": 3.0}]

    def entries(objective: Table, *rules: Table) -> list[tuple[str, float]]:
        scenario = {"name": "x", "rule": [*rules], "objective": objective}
        result = solve(brief_of({"materials": stock, "shelf": shelf, "scenario": scenario}))
        assert result.formula is not None
        return [(e.id, round(e.entry, 9)) for e in result.entry_prices if not e.kept_out]

    active = {"id": "act", "kind": "active", "at_least": 10, "at_most": 20}
    assert entries({"minimise": "cost"}, active) == [("bb", 2.4)]
    # At least 20 % of both: the weaker one is best, and what the other lacks to come in is no price.
    assert entries({"minimise": "active"}, {"id": "both", "kind": "dose", "of": ["aa", "bb"], "at_least": 20}) == []
    assert entries({"maximise": "cost"}, active) == []
    # Kept out by a yes/no choice that is the best one, bb has no entry price of its own.
    assert entries({"minimise": "cost"}, active, {"id": "one", "kind": "count", "of": ["aa", "bb"], "at_most": 1}) == []


# yes/no choices -------------------------------------------------------------------------------------

CHOOSING = Wish(kinds=(*briefs.YES_NO, "active", "dose", "rating"), goals=False, rules=(2, 4), past=0.0)


def shipped_brief(name: str) -> Brief:
    return load_brief(shipped("scenarios") / f"{name}.toml")


def at_price(brief: Brief, material: str, price: float) -> Result:
    """Return the answer with another price of one material."""
    items = tuple(replace(i, price=price) if i.id == material else i for i in brief.pool.items)
    return solve(replace(brief, pool=brief.pool.with_items(items)))


def test_what_another_choice_lets_in_is_not_told_as_out_at_any_price() -> None:
    """Decyl glucoside, 4.65 a kg, comes in at 4.59 with another choice of surfactants; 'not at any price' was told."""
    brief = shipped_brief("hand-wash")
    answer = why(brief, "decyl-glucoside")
    assert answer.dose == 0
    assert answer.kept_out
    assert not answer.never
    assert answer.responsible == ""
    assert 4.59 < answer.entry_of_all < 4.65
    assert dose_of(at_price(brief, "decyl-glucoside", 4.59), "decyl-glucoside") == pytest.approx(3.98, abs=0.01)
    assert dose_of(at_price(brief, "decyl-glucoside", answer.entry_of_all - 1e-3), "decyl-glucoside") > 1
    assert dose_of(at_price(brief, "decyl-glucoside", answer.entry_of_all + 1e-3), "decyl-glucoside") == 0
    shown = "\n".join(lines(why_document(answer), 160))
    assert "below 4.60 EUR per kg, at the best of all choices and pH settings, each checked" in shown
    assert "not at any price" not in shown
    told = record(answer)
    assert told.kept_out
    assert told.entry is None
    assert told.entry_of_all == pytest.approx(answer.entry_of_all)


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("name", "material"),
    [("hand-wash", "lauryl-glucoside"), ("hand-wash", "coco-betaine"), ("gentle-wash", "sodium-lauroyl-sarcosinate")],
)
def test_below_its_price_of_all_choices_it_comes_in_and_above_it_does_not(name: str, material: str) -> None:
    brief = shipped_brief(name)
    answer = why(brief, material)
    assert dose_of(at_price(brief, material, answer.entry_of_all - 1e-3), material) > 0
    assert dose_of(at_price(brief, material, answer.entry_of_all + 1e-3), material) == 0


@pytest.mark.parametrize("name", ["hand-wash", "gentle-wash"])
def test_a_blend_lists_what_a_choice_keeps_out(name: str) -> None:
    """They were left out of the list of prices below which a material would come in."""
    result = solved(name)
    assert result.formula is not None
    kept = {e.id: e.name for e in result.entry_prices if e.kept_out}
    used = {line.item.id for line in result.formula.lines}
    surfactants = {i.id for i in result.brief.pool.items if i.surfactant > 0}
    assert surfactants - used - set(result.barred) <= set(kept)
    document = blend_document(result)
    shown, page = "\n".join(lines(document, 160)), html_page(document)
    for told in kept.values():
        assert re.search(rf"{re.escape(told)} +\d+\.\d\d +kept out by a choice", shown), told
        assert escape(told) in page.replace("&nbsp;", " "), told
    assert page.count("kept out by a choice") >= len(kept)
    listed = {e.id: e for e in record(Blend(result=result)).entry_prices}
    assert all(listed[i].kept_out and listed[i].entry_price_per_kg is None for i in kept)
    assert not any(e.kept_out for i, e in listed.items() if i not in kept)


@pytest.mark.parametrize(
    "material",
    ["decyl-glucoside", "lauryl-glucoside", pytest.param("sodium-lauroyl-sarcosinate", marks=pytest.mark.thorough)],
)
def test_it_is_proven_from_the_trees_of_the_answer_without_a_search_of_the_solver(
    monkeypatch: pytest.MonkeyPatch, material: str
) -> None:
    def refused(*_: object) -> None:
        raise AssertionError("a whole search was begun")

    brief = shipped_brief("hand-wash")
    solved = solve_fully(brief)
    monkeypatch.setattr(entry, "search", refused)
    told = entry.entry_of_all(solved, brief.pool.index[material], -inf)
    assert told.proof == "certificate"
    assert told.price == pytest.approx(why(brief, material).entry_of_all, abs=1e-6)
    assert entry.entry_of_all(solved, brief.pool.index[material], told.price - 0.1).price == pytest.approx(told.price)


def test_where_a_tree_does_not_prove_it_the_word_of_the_solver_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    brief = shipped_brief("hand-wash")
    proven = why(brief, "decyl-glucoside")
    assert record(proven).entry_proof == "certificate"
    monkeypatch.setattr(entry, "lowest_below", lambda *_, **__: Below(None, -inf, 1))
    monkeypatch.setattr(search, "grown", lambda *_, **__: None)
    told = why(brief, "decyl-glucoside")
    assert told.entry_proof == "solver bound"
    assert told.entry_of_all == pytest.approx(proven.entry_of_all, abs=1e-6)
    assert "pH settings, by the solver's word" in "\n".join(lines(why_document(told), 160))


def test_at_the_price_of_all_choices_an_enumeration_gains_nothing_and_below_it_something() -> None:
    told = 0
    for seed in range(drawn(6, of=40)):
        case = draw(Random(seed), CHOOSING)
        brief, now = brief_of(case), best(case).objective
        for item in brief.pool.items if solve(brief).formula else ():
            answer = why(brief, item.id)
            price = answer.entry_of_all
            if isnan(price) or price <= 0.02 or item.price - price <= 0.02:
                continue
            assert answer.entry_proof == "certificate"
            assert best(repriced(case, item.id, price)).objective == pytest.approx(now, abs=1e-6), (seed, item.id)
            assert best(repriced(case, item.id, price - 0.01)).objective < now - 1e-6, (seed, item.id)
            told += 1
    assert told >= 3


@pytest.mark.slow
def test_above_the_price_told_in_a_blend_an_enumeration_finds_nothing_better_with_what_is_kept_out() -> None:
    told = never = untold = 0
    for seed in range(drawn(60, of=400)):
        case = draw(Random(seed), CHOOSING)
        result = solve(brief_of(case), next_best=1)
        for out in (e for e in result.entry_prices if e.kept_out):
            if isnan(out.never_above):  # a tree that grew too large was left to the solver, which tells no leaves
                untold += 1
            elif out.never_above == -inf:
                forced = with_rule(case, {"id": "a-bit", "kind": "dose", "of": [out.id], "at_least": 0.001})
                assert best(forced).ending == "infeasible", (seed, out.id)
                never += 1
            elif 0 < out.never_above < out.price:
                found = best(repriced(case, out.id, out.never_above + 1e-6))
                assert found.objective >= result.objective - 1e-7 * (1 + abs(result.objective)), (seed, out.id)
                told += 1
    assert told >= drawn(5, of=40)
    assert never >= 1
    assert untold <= told / 10


@pytest.mark.parametrize("name", ["hand-wash", "clear-shampoo"])
def test_the_price_of_all_choices_is_no_higher_than_what_a_blend_tells_from_its_leaves(name: str) -> None:
    solved = solve_fully(shipped_brief(name), next_best=1)
    pool, told = solved.result.brief.pool, [e for e in solved.result.entry_prices if e.kept_out]
    assert any(e.never_above < e.price - 0.01 for e in told), "what is told says something"
    for out in told[:4]:
        assert entry.entry_of_all(solved, pool.index[out.id], -inf).price <= out.never_above + 1e-7, out.id


@pytest.mark.thorough
def test_prices_of_all_choices_of_drawn_briefs() -> None:
    told = kept = never = 0
    for seed in range(drawn(20, of=40)):
        case = draw(Random(seed), CHOOSING)
        brief = brief_of(case)
        result = solve(brief)
        if result.formula is None:
            continue
        for item in brief.pool.items:
            if dose_of(result, item.id) > 0 or item.id == "aqua":
                continue
            answer = why(brief, item.id)
            price = answer.entry_of_all
            if answer.never:
                forced = with_rule(case, {"id": "a-bit", "kind": "dose", "of": [item.id], "at_least": 0.001})
                assert solve(brief_of(forced)).formula is None, (seed, item.id)
                never += 1
                continue
            assert isnan(answer.entry) or price >= answer.entry - 1e-6
            assert price <= item.price + 1e-6
            told += 1
            kept += answer.kept_out
            if price > 0.02 and item.price - price > 0.02:
                assert dose_of(solve(brief_of(repriced(case, item.id, price - 0.01))), item.id) > 0, (seed, item.id)
                assert dose_of(solve(brief_of(repriced(case, item.id, price + 0.01))), item.id) == 0, (seed, item.id)
    assert told >= 20
    assert kept >= 5
    assert never >= 1


@pytest.mark.parametrize(("name", "used"), some([("polyglyceryl-4-caprate", False), ("glycerin", True)], 1))
def test_what_then_decides_holds_at_each_setting_too_and_a_tie_is_called_one(name: str, used: bool) -> None:
    goals = {"objective.minimise": "", "objective.maximise": "flash-foam", "objective.then": "minimise cost"}
    brief = read_brief("hand-wash", **goals)
    best = solve(brief).formula
    assert best is not None
    found = why(brief, name)
    assert (found.dose > 0, found.tied) == (used, not used)
    assert found.dose == pytest.approx(best.dose(name))
    assert any(s.dose == pytest.approx(found.dose, abs=1e-9) for s in found.settings)
    assert {s.dose > 0 for s in found.settings} == {used}
    assert ("Out by a tie" in why_document(found).verdict) is not used
