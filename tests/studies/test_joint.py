"""Several products from one shelf, against an independent integer program and by hand."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp
from typer.testing import CliRunner

from optimizer.brief.brief import load_brief, make_brief
from optimizer.brief.scenario import scenario_from
from optimizer.cli.every import app
from optimizer.data.facts import Material
from optimizer.data.library import Library
from optimizer.data.purchase import lines_of
from optimizer.data.shelf import Shelf, ShelfLine
from optimizer.errors import DataError
from optimizer.files import shipped
from optimizer.studies import multi_product
from optimizer.studies.multi_product import JointPlan, Product, alone, joint
from tests.support.briefs import aqua, material, substance

STRONG = material("strong", [substance("A", 50, charge="anionic", surfactant=True), substance("Aqua", 50, "water")])
WEAK = material("weak", [substance("B", 25, charge="anionic", surfactant=True), substance("Aqua", 75, "water")])


def product(active: float, kg: float, *lines: dict[str, Any], name: str = "wash") -> Product:
    """Return a wash of a given active matter [%] from a strong and a weak surfactant."""
    library = Library(materials=tuple(Material.model_validate(m) for m in (aqua(), STRONG, WEAK)))
    shelf = Shelf(where="shelf", lines=tuple(ShelfLine(row=k + 2, **line) for k, line in enumerate(lines)))
    rule = {"id": "active", "kind": "active", "exactly": active}
    return Product(make_brief(scenario_from({"name": name, "rule": [rule]}, "brief"), library, shelf), kg)


PACKS: tuple[dict[str, Any], ...] = (
    {"material": "strong", "supplier": "quay", "price_per_kg": 4.0, "pack_kg": 10.0, "stock_kg": 3.0},
    {"material": "strong", "supplier": "pier", "price_per_kg": 3.2, "pack_kg": 10.0, "min_packs": 3.0},
    {"material": "weak", "supplier": "quay", "price_per_kg": 2.3, "pack_kg": 5.0},
    {"material": "aqua", "price_per_kg": 0.1},
)


def by_scipy(needs: list[float], leftover: float) -> float:
    """Return the least money for needs of active matter [kg], modelled apart from the tool.

    Columns: strong and weak used per product [kg], packs of quay strong, pier strong, quay weak, pier ordered.
    """
    n = len(needs)
    cost = np.zeros(2 * n + 4)
    strong, weak = 3.2 * leftover, 2.3 * leftover  # kept material counts at its cheapest price
    for p in range(n):
        cost[2 * p : 2 * p + 2] = strong, weak
    cost[2 * n :] = (4.0 - strong) * 10, (3.2 - strong) * 10, (2.3 - weak) * 5, 0
    rows, low, high = [], [], []
    for p, need in enumerate(needs):
        row = np.zeros(2 * n + 4)
        row[2 * p : 2 * p + 2] = 0.5, 0.25
        rows.append(row)
        low.append(need)
        high.append(need)
    for which, packs, stock in ((0, {2 * n: 10, 2 * n + 1: 10}, 3.0), (1, {2 * n + 2: 5}, 0.0)):
        row = np.zeros(2 * n + 4)
        row[which : 2 * n : 2] = 1
        for column, size in packs.items():
            row[column] = -size
        rows.append(row)
        low.append(-np.inf)
        high.append(stock)
    least, most = np.zeros(2 * n + 4), np.zeros(2 * n + 4)
    least[2 * n + 1], least[2 * n + 3] = 1, -3
    most[2 * n + 1], most[2 * n + 3] = 1, -1000
    rows += [least, most]
    low += [0, -np.inf]
    high += [np.inf, 0]
    upper = np.full(2 * n + 4, np.inf)
    upper[-1] = 1
    whole = np.r_[np.zeros(2 * n), np.ones(4)]
    done = milp(
        cost, constraints=LinearConstraint(np.array(rows), low, high), bounds=Bounds(0, upper), integrality=whole
    )
    assert done.success
    return float(done.fun)


def water(products: list[tuple[float, float]], plan: JointPlan, leftover: float) -> float:
    """Return what the plan's water counts: bought by weight, none left over."""
    return sum(p.cost for p in plan.purchases if p.material == "aqua")


@pytest.mark.parametrize("leftover", [0.0, 0.3, 0.5, 1.0])
@pytest.mark.parametrize("made", [[(10, 20)], [(10, 20), (15, 60)], [(8, 300)], [(5, 10), (20, 40), (12, 90)]])
def test_plan_is_that_of_an_independent_program(made: list[tuple[float, float]], leftover: float) -> None:
    plan = joint(tuple(product(a, kg, *PACKS) for a, kg in made), leftover=leftover)
    assert plan.ending == "optimal"
    expected = by_scipy([a * kg / 100 for a, kg in made], leftover)
    assert plan.total - water(made, plan, leftover) == pytest.approx(expected, abs=1e-6)
    assert plan.bound == pytest.approx(plan.total, rel=1e-6)
    for balance in plan.balances:
        assert balance.stock + balance.bought == pytest.approx(balance.used + balance.left, abs=1e-6)
    for told, (active, kg) in zip(plan.products, made, strict=True):
        assert told.batch_kg == kg
        assert told.formula.active == pytest.approx(active, abs=1e-6)


def test_where_what_is_left_counts_in_full_nothing_is_bought_that_nobody_needs() -> None:
    # 3 kg active are 6 kg strong; 8 kg are there. A pack and what is left of it are worth the same: a tie, not a plan.
    made = product(10, 30, {**PACKS[0], "stock_kg": 8.0}, *PACKS[1:])
    plan = joint((made,), leftover=1.0)
    assert {p.material for p in plan.purchases} == {"aqua"}
    items = {i.id: i for i in made.brief.pool.items}
    program = multi_product._Program((made,), items, list(lines_of(made.brief.shelf.lines, items)), {}, 1.0)
    assert (program.cost[program.bought] > 0).all(), "no pack is for nothing"
    assert plan.total == pytest.approx(6 * 3.2 + water([(10, 30)], plan, 1.0))


def test_packs_and_smallest_orders_by_hand() -> None:
    # 30 kg of 10 % active = 3 kg active = 6 kg strong: 3 kg are in stock, one quay pack of 10 kg brings 7 too many;
    # weak instead: 1.5 kg active = 6 kg = two packs of 5 kg. With nothing for leftovers: 40.00 against 23.00.
    plan = joint((product(10, 30, *PACKS),), leftover=0.0)
    bought = {(p.material, p.supplier): p.packs for p in plan.purchases if p.material != "aqua"}
    assert bought == {("weak", "quay"): 2.0}
    # 500 kg of 10 % = 100 kg strong, 97 to buy: ten packs, all from pier, whose smallest order is three.
    plan = joint((product(10, 500, *PACKS),), leftover=0.0)
    assert {(p.supplier, p.packs) for p in plan.purchases if p.material == "strong"} == {("pier", 10.0)}


def test_scarce_stock_has_its_price() -> None:
    lines = (
        {"material": "strong", "price_per_kg": 2.0, "stock_kg": 2.0},
        {"material": "weak", "price_per_kg": 3.0, "stock_kg": 50.0},
    )
    made = (product(10, 20, *lines),)
    plan = joint(made, leftover=1.0, buying=False)
    worth = {b.material: b.worth for b in plan.balances}
    more = joint((product(10, 20, {**lines[0], "stock_kg": 2.1}, lines[1]),), leftover=1.0, buying=False)
    # One more kg of strong (0.5 kg active) saves 2 kg of weak at 3.00, and costs itself 2.00.
    assert worth["strong"] == pytest.approx(4.0)
    assert plan.total - more.total == pytest.approx(0.4)
    assert worth["weak"] == pytest.approx(0.0, abs=1e-9)


def test_one_product_alone_is_the_plan_and_more_products_never_cost_less_than_alone() -> None:
    made = (product(10, 80, *PACKS, name="one"), product(15, 70, *PACKS, name="two"))
    apart = alone(made, leftover=0.5, buying=True, time_limit=30)
    assert joint(made[:1], leftover=0.5).total == pytest.approx(apart[0].total)
    plan = joint(made, leftover=0.5)
    assert plan.total >= max(one.total for one in apart) - 1e-9


def test_no_stock_and_no_buying_is_impossible() -> None:
    plan = joint((product(10, 20, {"material": "strong", "price_per_kg": 2.0, "stock_kg": 1.0}),), buying=False)
    assert plan.ending == "infeasible"
    assert plan.products == ()


def test_products_must_share_a_shelf() -> None:
    with pytest.raises(DataError, match="do not share one shelf"):
        joint((product(10, 20, *PACKS), product(10, 20, *PACKS[:3])))


def test_mixed_currencies_need_a_rate(tmp_path: Path) -> None:
    shelf = tmp_path / "shelf.csv"
    shelf.write_text("material,price per kg,currency\ncocamidopropyl-betaine,2,USD\nglycerin,2,EUR\n", encoding="utf-8")
    brief = tmp_path / "brief.toml"
    brief.write_text('name = "x"\nshelf = "shelf.csv"\n[[rule]]\nkind = "active"\nat_least = 6\n', encoding="utf-8")
    done = CliRunner().invoke(app, ["together", f"{brief}=10"])
    assert isinstance(done.exception, DataError)
    assert done.exception.exit_code == 3
    assert load_brief(brief, rates={"USD": 0.5}).pool.prices[
        load_brief(brief, rates={"USD": 0.5}).pool.index["cocamidopropyl-betaine"]
    ] == pytest.approx(1.0)
    assert CliRunner().invoke(app, ["together", f"{brief}=10", "--rate", "USD=0.5"]).exit_code == 0


def test_command_prints_the_range_of_the_shop() -> None:
    done = CliRunner().invoke(app, ["together", "hand-wash=40", "gentle-wash=20"])
    assert done.exit_code == 0
    for words in ("Planned; none costs less", "Packs to buy", "Each product alone", "Harbour hand wash", "Gentle wash"):
        assert words in done.stdout
    assert "cocamidopropyl-betaine" not in done.stdout


def test_what_no_plan_costs_less_than_counts_what_is_planned_to_thicken() -> None:
    """Salt or not: a cheaper blend that a dearer thickener needs is no cheaper plan."""
    asked = ["together", "hand-wash=40"]
    told = json.loads(CliRunner().invoke(app, [*asked, "--json"]).stdout)
    unplanned = joint(
        (Product(load_brief(shipped("scenarios") / "hand-wash.toml", changes=(("objective.planned", "false"),)), 40.0),)
    )
    assert unplanned.thickening == 0
    assert unplanned.total < told["total"] - 0.1
    salt = 0.005 * (9.50 / 10 - 0.025)  # half a percent of salt in place of water, at the prices of the demo shelf
    assert told["thickening"] == pytest.approx(40 * salt, abs=1e-6)
    words = " ".join(CliRunner().invoke(app, asked).stdout.split())
    assert f"no plan costs less than {told['bound'] + told['thickening']:.2f} EUR, with what is planned to" in words


def test_a_caution_of_several_products_names_the_materials_of_all_of_them() -> None:
    # The hand wash holds an ethoxylated sulfate and sodium benzoate, the gentle wash neither.
    told = json.loads(CliRunner().invoke(app, ["together", "hand-wash=40", "gentle-wash=20", "--json"]).stdout)
    cautions = {c["text"]: c["materials"] for c in told["cautions"]}
    assert len(cautions) == len(told["cautions"])
    (irritate,) = (m for t, m in cautions.items() if t.startswith("Surfactants as sold irritate"))
    assert {"Sodium Laureth Sulfate 2 EO, 70 %", "Sodium Cocoyl Isethionate"} <= set(irritate)
    (dosed,) = (m for t, m in cautions.items() if t.startswith("Dose by the finished mass"))
    assert {"Sodium Benzoate", "Phenoxyethanol (and) Ethylhexylglycerin"} <= set(dosed)
    assert sum("from memory" in text for text in cautions) == 1


def test_a_smallest_order_above_all_that_is_made_can_still_be_bought() -> None:
    # 5 kg of 10 % = 0.5 kg active = 1 kg strong: one pack of 1 kg would do, but no fewer than twelve are sold.
    line = {"material": "strong", "supplier": "pier", "price_per_kg": 3.0, "pack_kg": 1.0, "min_packs": 12.0}
    plan = joint((product(10, 5, line, {"material": "aqua", "price_per_kg": 0.1}),), leftover=0.0)
    assert plan.ending == "optimal"
    assert [p.packs for p in plan.purchases if p.material == "strong"] == [12]
