"""Closed forms that the models of pH and micelles are held against, and that make mixtures for tests.

The program itself asks none of them: it reads a log, or follows the whole model.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import exp, isfinite, log, log10

from optimizer.chemistry.alkalinity import KINDS, Alkaline
from optimizer.chemistry.ph import Mixture, Solution, charges, check_ph, damping, proton_excess, stock
from optimizer.errors import fault, nearest
from optimizer.immutable import immutable
from optimizer.units import number


def kind_of(kind: str, name: str, percent: float) -> Alkaline:
    """Return an ingredient with the assumed ranges of its kind; every figure an assumption to be replaced.

    Raises:
        DataError: If the kind is not known.
    """
    if kind not in KINDS:
        raise fault(name, "kind", f"there is no kind '{kind}'.", nearest(kind, KINDS))
    return replace(KINDS[kind], name=name, percent=percent)


def clint_row(cmcs: Sequence[float], at_most: float) -> list[float]:
    """Return the coefficients of n_i in the linear row "ideal mixed CMC at most": sum n_i (1 - limit / c_i) <= 0."""
    return [1 - at_most / c for c in cmcs]


def lowest_cmc(c1: float, c2: float, beta: float) -> tuple[float, float] | None:
    """Return mole fraction a1 = x1 and mixed CMC at the minimum over all ratios; None if there is none.

    a1 = (beta + ln(c1/c2)) / (2 beta), c = c1 exp(beta (1 - a1)^2); a minimum needs beta < 0, |beta| > |ln(c1/c2)|.
    """
    if not beta < -abs(log(c1 / c2)):
        return None
    a1 = (beta + log(c1 / c2)) / (2 * beta)
    return a1, c1 * exp(beta * (1 - a1) ** 2)


def imbalance(mixture: Mixture, ph: float, ionic_strength: float | None = None) -> float:
    """Return the charge that is too much at a pH [mol/kg]: the strong acid that would bring the mixture there.

    Positive: acid is needed to reach the pH; negative: alkali is. With no ionic strength given, the one that the
    mixture has at that pH once a 1:1 acid or alkali has been added.
    """
    pkw, families = mixture.pkw, [(w.at(mixture.temperature), c) for w, c in mixture.weak if c]
    ionic = mixture.salt + abs(mixture.strong) / 2 if ionic_strength is None else ionic_strength
    excess = 0.0
    for _ in range(100):
        damp = 0.0 if mixture.ideal else damping(ionic)
        met = [(c, *charges(w, ph, damp)) for w, c in families]
        excess = mixture.strong + proton_excess(ph, damp, pkw) + sum(c * mean for c, mean, _ in met)
        hydrogen, hydroxide = 10 ** (damp - ph), 10 ** (ph - pkw + damp)
        around = hydrogen + hydroxide + sum(c * square for c, _, square in met) + abs(mixture.strong) + abs(excess)
        found = mixture.salt + around / 2
        if ionic_strength is not None or mixture.ideal or abs(found - ionic) <= 1e-12 * (1 + ionic):
            break
        ionic = found
    return excess


def weighed_in(name: str, grams: float, water: float) -> Solution:
    """Return the solution of so many grams in so much water [g]: 2 g in 20 g is 9.09 %, not 10 %.

    Raises:
        DataError: If the chemical is unknown or an amount is not possible.
    """
    if not (grams > 0 and water >= 0):
        what = f"{grams:g} g in {water:g} g of water is no solution."
        raise fault("solution", name, what, "Write more than 0 g of acid or alkali, and 0 g of water or more.")
    return stock(name, 100 * grams / (grams + water))


@immutable
class AcidDose:
    """How much solution brings a mixture to a pH.

    Attributes:
        grams: Solution per 100 g of what is there before the addition [g].
        active: Of that, acid or alkali in the form that was weighed [g].
        millimoles: The same [mmol].
        equivalents: Charge it takes up at the target [meq].
        caution: Handling caution.
    """

    grams: float
    active: float
    millimoles: float
    equivalents: float
    caution: str


def dose_to(mixture: Mixture, target: float, solution: Solution) -> AcidDose:
    """Return the dose that brings a mixture to a target pH.

    Explicit at a given ionic strength: with h = [H] - [OH] and charge taken up e per mole,
    g = (strong + sum c zbar + h) / (n e - h) per gram, where n is the strength in mol per kg; the added mass
    dilutes. The ionic strength is renewed a few times.

    Raises:
        DataError: If this solution moves the pH the wrong way or cannot reach the target.
    """
    check_ph(target, "target", "ph")
    pkw, heat = mixture.pkw, mixture.temperature
    families = [(w.at(heat), c) for w, c in mixture.weak if c]
    chemical, strength = solution.chemical, solution.millimoles
    ionic, share = mixture.salt + abs(mixture.strong) / 2, 0.0
    for _ in range(100):
        damp = 0.0 if mixture.ideal else damping(ionic)
        excess = proton_excess(target, damp, pkw)
        met = [(c, *charges(w, target, damp)) for w, c in families]
        wanted = mixture.strong + excess + sum(c * mean for c, mean, _ in met)
        each = solution.taken_up(target, damp, heat)
        drive = strength * each - excess
        if wanted * drive < 0:
            way = "lower" if wanted > 0 else "higher"
            what = f"{chemical.name} at {number(solution.percent, 2)} % cannot bring this mixture to pH {target:g}."
            kind = "an acid" if way == "lower" else "an alkali"
            raise fault("dose", "target", what, f"The target lies {way}: choose {kind}, or a stronger one.")
        share = wanted / drive
        square = charges(chemical.weak.at(heat), target, damp)[1] if chemical.weak else 0.0
        ions = sum(c * s for c, _, s in met) + share * strength * square
        around = ions + abs(mixture.strong + share * strength * chemical.strong)
        counter = abs(excess) + 2 * min(10 ** (damp - target), 10 ** (target - pkw + damp))
        found = (mixture.salt + (around + counter * (1 + share)) / 2) / (1 + share)
        done = mixture.ideal or abs(found - ionic) <= 1e-12 * (1 + ionic)
        ionic = found
        if done:
            break
    grams = 100 * share
    moles = grams * strength
    return AcidDose(grams, grams * solution.percent / 100, moles, moles * each, solution.caution)


def mixed_with(mixture: Mixture, solution: Solution, grams: float) -> Mixture:
    """Return the mixture after so many grams of solution per 100 g of it, diluted by them.

    Raises:
        DataError: If the amount is negative.
    """
    if not (isfinite(grams) and grams >= 0):
        raise fault("addition", "grams", f"{grams:g} g is not an amount.", "Write zero or more.")
    share, scale = grams / 100, 1 / (1 + grams / 100)
    moles = share * solution.millimoles
    added = ((solution.chemical.weak, moles * scale),) if solution.chemical.weak else ()
    return replace(
        mixture,
        strong=(mixture.strong + moles * solution.chemical.strong) * scale,
        weak=(*((w, c * scale) for w, c in mixture.weak), *added),
        salt=mixture.salt * scale,
    )


def common_window(windows: dict[str, tuple[float, float]]) -> tuple[float, float]:
    """Return the pH range that all windows share.

    Args:
        windows: Low and high pH by name.

    Raises:
        DataError: If they do not meet; the two that are furthest apart are named.
    """
    if not windows:
        return 0.0, 14.0
    floor = max(windows, key=lambda name: windows[name][0])
    roof = min(windows, key=lambda name: windows[name][1])
    low, high = windows[floor][0], windows[roof][1]
    if low > high:
        what = f"{floor} works from pH {low:g} up and {roof} only up to {high:g}: they share no pH."
        raise fault("pH window", "", what, "Leave out or exchange one of the two.")
    return low, high


def strength_after(ph: float, parts: float, whole: float) -> float:
    """Return the pH of a strong acid after dilution by the textbook rule pH + log10(whole/parts).

    No activity correction and no water: for pH 0 to 6 only.

    Raises:
        DataError: If the amounts are not possible.
    """
    if not 0 < parts <= whole:
        raise fault("dilution", "parts", f"{parts:g} in {whole:g} is no dilution.", "The whole holds the part.")
    return ph + log10(whole / parts)


def highest_ph(acid_percent: float, wanted: float, pka: float, ionic_strength: float = 0.0) -> float | None:
    """Return the highest pH at which a dose still holds so much undissociated acid; None if it never does.

    Args:
        acid_percent: Dose as free acid [% w/w].
        wanted: Undissociated acid [% w/w].
        pka: pKa at 25 °C.
        ionic_strength: [mol/kg].

    Raises:
        DataError: If what is wanted is not above 0.
    """
    if wanted <= 0:
        raise fault("preservative", "wanted", f"{wanted:g} % asks for nothing.", "Write more than 0.")
    if acid_percent <= wanted:
        return None
    return pka + log10(acid_percent / wanted - 1) - damping(ionic_strength)
