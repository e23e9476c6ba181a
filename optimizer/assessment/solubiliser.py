"""The ladder of small beakers that finds how much solubiliser a perfume or essential oil needs."""

from __future__ import annotations

from math import isnan

from optimizer.brief.brief import Brief
from optimizer.data.facts import Material
from optimizer.data.formula import Formula
from optimizer.immutable import Figure, immutable, seen, untold
from optimizer.units import USED

RATIOS = (1, 2, 3, 4, 5, 6, 8)
"""Parts of solubiliser per part of oil; common practice, no source: start at 1, rarely above 5."""
USUAL_MOST = 5.0
"""Most solubiliser in a product [%]; supplier note, name withheld."""

OIL_NOTE = (
    "Citrus-like oils often clear near 1:1, middling ones near 2:1, resinous ones at 3:1 to 5:1 (supplier notes, names "
    "withheld); yours may differ."
)


@immutable
class Rung:
    """One beaker of the solubiliser ladder."""

    ratio: float
    """Solubiliser per oil [g/g]."""
    premix_oil_g: float
    """Oil in 1 g of premix [g]."""
    premix_solubiliser_g: float
    """Solubiliser in 1 g of premix [g]."""
    into_10_g: float
    """Premix into a sample of 10 g product [g]."""
    into_100_g: float
    """Premix into a sample of 100 g product [g]."""
    percent: float
    """Solubiliser in the product [%]."""
    extra_percent: float
    """More than the formula has now [%]; below zero if less."""
    extra_cost: Figure
    """What that adds to a kg of product, in the brief's currency; NaN without a price."""


@immutable
class Ladder:
    """The solubiliser ladder.

    For the oils of one formula with one solubiliser.
    """

    solubiliser: Material = untold()
    """What solubilises; the one in the formula, else the cheapest that the brief may use."""
    solubiliser_id: str = seen("solubiliser.id", key="solubiliser")
    used: bool
    """True if the formula holds it."""
    oils: tuple[str, ...]
    """Ids of perfume and essential oils, sorted."""
    oil_percent: float
    """What they come to [% of the product]."""
    now: float
    """Solubiliser of the formula per oil [g/g], all solubilisers together."""
    rungs: tuple[Rung, ...]
    """Rising."""


def ladder_for(formula: Formula, brief: Brief) -> Ladder | None:
    """Return the ladder for the perfume and essential oils of a formula; None if it has none or nothing solubilises.

    In each beaker 1 g of premix holds 1 / (1 + r) g oil; the sample takes oil and solubiliser as the product would:
    oil percent x (1 + r) / 100 of its mass. Whether a rung is clear is seen, not computed.
    """
    oils = [x for x in formula.lines if x.item.material.lipid in ("perfume", "essential oil") and x.percent > USED]
    if not oils:
        return None
    mine = [x for x in formula.lines if "solubiliser" in x.item.material.functions and x.percent > USED]
    items = [x.item for x in sorted(mine, key=lambda x: (-x.percent, x.item.id))]
    if not items:
        pool = [i for i in brief.pool.items if i.material.function == "solubiliser"]
        items = sorted(pool, key=lambda i: (isnan(i.price), i.price, i.id))
    if not items:
        return None
    chosen, oil = items[0], sum(x.percent for x in oils)
    now = sum(x.percent for x in mine)
    rungs = []
    for ratio in RATIOS:
        percent = ratio * oil
        extra = percent - now
        premix = oil + percent
        rungs.append(
            Rung(
                ratio,
                1 / (1 + ratio),
                ratio / (1 + ratio),
                premix / 10,
                premix,
                percent,
                extra,
                extra / 100 * chosen.price,
            )
        )
    names = tuple(sorted(x.item.id for x in oils))
    return Ladder(chosen.material, bool(mine), names, oil, now / oil, tuple(rungs))


def usual_most(material: Material) -> float | None:
    """Return the highest usual dose of a material [% as supplied], if one is known."""
    if material.use is not None:
        return material.use[2]
    if material.thickener is not None:
        return material.thickener.use[1]
    return USUAL_MOST if material.function == "solubiliser" else None
