"""What is known of the alkalinity of ingredients, and of their product, before anything is measured.

A product is free alkali A (may be negative) and sites c_k >= 0, in mmol per kg of product, on a fixed grid of pKa;
see `titration` for the balance. Ranges of a recipe, a titrated ingredient and a supplied pH are linear statements
about them.

The model's pKa, the ranges of ingredients and every standard deviation here are assumptions (basis: reference work on
published buffers and simulated batches, see docs/ph-accuracy.md); no measured shampoo stands behind them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field
from math import hypot

import numpy as np
import numpy.typing as npt

from optimizer.chemistry.constants import SITES, WEAK, Weak
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.ph import check_ph, damping, proton_excess, protons, water_buffering
from optimizer.errors import fault, nearest
from optimizer.immutable import immutable

Vector = npt.NDArray[np.float64]

TENTH = 1.2816
"""Standard deviations from the middle to the 10 % and 90 % points of a normal distribution."""

METER_SD, STRIP_SD, MODEL_SD = 0.05, 0.25, 0.08
"""Standard deviations in pH of a calibrated meter, of strips and of the model; assumptions."""

ALKALINE_FROM, ALKALINE_SD = 9.8, 0.35
"""A reading above pH 9.8 loses 0.35 pH per unit: electrodes err and a small pH error is much alkali; assumption."""

FOAM_FACTOR = 2.0
"""Foam on the probe doubles the instrument's standard deviation; assumption."""

IONIC_STRENGTH = 0.15
"""Ionic strength of a neat wash product [mol/kg]; assumption. 0.05 to 0.2 moves a citrate pH by about 0.1."""

GRID: tuple[Weak, ...] = tuple(w for kind in SITES.values() for w in kind)
WEIGHTS = {1: (1.0,), 3: (0.25, 0.5, 0.25)}
"""How a total is spread over the grid of its kind."""

SOLD_PROTONATED = frozenset(w.name for w in SITES["sugar"])
"""Sites that A counts in their protonated form, because nobody sells them otherwise."""

SMEARED = 0.6
"""Share of the covariance of carboxyl heads over the grid that is left for heads in micelles; assumption."""
SOURER, STRONGER = 3.0, 0.5
"""How far a lot may lie below and above its printed pH window [pH], of which the edges are seldom met; assumption."""
SOUREST, SHARPEST = 4.0, 12.8
"""A lot lies neither below the one, unless its window does, nor above the other [pH]; assumption."""

LOT_PH = 0.1
"""A lot's own pH is read to so much on either side [pH], 10 % and 90 % points; assumption."""

NONE = Interval(0.0, 0.0, 0.0)


@immutable
class Alkaline:
    """What is known of the alkalinity of one ingredient.

    Attributes:
        name: For messages.
        percent: Dose as supplied [% w/w of the product].
        sites: Amount [mmol per g as supplied] by kind of site ('soap', 'amine', 'carboxyl', 'sugar') or by the
            name of a weak acid or base; low and high as 10 % and 90 % points.
        alkali: Free strong alkali less strong acid, with every site but the sugar hydroxyls counted in its
            deprotonated form [mmol per g].
            Sodium benzoate is 0 with its benzoate as site; citric acid is -3 per mole with its citrate as site.
        titrated: Strong acid to bring it to pH 6 [mmol per g] and its standard deviation; a titration of 10 g in
            90 g of water. Negative if alkali is needed.
        supplied: Lower and upper pH as supplied and the strength at which it is read [% in water].
        measured: The lot's own pH and the strength at which it was read [% in water]; goes before what is printed.

    Raises:
        DataError: If a figure is not possible or a site is not known.
    """

    name: str
    percent: float
    sites: Mapping[str, Interval] = field(default_factory=dict)
    alkali: Interval = NONE
    titrated: tuple[float, float] | None = None
    supplied: tuple[float, float, float] | None = None
    measured: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if not 0 <= self.percent <= 100:
            raise fault(self.name, "percent", f"{self.percent:g} % is not a dose.", "Write a number from 0 to 100.")
        for site, amount in self.sites.items():
            if site not in SITES and site not in WEAK:
                raise fault(self.name, f"sites.{site}", "this site is not known.", nearest(site, {*SITES, *WEAK}))
            if amount.low < 0:
                raise fault(self.name, f"sites.{site}", f"{amount.low:g} mmol/g is no amount.", "Write zero or more.")
        if self.titrated and not self.titrated[1] > 0:
            what = f"a standard deviation of {self.titrated[1]:g} claims an exact titration."
            raise fault(self.name, "titrated", what, "Write what your balance and meter allow, such as 5 % of it.")
        if self.supplied:
            low, high, strength = self.supplied
            check_ph(low, self.name, "supplied")
            check_ph(high, self.name, "supplied")
            if low > high or not 0 < strength <= 100:
                what = f"pH {low:g} to {high:g} at {strength:g} % is not a supplied pH."
                raise fault(self.name, "supplied", what, "Write lower pH, upper pH and strength in % in water.")
        if self.measured:
            check_ph(self.measured[0], self.name, "measured")
            if not 0 < self.measured[1] <= 100:
                what = f"{self.measured[1]:g} % is no strength at which a pH is read."
                raise fault(self.name, "measured", what, "Write % in water, 100 for as supplied.")

    @property
    def of_lots(self) -> tuple[float, float, float, float, float] | None:
        """PH as printed or read, low and high; how far lots go, low and high; the strength at which all are meant."""
        if self.measured:
            ph, strength = self.measured
            return ph, ph, ph - LOT_PH, ph + LOT_PH, strength
        if self.supplied:
            low, high, strength = self.supplied
            return low, high, max(low - SOURER, min(low, SOUREST)), min(high + STRONGER, SHARPEST), strength
        return None


KINDS: dict[str, Alkaline] = {
    # pH 11.5 to 12.5 printed for four alkaline glucoside grades (2005 supplier presentation): 0.02 to 0.38 mmol/g.
    "alkaline glucoside": Alkaline(
        "",
        0,
        {"soap": Interval(0.005, 0.015, 0.04), "sugar": Interval(0.8, 1.5, 2.0)},
        Interval(0.02, 0.1, 0.38),
        supplied=(11.5, 12.5, 15),
    ),
    "neutral glucoside": Alkaline(
        "",
        0,
        {"soap": Interval(0.005, 0.015, 0.04), "sugar": Interval(0.8, 1.5, 2.0)},
        Interval(-0.02, 0.0, 0.02),
        supplied=(6, 9.5, 15),
    ),
    "amphoacetate": Alkaline(
        "",
        0,
        {"amine": Interval(0.3, 0.6, 0.9), "soap": Interval(0.005, 0.02, 0.05)},
        Interval(-0.6, -0.2, 0.2),
        supplied=(8.5, 10.5, 10),
    ),
    "betaine": Alkaline(
        "",
        0,
        {"amine": Interval(0.005, 0.015, 0.04), "soap": Interval(0.002, 0.01, 0.04)},
        Interval(-0.05, -0.02, 0.01),
        supplied=(4.5, 6.5, 10),
    ),
    "acyl amino acid": Alkaline(
        "",
        0,
        {"carboxyl": Interval(0.5, 0.75, 1.0), "amine": Interval(0.005, 0.02, 0.06), "soap": Interval(0.01, 0.04, 0.1)},
        # Lots are sold part neutralised: -0.6 is a glutamate at about pH 6; assumption.
        Interval(-0.6, -0.2, 0.1),
        supplied=(7.5, 10, 10),
    ),
    # 0.65 mmol/g of carboxylate by formula at 35 % active; sold near pH 6, so part of it holds its proton; assumption.
    "sulfosuccinate half ester": Alkaline(
        "",
        0,
        {"carboxyl": Interval(0.45, 0.6, 0.75), "soap": Interval(0.002, 0.006, 0.02)},
        Interval(-0.15, -0.03, 0.03),
        supplied=(5.5, 7, 10),
    ),
    "anionic": Alkaline(
        "",
        0,
        {"soap": Interval(0.002, 0.006, 0.02)},
        Interval(-0.005, 0.003, 0.02),
        supplied=(7, 9.5, 10),
    ),
    # An equivalent weight of 76 is told of carbomers, from memory; acid groups titrate over pH 4 to 8, assumption.
    "carbomer": Alkaline(
        "",
        0,
        {"carboxyl": Interval(11.5, 13.0, 13.9)},
        Interval(-13.9, -13.0, -11.5),
        supplied=(2.5, 3.5, 1),
    ),
    # A third to a half methacrylic acid in the polymer; assumption.
    "acrylates copolymer": Alkaline(
        "",
        0,
        {"carboxyl": Interval(3.5, 4.7, 6.0)},
        Interval(-6.0, -4.7, -3.5),
        supplied=(2.1, 4.0, 30),
    ),
    # Half to two per cent of free amine, part of it as soap; assumption.
    "alkanolamide": Alkaline(
        "",
        0,
        {"amine": Interval(0.03, 0.1, 0.3), "soap": Interval(0.01, 0.05, 0.15)},
        Interval(-0.02, 0.02, 0.05),
        supplied=(8.5, 10.5, 10),
    ),
}
"""Assumed ranges by kind of ingredient, as supplied; to be bracketed with, not data."""

USUAL_ACTIVE = {
    "alkaline glucoside": 50.0,
    "neutral glucoside": 50.0,
    "amphoacetate": 30.0,
    "betaine": 30.0,
    "acyl amino acid": 30.0,
    "sulfosuccinate half ester": 35.0,
    "anionic": 28.0,
    "carbomer": 100.0,
    "acrylates copolymer": 100.0,
    "alkanolamide": 100.0,
}
"""Active matter as supplied at which the ranges of `KINDS` are meant [%]; another strength scales them; assumptions."""


@immutable
class Knowledge:
    """What is known of a product's charge balance: a normal distribution over A and the sites.

    Attributes:
        sites: Families of the sites, K of them.
        mean: A and the site amounts [mmol/kg], shape (1 + K,).
        covariance: [(mmol/kg)^2], shape (1 + K, 1 + K).
    """

    sites: tuple[Weak, ...]
    mean: Vector
    covariance: Vector


def know(ingredients: Sequence[Alkaline] = (), unnamed: float | None = None) -> Knowledge:
    """Return what a recipe says of its product before anything is measured.

    Each ingredient's ranges become a normal distribution; its titration and its supplied pH are linear observations of
    it; the product is their sum by dose. On top every grid site and A may hold something unnamed.

    Args:
        ingredients: What is known; none leaves measured points alone to speak.
        unnamed: Standard deviation of the unnamed part [mmol/kg]; 1 with a recipe, 20 without (assumptions).

    Raises:
        DataError: If a figure is not possible.
    """
    names = [n for i in ingredients for n in i.sites if n not in SITES]
    sites = (*GRID, *(WEAK[n] for n in dict.fromkeys(names)))
    rest = unnamed if unnamed is not None else (1.0 if ingredients else 20.0)
    mean = np.zeros(1 + len(sites))
    mean[1 : 1 + len(GRID)] = rest / 10
    spread = np.full(1 + len(sites), rest)
    spread[1 + len(GRID) :] = 1e-3
    covariance = np.diag(spread**2)
    for ingredient in ingredients:
        own, wide = _distribution(ingredient, sites)
        # [mmol/g] times [% of product] times 10 is [mmol/kg of product].
        scale = 10 * ingredient.percent
        mean += scale * own
        covariance += scale**2 * wide
    return Knowledge(sites, mean, covariance)


def _distribution(ingredient: Alkaline, sites: tuple[Weak, ...]) -> tuple[Vector, Vector]:
    """Return mean and covariance of one ingredient's A and sites [mmol/g], after its titration and supplied pH."""
    mean, covariance = np.zeros(1 + len(sites)), np.zeros((1 + len(sites), 1 + len(sites)))
    mean[0] = ingredient.alkali.typical
    covariance[0, 0] = ((ingredient.alkali.high - ingredient.alkali.low) / (2 * TENTH)) ** 2
    position = {w.name: at for at, w in enumerate(sites, 1)}
    for kind, amount in ingredient.sites.items():
        members = SITES.get(kind) or (WEAK[kind],)
        shares = np.array(WEIGHTS[len(members)])
        at = [position[w.name] for w in members]
        mean[at] += amount.typical * shares
        total = (amount.high - amount.low) / (2 * TENTH)
        # The total moves as one; where on the grid it sits is drawn as if all of it sat at one unknown pKa.
        # A smeared micellar head is not all at one pKa; assumption.
        split = (np.diag(shares) - np.outer(shares, shares)) * (SMEARED if kind == "carboxyl" else 1.0)
        floor = (0.02 * amount.typical) ** 2 * np.outer(shares, shares)
        covariance[np.ix_(at, at)] += np.outer(shares, shares) * total**2 + split * amount.typical**2 + floor
    if ingredient.of_lots:
        _observe(mean, covariance, *_row_of_lots(mean, sites, *ingredient.of_lots))
    if ingredient.titrated:
        # The titration is done at about 10 % in water, where the ionic strength is that of the ingredient's salts.
        row = row_of(sites, 6.0, damping(IONIC_STRENGTH / 5))[0]
        _observe(mean, covariance, row, *ingredient.titrated)
    return mean, covariance


def _row_of_lots(
    mean: Vector, sites: tuple[Weak, ...], low: float, high: float, lower: float, upper: float, strength: float
) -> tuple[Vector, float, float]:
    """Return the row, value and standard deviation [mmol/g] that a supplied pH at a strength [%] amounts to."""
    dilution, damp, middle = 100 / strength, damping(IONIC_STRENGTH * strength / 100), (low + high) / 2
    held = np.maximum(mean[1:], 0)

    def charge(ph: float) -> float:
        return float(row_of(sites, ph, damp)[0][1:] @ held) + dilution * proton_excess(ph, damp)

    row, fall = row_of(sites, middle, damp)
    value = -dilution * (proton_excess(low, damp) + proton_excess(high, damp)) / 2
    # The charge between the ends, not a slope: at the middle of a window nothing may buffer, and at its foot much does.
    across = (charge(lower) - charge(upper)) / (2 * TENTH)
    buffering = float(fall[1:] @ held) + dilution * water_buffering(middle, damp)
    return row, value, hypot(across, buffering * sigma_of(middle, METER_SD))


def _observe(mean: Vector, covariance: Vector, row: Vector, value: float, sd: float) -> None:
    """Condition a normal distribution, in place, on row @ theta = value with a standard deviation."""
    gain = covariance @ row
    scale = float(row @ gain) + sd * sd
    mean += gain * ((value - float(row @ mean)) / scale)
    covariance -= np.outer(gain, gain) / scale


def row_of(sites: tuple[Weak, ...], ph: float, damp: float) -> tuple[Vector, Vector]:
    """Return (1, p_1 - q_1, ..., p_K - q_K) at a pH and its fall per pH unit (0, ...), each of shape (1 + K,)."""
    held = [protons(w, ph, damp) for w in sites]
    return np.array([1.0, *(h[0] - (w.name in SOLD_PROTONATED) for w, h in zip(sites, held, strict=True))]), np.array(
        [0.0, *(h[1] for h in held)]
    )


def sigma_of(ph: float, instrument: float) -> float:
    """Return the standard deviation of a reading in pH."""
    return hypot(instrument, MODEL_SD, ALKALINE_SD * max(ph - ALKALINE_FROM, 0.0))
