"""pH from a charge balance with activity correction; solutions of acid and alkali; doses in closed form.

Charge balance: strong + [H] - [OH] + sum c_j zbar_j(pH) = 0, where pH = -log10 a(H) and strong is the sum of strong
cations less strong anions. Species of one family are in the ratio
[A(z-1)]/[A(z)] = 10^(pH - pKa) gamma(z)/gamma(z-1) with log10 gamma = -0.509 z^2 sqrt(I)/(1 + 1.5 sqrt(I)),
the ion-size term of the pH convention itself (Bates and Guggenheim 1960, Pure Appl. Chem. 1:163). At a fixed ionic
strength the balance falls strictly with pH, so one bracket always holds the root; I is then renewed until it stands.
"""

from __future__ import annotations

from dataclasses import replace
from math import isfinite, log, sqrt

from optimizer.chemistry.constants import PKW, PKW_PER_KELVIN, REFERENCE_TEMPERATURE, WEAK, Weak
from optimizer.errors import fault, nearest
from optimizer.immutable import immutable, seen, told, told_as, untold
from optimizer.units import listed

DEBYE = 0.509
"""Debye-Hueckel slope in water at 25 °C, log10 scale [kg^0.5/mol^0.5]."""

ION_SIZE = 1.5
"""Ion-size term of the pH convention [kg^0.5/mol^0.5]; Bates and Guggenheim 1960."""

LOWEST, HIGHEST = -1.5, 15.5
LN10 = log(10)


@immutable
class Mixture:
    """A solution in water, or a product whose surfactant is taken as inert but for its sites.

    Attributes:
        strong: Strong cations less strong anions [mol/kg].
        weak: Weak acids and bases with their amounts [mol/kg], all forms together.
        salt: Further 1:1 salt that only adds to the ionic strength [mol/kg].
        temperature: [°C]; moves pKw and those pKa whose change is known.
        ideal: True to leave out the activity correction, as textbook problems do.

    Limits: water-like solutions up to I = 0.6 mol/kg (checked), 15 to 45 °C. Carbon dioxide of the air,
    ion pairing and the electric field of micelles are not described.
    """

    strong: float = 0.0
    weak: tuple[tuple[Weak, float], ...] = ()
    salt: float = 0.0
    temperature: float = REFERENCE_TEMPERATURE
    ideal: bool = False

    def __post_init__(self) -> None:
        if not isfinite(self.strong):
            raise fault("mixture", "strong", f"{self.strong} is not an amount.", "Write a number of mol/kg.")
        for name, amount in (("salt", self.salt), *((w.name, c) for w, c in self.weak)):
            if not (isfinite(amount) and amount >= 0):
                raise fault("mixture", name, f"{amount:g} mol/kg is not an amount.", "Write zero or more.")
        if not 0 <= self.temperature <= 80:
            what = f"{self.temperature:g} °C is not a temperature of a wash product in the making."
            raise fault("mixture", "temperature", what, "Write a number from 0 to 80; the figures hold for 15 to 45.")

    @property
    def pkw(self) -> float:
        """Ionic product of water at the temperature, -log10."""
        return PKW + PKW_PER_KELVIN * (self.temperature - REFERENCE_TEMPERATURE)


@immutable
class Reached:
    """Where a mixture comes to rest.

    Attributes:
        ph: -log10 of the activity of H+.
        ionic_strength: [mol/kg].
        buffering: Strong alkali per pH unit at this point and ionic strength [mol/kg per pH].
    """

    ph: float
    ionic_strength: float
    buffering: float


def damping(ionic_strength: float) -> float:
    """Return -log10 gamma of a singly charged ion [-] at an ionic strength [mol/kg]."""
    root = sqrt(max(ionic_strength, 0.0))
    return DEBYE * root / (1 + ION_SIZE * root)


def proton_excess(ph: float, damp: float = 0.0, pkw: float = PKW) -> float:
    """Return [H] - [OH] [mol/kg] at a pH; `damp` is `damping(I)`."""
    return float(10 ** (damp - ph) - 10 ** (ph - pkw + damp))


def water_buffering(ph: float, damp: float = 0.0, pkw: float = PKW) -> float:
    """Return what water itself buffers, 2.303 ([H] + [OH]) [mol/kg per pH]."""
    return LN10 * float(10 ** (damp - ph) + 10 ** (ph - pkw + damp))


def charges(weak: Weak, ph: float, damp: float = 0.0) -> tuple[float, float]:
    """Return mean charge and mean squared charge per mole of a family [-] at a pH; `damp` is `damping(I)`."""
    z, exponent = weak.top, -damp * weak.top**2
    shares, largest = [0.0], 0.0
    for pka in weak.pka:
        exponent += ph - pka
        z -= 1
        shares.append(exponent + damp * z * z)
        largest = max(largest, shares[-1])
    total = first = second = 0.0
    z = weak.top
    for share in shares:
        amount = 10 ** (share - largest)
        total += amount
        first += z * amount
        second += z * z * amount
        z -= 1
    return first / total, second / total


def protons(weak: Weak, ph: float, damp: float = 0.0) -> tuple[float, float]:
    """Return protons held per mole of a family [-] and their loss per pH unit [1/pH], both positive."""
    mean, square = charges(weak, ph, damp)
    return mean - weak.top + len(weak.pka), LN10 * (square - mean * mean)


def solve(mixture: Mixture) -> Reached:
    """Return the pH, ionic strength and buffering of a mixture.

    Accuracy against published values: see docs/ph-accuracy.md (0.02 at the primary standards, 0.11 at worst).

    Raises:
        DataError: If the mixture is beyond pH -1.5 to 15.5, where no aqueous model holds.
    """
    families = [(w.at(mixture.temperature), c) for w, c in mixture.weak if c]
    pkw = mixture.pkw
    fixed = mixture.salt + abs(mixture.strong) / 2
    ionic, ph, slope = fixed, 7.0, 0.0
    for _ in range(100):
        damp = 0.0 if mixture.ideal else damping(ionic)
        ph, slope, square = _root(mixture.strong, families, damp, pkw, ph)
        found = fixed + square / 2
        done = mixture.ideal or abs(found - ionic) <= 1e-7 * found
        ionic = found
        if done:
            break
    return Reached(ph, ionic, slope)


def _root(
    strong: float, families: list[tuple[Weak, float]], damp: float, pkw: float, start: float
) -> tuple[float, float, float]:
    """Return pH, buffering and summed squared charges at a fixed ionic strength: Newton kept inside a bracket."""
    low, high, ph = LOWEST, HIGHEST, min(max(start, LOWEST), HIGHEST)
    slope = square = 0.0
    for _ in range(200):
        hydrogen, hydroxide = 10 ** (damp - ph), 10 ** (ph - pkw + damp)
        excess = strong + hydrogen - hydroxide
        square = hydrogen + hydroxide
        slope = square
        for weak, amount in families:
            mean, squared = charges(weak, ph, damp)
            excess += amount * mean
            square += amount * squared
            slope += amount * (squared - mean * mean)
        slope *= LN10
        if excess > 0:
            low = ph
        else:
            high = ph
        step = excess / slope
        if abs(step) < 1e-12 or high - low < 1e-13:
            break
        following = ph + step
        ph = following if low < following < high else (low + high) / 2
    if min(ph - LOWEST, HIGHEST - ph) < 1e-9:
        what = f"the mixture lies beyond pH {LOWEST:g} to {HIGHEST:g}, where no aqueous model holds."
        raise fault("mixture", "strong", what, "Check the amounts and their unit, mol/kg.")
    return ph, slope, square


@immutable
class Chemical:
    """A pure acid or alkali as it is weighed.

    Attributes:
        name: Name with its hydrate form.
        molar_mass: Of the form that is weighed [g/mol], from the molecular formula.
        weak: The family it adds, if weak.
        strong: Strong cations less strong anions per mole: +1 for sodium hydroxide, -1 for hydrogen chloride.
        note: What a maker must know of this form.
    """

    name: str
    molar_mass: float
    weak: Weak | None = None
    strong: float = 0.0
    note: str = ""

    @property
    def acid(self) -> bool:
        """True for acids, false for alkalis."""
        return self.strong < 0 or (self.weak is not None and self.weak.top == 0 and self.strong == 0)


CHEMICALS = {
    c.name: c
    for c in (
        Chemical("citric acid anhydrous", 192.12, WEAK["citric acid"]),
        Chemical(
            "citric acid monohydrate",
            210.14,
            WEAK["citric acid"],
            note="Holds 8.6 % water of crystallisation: 9 % weaker than the anhydrous form by weight.",
        ),
        Chemical(
            "lactic acid",
            90.08,
            WEAK["lactic acid"],
            note="Sold strong, it holds lactoyl lactate: less free acid at first, the pH drifts down later.",
        ),
        Chemical("glycolic acid", 76.05, WEAK["glycolic acid"]),
        Chemical("acetic acid", 60.05, WEAK["acetic acid"]),
        Chemical(
            "gluconolactone",
            178.14,
            WEAK["gluconic acid"],
            note="Opens to gluconic acid over hours: re-read the pH the next day.",
        ),
        Chemical("phosphoric acid", 98.0, WEAK["phosphoric acid"]),
        Chemical("hydrochloric acid", 36.46, strong=-1.0),
        Chemical("sodium hydroxide", 40.0, strong=1.0),
        Chemical("potassium hydroxide", 56.11, strong=1.0),
        Chemical("triethanolamine", 149.19, WEAK["triethanolamine"]),
        Chemical("aminomethyl propanol", 89.14, WEAK["aminomethyl propanol"]),
        Chemical("sodium citrate dihydrate", 294.10, WEAK["citric acid"], strong=3.0),
    )
}
"""Acids and alkalis by name; molar masses from the molecular formulas."""

CAUTIONS = {
    True: "Acid: solid acid and strong solutions burn eyes and skin. Goggles and gloves; acid into water, never the "
    "reverse; write strength and date on the bottle; after contact rinse long with water.",
    False: "Alkali: it burns skin and can blind, and it heats up when it dissolves. Goggles and gloves; alkali into "
    "water, never the reverse; not in aluminium; after contact rinse 15 to 20 minutes and get medical help.",
}
"""Handling caution by whether it is an acid; common practice, no source."""


@immutable
class Solution:
    """An acid or alkali as it is added.

    Raises:
        DataError: If the strength is not above 0 and at most 100.
    """

    chemical: Chemical = untold()
    """What was weighed in, hydrate water included."""
    chemical_name: str = seen("chemical.name", key="chemical")
    percent: float = told_as("strength_percent")
    """Strength, counted in the form that was weighed [% w/w]."""
    mmol_per_g: float = seen("millimoles")
    note: str = seen("chemical.note")

    def __post_init__(self) -> None:
        if not 0 < self.percent <= 100:
            what = f"{self.percent:g} % is not a strength."
            raise fault(self.chemical.name, "percent", what, "Write the mass of acid or alkali per 100 g of solution.")

    @property
    def millimoles(self) -> float:
        """Strength [mmol/g of solution]."""
        return 10 * self.percent / self.chemical.molar_mass

    @told
    def caution(self) -> str:
        """What to heed when handling it."""
        return CAUTIONS[self.chemical.acid]

    def taken_up(self, ph: float, damp: float = 0.0, temperature: float = REFERENCE_TEMPERATURE) -> float:
        """Return the charge it takes up at a pH [eq/mol]: 2.2 to 2.7 for citric acid at pH 6, -1 for an alkali.

        `damp` is `damping(I)`; 0 is zero ionic strength.
        """
        weak = self.chemical.weak
        mean = charges(weak.at(temperature), ph, damp)[0] if weak else 0.0
        return -(self.chemical.strong + mean)


def chemical_of(inci: str) -> Chemical | None:
    """Return the acid or alkali that an ingredient's name means, the first form where it has several, or None."""
    plain = inci.casefold()
    return next((c for name, c in CHEMICALS.items() if name == plain or name.startswith(f"{plain} ")), None)


def stock(name: str, percent: float) -> Solution:
    """Return a solution by the name of its chemical and its strength [% w/w].

    Raises:
        DataError: If the chemical is unknown or the strength is not above 0 and at most 100.
    """
    if name not in CHEMICALS:
        forms = [f"'{known}'" for known in CHEMICALS if known.startswith(f"{name} ")]
        step = f"Say which: {listed(forms, 'or')}." if forms else nearest(name, CHEMICALS)
        raise fault("solution", name, "this acid or alkali is not known.", step)
    return Solution(CHEMICALS[name], percent)


def diluted(mixture: Mixture, water: float) -> Mixture:
    """Return the mixture with so many grams of pure water per gram of it; CO2 of the water is not described.

    Raises:
        DataError: If the amount is negative.
    """
    if not (isfinite(water) and water >= 0):
        raise fault("dilution", "water", f"{water:g} g is not an amount.", "Write zero or more.")
    scale = 1 / (1 + water)
    weak = tuple((w, c * scale) for w, c in mixture.weak)
    return replace(mixture, strong=mixture.strong * scale, weak=weak, salt=mixture.salt * scale)


def check_ph(value: float, where: str, key: str) -> None:
    """Raise unless a number can be the pH of a product.

    Raises:
        DataError: If it is not from 0 to 14.
    """
    if not 0 <= value <= 14:
        raise fault(where, key, f"{value:g} is not a pH.", "Write a number from 0 to 14.")
