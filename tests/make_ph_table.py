"""Writes docs/ph-accuracy.md: the pH model against published values, and the log against simulated batches.

Run it after a change of the model: python tests/make_ph_table.py
"""

from __future__ import annotations

import csv
import json
import random
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median

from optimizer.chemistry.constants import WEAK, Weak
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.ph import Mixture, diluted, dose_to, mixed_with, solve, stock
from optimizer.chemistry.titration import Ingredient, Log, Reading, kind_of, know

HERE = Path(__file__).resolve().parent
PAGE = HERE.parent / "docs" / "ph-accuracy.md"
MEASURED = (
    "primary standards",
    "Bates-Bower",
    "McIlvaine",
    "Walpole acetate",
    "Lurie acetate",
    "Sorensen phosphate",
    "Gomori phosphate",
)
"""The seven sets of measured values: 127 in all."""
FURTHER = ("handbook acids", "calculated acids")
"""One-decimal handbook values and values that others calculated: shown, not counted."""


@dataclass(frozen=True)
class Published:
    """One published pH with its composition."""

    set: str
    system: str
    composition: str
    mixture: Mixture
    ph: float
    source: str
    backing: str

    @property
    def error(self) -> float:
        return solve(self.mixture).ph - self.ph

    @property
    def ideal_error(self) -> float:
        return solve(replace(self.mixture, ideal=True)).ph - self.ph


def published() -> list[Published]:
    """Return every published value that the tests use."""
    with (HERE / "published_ph.csv").open(encoding="utf-8", newline="") as file:
        return [
            Published(
                row["set"],
                row["system"],
                row["composition"],
                Mixture(
                    strong=float(row["strong"]),
                    weak=tuple((WEAK[name], amount) for name, amount in json.loads(row["weak_json"]).items()),
                    salt=float(row["salt"]),
                ),
                float(row["published_pH"]),
                row["source"],
                row["backing"],
            )
            for row in csv.DictReader(file)
        ]


def errors(rows: Iterable[float]) -> tuple[float, float, float]:
    """Return mean, mean absolute and largest absolute error."""
    values = list(rows)
    return (
        sum(values) / len(values),
        sum(abs(v) for v in values) / len(values),
        max(abs(v) for v in values),
    )


# What follows draws batches whose buffers differ from the model's: other pKa, other amounts, other salt. Every range
# is an assumption; the point is what the log does when its own assumptions are wrong.

CLASSES = ("alkaline glucoside", "amphoteric", "acyl amino acid")
TARGETS = (Interval(5.2, 5.5, 5.8), Interval(6.1, 6.4, 6.7))
"""One for acid preservatives, one for thickeners that want pH 6 to 6.8."""
WATER = 9.0
"""Grams of water per gram of product in every reading: 10 %."""


def _between(draw: random.Random, low: float, high: float) -> float:
    """Return a number that is evenly spread on a logarithmic scale."""
    return float(low * (high / low) ** draw.random())


def _true_ingredient(kind: str, draw: random.Random) -> Mixture:
    """Return one gram of a true ingredient as a mixture: strong and weak in mmol per g."""

    def weak(name: str, pka: float, top: int, amount: float) -> tuple[Weak, float]:
        return Weak(name, (pka,), "simulated", "assumption", top), amount

    soap = draw.uniform(5.8, 7.6)
    if kind == "alkaline glucoside":
        return Mixture(
            _between(draw, 0.03, 0.35) + (fat := _between(draw, 0.005, 0.04)),
            (weak("fat", soap, 0, fat), weak("sugar", draw.uniform(12.2, 13.0), 0, draw.uniform(0.9, 1.8))),
        )
    if kind == "amphoacetate":
        amine, fat = _between(draw, 0.3, 0.9), _between(draw, 0.005, 0.05)
        return Mixture(
            fat - amine * draw.uniform(0.1, 0.7),
            (weak("amine", draw.uniform(8.5, 9.8), 1, amine), weak("fat", soap, 0, fat)),
        )
    if kind == "betaine":
        amine, fat = _between(draw, 0.005, 0.04), _between(draw, 0.002, 0.04)
        return Mixture(
            -amine + fat * draw.uniform(0.0, 0.4),
            (weak("amine", draw.uniform(8.5, 9.8), 1, amine), weak("fat", draw.uniform(4.9, 5.8), 0, fat)),
        )
    if kind == "acyl amino acid":
        head, fat, amine = draw.uniform(0.55, 0.95), _between(draw, 0.01, 0.1), _between(draw, 0.005, 0.06)
        return Mixture(
            head + fat - amine * draw.uniform(0.0, 0.7),
            (
                weak("head", draw.uniform(4.3, 6.1), 0, head),
                weak("fat", soap, 0, fat),
                weak("amine", draw.uniform(8.8, 9.8), 1, amine),
            ),
        )
    fat = _between(draw, 0.002, 0.02)
    return Mixture(fat + draw.uniform(0.0, 0.008), (weak("fat", soap, 0, fat),))


RECIPES = {
    "alkaline glucoside": (("alkaline glucoside", 15, 30), ("betaine", 5, 15)),
    "amphoteric": (("amphoacetate", 6, 20), ("anionic", 15, 30), ("betaine", 3, 10)),
    "acyl amino acid": (("acyl amino acid", 8, 20), ("betaine", 5, 15)),
}


@dataclass(frozen=True)
class Batch:
    """One simulated batch: what it is and what the maker knows of it."""

    truth: Mixture
    known: tuple[Ingredient, ...]


def batch(kind: str, titrated: bool, draw: random.Random) -> Batch:
    """Return a random batch of a class; `titrated` gives the maker each surfactant's titration to pH 6, within 12 %."""
    strong, weak, known = 0.0, [], []
    for name, least, most in RECIPES[kind]:
        percent = draw.uniform(least, most)
        one = _true_ingredient(name, draw)
        strong += one.strong * percent / 100
        weak += [(w, amount * percent / 100) for w, amount in one.weak]
        in_water = diluted(Mixture(one.strong, one.weak, 0.2), WATER)
        ingredient = kind_of(name, name, percent)
        if titrated:
            # Moles of strong acid to pH 6 of one gram in nine of water.
            need = (1 + WATER) * _strong_acid_to(in_water, 6.0)
            found = need * draw.gauss(1, 0.12)
            ingredient = replace(ingredient, titrated=(found, max(0.1 * abs(found), 0.002)))
        known.append(ingredient)
    # Something nobody told of: an extract, a chelator, a fragrance.
    weak.append((Weak("unnamed", (draw.uniform(4.5, 9.5),), "simulated", "assumption"), unnamed := draw.uniform(0, 0.004)))
    strong += unnamed
    benzoate = draw.uniform(0.02, 0.045)
    strong, weak = strong + benzoate, [*weak, (WEAK["benzoic acid"], benzoate * draw.gauss(1, 0.02))]
    known.append(
        Ingredient(
            "sodium benzoate", 100 * benzoate * 0.1441, {"benzoic acid": Interval(6.8, 6.94, 7.0)}, Interval(0, 0, 0)
        )
    )
    return Batch(Mixture(strong, tuple(weak), draw.uniform(0.05, 0.3)), tuple(known))


def _strong_acid_to(mixture: Mixture, ph: float) -> float:
    """Return the strong acid that brings a mixture to a pH [mol/kg], negative for alkali; by halving, to be independent."""
    low, high = -3.0, 3.0
    for _ in range(60):
        middle = (low + high) / 2
        if solve(replace(mixture, strong=mixture.strong - middle)).ph > ph:
            low = middle
        else:
            high = middle
    return (low + high) / 2


@dataclass(frozen=True)
class Outcome:
    """How good the estimate was at one stage of one batch."""

    dose_error: float
    off_target: float
    covered: bool
    passed_edge: bool


def follow(one: Batch, draw: random.Random, stages: int = 5, strip: bool = False) -> list[Outcome] | None:
    """Return the outcomes before any reading and after each; None if the batch needs no acid to speak of."""
    acid, aim = stock("citric acid anhydrous", 50), draw.choice(TARGETS)
    truth = one.truth
    if solve(diluted(truth, WATER)).ph < aim.high + 0.4:
        return None
    right = dose_to(diluted(truth, WATER), aim.typical, acid).grams * (1 + WATER) / 100

    def true_ph(share: float) -> float:
        return solve(diluted(mixed_with(truth, acid, 100 * share), WATER)).ph

    log = Log(acid, aim, 100.0, know(one.known), water=WATER)
    share, outcomes = 0.0, []
    for stage in range(stages):
        passed = False
        if stage:
            noise = draw.gauss(0, 0.25 if strip else 0.05)
            read = min(max(true_ph(share) + noise, 0.0), 14.0)
            log = replace(log, readings=(*log.readings, Reading(100 * share, read, WATER, strip)))
        guess = max(log.share_to(aim.typical)[0], 0.0)
        total = log.total(100)
        if stage:
            step = log.advice.next_addition / 100
            passed = step > 0 and true_ph(share + step) < aim.low - 0.05
            share += step
        outcomes.append(
            Outcome(
                abs(guess - right) / right,
                abs(true_ph(guess) - aim.typical),
                total.low <= 100 * right <= total.high,
                passed,
            )
        )
    return outcomes


@dataclass(frozen=True)
class Stage:
    """Figures of one stage over all batches of a class."""

    error: float
    within_3: float
    within_5: float
    covered: float
    passed: float


def simulate(kind: str, titrated: bool, batches: int, seed: int = 5, strip: bool = False) -> list[Stage]:
    """Return the figures before any reading and after one to four, over so many random batches."""
    draw = random.Random(f"{seed} {kind} {titrated} {strip}")
    runs: list[list[Outcome]] = []
    while len(runs) < batches:
        found = follow(batch(kind, titrated, draw), draw, strip=strip)
        if found:
            runs.append(found)

    def share(flags: Iterable[bool]) -> float:
        return 100 * sum(flags) / batches

    return [
        Stage(
            100 * median(o.dose_error for o in column),
            share(o.off_target <= 0.3 for o in column),
            share(o.off_target <= 0.5 for o in column),
            share(o.covered for o in column),
            share(o.passed_edge for o in column),
        )
        for column in zip(*runs, strict=True)
    ]
