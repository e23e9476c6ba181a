"""Amounts as people type them: '5kg', '2,5 kg', '3 L', '20 bottles'. Mass and volume are never mixed silently."""

from __future__ import annotations

import re
from math import isfinite
from typing import Literal

from optimizer.data.sheet import number_of
from optimizer.errors import DataError, UsageError, fault
from optimizer.immutable import immutable

Unit = Literal["g", "ml", "bottles"]

UNITS: dict[str, tuple[Unit, float]] = {
    **dict.fromkeys(("mg", "milligram", "milligrams"), ("g", 0.001)),
    **dict.fromkeys(("g", "gr", "gram", "grams", "gramme", "grammes"), ("g", 1.0)),
    **dict.fromkeys(("kg", "kilo", "kilos", "kilogram", "kilograms"), ("g", 1000.0)),
    **dict.fromkeys(("t", "tonne", "tonnes"), ("g", 1e6)),
    **dict.fromkeys(("lb", "lbs", "pound", "pounds"), ("g", 453.59237)),
    **dict.fromkeys(("ml", "millilitre", "millilitres", "milliliter", "milliliters", "cc", "cm3"), ("ml", 1.0)),
    **dict.fromkeys(("cl", "centilitre", "centilitres"), ("ml", 10.0)),
    **dict.fromkeys(("dl", "decilitre", "decilitres"), ("ml", 100.0)),
    **dict.fromkeys(("l", "litre", "litres", "liter", "liters"), ("ml", 1000.0)),
    **dict.fromkeys(("bottle", "bottles", "pump", "pumps", "jar", "jars"), ("bottles", 1.0)),
    **dict.fromkeys(("piece", "pieces", "pc", "pcs", "unit", "units"), ("bottles", 1.0)),
}
"""What a word means: its unit and how many of it. A pound is 453.59237 g (international agreement of 1959)."""

PORTION = re.compile(r"\s*([+-]?[0-9.,]+)\s*(%|percent|[a-z]*)", re.IGNORECASE)
"""How an addition is typed: a figure, then %, a unit of mass, or nothing."""


def portion_of(option: str, text: str) -> tuple[float, Literal["g", "%", ""]]:
    """Return an addition as typed, such as '21g', '0.5%' or a bare '21', with what it is counted in.

    Raises:
        UsageError: If it is neither.
    """
    found = PORTION.fullmatch(text.strip())
    unit = found[2].lower() if found else ""
    mass = UNITS.get(unit, ("", 0.0))
    if found is None or not (unit in ("", "%", "percent") or mass[0] == "g"):
        raise UsageError(f"{option} '{text}': write grams such as 21g, or per cent such as 0.5%.")
    try:
        value = number_of(found[1])
    except ValueError as error:
        raise UsageError(f"{option} '{text}': {found[1]} {error}.") from None
    if mass[0] == "g":
        return value * mass[1], "g"
    return value, "%" if unit else ""


BARE = re.compile(r"[+-]?[\d.,' ]*\d[\d.,' ]*(?:[eE][+-]?\d+)?")
"""A figure without a unit."""
KITCHEN = (
    "spoon", "spoons", "teaspoon", "teaspoons", "tablespoon", "tablespoons", "tsp", "tbsp", "cup", "cups", "pinch",
    "drop", "drops", "dash", "handful", "scoop", "scoops", "el", "tl",
)  # fmt: skip
OUNCES = ("oz", "ounce", "ounces", "fl oz", "floz", "fluid ounce", "fluid ounces", "pint", "pints", "gallon", "gallons")

LEAST_DENSITY, MOST_DENSITY = 0.6, 1.6
"""Outside these a density [g/ml] of a wash, or of a material that goes into one, is a slip of the pen."""


@immutable
class Amount:
    """An amount in grams, millilitres or bottles, and the text that it came from."""

    value: float
    unit: Unit
    text: str = ""

    def grams(self, density_g_per_ml: float | None = None, bottle_g: float | None = None) -> float:
        """Return the mass [g].

        Args:
            density_g_per_ml: Measured density [g/ml]; needed for a volume.
            bottle_g: What one bottle holds [g]; needed for bottles.

        Raises:
            DataError: If the amount is no mass and what would make it one is not stated.
        """
        if self.unit == "g":
            return self.value
        if self.unit == "ml":
            return mass_of(self.value, density_g_per_ml, str(self))
        if bottle_g is None:
            what = "a number of bottles is no mass until it is known what one holds."
            raise fault(str(self), "", what, "State the content of a bottle, with the density if it is in ml.")
        return self.value * bottle_g

    def millilitres(self, density_g_per_ml: float | None = None) -> float:
        """Return the volume [ml].

        Raises:
            DataError: If it is a mass and no density is stated, or bottles.
        """
        if self.unit == "ml":
            return self.value
        if self.unit == "g":
            return self.value / sound_density(density_g_per_ml, str(self))
        raise fault(str(self), "", "a number of bottles is no volume.", "State an amount in ml or L.")

    def __str__(self) -> str:
        return self.text or f"{self.value:g} {self.unit}"


def amount_of(text: str) -> Amount:
    """Read an amount with its unit; a decimal comma and a missing space are understood.

    Raises:
        DataError: If it has no unit, is not above zero, can be read two ways, or is in a unit that is no measure.
    """
    plain = " ".join(text.split())
    found = re.fullmatch(r"([+-]?[\d.,' ]*\d[.,]?(?:[eE][+-]?\d+(?![a-zA-Z]))?) ?([^\d.,'+-]*|cm3)", plain)
    if not found:
        raise fault(text, "", "this is not an amount.", "Write a number and a unit, such as '5 kg' or '20 bottles'.")
    digits, word = found[1], found[2].casefold().strip(" .")
    if not word:
        step = "Write the unit: kg, g, L, ml or bottles, such as '5 kg'."
        raise fault(text, "", "the unit is missing, and grams and millilitres are not the same.", step)
    if word in KITCHEN:
        what = f"a {word.removesuffix('s')} is no measure: its mass depends on the material and on the hand."
        raise fault(text, "", what, "Weigh it once and write grams.")
    if word in OUNCES:
        what = f"'{word}' differs from country to country and may be a mass or a volume."
        raise fault(text, "", what, "Write grams or millilitres.")
    if word not in UNITS:
        step = "Known units: mg, g, kg, t, lb, ml, cl, dl, L, bottles."
        raise fault(text, "", f"there is no unit '{found[2].strip()}'.", step)
    try:
        value = number_of(digits)
    except ValueError as error:
        raise fault(text, "", f"'{digits}' {error}.", "Write digits only, such as 2.5 kg or 1234 g.") from None
    unit, factor = UNITS[word]
    value *= factor
    if not 0 < value < 1e12 or not isfinite(value):
        raise fault(text, "", "the amount is not above zero, or beyond all measure.", "Write how much there is.")
    if unit == "bottles" and value != round(value):
        raise fault(text, "", "part of a bottle is not filled.", "Write a whole number of bottles.")
    return Amount(value, unit, plain)


def option(text: str, name: str, bare: Unit | None = None) -> Amount:
    """Read an amount of a command-line option.

    Args:
        text: As typed.
        name: Of the option.
        bare: What a figure without a unit is in; None if it is refused.

    Raises:
        UsageError: With the option's name and what is wrong.
    """
    alone = bare is not None and BARE.fullmatch(text.strip())
    try:
        return amount_of(f"{text} {bare}" if alone else text)
    except DataError as error:
        found = error.problems[0]
        raise UsageError(f"{name} '{text}': {found.what} {found.step}") from None


def in_unit(text: str, unit: str) -> float:
    """Return a figure in a unit, typed alone or with a unit of its kind: in ml, 250, '250ml' and '0,25 l' are the same.

    Raises:
        ValueError: With what is wrong, if it is none, or of another kind.
    """
    if BARE.fullmatch(text.strip()):
        return number_of(text.strip())
    if not any(c.isdigit() for c in text):
        raise ValueError("is not a number")
    kind, factor = UNITS[unit]
    try:
        amount = amount_of(text)
    except DataError as error:
        raise ValueError(error.problems[0].what.removesuffix(".")) from None
    if amount.unit != kind:
        raise ValueError(f"is no amount in {unit}")
    return amount.value / factor


def sound_density(density_g_per_ml: float | None, where: str) -> float:
    """Return a density that is stated and possible [g/ml].

    Raises:
        DataError: If it is not stated, or below 0.6 or above 1.6 g/ml.
    """
    if density_g_per_ml is None:
        what = "volume and mass meet here and no density is stated; 1 ml is not 1 g."
        step = "Weigh 100 ml of it and state the density (g per ml), such as 1.02."
        raise fault(where, "density", what, step)
    if not LEAST_DENSITY <= density_g_per_ml <= MOST_DENSITY:
        what = f"{density_g_per_ml:g} g/ml is no density of a wash or of what goes into one."
        raise fault(where, "density", what, "Write grams per ml, such as 1.02 (not 1020 kg per m3).")
    return density_g_per_ml


def mass_of(millilitres: float, density_g_per_ml: float | None, where: str) -> float:
    """Return volume x density [g].

    Raises:
        DataError: If no sound density is stated.
    """
    return millilitres * sound_density(density_g_per_ml, where)
