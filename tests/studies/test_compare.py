"""Columns side by side: the split of a cost difference, scenarios and formulas, impossible columns."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace
from functools import cache
from itertools import combinations, permutations
from math import factorial, isnan
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.answers.columns import sides_of
from optimizer.brief.brief import Brief
from optimizer.errors import UsageError
from optimizer.report.document import Table as Sheet
from optimizer.report.studies import compare_document
from optimizer.solve.best import solve
from optimizer.studies.compare import Side, compare, cost_at, shared, split
from tests.support import briefs, draws
from tests.support.briefs import Wish, aqua, brief_of, draw, material, substance
from tests.support.draws import SEED, drawn
from tests.support.oracle import Case, Table
from tests.support.solved import solved

CI = settings(draws.CI, max_examples=drawn(12, of=60))
WISH = Wish(
    rules=(2, 5), past=0.0, goals=False, extras=False, pairs=False, kinds=tuple(k for k in briefs.PLAIN if k != "cost")
)
CLOSE = 1e-9


def side(brief: Brief, name: str = "side") -> Side:
    result = solve(brief, weighable=True)
    return Side(name, brief, result.weighable, result.setting, result.ending)


@cache
def met(seed: int) -> Case:
    """Return the first case at or after a seed whose brief can be met."""
    while True:
        case = draw(Random(seed), WISH)
        if solve(brief_of(case)).formula is not None:
            return case
        seed += 1


def least(case: Case) -> float:
    """Return the cost of the best formula that can be weighed."""
    formula = solve(brief_of(case), weighable=True).weighable
    assert formula is not None
    return sum(x.percent * x.item.price for x in formula.lines) / 100


@pytest.mark.thorough
@CI
@given(SEED, SEED)
def test_the_parts_sum_to_the_whole(one: int, other: int) -> None:
    r = Random(other)
    case = met(one)
    changed = deepcopy(case)
    for line in changed["shelf"]:
        line["price_per_kg"] = round(line["price_per_kg"] * r.choice([0.5, 1, 2]), 2)
    if changed["scenario"]["rule"]:
        changed["scenario"]["rule"].pop(r.randrange(len(changed["scenario"]["rule"])))
    first, second = side(brief_of(case)), side(brief_of(changed))
    found = split(first, second)
    assert found.total == pytest.approx(least(changed) - least(case), abs=CLOSE)
    if isnan(found.limit):
        return  # no order has a formula at every step
    assert found.price + found.lot + found.material + found.limit == pytest.approx(found.total, abs=1e-12)
    back = split(second, first)
    for part in ("total", "price", "lot", "material", "limit"):
        assert getattr(back, part) == pytest.approx(-getattr(found, part), abs=CLOSE)


@CI
@given(SEED, SEED)
def test_where_only_prices_changed_the_price_is_everything(seed: int, other: int) -> None:
    r = Random(other)
    case, changed = met(seed), deepcopy(met(seed))
    for line in changed["shelf"]:
        line["price_per_kg"] = round(line["price_per_kg"] * r.choice([0.5, 0.9, 1.2, 2]), 2)
    found = split(side(brief_of(case)), side(brief_of(changed)))
    assert found.price == pytest.approx(found.total, abs=CLOSE)
    assert found.material == pytest.approx(0, abs=CLOSE)
    assert found.limit == pytest.approx(0, abs=CLOSE)


@CI
@given(SEED)
def test_where_only_a_rule_changed_the_limit_is_everything(seed: int) -> None:
    case, changed = met(seed), deepcopy(met(seed))
    if not changed["scenario"]["rule"]:
        return
    changed["scenario"]["rule"].pop()
    found = split(side(brief_of(case)), side(brief_of(changed)))
    assert found.limit == pytest.approx(found.total, abs=CLOSE)
    assert (found.price, found.material) == (pytest.approx(0, abs=CLOSE), pytest.approx(0, abs=CLOSE))
    assert found.total <= 0.05, "fewer rules cost less, but for what the grid takes"


@CI
@given(SEED)
def test_where_only_a_candidate_was_added_the_material_is_everything(seed: int) -> None:
    case, fewer = met(seed), deepcopy(met(seed))
    line = next(line for line in fewer["shelf"] if line["material"] != "aqua")
    fewer["shelf"].remove(line)
    first = side(brief_of(fewer))
    found = split(first, side(brief_of(case)))
    if first.formula is None:
        assert isnan(found.total)
        return
    assert found.material == pytest.approx(found.total, abs=CLOSE)
    assert (found.price, found.limit) == (pytest.approx(0, abs=CLOSE), pytest.approx(0, abs=CLOSE))


# pencil cases ---------------------------------------------------------------------------------------


def surfactant(name: str, share: float) -> Table:
    parts = [substance(name.upper(), share, charge="anionic", surfactant=True), substance("Aqua", 100 - share, "water")]
    return material(name, parts)


def pencil(active: float = 10, **prices: float) -> Case:
    stock = [aqua(), surfactant("aa", 50), surfactant("cc", 25)]
    shelf = [{"material": n, "price_per_kg": p} for n, p in (prices or {"aa": 2.0}).items()]
    rule = {"id": "act", "kind": "active", "at_least": active}
    return {"materials": stock, "shelf": shelf, "scenario": {"name": "pencil", "rule": [rule]}}


def test_three_causes_are_told_apart() -> None:
    # 20 % aa at 2, or 40 % cc at 1: 0.40; 30 % aa at 2, or 60 % cc at 1: 0.60; aa alone at 3: 0.60 and 0.90.
    # Costs with none, p(rice), m(aterial), l(imit) from the other side: 0.40, p 0.60, m 0.40, l 0.60, pm 0.40, pl 0.90,
    # ml 0.60, pml 0.60; each cause is the mean over the six orders, by hand.
    found = split(side(brief_of(pencil(10, aa=2.0))), side(brief_of(pencil(15, aa=3.0, cc=1.0))))
    assert found.total == pytest.approx(0.20)
    assert found.price == pytest.approx(0.20 / 3 + 0.30 / 6)
    assert found.material == pytest.approx(-0.20 / 6 - 0.30 / 3)
    assert found.limit == pytest.approx(0.20 / 3 + 0.20 / 6 + 0.30 / 6 + 0.20 / 3)


def test_the_split_does_not_depend_on_which_side_comes_first() -> None:
    """Price x 3 and active 9 -> 10.5, made-up figures: 18 % aa at 1 is 0.18, 21 % at 3 is 0.63."""
    one, other = side(brief_of(pencil(9, aa=1.0))), side(brief_of(pencil(10.5, aa=3.0)))
    found, back = split(one, other), split(other, one)
    assert found.price == pytest.approx((0.36 + 0.42) / 2)
    assert found.limit == pytest.approx((0.03 + 0.09) / 2)
    assert found.total == pytest.approx(0.45)
    for part in ("total", "price", "lot", "material", "limit"):
        assert getattr(back, part) == pytest.approx(-getattr(found, part), abs=1e-12)


def test_another_lot_is_told_as_a_lot_and_not_as_a_price() -> None:
    """10 % active of a 50 % material at 2 are 20 %: 0.40; of a lot at 40 %, 25 %: 0.50. Made-up figures."""
    weak = pencil(aa=2.0)
    weak["shelf"][0]["lot_active"] = 40
    one, other = side(brief_of(pencil(aa=2.0))), side(brief_of(weak))
    found = split(one, other)
    assert found.lot == pytest.approx(0.10)
    assert (found.price, found.material, found.limit) == pytest.approx((0, 0, 0))
    tables = [s for s in compare_document(compare((one, other))).sections if isinstance(s, Sheet)]
    rows = {row[0]: row[2] for row in tables[-1].told()}
    assert rows == {
        "price": "+0.0000",
        "lots": "+0.1000",
        "other candidates": "+0.0000",
        "other rules or doses": "+0.0000",
        "together": "+0.1000",
    }
    assert "mean over the orders" in tables[-1].note


def test_prices_of_formulas_that_were_read_are_the_mean_of_both_formulas() -> None:
    """20 % aa at 1 and 30 % aa at 3: prices change 0.40 at the first doses, 0.60 at the second; doses 0.10 and 0.30."""
    cheap, dear = brief_of(pencil(10, aa=1.0)), brief_of(pencil(15, aa=3.0))
    one, other = (replace(side(b), ending="given") for b in (cheap, dear))
    found, back = split(one, other), split(other, one)
    assert (found.price, found.limit, found.total) == pytest.approx((0.5, 0.2, 0.7))
    assert (back.price, back.limit) == pytest.approx((-0.5, -0.2))


@CI
@given(st.integers(1, 4), st.randoms(use_true_random=False))
def test_shared_parts_sum_to_the_whole_and_turn_their_signs(n: int, r: Random) -> None:
    names = ("price", "lot", "material", "limit")[:n]
    costs = {frozenset(some): r.uniform(0, 5) for k in range(n + 1) for some in combinations(names, k)}
    parts = shared(names, costs.__getitem__)
    back = shared(names, lambda some: costs[frozenset(names) - some])
    assert sum(parts.values()) == pytest.approx(costs[frozenset(names)] - costs[frozenset()])
    assert back == pytest.approx({name: -part for name, part in parts.items()})
    # Independent: walk every order.
    walked = dict.fromkeys(names, 0.0)
    for order in permutations(names):
        for k, name in enumerate(order):
            walked[name] += costs[frozenset(order[: k + 1])] - costs[frozenset(order[:k])]
    assert parts == pytest.approx({name: value / factorial(n) for name, value in walked.items()})


def test_a_candidate_that_went_counts_to_the_material() -> None:
    # cc at 0.5: 40 % for 0.20; without it 20 % aa for 0.40
    found = split(side(brief_of(pencil(aa=2.0, cc=0.5))), side(brief_of(pencil(aa=2.0))))
    assert found.total == pytest.approx(0.20)
    assert (found.price, found.material, found.limit) == pytest.approx((0, 0.20, 0))


def test_every_column_is_split_from_the_first() -> None:
    sides = tuple(side(brief_of(pencil(active)), f"{active}") for active in (10, 12, 8))
    found = compare(sides)
    assert found.sides == sides
    assert [s.total for s in found.splits] == pytest.approx([0.08, -0.08])
    assert [s.limit for s in found.splits] == pytest.approx([0.08, -0.08])


def test_an_impossible_column_has_no_cost_and_no_split() -> None:
    impossible = pencil(60)
    sides = (side(brief_of(pencil())), side(brief_of(impossible), "too strong"))
    found = compare(sides)
    assert sides[1].formula is None
    assert isnan(sides[1].cost)
    for part in ("total", "price", "lot", "material", "limit"):
        assert isnan(getattr(found.splits[0], part))
    assert sides[1].measures == sides[1].outcomes() == {}
    document = compare_document(found)
    assert document.verdict == "No formula exists for too strong."
    assert not document.good
    assert compare((sides[1], sides[0])).splits[0].total != 0


def test_orders_with_an_impossible_step_are_left_out() -> None:
    # the first brief's 30 % active cannot be made of the second's cc alone: the rule comes first, 1.20 to 0.80
    found = split(side(brief_of(pencil(30, aa=2.0))), side(brief_of(pencil(20, cc=1.0))))
    assert found.total == pytest.approx(0.80 - 1.20)
    assert (found.price, found.lot) == (0, 0)
    assert found.limit == pytest.approx(-0.40)
    assert found.material == pytest.approx(0, abs=CLOSE)


def test_what_is_impossible_in_every_order_cannot_be_told() -> None:
    # 30 % active cannot be made of cc alone, nor a dose of cc of aa alone
    other = pencil(20, cc=1.0)
    other["scenario"]["rule"].append({"id": "cc", "kind": "dose", "of": ["cc"], "at_least": 1})
    found = split(side(brief_of(pencil(30, aa=2.0))), side(brief_of(other)))
    assert found.total == pytest.approx(0.80 - 1.20)
    assert isnan(found.material)
    assert isnan(found.limit)


# files ----------------------------------------------------------------------------------------------


def formula_file(folder: Path, name: str, **doses: float) -> str:
    folder.mkdir(exist_ok=True)
    path = folder / f"{name}.csv"
    rows = [f"{k.replace('_', '-')},{v}" for k, v in doses.items()]
    path.write_text("\n".join(["material,percent", *rows]) + "\n", encoding="utf-8")
    return str(path)


DOSES: dict[str, Any] = {"cocamidopropyl_betaine": 10, "glycerin": 3, "sodium_benzoate": 0.5, "aqua": 86.5}


def test_a_formula_is_measured_by_the_scenario(tmp_path: Path) -> None:
    mine = formula_file(tmp_path, "mine", **DOSES)
    sides = sides_of(["hand-wash", mine])
    assert [s.ending for s in sides] == ["optimal", "given"]
    assert sides[1].name == "mine"
    prices = {i.id: i.price for i in sides[0].brief.pool.items}
    cost = sum(v * prices[k.replace("_", "-")] for k, v in DOSES.items()) / 100
    assert sides[1].cost == pytest.approx(cost)
    # one shelf: no price has changed, all of the difference is in the doses
    (found,) = compare(sides).splits
    assert found.total == pytest.approx(cost - sides[0].cost)
    assert found.price == pytest.approx(0, abs=1e-12)
    assert (found.material, found.limit) == (0, pytest.approx(found.total))
    assert sides[1].outcomes()["active"].violation > 0
    betaine = next(i for i in sides[0].brief.pool.items if i.id == "cocamidopropyl-betaine")
    assert sides[1].measures["active"] == pytest.approx(10 * betaine.surfactant)


def test_columns_of_one_name_are_told_apart_by_file_and_place(tmp_path: Path) -> None:
    files = [formula_file(folder, "wash", **DOSES) for folder in (tmp_path / "a", tmp_path / "b")]
    told = [s.name for s in sides_of([*files, formula_file(tmp_path, "other", **DOSES)], "hand-wash")]
    assert told == ["wash (wash.csv), column 1", "wash (wash.csv), column 2", "other"]


def test_two_formulas_are_split_by_doses_alone(tmp_path: Path) -> None:
    one = formula_file(tmp_path, "one", **DOSES)
    two = formula_file(tmp_path, "two", **{**DOSES, "glycerin": 5, "aqua": 84.5})
    sides = sides_of([one, two], against="hand-wash")
    (found,) = compare(sides).splits
    glycerin = next(i.price for i in sides[0].brief.pool.items if i.id == "glycerin")
    water = next(i.price for i in sides[0].brief.pool.items if i.id == "aqua")
    assert found.total == pytest.approx(2 * (glycerin - water) / 100)
    assert found.limit == pytest.approx(found.total)
    with pytest.raises(UsageError, match="--against"):
        sides_of([one, two])


def test_a_formula_at_another_shelfs_prices(tmp_path: Path) -> None:
    formula = solve(brief_of(pencil())).formula
    assert formula is not None
    assert cost_at(formula, brief_of(pencil(aa=5.0)).pool) == pytest.approx(1.0)
    assert cost_at(formula, brief_of(pencil(cc=5.0)).pool) == pytest.approx(0.4), (
        "its own price where the pool has none"
    )


@pytest.mark.thorough
def test_the_shipped_body_washes_side_by_side() -> None:
    names = ["body-wash", "pearly-wash", "hand-wash"]
    found = compare(sides_of(names))
    for name, column in zip(names, found.sides, strict=True):
        result = solved(name)
        assert column.formula == result.weighable
        assert all(o.violation <= 1e-6 for o in column.outcomes().values() if o.source == "brief")
    for part, column in zip(found.splits, found.sides[1:], strict=True):
        assert part.total == pytest.approx(column.cost - found.sides[0].cost)
        assert part.price == pytest.approx(0, abs=CLOSE), "one shelf"
        assert part.price + part.material + part.limit == pytest.approx(part.total, abs=1e-12)
    assert found.splits[0].material == pytest.approx(0, abs=CLOSE), "pearl costs, so it is not taken unasked"
    assert found.splits[0].limit > 0
    document = compare_document(found)
    assert document.good
    assert document.verdict == "3 columns."
