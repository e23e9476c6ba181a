"""Many random lots at once: in how many of them does a formula keep its rules?

Stated distribution: the active matter of each material is uniform between its lowest and highest lot, prices
are uniform within their stated percentage, all independent. Nobody measured that; it is a stress, not a
forecast. The same seed gives the same lots to every formula.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from optimizer.data.pool import Vector
from optimizer.immutable import immutable, seen, untold
from optimizer.rules import Dose, LimitRule, Rule, named_measure
from optimizer.rules.dose import IfUsed
from optimizer.rules.row import Setting
from optimizer.rules.selection import Excludes
from optimizer.rules.thickening import Thickening, thickens_as_salt
from optimizer.uncertainty.lots import Lots, linear
from optimizer.units import KEPT, USED

Flags = npt.NDArray[np.bool_]


@immutable
class Draws:
    """Random lots and prices.

    Attributes:
        active: Active matter [% as supplied], shape (draws, n).
        prices: Price over the price now [-], shape (draws, n).
    """

    active: Vector
    prices: Vector


@immutable
class Trial:
    """What random lots do to a formula."""

    kept: float
    """Share of draws in which every rule holds."""
    fails: tuple[tuple[str, float], ...] = untold()
    """Share of draws in which each rule fails."""
    cost: float
    """Mean cost per kg."""
    cost_high: float
    """Cost per kg that 95 % of the draws stay below."""
    fails_by_rule: dict[str, float] = seen("shares", key="fails")
    """Share of draws in which each rule fails."""

    @property
    def shares(self) -> dict[str, float]:
        """Share of draws in which each rule fails, by its id."""
        return dict(self.fails)


def draw(lots: Lots, count: int, seed: int, price_off: float = 0.0) -> Draws:
    """Return random lots.

    Args:
        lots: The candidates and the ends of their lots.
        count: How many draws.
        seed: Seed of the generator (PCG64).
        price_off: How far a price may be off, either way [%].
    """
    r = np.random.default_rng(seed)
    active = r.uniform(lots.ends[:, 0], lots.ends[:, 1], (count, len(lots.pool)))
    return Draws(active, 1 + price_off / 100 * r.uniform(-1, 1, (count, len(lots.pool))))


def trial(rules: Iterable[Rule], lots: Lots, doses: Vector, draws: Draws, setting: Setting) -> Trial:
    """Return how often each rule holds.

    Args:
        rules: The rules; the pH and the total do not depend on lots.
        lots: The candidates and the ends of their lots.
        doses: Doses as supplied [%], shape (n,).
        draws: The lots.
        setting: The formula's pH.
    """
    every = np.ones(len(draws.active), dtype=bool)
    fails = []
    for rule in rules:
        kept = holds(rule, lots, doses, draws, setting)
        every &= kept
        if not kept.all():
            fails.append((rule.id, float(1 - kept.mean())))
    cost = draws.prices @ (doses * lots.pool.prices) / 100
    order = tuple(sorted(fails, key=lambda f: (-f[1], f[0])))
    return Trial(float(every.mean()), order, float(cost.mean()), float(np.quantile(cost, 0.95)))


def holds(rule: Rule, lots: Lots, doses: Vector, draws: Draws, setting: Setting) -> Flags:
    """Return in which draws a rule holds, shape (draws,)."""
    if isinstance(rule, LimitRule) and linear(rule):
        if rule.of_prices:
            return _within(rule, draws.prices @ (doses * lots.pool.prices) / 100)
        return _within(rule, lots.drawn(rule, doses, draws.active))
    if isinstance(rule, IfUsed) and rule.measured == "as active":
        kept = np.ones(len(draws.active), dtype=bool)
        for j in np.nonzero((doses > USED) & lots.pool.members(rule.of))[0]:
            kept &= _within(rule, doses[j] * draws.active[:, j] / 100)
        return kept
    if isinstance(rule, Excludes) and rule.measured == "as active" and (doses[lots.pool.members(rule.of)] > USED).any():
        other = Dose(id="other", of=rule.other, measured="as active", at_most=rule.above)
        return _within(other, lots.drawn(other, doses, draws.active))
    if isinstance(rule, Thickening):
        return _thickens(rule, lots, doses, draws, setting)
    return np.ones(len(draws.active), dtype=bool)


def _thickens(rule: Thickening, lots: Lots, doses: Vector, draws: Draws, setting: Setting) -> Flags:
    """Return in which draws a way to thicken is open; a thickener's does not depend on lots."""
    dosed = float(doses @ lots.pool.vector(lambda i: rule.part(i, setting)))
    if rule.suited(lots.pool, setting) or dosed >= 1 - KEPT:
        return np.ones(len(draws.active), dtype=bool)
    if not rule.salt_fits(lots.pool.held_back, float(doses @ lots.pool.vector(thickens_as_salt))):
        return np.zeros(len(draws.active), dtype=bool)
    share = named_measure("anionic").model_copy(update={"of": rule.sulfates, "at_least": rule.sulfate_share})
    active = named_measure("active").model_copy(update={"at_least": rule.active})
    salt = named_measure("salt").model_copy(update={"at_most": max(0.0, rule.salt - rule.salt_room)})
    kept = np.ones(len(draws.active), dtype=bool)
    for measure in (share, active, salt):
        kept &= _within(measure, lots.drawn(measure, doses, draws.active))
    return kept


def _within(rule: LimitRule, values: Vector) -> Flags:
    """Return which values keep a rule's limits; what has no value keeps them."""
    low, high = rule.limits
    slack = rule.within + rule.slack()
    return np.asarray(~((values < low - slack) | (values > high + slack)))
