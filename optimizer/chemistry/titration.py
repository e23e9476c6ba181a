"""The pH log: what a recipe says beforehand, what each reading adds, and the next safe addition.

A product is free alkali A (may be negative) and sites c_k >= 0, in mmol per kg of product, on a fixed grid of pKa. At
pH y after G grams of solution per gram of product, read with w grams of water per gram, the charge balance is linear:

    A + sum c_k p_k(y) = 1000 (G n e(y) - D h(y)),    D = (1 + G)(1 + w)

with p protons held per site (sugar hydroxyls: less the one they are sold with), n the strength [mmol/g], e the charge
that the acid takes up per mole [eq/mol] and h = [H] - [OH] [mol/kg]. Every piece of knowledge is one such row: a range
of the recipe, a titrated ingredient, a supplied pH, a reading. The weight of a reading is 1 / (buffering x sigma), with
sigma from instrument, model and pH. The estimate is the weighted linear least squares with c >= 0, and the dose to a
target is explicit, without a search.

The model's pKa, the ranges of ingredients and every standard deviation here are assumptions (basis: reference work on
published buffers and simulated batches, see docs/ph-accuracy.md); no measured shampoo stands behind them. Blind figures
are for planning; only a reading decides.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from math import exp, hypot, isfinite, sqrt
from typing import Literal

import numpy as np
import numpy.typing as npt

from optimizer.chemistry.constants import PKW, PKW_PER_KELVIN, REFERENCE_TEMPERATURE, SITES, WEAK, Weak
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.ph import (
    HIGHEST,
    LOWEST,
    Stock,
    check_ph,
    damping,
    proton_excess,
    protons,
    water_buffering,
)
from optimizer.errors import fault, nearest
from optimizer.units import number

Vector = npt.NDArray[np.float64]

TENTH = 1.2816
"""Standard deviations from the middle to the 10 % and 90 % points of a normal distribution."""

METER_SD, STRIP_SD, MODEL_SD = 0.05, 0.25, 0.08
"""Standard deviations in pH of a calibrated meter, of strips and of the model; assumptions."""

ALKALINE_FROM, ALKALINE_SD = 9.8, 0.35
"""A reading above pH 9.8 loses 0.35 pH per unit: electrodes err and a small pH error is much alkali; assumption."""

FOAM_FACTOR = 2.0
"""Foam on the probe doubles the instrument's standard deviation; assumption."""

LARGEST_SHARE = 0.6
"""Largest share of the estimate that one addition may be; overshoot costs alkali and salt (common practice)."""

IONIC_STRENGTH = 0.15
"""Ionic strength of a neat wash product [mol/kg]; assumption. 0.05 to 0.2 moves a citrate pH by about 0.1."""

GRID: tuple[Weak, ...] = tuple(w for kind in SITES.values() for w in kind)
WEIGHTS = {1: (1.0,), 3: (0.25, 0.5, 0.25)}
"""How a total is spread over the grid of its kind."""

SOLD_PROTONATED = frozenset(w.name for w in SITES["sugar"])
"""Sites that A counts in their protonated form, because nobody sells them otherwise."""

NONE = Interval(0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Ingredient:
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

    Raises:
        DataError: If a figure is not possible or a site is not known.
    """

    name: str
    percent: float
    sites: Mapping[str, Interval] = field(default_factory=dict)
    alkali: Interval = NONE
    titrated: tuple[float, float] | None = None
    supplied: tuple[float, float, float] | None = None

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


def kind_of(kind: str, name: str, percent: float) -> Ingredient:
    """Return an ingredient with the assumed ranges of its kind; every figure an assumption to be replaced.

    Raises:
        DataError: If the kind is not known.
    """
    if kind not in KINDS:
        raise fault(name, "kind", f"there is no kind '{kind}'.", nearest(kind, KINDS))
    return replace(KINDS[kind], name=name, percent=percent)


KINDS: dict[str, Ingredient] = {
    # pH 11.5 to 12.5 printed for four alkaline glucoside grades (2005 supplier presentation): 0.02 to 0.38 mmol/g.
    "alkaline glucoside": Ingredient(
        "",
        0,
        {"soap": Interval(0.005, 0.015, 0.04), "sugar": Interval(0.8, 1.5, 2.0)},
        Interval(0.02, 0.1, 0.38),
        supplied=(11.5, 12.5, 15),
    ),
    "neutral glucoside": Ingredient(
        "",
        0,
        {"soap": Interval(0.005, 0.015, 0.04), "sugar": Interval(0.8, 1.5, 2.0)},
        Interval(-0.02, 0.0, 0.02),
        supplied=(6, 9.5, 15),
    ),
    "amphoacetate": Ingredient(
        "",
        0,
        {"amine": Interval(0.3, 0.6, 0.9), "soap": Interval(0.005, 0.02, 0.05)},
        Interval(-0.6, -0.2, 0.2),
        supplied=(8.5, 10.5, 10),
    ),
    "betaine": Ingredient(
        "",
        0,
        {"amine": Interval(0.005, 0.015, 0.04), "soap": Interval(0.002, 0.01, 0.04)},
        Interval(-0.05, -0.02, 0.01),
        supplied=(4.5, 6.5, 10),
    ),
    "acyl amino acid": Ingredient(
        "",
        0,
        {"carboxyl": Interval(0.5, 0.75, 1.0), "amine": Interval(0.005, 0.02, 0.06), "soap": Interval(0.01, 0.04, 0.1)},
        Interval(-0.15, 0.0, 0.1),
        supplied=(7.5, 10, 10),
    ),
    "anionic": Ingredient(
        "",
        0,
        {"soap": Interval(0.002, 0.006, 0.02)},
        Interval(-0.005, 0.003, 0.02),
        supplied=(7, 9.5, 10),
    ),
}
"""Assumed ranges by kind of ingredient, as supplied; to be bracketed with, not data."""


@dataclass(frozen=True)
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


def know(ingredients: Sequence[Ingredient] = (), unnamed: float | None = None) -> Knowledge:
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


def _distribution(ingredient: Ingredient, sites: tuple[Weak, ...]) -> tuple[Vector, Vector]:
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
        split = np.diag(shares) - np.outer(shares, shares)
        floor = (0.02 * amount.typical) ** 2 * np.outer(shares, shares)
        covariance[np.ix_(at, at)] += np.outer(shares, shares) * total**2 + split * amount.typical**2 + floor
    if ingredient.supplied:
        low, high, strength = ingredient.supplied
        _observe(mean, covariance, *_supplied_row(mean, sites, low, high, strength))
    if ingredient.titrated:
        # The titration is done at about 10 % in water, where the ionic strength is that of the ingredient's salts.
        row = _row(sites, 6.0, damping(IONIC_STRENGTH / 5))[0]
        _observe(mean, covariance, row, *ingredient.titrated)
    return mean, covariance


def _supplied_row(
    mean: Vector, sites: tuple[Weak, ...], low: float, high: float, strength: float
) -> tuple[Vector, float, float]:
    """Return the row, value and standard deviation [mmol/g] that a supplied pH at a strength [%] amounts to."""
    dilution, damp, middle = 100 / strength, damping(IONIC_STRENGTH * strength / 100), (low + high) / 2
    row, fall = _row(sites, middle, damp)
    ends = -dilution * proton_excess(low, damp), -dilution * proton_excess(high, damp)
    across = (high - low) / (2 * TENTH)
    buffering = float(fall[1:] @ np.maximum(mean[1:], 0)) + dilution * water_buffering(middle, damp)
    own = float(fall[1:] @ np.maximum(mean[1:], 0)) * across
    sd = hypot((ends[1] - ends[0]) / (2 * TENTH), own, buffering * _sigma(middle, METER_SD))
    return row, sum(ends) / 2, sd


def _observe(mean: Vector, covariance: Vector, row: Vector, value: float, sd: float) -> None:
    """Condition a normal distribution, in place, on row @ theta = value with a standard deviation."""
    gain = covariance @ row
    scale = float(row @ gain) + sd * sd
    mean += gain * ((value - float(row @ mean)) / scale)
    covariance -= np.outer(gain, gain) / scale


def _row(sites: tuple[Weak, ...], ph: float, damp: float) -> tuple[Vector, Vector]:
    """Return (1, p_1 - q_1, ..., p_K - q_K) at a pH and its fall per pH unit (0, ...), each of shape (1 + K,)."""
    held = [protons(w, ph, damp) for w in sites]
    return np.array([1.0, *(h[0] - (w.name in SOLD_PROTONATED) for w, h in zip(sites, held, strict=True))]), np.array(
        [0.0, *(h[1] for h in held)]
    )


def _sigma(ph: float, instrument: float) -> float:
    """Return the standard deviation of a reading in pH."""
    return hypot(instrument, MODEL_SD, ALKALINE_SD * max(ph - ALKALINE_FROM, 0.0))


@dataclass(frozen=True)
class Reading:
    """One line of the log.

    Attributes:
        grams: Solution added so far, all additions together [g].
        ph: What was read.
        water: Water per gram of product in what was read [g/g]: 0 neat, 9 for 10 %, 10 for 2 g in 20 g.
        strip: True for strips, false for a meter.
        temperature: Of what was read [°C].
        foam_free: False if foam was on the probe or strip.
        taken: Grams of the sample that were used up for this reading; they get no further acid.
    """

    grams: float
    ph: float
    water: float = 0.0
    strip: bool = False
    temperature: float = REFERENCE_TEMPERATURE
    foam_free: bool = True
    taken: float = 0.0

    @property
    def instrument(self) -> float:
        """Standard deviation of the instrument in pH."""
        return (STRIP_SD if self.strip else METER_SD) * (1.0 if self.foam_free else FOAM_FACTOR)

    @property
    def sigma(self) -> float:
        """Standard deviation in pH against the model."""
        return _sigma(self.ph, self.instrument)


State = Literal["measure", "add", "stop", "passed", "wrong way", "check"]
"""measure: read the pH first; add: the next addition; stop: inside the target; passed: beyond it; wrong way: this
solution moves away from the target; check: readings contradict each other."""


@dataclass(frozen=True)
class Advice:
    """What the log says now.

    Attributes:
        state: What to do; see `State`.
        next_addition: Grams of solution to add to the sample now; 0 unless the state is 'add'.
        expected: pH expected after it, 10 %, middle and 90 % point; None without an addition.
        reason: Why, in a sentence.
        doubts: What does not fit together.
        caution: Handling caution of the solution.
    """

    state: State
    next_addition: float
    expected: Interval | None
    reason: str
    doubts: tuple[str, ...]
    caution: str


@dataclass(frozen=True)
class Log:
    """A sample or batch that is brought to a pH.

    Attributes:
        solution: Acid or alkali that is added.
        target: Lower edge, target and upper edge.
        sample: Grams of product before the first addition.
        known: What the recipe says.
        readings: In the order in which they were made.
        water: Water per gram of product at which the target is meant [g/g]; the last reading's if not given.
        ionic_strength: Of the neat product [mol/kg].

    Raises:
        DataError: If a figure is not possible or the readings are out of order.
    """

    solution: Stock
    target: Interval
    sample: float
    known: Knowledge
    readings: tuple[Reading, ...] = ()
    water: float | None = None
    ionic_strength: float = IONIC_STRENGTH

    def __post_init__(self) -> None:
        for value in (self.target.low, self.target.typical, self.target.high):
            check_ph(value, "log", "target")
        if not (isfinite(self.sample) and self.sample > 0):
            raise fault("log", "sample", f"{self.sample:g} g is no sample.", "Write its mass in grams.")
        before = 0.0
        for line, reading in enumerate(self.readings, 1):
            where = f"reading {line}"
            check_ph(reading.ph, where, "ph")
            for key in ("grams", "water", "taken"):
                value = getattr(reading, key)
                if not (isfinite(value) and value >= 0):
                    raise fault(where, key, f"{value:g} g is not an amount.", "Write zero or more.")
            if not 0 <= reading.temperature <= 80:
                what = f"{reading.temperature:g} °C is not a temperature of a sample."
                raise fault(where, "temperature", what, "Write degrees Celsius; read near 25.")
            if reading.grams < before:
                what = f"{reading.grams:g} g is less than the {before:g} g of the line before."
                raise fault(where, "grams", what, "Write all additions so far together, in the order they were made.")
            before = reading.grams
        if self._product_left <= 0:
            raise fault("log", "taken", "more was taken out than the sample held.", "Correct the grams taken.")

    @cached_property
    def _path(self) -> tuple[list[float], float, float]:
        """Grams of solution per gram of product at each reading, product left [g], solution left in it [g]."""
        shares, product, held, before = [], self.sample, 0.0, 0.0
        for reading in self.readings:
            held += reading.grams - before
            before = reading.grams
            shares.append(held / product if product > 0 else 0.0)
            left = 1 - reading.taken / (product + held) if product + held > 0 else 0.0
            product, held = product * left, held * left
        return shares, product, held

    @property
    def _product_left(self) -> float:
        return self._path[1]

    @property
    def _share_now(self) -> float:
        """Grams of solution per gram of product now."""
        return self._path[2] / self._path[1]

    @property
    def _water(self) -> float:
        return self.water if self.water is not None else (self.readings[-1].water if self.readings else 0.0)

    def _damp(self, water: float, share: float, ph: float, temperature: float) -> float:
        """Return -log10 gamma of what is read: the product's ions and the acid's, diluted."""
        taken = self.solution.taken_up(ph, 0.0, temperature)
        added = share * self.solution.millimoles * abs(taken) * (1 + abs(taken)) / 2
        return damping((self.ionic_strength + added) / ((1 + share) * (1 + water)))

    def _line(self, ph: float, share: float, water: float, temperature: float) -> tuple[Vector, float, Vector, float]:
        """Return row, right-hand side, fall of the row and buffering of water and acid [mmol/kg per pH]."""
        damp = self._damp(water, share, ph, temperature)
        pkw = PKW + PKW_PER_KELVIN * (temperature - REFERENCE_TEMPERATURE)
        row, fall = _row(tuple(w.at(temperature) for w in self.known.sites), ph, damp)
        volume, moles = (1 + share) * (1 + water), 1000 * share * self.solution.millimoles
        taken = self.solution.taken_up(ph, damp, temperature)
        value = moles * taken - 1000 * volume * proton_excess(ph, damp, pkw)
        weak = self.solution.chemical.weak
        own = moles * protons(weak.at(temperature), ph, damp)[1] if weak else 0.0
        return row, value, fall, own + 1000 * volume * water_buffering(ph, damp, pkw)

    @cached_property
    def estimate(self) -> Knowledge:
        """What is known after the readings: weighted linear least squares with site amounts of zero or more."""
        precision = _inverse(self.known.covariance)
        lines = [
            (*self._line(r.ph, share, r.water, r.temperature), r.sigma)
            for r, share in zip(self.readings, self._path[0], strict=True)
        ]
        mean, covariance = nonnegative(precision, precision @ self.known.mean), self.known.covariance
        # The weights need the buffering, which the estimate gives: renew it a few times.
        for _ in range(3 if lines else 0):
            hessian = precision.copy()
            pull = precision @ self.known.mean
            for row, value, fall, rest, sigma in lines:
                unsure = sqrt(max(float(fall @ covariance @ fall), 0.0))
                weight = 1 / (hypot(float(fall @ mean) + rest, min(unsure, float(fall @ mean) + rest)) * sigma) ** 2
                hessian += np.asarray(weight * np.outer(row, row), float)
                pull = pull + weight * value * row
            mean, covariance = nonnegative(hessian, pull), _inverse(hessian)
        return Knowledge(self.known.sites, mean, covariance)

    def share_to(self, ph: float) -> tuple[float, float]:
        """Return grams of solution per gram of product to a pH from the start, and its standard deviation.

        Explicit: G = (row @ theta + 1000 (1 + w) h) / (1000 (n e - (1 + w) h)); may be negative.
        """
        water, share, estimate = self._water, 0.0, self.estimate
        drive = sd = 1.0
        for _ in range(3):
            # The solution's own ions change the activity slightly, hence two renewals of an explicit formula.
            damp = self._damp(water, max(share, 0.0), ph, REFERENCE_TEMPERATURE)
            row, fall = _row(estimate.sites, ph, damp)
            excess = (1 + water) * proton_excess(ph, damp)
            drive = 1000 * (self.solution.millimoles * self.solution.taken_up(ph, damp) - excess)
            share = (float(row @ estimate.mean) + 1000 * excess) / drive
            buffering = float(fall @ estimate.mean) + 1000 * (1 + water) * water_buffering(ph, damp)
            sd = hypot(sqrt(max(float(row @ estimate.covariance @ row), 0.0)), buffering * MODEL_SD) / abs(drive)
        return share, sd

    def total(self, mass: float) -> Interval:
        """Return grams of solution for a batch of so many grams of fresh product: 10 %, middle, 90 % point.

        Raises:
            DataError: If the mass is not positive.
        """
        if not (isfinite(mass) and mass > 0):
            raise fault("log", "batch", f"{mass:g} g is no batch.", "Write its mass in grams.")
        share, sd = self.share_to(self.target.typical)
        ends = (mass * (share - TENTH * sd), mass * share, mass * (share + TENTH * sd))
        return Interval(*(max(end, 0.0) for end in ends))

    def expected_ph(self, share: float, water: float | None = None) -> Interval:
        """Return the pH expected at so many grams of solution per gram of product: 10 %, middle, 90 % point.

        The ends are where the charge balance, moved by its own standard deviation, comes to zero.

        Raises:
            DataError: If the share or the water is negative.
        """
        there = self._water if water is None else water
        if not (share >= 0 and there >= 0):
            raise fault("log", "grams", "an amount is negative.", "Write zero or more.")
        estimate = self.estimate

        def balance(side: float, ph: float) -> float:
            row, value, fall, rest = self._line(ph, share, there, REFERENCE_TEMPERATURE)
            own = float(row @ estimate.covariance @ row)
            sd = hypot(sqrt(max(own, 0.0)), (float(fall @ estimate.mean) + rest) * MODEL_SD)
            return float(row @ estimate.mean) - value + side * sd

        low, middle, high = (_falls_to_zero(partial(balance, side)) for side in (-TENTH, 0.0, TENTH))
        return Interval(min(low, middle), middle, max(high, middle))

    @cached_property
    def doubts(self) -> tuple[str, ...]:
        """Readings that contradict each other, the model or the recipe, one sentence each."""
        return (*self._against_each_other(), *self._against_fit(), *self._against_recipe())

    def _against_each_other(self) -> list[str]:
        found, way = [], -1.0 if self.solution.chemical.acid else 1.0
        name = "acid" if way < 0 else "alkali"
        for after in range(1, len(self.readings)):
            one, two = self.readings[after - 1], self.readings[after]
            if one.water != two.water or abs(one.temperature - two.temperature) > 5:
                continue
            noise = 2 * hypot(one.instrument, two.instrument)
            moved = two.ph - one.ph
            pair = f"Readings {after} and {after + 1}"
            if two.grams > one.grams and way * moved < -noise:
                found.append(
                    f"{pair}: pH went from {one.ph:g} to {two.ph:g} although {name} was added; stir, wait, read again."
                )
            elif two.grams == one.grams and abs(moved) > noise:
                found.append(
                    f"{pair}: pH {one.ph:g} and {two.ph:g} with the same amount added; carbon dioxide, temperature, "
                    "foam or a drifting probe? Calibrate and read again."
                )
        return found

    def _against_fit(self) -> list[str]:
        found, theta = [], self.estimate.mean
        for line, (reading, share) in enumerate(zip(self.readings, self._path[0], strict=True), 1):
            row, value, fall, rest = self._line(reading.ph, share, reading.water, reading.temperature)
            off = (float(row @ theta) - value) / (float(fall @ theta) + rest)
            if abs(off) > 3 * reading.sigma:
                found.append(
                    f"Reading {line}: pH {reading.ph:g} is {number(abs(off), 1)} "
                    f"{'below' if off > 0 else 'above'} what the other lines and the recipe allow; check grams, "
                    "dilution and calibration."
                )
        return found

    def _against_recipe(self) -> list[str]:
        if not self.readings:
            return []
        first, share = self.readings[0], self._path[0][0]
        row, value, fall, rest = self._line(first.ph, share, first.water, first.temperature)
        sd = sqrt(float(row @ self.known.covariance @ row)) + (float(fall @ self.known.mean) + rest) * first.sigma
        if abs(float(row @ self.known.mean) - value) > 3 * sd:
            return [
                f"Reading 1: pH {first.ph:g} is far from what the recipe's figures say; wrong ingredient, dose, "
                "dilution or a figure of an ingredient?"
            ]
        return []

    @cached_property
    def advice(self) -> Advice:
        """What to do now.

        The next addition is at most 60 % of what the estimate says is still needed, and at most the lower 10 % point
        (taken on a logarithmic scale, because the need is positive) of what would bring the sample to the far edge of
        the target. The first addition is at most 60 % of that point too, because nothing has yet shown how the product
        answers. It is a plan: add it, stir, wait, read.
        """
        caution, doubts = self.solution.caution, self.doubts
        name, way = self.solution.chemical.name, -1.0 if self.solution.chemical.acid else 1.0
        if not self.readings:
            reason = "Read the pH of the product before anything is added; an estimate without a reading only plans."
            return Advice("measure", 0.0, None, reason, doubts, caution)
        last, target = self.readings[-1], self.target
        # What contradicts is judged before the target: a wrong reading must not stop or drive an addition.
        if self._against_each_other():
            reason = "Readings contradict each other: add nothing, read again and strike out the line that was wrong."
            return Advice("check", 0.0, None, reason, doubts, caution)
        if target.low <= last.ph <= target.high:
            reason = (
                f"pH {last.ph:g} is inside {target.low:g} to {target.high:g}: stop. Read again after some hours; "
                "carbon dioxide and slow acids move it."
            )
            return Advice("stop", 0.0, None, reason, doubts, caution)
        near, far = (target.high, target.low) if way < 0 else (target.low, target.high)
        if way * (last.ph - near) > 0:
            if self.readings[-1].grams > 0:
                reason = (
                    f"pH {last.ph:g} is beyond {far:g}: add no more {name}. Blend with untreated product if there is "
                    "some, or go back in small steps with the opposite solution."
                )
                return Advice("passed", 0.0, None, reason, doubts, caution)
            reason = f"pH {last.ph:g} lies on the other side of {target.typical:g}: {name} moves it away."
            return Advice("wrong way", 0.0, None, reason, doubts, caution)
        now, product = self._share_now, self._product_left
        (aim, _), (edge, edge_sd) = self.share_to(target.typical), self.share_to(far)
        needed, room = aim - now, edge - now
        if needed <= 0 or room <= 0:
            reason = (
                f"By the estimate enough is in already, yet pH {last.ph:g} is read: stir, wait and read again, and "
                "check the grams; then add the smallest amount you can weigh."
            )
            return Advice("check", 0.0, None, reason, doubts, caution)
        bound = room * exp(-TENTH * edge_sd / room) * (1.0 if last.grams else LARGEST_SHARE)
        step = min(LARGEST_SHARE * needed, bound)
        reason = (
            f"{number(100 * step / needed, 0)} % of the {number(needed * product, 2)} g that the estimate says are "
            f"still needed for pH {target.typical:g}; "
            + (
                "not more, because the estimate is still too wide to go nearer to the far edge."
                if bound < LARGEST_SHARE * needed
                else "never more than 60 % at once."
            )
        )
        return Advice("add", step * product, self.expected_ph(now + step), reason, doubts, caution)

    def worth(self) -> tuple[Interval, ...]:
        """Return the total [g per 100 g of product] as it stood before any reading, after one, after two and so on."""
        water = self._water
        stages = [replace(self, readings=self.readings[:count], water=water) for count in range(len(self.readings) + 1)]
        return tuple(stage.total(100) for stage in stages)


@dataclass(frozen=True)
class Added:
    """What an addition amounts to.

    Attributes:
        active: Acid or alkali in the form that was weighed [g].
        millimoles: The same [mmol].
        equivalents: Acid: strong alkali it neutralises at the pH; alkali: acid it neutralises [meq].
        as_salt: Mass as its sodium salt at that pH (acids), or sodium, potassium or amine brought in (alkalis) [g].
        percent: Active, of the finished batch [% w/w].
    """

    active: float
    millimoles: float
    equivalents: float
    as_salt: float
    percent: float


_CATION = {"sodium hydroxide": 22.99, "potassium hydroxide": 39.10}
_SODIUM_FOR_HYDROGEN = 22.99 - 1.008


def added(solution: Stock, grams: float, product: float, ph: float, ionic_strength: float = IONIC_STRENGTH) -> Added:
    """Return what so many grams of solution put into so many grams of product, in active and salt terms.

    The salt of an acid is the mass of acid plus 21.98 g per mole of charge it takes up at the pH (sodium for hydrogen).

    Raises:
        DataError: If an amount or the pH is not possible.
    """
    check_ph(ph, "added", "ph")
    if not (grams >= 0 and product > 0):
        raise fault("added", "grams", f"{grams:g} g in {product:g} g is not possible.", "Write amounts in grams.")
    chemical = solution.chemical
    active, moles = grams * solution.percent / 100, grams * solution.millimoles
    equivalents = moles * solution.taken_up(ph, damping(ionic_strength))
    if chemical.acid:
        salt = active + equivalents * _SODIUM_FOR_HYDROGEN / 1000
    else:
        salt = moles * _CATION[chemical.name] / 1000 if chemical.name in _CATION else active
    return Added(active, moles, abs(equivalents), salt, 100 * active / (product + grams))


def nonnegative(hessian: Vector, pull: Vector) -> Vector:
    """Return the minimum of x'Hx/2 - pull'x over x_0 free and x_1, x_2, ... >= 0.

    Active set in the manner of Lawson and Hanson, Solving Least Squares Problems (1974), chapter 23, on the normal
    equations; H is positive definite, so the minimum is one point and the loop ends.

    Args:
        hessian: H, shape (n, n), symmetric positive definite.
        pull: Shape (n,).
    """
    # The unit of a site does not matter to the sign tests once every diagonal entry is one.
    scale = 1 / np.sqrt(hessian.diagonal())
    h, g = hessian * np.outer(scale, scale), pull * scale
    size = len(g)
    free = np.ones(size, bool)
    x = np.linalg.solve(h, g)
    if (x[1:] >= 0).all():
        return np.asarray(x * scale)
    x = np.zeros(size)
    free[1:] = False
    x[0] = g[0] / h[0, 0]
    for _ in range(10 * size):
        gain = np.where(free, -np.inf, g - h @ x)
        best = int(gain.argmax())
        if gain[best] <= 1e-12 * (1 + float(np.abs(g).max())):
            break
        free[best] = True
        while True:
            inside = np.flatnonzero(free)
            wanted = np.zeros(size)
            wanted[inside] = np.linalg.solve(h[np.ix_(inside, inside)], g[inside])
            under = free & (wanted < 0)
            under[0] = False
            if not under.any():
                x = wanted
                break
            at = np.flatnonzero(under)
            x = x + float((x[at] / (x[at] - wanted[at])).min()) * (wanted - x)
            gone = at[x[at] <= 1e-14 * float(np.abs(x).max())]
            free[gone if len(gone) else at[[int(x[at].argmin())]]] = False
            x[~free] = 0.0
    return np.asarray(x * scale)


def _inverse(symmetric: Vector) -> Vector:
    """Return the inverse of a positive definite matrix, scaled so that the units of its rows do not matter."""
    scale = 1 / np.sqrt(symmetric.diagonal())
    both = np.outer(scale, scale)
    return np.asarray(np.linalg.inv(symmetric * both) * both, np.float64)


def _falls_to_zero(function: Callable[[float], float]) -> float:
    """Return where a falling function of pH is zero: halving, then the secant kept inside its bracket (Illinois)."""
    low, high = LOWEST, HIGHEST
    while high - low > 0.3:
        middle = (low + high) / 2
        low, high = (middle, high) if function(middle) > 0 else (low, middle)
    above, below, side = function(low), function(high), 0
    for _ in range(60):
        if high - low < 1e-7 or above <= 0 or below >= 0:
            break
        middle = (low * below - high * above) / (below - above)
        value = function(middle)
        if abs(value) < 1e-9 * (above - below):
            return middle
        if value > 0:
            low, above, below, side = middle, value, below / 2 if side == 1 else below, 1
        else:
            high, below, above, side = middle, value, above / 2 if side == -1 else above, -1
    return (low + high) / 2
