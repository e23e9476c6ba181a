"""Figures of very different size in one brief: the answer is the same as if the units had been chosen well.

A price of 1e12, a property in ppb or in 1e9, an active matter of 1e-5 %: nothing told of the answer may depend on
them. All figures are made up; each optimum is worked out beside its case.
"""

from __future__ import annotations

import shutil
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from briefs import aqua, brief_of, material, substance
from oracle import Case, Table

from optimizer.brief import load_brief
from optimizer.result import Result
from optimizer.solve import solve
from optimizer.starter import lay

CLOSE = Fraction(1, 10**9)
"""The objective told is that of the formula shown to this, relative."""


def plain(name: str, **properties: float) -> Table:
    """Return a material of one substance with properties."""
    return material(name, [substance(f"INCI {name}", 100)], "humectant", properties=properties)


def case(materials: list[Table], prices: dict[str, float], *rules: Table, **scenario: Any) -> Case:
    """Return a case over water and some materials."""
    return {
        "materials": [aqua(), *materials],
        "shelf": [{"material": name, "price_per_kg": price} for name, price in prices.items()],
        "property_units": {p: {"unit": "per kg"} for m in materials for p in m["properties"]},
        "scenario": {"name": "figures", "rule": list(rules), **scenario},
    }


def shown_cost(result: Result) -> Fraction:
    """Return the cost of the formula shown, without rounding."""
    assert result.formula is not None
    return sum((Fraction(line.percent) * Fraction(line.item.price) for line in result.formula.lines), Fraction(0)) / 100


def told_as_shown(result: Result) -> bool:
    """Return whether the cost told is that of the formula shown."""
    cost = shown_cost(result)
    return abs(Fraction(result.objective) - cost) <= CLOSE * max(cost, Fraction(1, 10**6))


def doses(result: Result) -> dict[str, float]:
    assert result.formula is not None
    return {line.item.id: line.percent for line in result.formula.lines}


# prices ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def laid(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("laid") / "mine"
    lay(folder)
    return folder


def with_betaine_at(folder: Path, laid: Path, pack_price: str) -> Result:
    """Return the answer of the first brief with another price of a pack of the own betaine."""
    shutil.copytree(laid, folder, dirs_exist_ok=True)
    shelf = folder / "shelf.csv"
    text = shelf.read_text()
    assert "my-betaine,example supplier,5,16.00" in text
    shelf.write_text(text.replace("my-betaine,example supplier,5,16.00", f"my-betaine,example supplier,5,{pack_price}"))
    return solve(load_brief(folder / "first-brief.toml"), weighable=True, exact=True)


@pytest.mark.parametrize("pack_price", ["1e3", "1e9", "1e10", "1e12"])
def test_a_material_too_dear_to_use_changes_no_formula(laid: Path, tmp_path: Path, pack_price: str) -> None:
    dear = with_betaine_at(tmp_path / "dear", laid, "100")
    result = with_betaine_at(tmp_path / "more", laid, pack_price)
    assert told_as_shown(result)
    assert result.objective == pytest.approx(dear.objective, rel=1e-9)
    assert doses(result) == pytest.approx(doses(dear), abs=1e-7)
    assert result.rounded is not None
    assert result.rounded.objective == pytest.approx(dear.rounded.objective if dear.rounded else 0.0, rel=1e-9)


@pytest.mark.parametrize("price", [1e3, 1e6, 1e9, 1e12])
def test_the_dearest_price_blurs_no_tie(price: float) -> None:
    # 5 % of two materials at least: all of the cheaper one costs 5 x 2 / 100 = 0.1; the third is never used
    rule = {"id": "both", "kind": "dose", "of": ["aa", "bb"], "at_least": 5}
    result = solve(brief_of(case([plain("aa"), plain("bb"), plain("cc")], {"aa": 3, "bb": 2, "cc": price}, rule)))
    assert told_as_shown(result)
    assert result.objective == pytest.approx(0.1, rel=1e-9)
    assert doses(result) == pytest.approx({"bb": 5, "aqua": 95}, rel=1e-9)


@pytest.mark.parametrize("price", [1e-9, 1e-6, 1e6, 1e9, 1e12])
def test_a_price_of_any_size_on_what_is_used(price: float) -> None:
    # both are needed, 5 % and 4 %: 0.05 p + 0.04 x 2
    rules = [{"id": n, "kind": "dose", "of": [n], "at_least": d} for n, d in (("aa", 5), ("bb", 4))]
    result = solve(brief_of(case([plain("aa"), plain("bb")], {"aa": price, "bb": 2}, *rules)))
    assert told_as_shown(result)
    assert result.objective == pytest.approx(0.05 * price + 0.08, rel=1e-9)
    assert doses(result) == pytest.approx({"aa": 5, "bb": 4, "aqua": 91}, rel=1e-9)


# properties -----------------------------------------------------------------------------------------

SIZES = [1e-9, 1e-8, 1e-6, 1e-3, 1.0, 1e3, 1e6, 1e8, 1e9]


@pytest.mark.parametrize("size", SIZES)
def test_a_property_of_any_size_at_least(size: float) -> None:
    # sum of p: 5 aa / 100 >= 0.15 at 3 %; aa costs 2
    rule = {"id": "p", "kind": "property", "property": "p", "at_least": 0.15 * size}
    result = solve(brief_of(case([plain("aa", p=5 * size)], {"aa": 2}, rule)), exact=True)
    assert result.ending == "optimal"
    assert told_as_shown(result)
    assert doses(result)["aa"] == pytest.approx(3, rel=1e-6)
    assert result.objective == pytest.approx(0.06, rel=1e-6)
    assert not result.exact.startswith("NOT")


@pytest.mark.parametrize("size", SIZES)
def test_a_property_of_any_size_at_most(size: float) -> None:
    # aa is wanted, 2 % at least; a cap of p at 1 % of it cannot be met beside that
    rules = (
        {"id": "some", "kind": "dose", "of": ["aa"], "at_least": 2},
        {"id": "p", "kind": "property", "property": "p", "at_most": 0.05 * size},
    )
    result = solve(brief_of(case([plain("aa", p=5 * size)], {"aa": 2}, *rules)))
    assert (result.ending, result.proof) == ("infeasible", "certificate")


@pytest.mark.parametrize("size", SIZES)
def test_a_property_of_any_size_at_most_with_a_way_out(size: float) -> None:
    # 4 % of aa and bb, aa cheaper, but only 1 % of it has room: 1 x 2 / 100 + 3 x 3 / 100 = 0.11
    rules = (
        {"id": "some", "kind": "dose", "of": ["aa", "bb"], "at_least": 4},
        {"id": "p", "kind": "property", "property": "p", "at_most": 0.05 * size},
    )
    result = solve(brief_of(case([plain("aa", p=5 * size), plain("bb")], {"aa": 2, "bb": 3}, *rules)))
    assert told_as_shown(result)
    assert doses(result) == pytest.approx({"aa": 1, "bb": 3, "aqua": 96}, rel=1e-6)
    assert result.objective == pytest.approx(0.11, rel=1e-6)


@pytest.mark.parametrize("size", SIZES)
def test_a_property_of_any_size_with_a_tie(size: float) -> None:
    # 5 aa + bb >= 15 in units of size / 100: aa costs 2 / 5 per unit, bb 1, so 3 % of aa alone, 0.06
    rule = {"id": "p", "kind": "property", "property": "p", "at_least": 0.15 * size}
    materials = [plain("aa", p=5 * size), plain("bb", p=size), plain("cc")]
    result = solve(brief_of(case(materials, {"aa": 2, "bb": 1, "cc": 1}, rule)))
    assert told_as_shown(result)
    assert doses(result) == pytest.approx({"aa": 3, "aqua": 97}, rel=1e-6)
    assert result.objective == pytest.approx(0.06, rel=1e-6)


def test_a_trace_limit_broken_a_thousandfold_is_impossible() -> None:
    # 2 % of aa with 5e-8 of lead bring 1e-9, a thousand times the limit
    rules = (
        {"id": "some", "kind": "dose", "of": ["aa"], "at_least": 2},
        {"id": "lead", "kind": "property", "property": "lead", "at_most": 1e-12},
    )
    result = solve(brief_of(case([plain("aa", lead=5e-8)], {"aa": 2}, *rules)), exact=True)
    assert (result.ending, result.proof) == ("infeasible", "certificate")


def test_a_trace_that_three_percent_meet_is_not_impossible() -> None:
    # 5e-8 x 3 % = 1.5e-9
    rule = {"id": "lead", "kind": "property", "property": "lead", "at_least": 1.5e-9}
    result = solve(brief_of(case([plain("aa", lead=5e-8)], {"aa": 2}, rule)), exact=True)
    assert result.ending == "optimal"
    assert doses(result)["aa"] == pytest.approx(3, rel=1e-6)


# steps of the scale ---------------------------------------------------------------------------------


def wash(active: float) -> Table:
    """Return a surfactant of some active matter."""
    main = substance("INCI wash", active, surfactant=True, charge="anionic")
    return material("wash", [main, substance("Aqua", 100 - active, "water")], properties={})


def test_steps_never_cost_less_than_nothing() -> None:
    # exactly 10 % active of a 29.99 % stock: the nearest steps carry 9.9987 or 10.0017 %, the band lets 9.9517 pass
    rule = {"id": "active", "kind": "active", "exactly": 10}
    result = solve(brief_of(case([wash(29.99)], {"wash": 3}, rule)), weighable=True)
    assert told_as_shown(result)
    assert result.rounded is not None
    assert result.rounded.formula is not None
    assert result.rounded.formula.total(lambda i: i.surfactant) == pytest.approx(10, abs=0.01 * 29.99 / 100)
    assert result.rounded.cost_of_rounding >= -0.01 * 3 / 100


def test_steps_that_fit_keep_exactly() -> None:
    # 10 % active at 40 % is 25 %, on the grid: nothing else may be printed
    rule = {"id": "active", "kind": "active", "exactly": 10}
    result = solve(brief_of(case([wash(40)], {"wash": 3}, rule)), weighable=True)
    assert result.rounded is not None
    assert result.rounded.formula is not None
    assert result.rounded.formula.dose("wash") == 25
    assert result.rounded.cost_of_rounding == pytest.approx(0, abs=1e-12)


def test_the_first_brief_at_exactly_ten_percent_active(laid: Path, tmp_path: Path) -> None:
    shutil.copytree(laid, tmp_path / "ten")
    changes = (("active.exactly", "10"),)
    result = solve(load_brief(tmp_path / "ten" / "first-brief.toml", changes=changes), weighable=True)
    assert result.rounded is not None
    assert told_as_shown(result)
    assert result.rounded.cost_of_rounding >= -1e-4
