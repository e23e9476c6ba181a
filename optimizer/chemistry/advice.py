"""What a pH log says now: what contradicts, the next safe addition, when to stop; and what was added."""

from __future__ import annotations

from math import exp, hypot, sqrt
from typing import Literal

from optimizer.chemistry.alkalinity import IONIC_STRENGTH
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.ph import Solution, check_ph, damping
from optimizer.chemistry.titration import PhLog
from optimizer.errors import fault
from optimizer.immutable import immutable, told_as
from optimizer.units import number

LARGEST_SHARE = 0.6
"""Largest share of the estimate that one addition may be; overshoot costs alkali and salt (common practice)."""
NEAR = 1.5
"""So near to the target [pH] the second addition is as careful as the first; assumption."""

SAFE = 2.3263
"""Standard deviations from the middle to the 1 % point of a normal distribution: where an addition ends at the latest.
At the 10 % point 4 of 100 simulated batches of amphoteric or acyl amino acid went past the edge on their way, at the
1 % point 0 to 5, mostly by less than 0.1; chosen on simulations, nobody measured any."""

State = Literal["measure", "add", "stop", "passed", "wrong way", "check", "finished"]
"""measure: read the pH first; add: the next addition; stop: inside the target; passed: beyond it; wrong way: this
solution moves away from the target; check: readings contradict each other; finished: nothing goes into the batch any
more."""


@immutable
class AcidAdvice:
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


def doubts_of(log: PhLog) -> tuple[str, ...]:
    """Readings that contradict each other, the model or the recipe, one sentence each."""
    return (*_against_each_other(log), *_against_fit(log), *_against_recipe(log))


def _against_each_other(log: PhLog) -> list[str]:
    found, way = [], -1.0 if log.solution.chemical.acid else 1.0
    name = "acid" if way < 0 else "alkali"
    for after in range(1, len(log.readings)):
        one, two = log.readings[after - 1], log.readings[after]
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


def _against_fit(log: PhLog) -> list[str]:
    found, theta = [], log.estimate.mean
    for line, (reading, share) in enumerate(zip(log.readings, log.path[0], strict=True), 1):
        row, value, fall, rest = log.line_at(reading.ph, share, reading.water, reading.temperature)
        off = (float(row @ theta) - value) / (float(fall @ theta) + rest)
        if abs(off) > 3 * reading.sigma:
            found.append(
                f"Reading {line}: pH {reading.ph:g} is {number(abs(off), 1)} "
                f"{'below' if off > 0 else 'above'} what the other lines and the recipe allow; check grams, "
                "dilution and calibration."
            )
    return found


def _against_recipe(log: PhLog) -> list[str]:
    if not log.readings:
        return []
    first, share = log.readings[0], log.path[0][0]
    row, value, fall, rest = log.line_at(first.ph, share, first.water, first.temperature)
    sd = sqrt(float(row @ log.known.covariance @ row)) + (float(fall @ log.known.mean) + rest) * first.sigma
    if abs(float(row @ log.known.mean) - value) > 3 * sd:
        return [
            f"Reading 1: pH {first.ph:g} is far from what the recipe's figures say; wrong ingredient, dose, "
            "dilution or a figure of an ingredient?"
        ]
    return []


def advise(log: PhLog) -> AcidAdvice:
    """What to do now.

    The next addition is at most 60 % of what the estimate says is still needed, and at most the lower 1 % point
    (taken on a logarithmic scale, because the need is positive) of what would bring the sample to the far edge of
    the target. The first addition, and near the target the second, is at most 60 % of that point too, because little
    has yet shown how the product answers. It is a plan: add it, stir, wait, read.
    """
    standing = _standstill(log)
    if standing is not None:
        return _without_addition(log, *standing)
    last, target, now, product = log.readings[-1], log.target, log.share_now, log.product_left
    (aim, _), (edge, edge_sd) = log.share_to(target.typical), log.share_to(_edges(log)[1])
    needed, room = aim - now, edge - now
    if needed <= 0 or room <= 0:
        reason = (
            f"By the estimate enough is in already, yet pH {last.ph:g} is read: stir, wait and read again, and "
            "check the grams; then add the smallest amount you can weigh."
        )
        return _without_addition(log, "check", reason)
    made = len({r.grams for r in log.readings if r.grams > 0})
    careful = made == 0 or (made == 1 and abs(last.ph - target.typical) <= NEAR)
    bound = room * exp(-SAFE * edge_sd / room) * (LARGEST_SHARE if careful else 1.0)
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
    expected = log.expected_after(now + step)
    return AcidAdvice("add", step * product, expected, reason, doubts_of(log), log.solution.caution)


def _without_addition(log: PhLog, state: State, reason: str) -> AcidAdvice:
    return AcidAdvice(state, 0.0, None, reason, doubts_of(log), log.solution.caution)


def _edges(log: PhLog) -> tuple[float, float]:
    """Return the edge of the target that an addition reaches first, and the far one."""
    target = log.target
    return (target.high, target.low) if log.solution.chemical.acid else (target.low, target.high)


def _standstill(log: PhLog) -> tuple[State, str] | None:
    """Return why nothing is to be added now, if so, by the readings alone."""
    name, way = log.solution.chemical.name, -1.0 if log.solution.chemical.acid else 1.0
    if not log.readings:
        return (
            "measure",
            "Read the pH of the product before anything is added; an estimate without a reading only plans.",
        )
    last, target, (near, far) = log.readings[-1], log.target, _edges(log)
    # What contradicts is judged before the target: a wrong reading must not stop or drive an addition.
    if _against_each_other(log):
        return (
            "check",
            "Readings contradict each other: add nothing, read again and strike out the line that was wrong.",
        )
    if target.low <= last.ph <= target.high:
        return "stop", (
            f"pH {last.ph:g} is inside {target.low:g} to {target.high:g}: stop. Read again after some hours; "
            "carbon dioxide and slow acids move it."
        )
    if way * (last.ph - near) <= 0:
        return None
    if last.grams > 0:
        return "passed", (
            f"pH {last.ph:g} is beyond {far:g}: add no more {name}. Blend with untreated product if there is "
            "some, or go back in small steps with the opposite solution."
        )
    return "wrong way", f"pH {last.ph:g} lies on the other side of {target.typical:g}: {name} moves it away."


@immutable
class Added:
    """What is in already."""

    active: float = told_as("active_g")
    """Acid or alkali in the form that was weighed [g]."""
    millimoles: float = told_as("mmol")
    """The same [mmol]."""
    equivalents: float = told_as("meq")
    """Acid: strong alkali it neutralises at the pH; alkali: acid it neutralises [meq]."""
    as_salt: float = told_as("as_salt_g")
    """Mass as its sodium salt at that pH (acids), or sodium, potassium or amine brought in (alkalis) [g]."""
    percent: float
    """Active, of what was adjusted [% w/w]."""


_CATION = {"sodium hydroxide": 22.99, "potassium hydroxide": 39.10}
_SODIUM_FOR_HYDROGEN = 22.99 - 1.008


def added(solution: Solution, grams: float, product: float, ph: float, ionic_strength: float = IONIC_STRENGTH) -> Added:
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
