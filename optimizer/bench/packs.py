"""Packs to buy for a plan of equal batches: the cheapest covering of each material's need, exactly."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import ceil, inf, nan

from optimizer.data.pool import Ingredient
from optimizer.data.purchase import Purchase, lines_of, on_tap, stock_of
from optimizer.data.shelf import Shelf
from optimizer.immutable import immutable
from optimizer.units import AS_TYPED, ROUND_OFF


@immutable
class PackOffer:
    """One shelf line as something to buy.

    Attributes:
        price: Per kg.
        pack_kg: Pack [kg]; None if it is sold by weight.
        least: Fewest packs that are sold at this price, if any are bought.
    """

    supplier: str
    price: float
    pack_kg: float | None = None
    least: int = 1


@immutable
class Need:
    """One material of the plan [kg]."""

    material: str
    name: str
    need: float
    """What all batches use, loss included."""
    stock: float
    bought: float
    """Mass of what is bought."""
    left: float
    """Stock after the last batch."""
    short: float
    """What nobody on the shelf sells."""
    by_use: float
    """Need at the cheapest price per kg."""
    spent: float
    """What is paid for the packs."""
    purchases: tuple[Purchase, ...]


@immutable
class Buying:
    """What to buy for a plan, and the two ways to count it."""

    batches: int
    needs: tuple[Need, ...]
    spent: float
    """Cash: what the packs cost now."""
    by_use: float
    """What the materials used cost at the cheapest price per kg, from stock or bought."""
    from_stock: float
    """Part of it that lies on the shelf already."""
    left_over: float
    """Worth of what is left of the packs bought, at the same prices."""

    @property
    def short(self) -> tuple[Need, ...]:
        """Materials that stay short."""
        return tuple(n for n in self.needs if n.short > 0)


def cheapest_cover(need_kg: float, offers: Sequence[PackOffer]) -> tuple[float, tuple[float, ...]] | None:
    """Return cost and amounts of the cheapest purchase that covers a need, None if nothing is offered.

    Minimise sum of n_k s_k p_k + w p_w subject to sum of n_k s_k + w >= need, n_k = 0 or at least the least order,
    n_k whole (packs of s_k kg), w >= 0 (the cheapest offer by weight). Dynamic programme over the offers: of all ways
    to buy so far, one stays unless another has at least its mass at no more cost. The same cost is settled by
    more mass, then fewer packs, then the order of the offers.

    Args:
        need_kg: What is missing [kg].
        offers: What is sold.

    Returns:
        Cost, and per offer the packs (kg for what is sold by weight).
    """
    if need_kg <= AS_TYPED:
        return 0.0, (0.0,) * len(offers)
    if not offers:
        return None
    packs = [(k, o.pack_kg, o.price, max(1, o.least)) for k, o in enumerate(offers) if o.pack_kg is not None]
    packs.sort(key=lambda p: (-p[1], p[2], p[0]))
    loose = min(((o.price, k) for k, o in enumerate(offers) if o.pack_kg is None), default=(inf, -1))
    enough = min([loose[0] * need_kg, *(_count(need_kg, s, least) * s * price for _, s, price, least in packs)])
    reach = [min([loose[0], *(p[2] for p in packs[i:])]) for i in range(len(packs) + 1)]
    front: list[tuple[float, float, tuple[int, ...]]] = [(0.0, 0.0, ())]
    for i, (_, size, price, least) in enumerate(packs):
        last = i == len(packs) - 1 and loose[1] < 0
        grown = []
        for cost, mass, counts in front:
            missing = need_kg - mass
            most = _count(missing, size, least) if missing > AS_TYPED else 0
            for n in {most} if last else {0, *range(min(least, most), most + 1)}:
                reached = mass + n * size
                paid = cost + n * size * price
                rest = max(0.0, need_kg - reached - AS_TYPED)
                if paid + (rest * reach[i + 1] if rest else 0.0) <= enough * (1 + ROUND_OFF) + ROUND_OFF:
                    grown.append((paid, reached, (*counts, n)))
        front = _best(grown)
    ends = []
    for cost, mass, counts in front:
        missing = max(0.0, need_kg - mass)
        missing = missing if missing > AS_TYPED else 0.0
        if not missing or loose[1] >= 0:
            paid = cost + (missing * loose[0] if missing else 0.0)
            ends.append((round(paid, 9), -mass - missing, sum(counts), tuple(-n for n in counts), missing, paid))
    *_, chosen, by_weight, paid = min(ends)
    amounts = [0.0] * len(offers)
    for (k, *_), n in zip(packs, chosen, strict=True):
        amounts[k] = float(-n)
    if by_weight:
        amounts[loose[1]] = by_weight
    return paid, tuple(amounts)


def _count(missing: float, size: float, least: int) -> int:
    """Return how many packs of a size cover what is missing, at least the least order."""
    return max(least, ceil((missing - AS_TYPED) / size))


def _best(ways: list[tuple[float, float, tuple[int, ...]]]) -> list[tuple[float, float, tuple[int, ...]]]:
    """Return the ways to buy that no other beats in both mass and cost."""
    kept: list[tuple[float, float, tuple[int, ...]]] = []
    heaviest = -inf
    for way in sorted(ways, key=lambda w: (w[0], -w[1], sum(w[2]), tuple(-n for n in w[2]))):
        if way[1] > heaviest + AS_TYPED:
            kept.append(way)
            heaviest = way[1]
    return kept


def buying(uses: Mapping[str, float], items: Mapping[str, Ingredient], shelf: Shelf | None, batches: int) -> Buying:
    """Return what to buy so that the shelf covers a plan.

    Args:
        uses: What one batch uses of each material, loss included [kg].
        items: The materials by id, with their cheapest price per kg.
        shelf: What is in stock and on sale.
        batches: How many equal batches are made.
    """
    lines = lines_of(shelf.lines if shelf else (), items)
    stocks = stock_of(shelf.lines if shelf else (), items)
    needs = []
    for name in sorted(uses):
        need, item, stock = uses[name] * batches, items[name], stocks.get(name, 0.0)
        tap = on_tap(item)
        offers = [
            PackOffer(
                line.supplier,
                line.price_per_kg or 0.0,
                None if tap else line.pack_kg,
                max(1, ceil(line.min_packs or 0)),
            )
            for n, line in lines
            if n == name
        ]
        if tap and not offers:
            offers = [PackOffer("", item.price)]
        missing = need - stock
        found = cheapest_cover(missing, offers)
        purchases = _purchases(name, offers, found[1]) if found else ()
        bought = sum(p.kg for p in purchases)
        left = stock + bought - need
        short = 0.0 if found else missing
        by_use, spent = need * item.price, sum(p.cost for p in purchases)
        row = Need(name, item.material.name, need, stock, bought, max(0.0, left), short, by_use, spent, purchases)
        needs.append(row)
    price = {n.material: items[n.material].price for n in needs}
    return Buying(
        batches,
        tuple(needs),
        sum(n.spent for n in needs),
        sum(n.by_use for n in needs),
        sum(min(n.need, n.stock) * price[n.material] for n in needs),
        sum(n.left * price[n.material] for n in needs if n.purchases),
    )


def _purchases(material: str, offers: Sequence[PackOffer], amounts: Sequence[float]) -> tuple[Purchase, ...]:
    found = []
    for offer, amount in zip(offers, amounts, strict=True):
        if amount > 0:
            kg = amount * (offer.pack_kg or 1.0)
            packs = nan if offer.pack_kg is None else amount
            found.append(Purchase(material, offer.supplier, packs, kg, kg * offer.price))
    return tuple(found)
