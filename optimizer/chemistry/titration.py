"""The pH log: readings of a product that is brought to a pH, and the estimate and dose that follow from them.

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

from dataclasses import replace
from functools import cached_property, partial
from math import exp, hypot, isfinite, sqrt

import numpy as np

from optimizer.chemistry.alkalinity import (
    FOAM_FACTOR,
    IONIC_STRENGTH,
    METER_SD,
    MODEL_SD,
    STRIP_SD,
    TENTH,
    Knowledge,
    Vector,
    row_of,
    sigma_of,
)
from optimizer.chemistry.constants import PKW, PKW_PER_KELVIN, REFERENCE_TEMPERATURE
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.leastsquares import falls_to_zero, inverse, nonnegative
from optimizer.chemistry.ph import Solution, check_ph, damping, proton_excess, protons, water_buffering
from optimizer.errors import fault
from optimizer.immutable import immutable


@immutable
class LogReading:
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
        return sigma_of(self.ph, self.instrument)


@immutable
class PhLog:
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

    solution: Solution
    target: Interval
    sample: float
    known: Knowledge
    readings: tuple[LogReading, ...] = ()
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
        if self.product_left <= 0:
            raise fault("log", "taken", "more was taken out than the sample held.", "Correct the grams taken.")

    @cached_property
    def path(self) -> tuple[list[float], float, float]:
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
    def product_left(self) -> float:
        """Grams of product that are still there."""
        return self.path[1]

    @property
    def share_now(self) -> float:
        """Grams of solution per gram of product now."""
        return self.path[2] / self.path[1]

    @property
    def _water(self) -> float:
        return self.water if self.water is not None else (self.readings[-1].water if self.readings else 0.0)

    def _damp(self, water: float, share: float, ph: float, temperature: float) -> float:
        """Return -log10 gamma of what is read: the product's ions and the acid's, diluted."""
        taken = self.solution.taken_up(ph, 0.0, temperature)
        added = share * self.solution.millimoles * abs(taken) * (1 + abs(taken)) / 2
        return damping((self.ionic_strength + added) / ((1 + share) * (1 + water)))

    def line_at(self, ph: float, share: float, water: float, temperature: float) -> tuple[Vector, float, Vector, float]:
        """Return row, right-hand side, fall of the row and buffering of water and acid [mmol/kg per pH]."""
        damp = self._damp(water, share, ph, temperature)
        pkw = PKW + PKW_PER_KELVIN * (temperature - REFERENCE_TEMPERATURE)
        row, fall = row_of(tuple(w.at(temperature) for w in self.known.sites), ph, damp)
        volume, moles = (1 + share) * (1 + water), 1000 * share * self.solution.millimoles
        taken = self.solution.taken_up(ph, damp, temperature)
        value = moles * taken - 1000 * volume * proton_excess(ph, damp, pkw)
        weak = self.solution.chemical.weak
        own = moles * protons(weak.at(temperature), ph, damp)[1] if weak else 0.0
        return row, value, fall, own + 1000 * volume * water_buffering(ph, damp, pkw)

    @cached_property
    def estimate(self) -> Knowledge:
        """What is known after the readings: weighted linear least squares with site amounts of zero or more."""
        precision = inverse(self.known.covariance)
        lines = [
            (*self.line_at(r.ph, share, r.water, r.temperature), r.sigma)
            for r, share in zip(self.readings, self.path[0], strict=True)
        ]
        mean, covariance = nonnegative(precision, precision @ self.known.mean), self.known.covariance
        # The weights need the buffering, which the estimate gives: renew it a few times.
        for _ in range(3 if lines else 0):
            hessian = precision.copy()
            pull = precision @ self.known.mean
            for row, value, fall, rest, sigma in lines:
                unsure = sqrt(max(float(fall @ covariance @ fall), 0.0))
                weight = 1 / (hypot(float(fall @ mean) + rest, min(unsure, float(fall @ mean) + rest)) * sigma) ** 2
                hessian += np.multiply.outer(weight * row, row)
                pull = pull + weight * value * row
            mean, covariance = nonnegative(hessian, pull), inverse(hessian)
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
            row, fall = row_of(estimate.sites, ph, damp)
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
            row, value, fall, rest = self.line_at(ph, share, there, REFERENCE_TEMPERATURE)
            own = float(row @ estimate.covariance @ row)
            sd = hypot(sqrt(max(own, 0.0)), (float(fall @ estimate.mean) + rest) * MODEL_SD)
            return float(row @ estimate.mean) - value + side * sd

        low, middle, high = (falls_to_zero(partial(balance, side)) for side in (-TENTH, 0.0, TENTH))
        return Interval(min(low, middle), middle, max(high, middle))

    def expected_after(self, share: float) -> Interval:
        """Return the pH expected after more solution than is in now; acid never raises what was read last.

        The end that the solution drives at is where the addition is the 10 % point of what is needed to get there,
        taken on a logarithmic scale because the need is positive: `advice.advise` bounds the addition alike.

        Raises:
            DataError: If the share is negative.
        """
        found = self.expected_ph(share)
        if not self.readings:
            return found
        acid, last, more = self.solution.chemical.acid, self.readings[-1].ph, share - self.share_now

        def short(ph: float) -> float:
            """Return how much more than was added 1 in 10 needs to a pH; of alkali how much less, so that it falls."""
            total, sd = self.share_to(ph)
            need = total - self.share_now
            found = (need * exp(-TENTH * sd / need) if need > 0 else 0.0) - more
            return found if acid else -found

        far, limit = falls_to_zero(short), min if acid else max
        low, high = (far, found.high) if acid else (found.low, far)
        ends = (min(low, found.typical), found.typical, max(high, found.typical))
        return Interval(*(limit(ph, last) for ph in ends))

    def worth(self) -> tuple[Interval, ...]:
        """Return the total [g per 100 g of product] as it stood before any reading, after one, after two and so on."""
        water = self._water
        stages = [replace(self, readings=self.readings[:count], water=water) for count in range(len(self.readings) + 1)]
        return tuple(stage.total(100) for stage in stages)
