"""A batch that came out short of water: how much to put back, or why not.

What was weighed of each material but water stands for a mass: its grams / its planned share; the median of these,
weighted by the shares, is what the batch stands for, so that one weight that is off does not move it. A product that
weighs less has lost water; put back, it is the plan again. Acid and thickener come out of the part held back, whose
rest is water, so they are not asked for a share.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import fsum

from optimizer.bench.batch import Batch, Scale
from optimizer.bench.made import WentIn, went_in
from optimizer.data.facts import Material
from optimizer.errors import fault
from optimizer.immutable import immutable, untold
from optimizer.units import AS_TYPED, listed, number

NOTICEABLE = 0.5
"""Water that is missing is told from this share of the batch on [%]; common practice, no source."""
DOUBTFUL = 5.0
"""Evaporation above this share of the batch is doubted [%]; common practice, no source."""


@immutable
class Refill:
    """Water that a batch has lost and was not given back."""

    grams: float
    """What is missing in the product that is there [g]."""
    why_not: str
    """Why it is not to be put back; empty if it is."""
    mass_after_g: float
    """What the product then weighs [g]."""
    water_after_g: float
    """All water that was added then [g], as `--water-added` notes it."""
    evaporated_g: float = untold()
    """What went in and is not there any more [g]."""
    scale: Scale = untold()
    """The balance that weighs it."""

    @property
    def where_it_is(self) -> str:
        """Where the missing water is, in a sentence: in the air, or never added."""
        if self.evaporated_g >= self.grams - AS_TYPED:
            return "As much has evaporated."
        open_ = f"{self.scale.told(self.grams - self.evaporated_g)} g of it were planned and are not in yet"
        return f"{open_}; {self.scale.told(self.evaporated_g)} g have evaporated."


def stands_for(batch: Batch, went: WentIn, water: str) -> float:
    """Return the mass that what went in stands for [g]: the batch that it makes at the planned doses."""
    doses = {n: p for n, p in batch.doses.items() if n != water and p > 0 and went.grams.get(n, 0.0) > 0}
    ratios = sorted((100 * went.grams[n] / p, p) for n, p in doses.items())
    half, below = fsum(p for _, p in ratios) / 2, 0.0
    for mass, share in ratios:
        below += share
        if below >= half:
            return mass
    return went.mass_g


def additions(batch: Batch, went: WentIn, water: str) -> dict[str, float]:
    """Return what the bench used besides the lines of the plan [% of the batch that the rest stands for].

    That is acid, alkali and thickener, and whatever else was weighed in.
    """
    whole, planned = stands_for(batch, went, water), batch.doses
    used: dict[str, float] = {}
    for item in went.inputs:
        logged = item.kind in ("acid or alkali", "thickener")
        weighed = item.kind == "weighed" and item.material not in planned
        if (logged or weighed) and item.material != water:
            used[item.material] = used.get(item.material, 0.0) + 100 * item.grams / whole
    return used


def refill_of(
    batch: Batch, went: WentIn, water: str, breaks: Callable[[Mapping[str, float]], list[str]]
) -> Refill | None:
    """Return the water that is missing in a batch that was weighed at the end; None if hardly any is.

    Args:
        batch: The batch file's content.
        went: Its mass balance.
        water: Id of the water.
        breaks: Returns the readings of the rules that doses [%] break by more than the scale can tell, and that the
            batch without the water keeps.
    """
    missing = stands_for(batch, went, water) - went.mass_g
    there = batch.finish.there_g
    if there is None or missing < NOTICEABLE * went.mass_g / 100:
        return None
    grams = batch.scale.nearest(missing * there / went.mass_g)
    mass = went.mass_g + missing
    filled = {n: 100 * g / mass for n, g in went.grams.items()}
    filled[water] = filled.get(water, 0.0) + 100 * missing / mass
    worse = breaks(filled)
    why_not = ""
    if batch.finish.bottles:
        why_not = f"{batch.finish.bottles} bottles are filled, and what is filled is not opened again"
    elif worse:
        why_not = f"with it these rules would break: {listed(worse)}"
    return Refill(grams, why_not, there + grams, batch.finish.water_added_g + grams, went.evaporated_g, batch.scale)


def refuse_evaporation(batch: Batch, materials: Mapping[str, Material]) -> None:
    """Refuse a final mass that would mean that hardly possibly much has evaporated.

    Raises:
        DataError: If it does.
    """
    doubt = evaporation_doubt(went_in(batch, materials), batch.scale)
    if doubt:
        raise fault(batch.where, "finish.mass_g", f"{doubt}.", "If it is right, add --sure.")


def evaporation_doubt(went: WentIn, scale: Scale) -> str:
    """Return what is to be said of an evaporation that is hardly possible, nothing of a usual one."""
    share = 100 * went.evaporated_g / (went.mass_g + went.evaporated_g)
    if share <= DOUBTFUL:
        return ""
    return (
        f"{scale.told(went.evaporated_g)} g, {number(share, 1)} % of what went in, would have evaporated, which is "
        f"much for a wash (more than {number(DOUBTFUL)} %): weigh the batch again, and look for a weight that is wrong "
        "or product that stayed behind (--lost)"
    )
