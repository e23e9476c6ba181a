"""What the bench is to add out of the part held back, as it is planned: doses, ranges, and what they cost."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import fsum, isnan, nan
from typing import Literal

from optimizer.chemistry.interval import Interval
from optimizer.data.formula import Formula
from optimizer.data.pool import Ingredient, Pool
from optimizer.immutable import Figure, immutable, seen, untold
from optimizer.units import USED

WATER = "aqua"
ACID_ALLOWANCE = Interval(0.0, 0.2, 0.5)
"""Acid that sets the pH and ends as salt [%]; common practice, no source: citric acid as a solid, 0.2 % for about 0.9
pH units, 0.5 % for a blend with much alkaline glucoside or amphoacetate."""
End = Literal["low", "typical", "high"]
ENDS: tuple[End, ...] = ("low", "typical", "high")


@immutable
class PlannedDose:
    """A dose that the bench is to find, as it is planned."""

    item: Ingredient = untold()
    material: str = seen("item.id")
    name: str = seen("item.material.name")
    percent: Interval
    """Low, planned and high [% w/w as supplied]."""
    rests_on: Literal["brief", "usual use", "common practice"]
    """Who says so: `[held_back] planned` of the brief, the usual doses of the library, or common practice for acid."""
    price: Figure = seen("item.price")
    """Per kg; null if nobody sells it."""


PlannedDoses = tuple[PlannedDose, ...]


@immutable
class Plan:
    """The part held back and what it is planned for; what is left of it is water.

    Attributes:
        held: The part [% w/w].
        stated: Doses of the brief by id [% as supplied]; they go before the usual ones.
        acids: Of them the first is planned, or those that the brief states.
        thickeners: May be added later.
        salt: What is added where salt thickens.
        water: Price of water per kg.
        dearest: Highest price per kg of what may thicken; what has none counts at it, so that a price that nobody wrote
            never makes a way the cheapest. NaN where none has a price: then they cost nothing.
    """

    held: float
    stated: Mapping[str, float]
    acids: tuple[Ingredient, ...]
    thickeners: tuple[Ingredient, ...]
    salt: Ingredient | None
    water: float
    dearest: float

    @property
    def names(self) -> frozenset[str]:
        """Ids of all that may be planned, water among them."""
        salt = () if self.salt is None else (self.salt,)
        return frozenset((WATER, *(i.id for i in (*self.acids, *self.thickeners, *salt))))

    @property
    def acid(self) -> PlannedDoses:
        """The planned doses of acid or alkali: what common practice allows for it, unless the brief knows better."""
        return self._planned(tuple(i for i in self.acids if i.id in self.stated) or self.acids[:1], self.held)

    def thickening(self, items: Iterable[Ingredient], most: float = 100.0) -> PlannedDoses:
        """Return what is planned of the thickeners of one way: the middle of the usual use of the cheapest.

        The brief's own doses go before. What acid needs of the part held back is not free for them. One without a price
        is planned only where none has one; of equals the one that is named first.

        Args:
            items: The thickeners of the way.
            most: What a usual dose may be at most [% as supplied].
        """
        left = self.held - fsum(d.percent.typical for d in self.acid)
        ways = [self._planned((item,), left, most) for item in items]
        stated = [dose for way in ways for dose in way if dose.rests_on == "brief"]
        if stated:
            return self._planned((dose.item for dose in stated), left, most)
        return min(ways, key=lambda way: (any(isnan(d.price) for d in way), self.cost(way)), default=())

    def aside(self, end: End = "typical") -> float:
        """Return what the part held back costs per kg of product with acid in it and no thickener, the rest water."""
        return self.held * self.water / 100 + fsum(self._cost(d, end) for d in self.acid)

    def cost(self, doses: PlannedDoses, end: End = "typical") -> float:
        """Return what doses cost per kg of product more than the water in whose place they come, at least nothing."""
        return max(0.0, fsum(self._cost(d, end) for d in doses))

    def per_kg(self, blend: float, doses: PlannedDoses) -> Interval:
        """Return the cost per kg of product with acid and the doses of a way to thicken: all low, planned, all high."""
        low, typical, high = (blend + self.aside(end) + self.cost(doses, end) for end in ENDS)
        return Interval(min(low, typical), typical, max(typical, high))

    def _planned(self, items: Iterable[Ingredient], left: float, most: float = 100.0) -> PlannedDoses:
        """Return the doses of items, none above what is left of the part held back."""
        found: list[PlannedDose] = []
        for item in items:
            own, usual = self.stated.get(item.id), _usual(item)
            ends = [min(most, x) for x in (usual.low, usual.typical, usual.high)] if own is None else [own] * 3
            low, typical, high = (max(0.0, min(left, x)) for x in ends)
            left -= typical
            if high > USED:
                rests_on = _rests_on(item) if own is None else "brief"
                found.append(PlannedDose(item, Interval(low, typical, high), rests_on))
        return tuple(found)

    def _cost(self, dose: PlannedDose, end: End) -> float:
        """Return the cost of a dose less that of as much water; nothing for what has no price and thickens nothing."""
        thickens = dose.item.material.thickener is not None
        price = self.dearest if isnan(dose.item.price) and thickens else dose.item.price
        return 0.0 if isnan(price) else float(getattr(dose.percent, end)) * (price - self.water) / 100


def plan_of_pool(pool: Pool) -> Plan:
    """Return what is planned for the products of a pool."""
    return _plan(pool, pool.held_back, pool.later, pool.thickeners, frozenset())


def plan_of_formula(pool: Pool, formula: Formula) -> Plan:
    """Return what is still planned for a formula; of a part that is begun, nothing that the formula holds already."""
    begun = formula.held_back < pool.held_back - USED
    inside = frozenset(line.item.id for line in formula.lines) if begun else frozenset()
    return _plan(pool, formula.held_back, formula.later, formula.thickeners, inside)


def _plan(
    pool: Pool, held: float, later: Iterable[Ingredient], thickeners: Iterable[Ingredient], inside: frozenset[str]
) -> Plan:
    """Return the plan of a part held back, without what is inside already."""
    thickening = tuple(i for i in thickeners if i.id not in inside)
    names = inside | {i.id for i in thickeners}
    acids = tuple(i for i in later if i.id not in names)
    salt = None if pool.salt is None or pool.salt.id in inside else pool.salt
    prices = [i.price for i in (*pool.thickeners, *filter(None, (pool.salt,))) if not isnan(i.price)]
    return Plan(held, pool.planned, acids, thickening, salt, price_of(pool, WATER), max(prices, default=nan))


def price_of(pool: Pool, name: str) -> float:
    """Return the price of a candidate per kg, 0 if it is none or has no price."""
    place = pool.index.get(name)
    price = pool.items[place].price if place is not None else 0.0
    return 0.0 if isnan(price) else price


def _usual(item: Ingredient) -> Interval:
    """Return the usual dose of a thickener with its middle, or what is allowed for an acid [% as supplied]."""
    thickener = item.material.thickener
    if thickener is None:
        return ACID_ALLOWANCE
    low, high = thickener.use
    return Interval(low, (low + high) / 2, high)


def _rests_on(item: Ingredient) -> Literal["usual use", "common practice"]:
    return "common practice" if item.material.thickener is None else "usual use"
