"""How much of an acid preservative is present as the undissociated acid.

The undissociated acid does most of the work. The figure is the most that is available, never the least: micelles and
oil take theirs. The ion has some activity of its own, so less is needed at higher pH than the share says (J. Soc.
Cosmet. Chem. 18 (1967) 207: half-effective at 0.027 % un-ionised at pH 4.2, 0.019 % at pH 5.2).
"""

from __future__ import annotations

from itertools import product
from math import isfinite

from optimizer.chemistry.interval import Interval
from optimizer.chemistry.ph import check_ph, damping
from optimizer.errors import fault

AT_MOST = "at most, before micelles take theirs"
"""What an undissociated acid is, in words."""
WARNING = (
    "There is at most so much undissociated acid, before surfactant micelles and oils take theirs, and microbes "
    "differ: no proof of protection. Only a challenge test shows that a product is preserved."
)
"""Own words; basis: J. Soc. Cosmet. Chem. 18 (1967) 207 and common practice."""


def undissociated_share(ph: float, pka: float, ionic_strength: float = 0.0) -> float:
    """Return the share of a monoprotic acid that holds its proton [-].

    1 / (1 + 10^(pH - pKa) / gamma), with gamma of the ion at the ionic strength [mol/kg]; at 0 this is the equation of
    Henderson and Hasselbalch. For a base such as an amine oxide it is the cationic share (without the correction).

    Raises:
        DataError: If the pH is not from 0 to 14.
    """
    check_ph(ph, "preservative", "ph")
    return float(1 / (1 + 10 ** (ph - pka + damping(ionic_strength))))


def as_acid(percent: float, salt_molar_mass: float, acid_molar_mass: float, per_molecule: float = 1.0) -> float:
    """Return what a dose of salt is as free acid [% w/w].

    Args:
        percent: Dose of the salt [% w/w].
        salt_molar_mass: [g/mol].
        acid_molar_mass: [g/mol].
        per_molecule: Moles of acid from one mole of the salt.

    Raises:
        DataError: If the dose is negative or a molar mass is not positive.
    """
    if not (isfinite(percent) and percent >= 0):
        raise fault("preservative", "percent", f"{percent:g} % is not a dose.", "Write zero or more.")
    if not (salt_molar_mass > 0 and acid_molar_mass > 0):
        raise fault("preservative", "molar_mass", "a molar mass must be above 0.", "Write it in g/mol.")
    return percent * per_molecule * acid_molar_mass / salt_molar_mass


def undissociated(
    acid_percent: float, ph: tuple[float, float], pka: Interval, ionic_strength: float | Interval = 0.0
) -> Interval:
    """Return the undissociated acid over a pH window [% w/w].

    Args:
        acid_percent: Dose as free acid [% w/w].
        ph: Lower and upper end of the window (target less and plus its tolerance).
        pka: Low, typical, high.
        ionic_strength: [mol/kg]; a range counts with its worse end for the least and its better one for the most.

    Returns:
        The least (upper pH, low pKa), the middle of the window at the typical pKa, the most.

    Raises:
        DataError: If the window is inside-out or beyond 0 to 14, or the dose negative.
    """
    low, high = ph
    if low > high:
        raise fault("preservative", "ph", f"{low:g} to {high:g} is inside-out.", "Write the lower pH first.")
    if not (isfinite(acid_percent) and acid_percent >= 0):
        raise fault("preservative", "percent", f"{acid_percent:g} % is not a dose.", "Write zero or more.")
    salt = ionic_strength
    ionic = salt if isinstance(salt, Interval) else Interval(salt, salt, salt)
    corners = product(ph, (pka.low, pka.high), (ionic.low, ionic.high))
    ends = [undissociated_share(p, k, i) for p, k, i in corners]
    middle = undissociated_share((low + high) / 2, pka.typical, ionic.typical)
    return Interval.around(acid_percent * middle, (acid_percent * share for share in ends))


def worst(acid_percent: float, ph: tuple[float, float], pka: float, ionic_strength: float = 0.0) -> float:
    """Return the undissociated acid at the worse end of a window [% w/w]: its upper pH, at one pKa.

    Raises:
        DataError: As `undissociated`.
    """
    return undissociated(acid_percent, (ph[1], ph[1]), Interval(pka, pka, pka), ionic_strength).typical
