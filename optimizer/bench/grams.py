"""Grams at the resolution of the balance, and the way round an amount that is too small for it."""

from __future__ import annotations

from optimizer.bench.batch import Batch, Scale
from optimizer.data.facts import Material
from optimizer.immutable import immutable
from optimizer.solve.rounding import largest_remainder
from optimizer.units import WHOLE, whole_down, whole_up

FACTORS = (2, 5, 10, 20, 50, 100, 1000)
TENTH = 10
"""A pre-dilution holds about one part in ten, so that what is taken of it can be weighed."""
OILY = ("oil", "essential oil", "perfume")
SALTS = ("Sodium ", "Potassium ", "Disodium ", "Trisodium ", "Tetrasodium ", "Magnesium ")


@immutable
class Dilution:
    """A small amount weighed as a larger one, spread in a diluent of which a part is taken.

    Attributes:
        diluent: Id of the line that it is spread in.
        factor: How many times the amount is weighed; 1/factor of the mixture is taken.
        weigh_g: Of the material [g].
        into_g: Of the diluent [g].
        take_g: Of the mixture, into the batch [g].
        brings_g: Material in what is taken [g].
        less_g: Taken off the diluent's own line, so that the batch stays the same [g].
    """

    diluent: str
    factor: int
    weigh_g: float
    into_g: float
    take_g: float
    brings_g: float
    less_g: float


def grams_of(batch: Batch) -> dict[str, float]:
    """Return grams by id, multiples of the scale's step that sum to the batch less what is held back.

    Where that sum is no multiple of the step itself, it is brought to the nearest one.
    """
    doses = {k: v for k, v in batch.doses.items() if v > 0}
    return largest_remainder(doses, batch.scale.step_g, batch.blend_g) if doses else {}


def diluted(
    exact_g: float, planned_g: float, scale: Scale, diluent: str, diluent_g: float, *, whole: bool = False
) -> Dilution | None:
    """Return the least pre-dilution that can be weighed well enough, or None.

    The material is weighed `factor` times into so much diluent that a part of 1/factor is weighable.

    Args:
        exact_g: The dose before rounding [g].
        planned_g: Its line on the weigh sheet [g].
        scale: The balance.
        diluent: Id of the diluent's line.
        diluent_g: What that line holds [g].
        whole: Take all of the diluent along, as a premix does, instead of one part in ten.
    """
    step = scale.step_g
    least = whole_up(scale.least_g / step)
    has = round(diluent_g / step)
    for factor in FACTORS:
        weigh = round(exact_g * factor / step)
        if weigh < least:
            continue
        brings = weigh / factor
        wanted = has + brings if whole else max(least, TENTH * brings)
        take = whole_up(wanted) if not whole else whole_down(wanted)
        if take < least or take - brings > has + WHOLE or take <= brings:
            return None
        into = factor * take - weigh
        less = take - round(planned_g / step)
        units = (weigh, into, take, brings, less)
        digits = [round(u * step, 9) for u in units]
        return Dilution(diluent, factor, *digits)
    return None


def spreads_in(material: Material, lines: dict[str, Material], doses: dict[str, float]) -> tuple[str, bool] | None:
    """Return the line that a small amount is spread in, and whether all of it is taken along; None if nothing suits.

    Water for what dissolves in it as far as the library tells (a salt, or a material that holds water itself), the
    solubiliser for perfume and oil. That it dissolves to one part in ten is for the maker to see.
    """
    largest = sorted(lines, key=lambda n: (-doses[n], n))
    if material.lipid in OILY:
        helpers = [n for n in largest if "solubiliser" in lines[n].functions and n != material.id]
        found = next((n for n in helpers if lines[n].phase == "premix"), next(iter(helpers), None))
        return None if found is None else (found, True)
    salt = any(s.inci.startswith(SALTS) for s in material.substances if s.role == "active")
    gel = material.phase in ("hydration", "melt", "premix") or (
        material.thickener is not None and material.thickener.type != "salt"
    )
    solid = material.powder and material.surfactant_matter > 0
    soluble = salt or material.carried("Aqua") >= 20 or material.phase in ("water", "ph")
    water = next((n for n in largest if lines[n].function == "solvent" and n != material.id), None)
    return (water, False) if water is not None and soluble and not gel and not solid else None
