"""Packs to buy: the cheapest covering, against every combination tried by hand; stock never below zero."""

from itertools import product
from math import ceil, inf

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.bench.packs import PackOffer, buying, cheapest_cover
from optimizer.data.library import read_library
from optimizer.data.pool import Ingredient
from optimizer.data.shelf import Shelf, ShelfLine
from optimizer.files import shipped

Sold = tuple[int, int, int]
"""Pack [g], price of it [cents], least order."""


def by_trying_all(need: int, packs: list[Sold], per_kg: int | None) -> float:
    """Return the least cost [cents] of covering a need [g], every number of packs tried."""
    best = inf
    counts = [[0, *range(least, max(least, ceil(need / size)) + 1)] for size, _, least in packs]
    for chosen in product(*counts):
        mass = sum(n * size for n, (size, _, _) in zip(chosen, packs, strict=True))
        cost = float(sum(n * price for n, (_, price, _) in zip(chosen, packs, strict=True)))
        if mass < need:
            if per_kg is None:
                continue
            cost += (need - mass) * per_kg / 1000
        best = min(best, cost)
    return best


@pytest.mark.thorough
@settings(max_examples=300)
@given(
    st.integers(1, 6000),
    st.lists(
        st.tuples(st.sampled_from([250, 333, 500, 1000, 2500]), st.integers(0, 900), st.integers(1, 4)), max_size=3
    ),
    st.none() | st.integers(0, 900),
)
def test_no_other_purchase_costs_less(need: int, packs: list[Sold], per_kg: int | None) -> None:
    offers = [PackOffer("", price / 100 / (size / 1000), size / 1000, least) for size, price, least in packs]
    if per_kg is not None:
        offers.append(PackOffer("", per_kg / 100))
    found = cheapest_cover(need / 1000, offers)
    best = by_trying_all(need, packs, per_kg)
    if found is None:
        assert best == inf
        return
    cost, amounts = found
    assert 100 * cost == pytest.approx(best, abs=1e-6)
    bought = 0.0
    paid = 0.0
    for offer, amount in zip(offers, amounts, strict=True):
        bought += amount * (offer.pack_kg or 1)
        paid += amount * (offer.pack_kg or 1) * offer.price
        if offer.pack_kg is not None:
            assert amount == round(amount)
            assert amount == 0 or amount >= offer.least
    assert bought >= need / 1000 - 1e-8
    assert paid == pytest.approx(cost, abs=1e-9)


@pytest.mark.parametrize(
    ("need", "offers", "cost", "amounts"),
    [
        # A big pack that is cheaper per kg loses where little is missing: 1 x 5 kg at 17.90, not 25 kg at 67.50.
        (4.0, [PackOffer("a", 2.70, 25), PackOffer("b", 3.58, 5)], 17.90, (0, 1)),
        # 29 kg: one of each, 67.50 + 17.90, beats 6 x 17.90 and 2 x 67.50.
        (29.0, [PackOffer("a", 2.70, 25), PackOffer("b", 3.58, 5)], 85.40, (1, 1)),
        # Twelve at 1 would be cheaper than 3 at 2, but fewer than twelve are not sold at that price.
        (3.0, [PackOffer("a", 2.0, 1), PackOffer("a", 1.0, 1, 12)], 6.0, (3, 0)),
        (7.0, [PackOffer("a", 2.0, 1), PackOffer("a", 1.0, 1, 12)], 12.0, (0, 12)),
        # By weight for the rest.
        (5.5, [PackOffer("a", 1.0, 5), PackOffer("b", 4.0)], 7.0, (1, 0.5)),
        # The same money: more mass.
        (4.0, [PackOffer("a", 2.0, 5), PackOffer("b", 2.5, 4)], 10.0, (1, 0)),
        (4.0, [PackOffer("a", 2.0, 5), PackOffer("b", 5 / 3, 3)], 10.0, (0, 2)),
        # The same money and mass: fewer packs.
        (8.0, [PackOffer("a", 1.0, 6), PackOffer("b", 1.0, 1), PackOffer("c", 1.0, 4)], 8.0, (0, 0, 2)),
        # A sum that floating point misses by a hair asks for no second pack.
        (0.1 + 0.2, [PackOffer("a", 1.0, 0.3)], 0.3, (1,)),
        (0.0, [PackOffer("a", 1.0, 1)], 0.0, (0,)),
    ],
)
def test_by_hand(need: float, offers: list[PackOffer], cost: float, amounts: tuple[float, ...]) -> None:
    found = cheapest_cover(need, offers)
    assert found is not None
    assert found[0] == pytest.approx(cost)
    assert found[1] == pytest.approx(amounts)


def test_nothing_offered_covers_nothing() -> None:
    assert cheapest_cover(1.0, []) is None


def test_thousands_of_small_packs_are_no_trouble() -> None:
    found = cheapest_cover(
        1000.0, [PackOffer("a", 3.0, 0.05), PackOffer("b", 2.9, 0.07), PackOffer("c", 2.8, 25), PackOffer("d", 4.0)]
    )
    assert found is not None
    assert found[0] == pytest.approx(2800.0)


@pytest.fixture(scope="module")
def items() -> dict[str, Ingredient]:
    by_id = read_library([shipped("library")]).by_id
    prices = {"cocamidopropyl-betaine": 2.7, "glycerin": 2.3, "aqua": 0.025, "parfum": 58.0}
    return {name: Ingredient(by_id[name], price) for name, price in prices.items()}


def shelf(*lines: ShelfLine) -> Shelf:
    return Shelf(where="shelf", lines=lines)


SHELF = shelf(
    ShelfLine(row=2, material="cocamidopropyl-betaine", supplier="a", price_per_kg=2.7, pack_kg=25, stock_kg=3),
    ShelfLine(row=3, material="cocamidopropyl-betaine", supplier="b", price_per_kg=3.58, pack_kg=5, stock_kg=2),
    ShelfLine(row=4, material="glycerin", supplier="a", price_per_kg=2.3, pack_kg=25, stock_kg=1),
    ShelfLine(row=5, material="aqua", price_per_kg=0.025, pack_kg=1000),
    ShelfLine(row=6, material="parfum", stock_kg=0.1),
)


@given(
    st.floats(0, 5, allow_subnormal=False),
    st.floats(0, 5, allow_subnormal=False),
    st.floats(0.01, 50),
    st.integers(1, 40),
)
def test_stock_after_is_never_below_zero(
    items: dict[str, Ingredient], betaine: float, glycerin: float, water: float, batches: int
) -> None:
    prices = {name: item.price for name, item in items.items()}
    uses = {"cocamidopropyl-betaine": betaine, "glycerin": glycerin, "aqua": water}
    plan = buying(uses, items, SHELF, batches)
    for need in plan.needs:
        assert need.left >= 0
        assert need.short == 0
        assert need.stock + need.bought - need.need == pytest.approx(need.left, abs=1e-6)
        assert need.need == pytest.approx(uses[need.material] * batches)
    assert plan.spent == pytest.approx(sum(p.cost for n in plan.needs for p in n.purchases))
    # Cash = by use - drawn from the shelf + worth of leftovers + what small packs cost more than the cheapest kg.
    premium = sum(p.cost - p.kg * prices[p.material] for n in plan.needs for p in n.purchases)
    assert plan.spent == pytest.approx(plan.by_use - plan.from_stock + plan.left_over + premium, abs=1e-6)
    assert premium >= -1e-9


def test_stock_of_all_lines_counts_and_water_comes_by_weight(items: dict[str, Ingredient]) -> None:
    plan = buying({"cocamidopropyl-betaine": 2.0, "aqua": 10.0}, items, SHELF, 4)
    water, betaine = plan.needs
    assert (betaine.stock, betaine.bought, betaine.left) == (5, 5, pytest.approx(2))
    assert [(p.supplier, p.packs) for p in betaine.purchases] == [("b", 1)]
    assert water.purchases[0].packs != water.purchases[0].packs  # NaN: sold by weight
    assert water.bought == pytest.approx(40)


def test_what_nobody_sells_is_short(items: dict[str, Ingredient]) -> None:
    plan = buying({"parfum": 0.05}, items, SHELF, 3)
    assert [n.material for n in plan.short] == ["parfum"]
    assert plan.needs[0].short == pytest.approx(0.05)  # 0.1 kg lies there, without a price
    assert plan.needs[0].left == 0
    assert not buying({"parfum": 0.05}, items, SHELF, 2).short


def test_without_a_shelf_everything_but_water_is_short(items: dict[str, Ingredient]) -> None:
    plan = buying({"glycerin": 1.0, "aqua": 9.0}, items, None, 1)
    assert [n.material for n in plan.short] == ["glycerin"]


def test_no_fewer_packs_are_bought_than_are_sold_at_the_price(items: dict[str, Ingredient]) -> None:
    few = ShelfLine(row=2, material="glycerin", supplier="a", price_per_kg=4.0, pack_kg=1)
    many = ShelfLine(row=3, material="glycerin", supplier="b", price_per_kg=2.0, pack_kg=1, min_packs=2.5)
    (alone,) = buying({"glycerin": 0.5}, items, shelf(many), 1).needs
    assert [(p.packs, p.cost) for p in alone.purchases] == [(3, 6)]  # 2.5 packs are three
    (either,) = buying({"glycerin": 0.5}, items, shelf(few, many), 1).needs
    assert [(p.supplier, p.packs) for p in either.purchases] == [("a", 1)]
    (much,) = buying({"glycerin": 0.5}, items, shelf(few, many), 8).needs
    assert [(p.supplier, p.packs) for p in much.purchases] == [("b", 4)]
