"""Formulas that exist, held against briefs: how they are read, what they break, the nearest that keeps all."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from itertools import combinations
from math import inf
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from openpyxl import Workbook
from scipy.optimize import linprog

import optimizer
from optimizer.brief.brief import load_brief
from optimizer.data.formula_file import GivenFormula, read_formula
from optimizer.data.library import Library, read_library
from optimizer.errors import DataError
from optimizer.files import shipped
from optimizer.report.document import Table as Shown
from optimizer.report.formula_json import Blend
from optimizer.report.record import as_json
from optimizer.report.studies import check_document
from optimizer.solve.best import solve
from optimizer.solve.existing import best_setting, formula_at, held_against
from optimizer.solve.nearest import nearest_formula
from optimizer.studies.check import Checked, check
from tests.support import draws, oracle
from tests.support.bent import bent
from tests.support.briefs import brief_of
from tests.support.draws import SEED, drawn, some
from tests.support.oracle import Case
from tests.support.pencil import AA, CC, RULES, rated, rated_pencil
from tests.support.solved import SHIPPED, solved

CI = settings(draws.CI, max_examples=drawn(15, of=60))


# formula files --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def library() -> Library:
    return read_library([shipped("library")])


Read = Callable[..., GivenFormula]


@pytest.fixture
def read(tmp_path: Path, library: Library) -> Read:
    def run(text: str, held_back: float = 0.0, name: str = "formula.csv") -> GivenFormula:
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return read_formula(path, library.materials, held_back)

    return run


def test_percent_that_sum_to_100_stay_as_they_are(read: Read) -> None:
    found = read("Material,%\nglycerin,3.5\naqua,96.5\n")
    assert found.doses == pytest.approx({"glycerin": 3.5, "aqua": 96.5}, rel=1e-12)
    assert (found.held_back, found.notes) == (0.0, ())


@pytest.mark.parametrize("heading", ["percent", "%", "% w/w", "Dose", "share", "Dose %"])
@pytest.mark.parametrize("name", ["material", "Ingredient", "INCI", "raw material"])
def test_headings_in_any_sensible_spelling(read: Read, heading: str, name: str) -> None:
    assert read(f"{name};{heading}\nGlycerin;3,5\naqua;96,5\n").doses == pytest.approx({"glycerin": 3.5, "aqua": 96.5})


def test_grams_become_percent(read: Read) -> None:
    found = read("ingredient,grams\nglycerin,50\naqua,1950\n", held_back=4)
    assert found.doses == pytest.approx({"glycerin": 2.5, "aqua": 97.5})
    assert found.held_back == 0
    assert found.notes == ("weights of 2000 g in all were turned into percent",)


def test_one_line_may_be_the_rest(read: Read) -> None:
    for word in ("q.s.", "qs", "to 100", "rest", "Balance"):
        found = read(f"material,percent\nglycerin,3.5\npropanediol,1\naqua,{word}\n", held_back=4)
        assert found.doses == pytest.approx({"glycerin": 3.5, "propanediol": 1, "aqua": 91.5})
        assert found.held_back == 4
        assert found.notes == ("aqua is the rest to 100 % less 4 % kept free: 91.5 %",)
    assert read("material,percent\nglycerin,3.5\naqua,q.s.\n").notes == ("aqua is the rest to 100 %: 96.5 %",)


def test_what_rounding_leaves_is_scaled_and_said(read: Read) -> None:
    found = read("material,percent\nglycerin,2\naqua,97.5\n", held_back=4)
    assert found.doses == pytest.approx({"glycerin": 2 / 0.995, "aqua": 97.5 / 0.995})
    assert found.held_back == 0
    assert found.notes == ("the doses sum to 99.5 %, not 100: every dose was scaled by 1.00503",)


@pytest.mark.parametrize("water", [78, 96, 97.4])
def test_what_is_missing_is_asked_for(read: Read, water: float) -> None:
    """A formula that sums to 98 lacks a line: scaled, its betaine and preservative would be 2 % stronger than meant."""
    with pytest.raises(DataError, match=rf"sum to {water + 2:g} %: {98 - water:g} % are missing.*--rest water"):
        read(f"material,percent\nglycerin,2\naqua,{water}\n", held_back=1)


def test_the_rest_may_be_named_beside_the_file(tmp_path: Path, library: Library) -> None:
    path = tmp_path / "f.csv"
    path.write_text("material,percent\nglycerin,2\naqua,70\n", encoding="utf-8")
    found = read_formula(path, library.materials, 4.0, rest="water")
    assert found.doses == pytest.approx({"glycerin": 2, "aqua": 94})
    assert found.notes == ("aqua is the rest to 100 % less 4 % kept free: 94 %",)
    with pytest.raises(DataError, match="--rest, wather: this is no material"):
        read_formula(path, library.materials, 4.0, rest="wather")


def test_a_plan_with_the_part_held_back_is_recognised(read: Read) -> None:
    found = read("material,percent\nglycerin,3\naqua,93.02\n", held_back=4)
    assert sum(found.doses.values()) == pytest.approx(96, abs=1e-9)
    assert found.doses["glycerin"] == pytest.approx(3 * 96 / 96.02)
    assert found.held_back == 4
    assert found.notes == ("the doses sum to 96.02 %: a plan with 4 % kept free",)
    assert read("material,percent\nglycerin,3\naqua,96.6\n").held_back == 0


def test_a_total_next_to_100_is_brought_to_100_silently(read: Read) -> None:
    found = read("material,percent\nglycerin,3\naqua,97.04\n")
    assert sum(found.doses.values()) == pytest.approx(100, abs=1e-9)
    assert found.notes == ()


def test_lines_of_one_material_add_up_and_totals_are_skipped(read: Read) -> None:
    found = read("material,percent\nglycerin,1\naqua,97\nGlycerin,2\nTotal,100\n")
    assert found.doses == pytest.approx({"glycerin": 3, "aqua": 97})


def test_every_problem_is_told_at_once(read: Read) -> None:
    with pytest.raises(DataError) as told:
        read("material,percent\nglycerinne,3\nSodium Laureth Sulfate,5\naqua,much\npropanediol,-1\n")
    text = str(told.value)
    assert "'glycerinne' is not in the library." in text
    assert "glycerin" in text.split("'glycerinne'")[1], "the nearest known name"
    assert "'Sodium Laureth Sulfate' could be sodium-laureth-sulfate-1eo-70, sodium-laureth-sulfate-2eo-28" in text
    assert "Write the id." in text
    assert "'much' is not a number" in text
    assert "-1 is below 0" in text
    for row in (2, 3, 4, 5):
        assert f"row {row}" in text
    assert len(told.value.problems) == 4


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("material,percent\naqua,q.s.\nglycerin,rest\n", "a second line is the rest"),
        ("material,grams\nglycerin,3\naqua,q.s.\n", "the rest cannot be worked out"),
        ("material,percent\nglycerin,103\naqua,q.s.\n", "the rest cannot be worked out"),
        ("material,percent\nglycerin,0\naqua,0\n", "all doses are 0"),
        ("material,percent\n", "there is no dose in it"),
        ("material,supplier\nglycerin,somebody\n", "no column holds doses"),
        ("percent,grams\n3,4\n", "no column names the material"),
        ("", "the table is empty"),
    ],
)
def test_what_cannot_be_read_is_told(read: Read, text: str, says: str) -> None:
    with pytest.raises(DataError, match=says):
        read(text)


def test_a_workbook_reads_like_a_table(tmp_path: Path, library: Library) -> None:
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    rows: list[list[object]] = [[], ["Ingredient", "% w/w"], [], ["Glycerin, 99.5 %", 3.5], ["aqua", "q.s."]]
    for row in rows:
        sheet.append(row)
    book.save(tmp_path / "formula.xlsx")
    found = read_formula(tmp_path / "formula.xlsx", library.materials, 4.0)
    assert found.doses == pytest.approx({"glycerin": 3.5, "aqua": 92.5})


@pytest.mark.parametrize("text", ["{", "[]", '{"formula": 3}', '{"formula": [{"id": "aqua"}]}', "null", '"x"'])
def test_json_that_no_blend_printed_is_told(read: Read, text: str) -> None:
    with pytest.raises(DataError, match="not the JSON of a blend"):
        read(text, name="formula.json")


def test_of_a_blends_json_the_weighable_formula_is_read(read: Read) -> None:
    lines = [{"id": "aqua", "percent": 90.0}, {"id": "glycerin", "percent": 6.0}]
    plain = [{"id": "aqua", "percent": 90.001}, {"id": "glycerin", "percent": 5.999}]
    text = json.dumps({"formula": plain, "rounded": {"formula": lines}})
    assert read(text, 4.0, "formula.json").doses == pytest.approx({"aqua": 90, "glycerin": 6})
    assert read(json.dumps({"formula": plain, "rounded": None}), 4.0, "formula.json").doses["aqua"] == 90.001


AIMS = [(6.2, "the pH it aims at"), (None, "where it fits the brief best"), (9.0, "fits the brief best")]


@pytest.mark.parametrize(("target", "aims"), some(AIMS, 1))
def test_a_blends_json_is_held_against_the_ph_that_it_aims_at(tmp_path: Path, target: float | None, aims: str) -> None:
    # of a window of 4.5 to 6.5 the middle would be taken; doses made up, the brief is the shipped one
    lines = [{"id": "aqua", "percent": 85.0}, {"id": "cocamidopropyl-betaine", "percent": 15.0}]
    file = tmp_path / "answer.json"
    brief = load_brief(shipped("scenarios") / "hand-wash.toml", changes=[("ph.low", "4.5"), ("ph.high", "6.5")])
    file.write_text(json.dumps({"ph": target and {"target": target}, "formula": lines}), encoding="utf-8")
    wide, given_ = held_against(file, brief)
    answer = optimizer.check(file, brief)
    aimed = best_setting(wide, formula_at(wide.pool, given_.doses), given_.target)
    assert (aimed.target == 6.2) == (answer.found.setting.target == 6.2) == (target == 6.2)
    assert aims in dict(answer.document().facts)["pH"]
    assert ("its file aims at pH 9, which this brief does not ask for" in given_.notes) == (target == 9.0)


# a blend's own answer -------------------------------------------------------------------------------


@pytest.mark.thorough
@pytest.mark.parametrize("name", SHIPPED)
def test_a_blends_own_json_passes_its_brief(name: str, tmp_path: Path) -> None:
    path = shipped("scenarios") / f"{name}.toml"
    result = solved(name)
    brief = result.brief
    file = tmp_path / "answer.json"
    file.write_text(as_json(Blend(result=result)), encoding="utf-8")
    given_ = read_formula(file, brief.library.materials, brief.pool.held_back)
    assert given_.held_back == 4
    checked = check(load_brief(path, also=given_.doses), given_.doses, given_.held_back, given_.notes)
    assert checked.broken == ()
    assert (checked.mends, checked.nearest, checked.notes) == ((), None, (given_.notes[0],))
    assert result.rounded is not None
    assert result.rounded.formula is not None
    assert checked.cost == pytest.approx(result.rounded.formula.cost, rel=1e-9)
    assert {o.id for o in checked.rules} == {o.id for o in result.rules}


# pencil cases ---------------------------------------------------------------------------------------


def held(case: Case, doses: dict[str, float], held_back: float = 0.0) -> Checked:
    rest = 100 - held_back - sum(doses.values())
    return check(brief_of(case), {**doses, "aqua": rest}, held_back)


def misses(checked: Checked) -> dict[str, float]:
    return {o.id: o.violation for o in checked.rules if o.id in checked.broken}


@pytest.mark.parametrize(
    ("doses", "expected"),
    [
        # active aa / 2 + cc / 4; mildness (20 aa / 2 + 80 cc / 4) / active
        ({"aa": 10, "cc": 20}, {}),
        ({"aa": 9, "cc": 20}, {"act": 0.5}),
        ({"aa": 11.5, "cc": 20}, {"mild": 50 - 515 / 10.75, "cap": 0.5}),
        ({"aa": 10, "cc": 30}, {"act": 0.5}),
        ({"aa": 11, "cc": 20}, {"mild": 50 - 510 / 10.5}),
        ({"aa": 25, "cc": 0}, {"act": 0.5, "mild": 30, "cap": 14}),
        ({"aa": 0, "cc": 0}, {"act": 10}),
    ],
)
def test_a_formula_breaks_what_a_pencil_says_by_that_much(doses: dict[str, float], expected: dict[str, float]) -> None:
    assert misses(held(rated_pencil(), doses)) == pytest.approx(expected)


def test_the_tolerance_is_a_millionth_of_the_limit() -> None:
    assert held(rated_pencil(), {"aa": 10 - 1e-5, "cc": 20}).broken == (), "5e-6 of 10 % active are within 1e-5"
    assert held(rated_pencil(), {"aa": 10 - 1e-4, "cc": 20}).broken == ("act",)


def test_mends_tell_what_each_broken_rule_takes() -> None:
    # active is 9.5: the nearest way to 10 is 1 % more of aa, which leaves mildness at 50
    checked = held(rated_pencil(), {"aa": 9, "cc": 20})
    (mend,) = checked.mends
    assert (mend.id, mend.changed) == ("act", ("aa",))
    assert mend.cost == pytest.approx(0.02)
    assert checked.nearest is not None
    assert checked.nearest.distance == pytest.approx(1)
    assert {x.item.id: x.percent for x in checked.nearest.formula.lines} == {"aa": 10, "aqua": 70, "cc": 20}
    assert checked.on_grid


def test_a_rule_that_cannot_be_mended_alone_is_told() -> None:
    clash = ({"id": "low", "kind": "dose", "of": ["aa"], "at_least": 5}, {"id": "top", "kind": "cost", "at_most": 0.08})
    checked = held(rated_pencil(*clash), {"aa": 2, "cc": 0})
    assert checked.broken == ("low",)
    assert checked.mends[0].cost is None
    assert checked.mends[0].changed == ()
    assert checked.nearest is None


def test_the_setting_is_where_the_windows_fit_best() -> None:
    stock = (rated("aa", 50, 20, ph_stable=[6.5, 8]), rated("cc", 25, 80, "nonionic", ph_stable=[4, 6]))
    case = rated_pencil(*RULES, stock=stock, ph={"low": 4, "high": 9, "tolerance": 0.2})
    checked = held(case, {"aa": 10, "cc": 20})
    assert checked.broken == ("ph",)
    # windows 6.5 to 8 and 4 to 6 miss one another by 0.5: with +-0.2 either is missed by 0.45 at 6.25
    assert misses(checked)["ph"] == pytest.approx(0.45, abs=0.051)
    fine = held(rated_pencil(*RULES, stock=(AA, CC), ph={"low": 4, "high": 9}), {"aa": 10, "cc": 20})
    assert fine.broken == ()
    assert fine.setting.target == pytest.approx(6.5)


def test_a_count_and_a_pair_are_checked_too() -> None:
    pair = {"id": "pair", "kind": "excludes", "of": ["aa"], "other": ["cc"], "above": 15}
    few = {"id": "few", "kind": "count", "at_most": 1}
    assert misses(held(rated_pencil(pair, few), {"aa": 10, "cc": 20})) == pytest.approx({"pair": 5, "few": 1})


def test_a_keeping_formula_has_no_nearest_and_is_its_own() -> None:
    checked = held(rated_pencil(), {"aa": 10, "cc": 20})
    assert (checked.nearest, checked.mends, checked.on_grid) == (None, (), False)
    near = nearest_formula(brief_of(rated_pencil()), {"aa": 10, "cc": 20, "aqua": 70})
    assert near is not None
    assert near.changed == ()
    assert near.distance == pytest.approx(0, abs=1e-6)


# the nearest formula, by brute force -----------------------------------------------------------------


def fewest_and_least(case: Case, doses: dict[str, float]) -> tuple[float, float]:
    """Return the fewest changed doses, and the least sum of changes [%] at that number, by trying every subset."""
    items, held_back = oracle.candidates(case), oracle.held_back(case)
    rules = oracle.hard_rules(case, items)
    tolerance = (case["scenario"].get("ph") or {}).get("tolerance", 0.2)
    kept = [p for p, i in enumerate(items) if i.raw["function"] != "solvent"]
    here = np.array([doses[i.id] for i in items])
    best = (inf, inf)
    seen: set[tuple[int, ...]] = set()
    for target in oracle.targets_of(case, items):
        spans = [oracle.window(i.raw, oracle.is_clear(case)) for i in items]
        open_ = tuple(p for p, s in enumerate(spans) if oracle.covers(s, target, tolerance))
        if open_ in seen:
            continue
        seen.add(open_)
        region = oracle._region(rules, items, held_back, open_, set(), set(), oracle.ways(case, items, target)[0])
        assert region is not None
        for size in range(len(kept) + 1):
            if size > best[0]:
                break
            for free in combinations(kept, size):
                distance = least_change(region, here, kept, free)
                if distance < inf:
                    best = min(best, (float(size), distance))
    return best


def least_change(region: oracle.Region, here: Any, kept: list[int], free: tuple[int, ...]) -> float:
    """Return the least sum of changes when only some doses move, by one linear program; infinite if impossible."""
    n = len(here)
    pad = np.zeros(n)
    bounds: list[tuple[float, float]] = []
    for p in range(n):
        low, high = (0.0, 100.0) if p in free or p not in kept else (here[p], here[p])
        if p in region.shut:
            if low > 1e-9:
                return inf
            high = 0.0
        bounds.append((low, high))
    bounds += [(0.0, 100.0) if p in free else (0.0, 0.0) for p in range(n)]
    rows = [np.concatenate([row, pad]) for row, _ in region.most]
    ends = [end for _, end in region.most]
    for p in free:
        for sign in (1, -1):
            row = np.zeros(2 * n)
            row[p], row[n + p] = sign, -1
            rows.append(row)
            ends.append(sign * here[p])
    equal = [np.concatenate([row, pad]) for row, _ in region.equal]
    found = linprog(
        np.concatenate([pad, np.ones(n)]),
        A_ub=np.array(rows) if rows else None,
        b_ub=ends or None,
        A_eq=np.array(equal),
        b_eq=[end for _, end in region.equal],
        bounds=bounds,
    )
    return float(found.fun) if found.status == 0 else inf


@CI
@given(SEED)
def test_the_nearest_formula_has_the_fewest_then_the_least_changes(seed: int) -> None:
    case, doses = bent(seed)
    near = nearest_formula(brief_of(case), doses)
    size, distance = fewest_and_least(case, doses)
    assert near is not None
    assert near.proven
    assert len(near.changed) == size
    assert near.distance == pytest.approx(distance, abs=1e-5)
    moved = {x.item.id: x.percent for x in near.formula.lines}
    assert sum(abs(moved.get(n, 0.0) - d) for n, d in doses.items() if n != "aqua") == pytest.approx(
        near.distance, abs=1e-5
    )


@CI
@given(SEED)
def test_the_nearest_formula_keeps_every_rule_and_is_its_own_nearest(seed: int) -> None:
    case, doses = bent(seed)
    brief = brief_of(case)
    near = nearest_formula(brief, doses)
    assert near is not None
    moved = {x.item.id: x.percent for x in near.formula.lines}
    assert sum(moved.values()) + oracle.held_back(case) == pytest.approx(100, abs=1e-6)
    again = check(brief, {**dict.fromkeys(doses, 0.0), **moved}, oracle.held_back(case))
    assert all(
        o.violation <= 1e-5 * max(1, abs(o.low) if o.low > -inf else 1)
        for o in again.rules
        if o.kind not in ("ph", "preserved")
    )
    twice = nearest_formula(brief, moved)
    assert twice is not None
    assert twice.distance == pytest.approx(0, abs=1e-4)
    assert twice.changed == ()


@CI
@given(SEED)
def test_check_tells_exactly_the_rules_that_a_second_opinion_finds_broken(seed: int) -> None:
    case, doses = bent(seed)
    brief = brief_of(case)
    checked = check(brief, doses, oracle.held_back(case))
    target = checked.setting.target
    rules = {r.id: r for r in brief.modelled}
    for table in oracle.hard_rules(case, oracle.candidates(case)):
        value = oracle.value_at(case, table, doses, target)
        low, high = (-inf, 0.0) if table["kind"] == "clear" else oracle.limits_of(table)
        if low == high and table["kind"] not in ("total", "stock", "dose"):
            low, high = low - 0.05, high + 0.05
        miss = max(low - value, value - high)
        if table["id"] not in rules or value != value or abs(miss) < 1e-5 * max(1.0, abs(value)):  # noqa: PLR0124
            continue
        if table.get("measured") == "as active" and low == high:
            continue
        assert (table["id"] in checked.broken) == (miss > 0), table
    assert ("ph" in checked.broken) == (
        target is not None
        and any(
            not oracle.covers(oracle.window(i.raw, oracle.is_clear(case)), target, case["scenario"]["ph"]["tolerance"])
            for i in oracle.candidates(case)
            if doses[i.id] > 1e-7
        )
    )


@CI
@given(SEED)
def test_mends_keep_what_was_kept(seed: int) -> None:
    case, doses = bent(seed)
    brief = brief_of(case)
    checked = check(brief, doses, oracle.held_back(case))
    assert {m.id for m in checked.mends} == set(checked.broken)
    for mend in checked.mends:
        keep = {r.id for r in brief.enforced} - set(checked.broken) | {mend.id}
        rules = tuple(r for r in brief.modelled if r.id in keep | {"total"})
        eased = replace(brief, modelled=rules, acidity=brief.acidity if "ph" in keep else None)
        if mend.cost is None and "ph" not in keep:
            assert solve(eased).ending == "infeasible"
        if mend.cost is not None:
            assert solve(eased).ending == "optimal"
            assert solve(eased).cost <= checked.cost + mend.cost + 1e-6


def test_a_formula_is_held_against_the_brief_with_its_own_part_held_back() -> None:
    # 5 % kept free by the formula and 0 % or 8 % by the brief; 10 aa and 20 cc are the 10 % active that are asked for.
    for of_the_brief in (0.0, 8.0):
        checked = held(rated_pencil(held_back={"percent": of_the_brief}), {"aa": 10, "cc": 20}, 5.0)
        assert checked.formula.held_back == 5.0
        assert checked.broken == ()
        assert {o.id: o.value for o in checked.rules}["total"] == pytest.approx(100)
        weak = held(rated_pencil(held_back={"percent": of_the_brief}), {"aa": 9, "cc": 20}, 5.0)
        assert weak.broken == ("act",)
        assert weak.nearest is not None
        assert sum(line.percent for line in weak.nearest.formula.lines) == pytest.approx(95)


def test_what_is_watched_and_missed_is_not_listed_as_kept(tmp_path: Path) -> None:
    """A paste in water without any preservative; the limit is made up."""
    name = "sodium-laureth-sulfate-2eo-28"
    (tmp_path / "shelf.csv").write_text(f"material,price per kg\n{name},1\nglycerin,2\n", encoding="utf-8")
    rule = '[[rule]]\nkind = "active"\nat_least = {}\n'
    pool = f'[pool]\nmaterials = ["aqua", "{name}"]\n[objective]\nminimise = "cost"\n'
    (tmp_path / "wash.toml").write_text(
        f'name = "wash"\nshelf = "shelf.csv"\n{pool}{rule.format(20)}', encoding="utf-8"
    )
    checked = check(load_brief(tmp_path / "wash.toml"), {"aqua": 64.0, name: 36.0}, 0.0)
    tables = {s.title: s for s in check_document(checked).sections if isinstance(s, Shown)}
    missed = tables["Not kept, though the brief sets no such limit"].rows
    assert [str(row[0]).split(" at least")[0] for row in missed] == ["preservatives that act at the pH"]
    assert not any("preservatives" in str(row[0]) for row in tables["Kept"].rows)
    assert tables["Broken"].rows[0][-1] == "Sodium Laureth Sulfate 2 EO, 28 %"


def test_water_that_a_pool_does_not_list_is_told_and_can_be_kept_out(tmp_path: Path) -> None:
    (tmp_path / "shelf.csv").write_text("material,price per kg\nglycerin,2\n", encoding="utf-8")
    pool = 'name = "dry"\nshelf = "shelf.csv"\n[pool]\nmaterials = ["glycerin"]\n'
    (tmp_path / "dry.toml").write_text(pool, encoding="utf-8")
    brief = load_brief(tmp_path / "dry.toml")
    told = 'aqua is a candidate though pool.materials does not list it; without = ["aqua"] keeps it out'
    assert told in brief.assumptions
    (tmp_path / "dry.toml").write_text(f'{pool}without = ["aqua"]\n', encoding="utf-8")
    without = load_brief(tmp_path / "dry.toml")
    assert without.pool.ids == ("glycerin",)
    assert told not in without.assumptions
