"""Two surfactants in one micelle, solved apart from the program: the regular solution of Rubingh, and its inverse."""

from __future__ import annotations

from math import exp, log

from optimizer.chemistry.micelle import SPLIT
from optimizer.errors import fault
from optimizer.immutable import immutable


@immutable
class Pair:
    """A mixture of two at its mixed CMC.

    Attributes:
        cmc: Mixed CMC, in the unit of the pure ones.
        x1: Mole fraction of the first in the micelle.
        beta: Interaction parameter.
    """

    cmc: float
    x1: float
    beta: float


def rubingh(a1: float, c1: float, c2: float, beta: float) -> Pair:
    """Return mixed CMC and micelle composition of two surfactants from their interaction parameter.

    Solves x1 f1 c1 / a1 = x2 f2 c2 / a2, whose logarithms differ by a function that rises strictly with x1 for
    beta < 2, by Newton's method inside a bracket.

    Args:
        a1: Mole fraction of the first in the total, above 0 and below 1.
        c1: Its CMC.
        c2: CMC of the second, in the same unit.
        beta: Interaction parameter, below 2.

    Raises:
        DataError: If a figure is outside these ranges.
    """
    if not 0 < a1 < 1:
        raise fault("micelle", "a1", f"{a1:g} is no mixture.", "Write a mole fraction between 0 and 1.")
    if not beta < SPLIT:
        raise fault("micelle", "beta", f"beta {beta:g} would split the micelles in two.", "Write a number below 2.")
    offset = log(c1 / a1) - log(c2 / (1 - a1))
    # The logit of x1 keeps its digits where x1 is near 0 or 1.
    low, high = -700.0, 700.0
    logit = min(max(-offset, low), high)
    for _ in range(200):
        x = _logistic(logit)
        difference = logit + offset + beta * (1 - 2 * x)
        if difference < 0:
            low = logit
        else:
            high = logit
        step = difference / (1 - 2 * beta * x * (1 - x))
        if abs(step) < 1e-14 * (1 + abs(logit)):
            break
        following = logit - step
        logit = following if low < following < high else (low + high) / 2
    x1, x2 = _logistic(logit), _logistic(-logit)
    return Pair(x1 * exp(beta * x2 * x2) * c1 / a1, x1, beta)


def interaction(a1: float, c1: float, c2: float, measured: float) -> Pair:
    """Return interaction parameter and micelle composition of two surfactants from a measured mixed CMC.

    ln CMC is a concave, rising function of beta with slope x1 x2, so Newton's method reaches the one root from any
    start. Ill-conditioned where x1 is near 0 or 1: a small error of the CMC moves beta far.

    Raises:
        DataError: If no regular solution with beta below 2 has such a CMC, or a figure is not possible.
    """
    if not measured > 0:
        raise fault("micelle", "cmc", f"{measured:g} is not a CMC.", "Write a positive number.")
    beta = 0.0
    for _ in range(200):
        pair = rubingh(a1, c1, c2, beta)
        step = log(measured / pair.cmc) / (pair.x1 * (1 - pair.x1))
        if abs(step) < 1e-12 * (1 + abs(beta)):
            return pair
        beta = min(beta + step, SPLIT - 1e-9) if beta < SPLIT - 1e-8 else beta + step
        if not -500 < beta < SPLIT:
            break
    what = f"a mixed CMC of {measured:g} does not fit the pure ones, {c1:g} and {c2:g}."
    raise fault("micelle", "cmc", what, "Check the units and the mole fraction.")


def _logistic(value: float) -> float:
    return 1 / (1 + exp(-value)) if value > 0 else exp(value) / (1 + exp(value))
