"""Mixed micelles: ideal mixed CMC, regular-solution composition and free monomer.

Micelle and monomer are in balance when, for every surfactant i, m_i = x_i f_i c_i, with m the monomer [mM], x the mole
fraction in the micelle, c the CMC of the pure surfactant and ln f_i = (B x)_i - x'Bx/2 (regular solution, B the matrix
of interaction parameters beta; for two surfactants ln f_1 = beta x_2^2). Ideal mixing is B = 0: Clint, J. Chem. Soc.
Faraday Trans. 1 71 (1975) 1327. Two surfactants: Rubingh, in Solution Chemistry of Surfactants 1 (1979) 337, solved
apart in the tests. (Both references from memory.)

Limits: one beta per pair is a crude fit for anionic with betaine, where it drifts from -12 to -5 with the ratio;
technical CMCs deserve one significant digit; salt lowers the CMC of anionics. The free anionic monomer is a relative
index. No published formula turns it into irritation. How far mixed CMCs can be trusted: `docs/micelles.md`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import product
from math import isfinite

import numpy as np
import numpy.typing as npt

from optimizer.chemistry.interval import Interval
from optimizer.errors import fault
from optimizer.immutable import immutable

Vector = npt.NDArray[np.float64]

SPLIT = 2.0
"""Interaction parameter from which a regular solution of two would split into two kinds of micelle."""

NO_FALL = 1e-17
"""Fall of the free energy, relative, that a last Newton step ends with."""


def millimoles(percent: float, molar_mass: float) -> float:
    """Return moles of active from its dose: [mmol per 100 g] from [% active w/w] and [g/mol].

    The molar mass is that of the raw material's chain cut, not of the pure C12 compound.

    Raises:
        DataError: If the dose is negative or the molar mass not positive.
    """
    if not (isfinite(percent) and percent >= 0 and molar_mass > 0):
        what = f"{percent:g} % at {molar_mass:g} g/mol is not an amount."
        raise fault("micelle", "active", what, "Write % active, zero or more, and the molar mass in g/mol.")
    return 1000 * percent / molar_mass


def at_dilution(millimoles_per_100_g: float, dilution: float) -> float:
    """Return the concentration in use [mM], density taken as 1 g/mL, of a product diluted to 1/`dilution`.

    Raises:
        DataError: If the dilution is less than 1.
    """
    if dilution < 1:
        raise fault("micelle", "dilution", f"a dilution of {dilution:g} is none.", "Write 1 for neat, 10 for 1 in 10.")
    return 10 * millimoles_per_100_g / dilution


def homologue(cmc: float, carbons: int, step: float, wanted: int) -> float:
    """Return the CMC of another chain length: log10 falls by `step` per carbon atom (C8 to C16)."""
    return float(cmc * 10 ** (step * (carbons - wanted)))


def clint(fractions: Sequence[float], cmcs: Sequence[float]) -> float:
    """Return the ideal mixed CMC [unit of `cmcs`]: 1 / sum(a_i / c_i).

    Args:
        fractions: Mole fractions of active a, or any amounts in proportion to them.
        cmcs: CMC of each pure surfactant.

    Raises:
        DataError: If an amount is negative, all are zero or a CMC is not positive.
    """
    a, c = _checked(fractions, cmcs)
    return float(a.sum() / (a / c).sum())


@immutable
class Micelles:
    """Where the surfactant of a wash liquor is.

    Attributes:
        monomer: Free monomer of each surfactant [mM], shape (n,).
        micellar: The rest, in micelles [mM], shape (n,).
        composition: Mole fractions in the micelle, or in the first micelle to form if there is none, shape (n,).
        cmc: Mixed CMC at the ratio of the amounts [mM].
        slopes: Change of monomer i per amount j [-], shape (n, n); exact, for linearised programs.
    """

    monomer: Vector
    micellar: Vector
    composition: Vector
    cmc: float
    slopes: Vector


def micelles(amounts: Sequence[float], cmcs: Sequence[float], betas: npt.ArrayLike | None = None) -> Micelles:
    """Return monomer and micelle of any number of surfactants at given concentrations.

    Minimises the free energy sum m_i (ln(m_i/c_i) - 1) + sum s_i ln x_i + S x'Bx/2 over the amounts s in micelles,
    with m = amounts - s and S = sum s, by Newton's method with a line search in ln s; it is convex for the parameters
    that are met in practice (two kinds: every beta below 2). Agrees with the two-surfactant equations to 1e-9.

    Args:
        amounts: Concentration of each in the liquor [mM], shape (n,).
        cmcs: CMC of each pure surfactant in that liquor [mM], shape (n,).
        betas: Symmetric interaction parameters with a zero diagonal, shape (n, n); none means ideal mixing.

    Raises:
        DataError: If an amount is negative, a CMC not positive, or the matrix not of that form.
    """
    n, c, b = _liquor(amounts, cmcs, betas)
    used, size = n > 0, len(n)
    if not used.any():
        return Micelles(np.zeros(size), np.zeros(size), np.zeros(size), float("nan"), np.eye(size))
    within = b[np.ix_(used, used)]
    x, cmc, found = _shared(n[used], c[used], within)
    composition = np.zeros(size)
    composition[used] = x
    if found is None:
        return Micelles(n.copy(), np.zeros(size), composition, cmc, np.eye(size))
    s, hessian = found
    micellar = np.zeros(size)
    micellar[used] = s
    composition[used] = s / s.sum()
    monomer = n - micellar
    # At rest the gradient is zero, so ds/dn = H^-1 diag(1/m); a newcomer stays free as far as f c / (f c + S) tells.
    slopes = np.eye(size)
    at = np.flatnonzero(used)
    slopes[np.ix_(at, at)] -= np.linalg.solve(hessian, np.diag(1 / monomer[used]))
    quadratic = composition @ b @ composition / 2
    for new in np.flatnonzero(~used):
        held = c[new] * float(np.exp((b @ composition)[new] - quadratic))
        taken = s.sum() / (held + s.sum())
        force = _pull(b[np.ix_(used, [new])][:, 0], within, composition[used], s.sum(), taken)
        slopes[np.ix_(at, [new])] = np.linalg.solve(hessian, force)[:, None]
        slopes[new, new] = 1 - taken
    return Micelles(monomer, micellar, composition, cmc, slopes)


def _liquor(
    amounts: Sequence[float], cmcs: Sequence[float], betas: npt.ArrayLike | None
) -> tuple[Vector, Vector, Vector]:
    """Return amounts, CMCs and interaction parameters as arrays, checked."""
    n, c = _checked(amounts, cmcs, empty=True)
    b = np.zeros((len(n), len(n))) if betas is None else np.asarray(betas, float)
    if b.shape != (len(n), len(n)) or not np.array_equal(b, b.T) or b.diagonal().any() or not (b < SPLIT).all():
        what = "the interaction parameters are not a symmetric table below 2 with zeros on the diagonal."
        raise fault("micelle", "betas", what, "Write one row and one column per surfactant.")
    return n, c, b


def _shared(n: Vector, c: Vector, b: Vector) -> tuple[Vector, float, tuple[Vector, Vector] | None]:
    """Return composition of the first micelle, mixed CMC, and `_in_micelles` above it, of amounts above 0."""
    x, log_cmc = _first_micelle(n / n.sum(), c, b)
    cmc = float(np.exp(log_cmc))
    return x, cmc, None if n.sum() <= cmc else _in_micelles(n, c, b, x)


def _pull(toward: Vector, b: Vector, x: Vector, total: float, taken: float) -> Vector:
    """Return how ln(x_i f_i) of those present moves when a little of a newcomer enters the micelle."""
    mixed = b @ x
    energy = float(x @ mixed) / 2
    common = -float(toward @ x) - 1 + 2 * energy
    return np.asarray(taken * (toward - mixed + common) / total, float)


def _first_micelle(a: Vector, c: Vector, b: Vector) -> tuple[Vector, float]:
    """Return composition and ln CMC of the first micelle: the minimum of sum x ln(x c / a) + x'Bx/2 over fractions."""
    ideal = a / c
    cost = np.log(c / a)
    x = ideal / ideal.sum()

    def value(x: Vector) -> float:
        return _log_cmc(x, cost, b)

    best, diagonal = value(x), np.s_[:: len(x) + 1]
    for _ in range(200):
        gradient = np.log(x) + cost + b @ x
        gradient -= x @ gradient
        if np.abs(x * gradient).max() < 1e-13:
            break
        # Newton in ln x on the simplex; the ideal part alone is the safe direction where the full one does not fall.
        full = b * x
        full.flat[diagonal] += 1
        full -= (x @ b) * x
        step = -np.linalg.solve(full, gradient)
        if x * gradient @ step >= 0:
            step = -gradient
        x, best, moved = _descend(x, step, best, value, normalise=True)
        if not moved:
            break
    return x, value(x)


def _log_cmc(x: Vector, cost: Vector, b: Vector) -> float:
    """Return what is least at the composition of the first micelle, and ln CMC there; `cost` is ln c / a."""
    return float(x @ (np.log(x) + cost) + x @ b @ x / 2)


def _in_micelles_near(n: Vector, c: Vector, b: Vector, near: Vector) -> Vector | None:
    """Return the amounts in micelles [mM], shape (n,), or None if there are none.

    Args:
        n: Amounts [mM], all above 0.
        c: CMCs [mM].
        b: Interaction parameters.
        near: Composition of a micelle of nearly these; no composition tells a CMC below that of the first micelle.
    """
    total = float(n.sum())
    if np.log(total) > _log_cmc(near, np.log(c / n * total), b):
        return _in_micelles(n, c, b, near)[0]
    found = _shared(n, c, b)[2]
    return None if found is None else found[0]


def _in_micelles(n: Vector, c: Vector, b: Vector, start: Vector) -> tuple[Vector, Vector]:
    """Return the amounts in micelles [mM] at rest and the Hessian of the free energy there [1/mM]."""
    # Start from ideal sharing between the first micelle's activities.
    held = c * np.exp(b @ start - start @ b @ start / 2)
    total = max(float(n.sum() - (held * start).sum()), 1e-6 * float(n.sum()))
    s = n * total / (held + total)

    def value(s: Vector) -> float:
        m, total = n - s, s.sum()
        if (m <= 0).any():
            return float("inf")
        x = s / total
        return float(m @ (np.log(m / c) - 1) + s @ np.log(x) + total * (x @ b @ x) / 2)

    best, hessian, last, diagonal = value(s), np.eye(len(n)), np.inf, np.s_[:: len(n) + 1]
    for _ in range(300):
        m, total = n - s, s.sum()
        x = s / total
        mixed = b @ x
        energy = x @ mixed / 2
        gradient = np.log(x) + mixed - energy - np.log(m / c)
        hessian = (b - mixed[:, None] - mixed + 2 * energy - 1) / total
        hessian.flat[diagonal] += 1 / m + 1 / s
        worst = float(np.abs(gradient).max())
        # Rounding leaves more than 1e-12 where amounts differ much; then it no longer falls.
        if worst < 1e-12 or last / 2 < worst < 1e-9:
            break
        last = worst
        step = -np.linalg.solve(hessian, gradient) / s
        fall = -float(s * gradient @ step)
        if fall <= 0:
            step = -gradient / (1 + s / m)
        s, best, moved = _descend(s, step, best, value)
        # Where almost nothing is free, rounding of n - s keeps the gradient above its end: no further step helps.
        if not moved or 0 < fall <= NO_FALL * (1 + abs(best)):
            break
    return s, hessian


def _descend(
    x: Vector, step: Vector, best: float, value: Callable[[Vector], float], normalise: bool = False
) -> tuple[Vector, float, bool]:
    """Return the point after a step in ln x, halved until the value falls, the value, and whether it moved."""
    scale = min(1.0, 3.0 / max(float(np.abs(step).max()), 1e-300))
    for _ in range(60):
        tried = x * np.exp(scale * step)
        if normalise:
            tried = tried / tried.sum()
        found = value(tried)
        if found <= best + 1e-15 * (1 + abs(best)):
            return tried, found, True
        scale /= 2
    return x, best, False


def matrix(charges: Sequence[str], betas: dict[frozenset[str], float]) -> Vector:
    """Return the table of interaction parameters of surfactants by their charges, shape (n, n).

    Args:
        charges: 'anionic', 'amphoteric', 'nonionic' or 'cationic', shape (n,).
        betas: Parameter by pair of charges; like with like, and pairs that are not named, mix ideally.
    """
    pairs = [[0.0 if p == q else betas.get(frozenset({p, q}), 0.0) for q in charges] for p in charges]
    return np.array(pairs, float).reshape(len(charges), len(charges))


def shinoda(fractions: Sequence[float], cmcs: Sequence[float], bound: float) -> float:
    """Return the mixed CMC of ionics of one charge [unit of `cmcs`]: (sum a_i / c_i^(1 + K))^(-1 / (1 + K)).

    Counter-ions of the one that forms micelles late act as salt on the others, so that chains far apart in length lie
    below the ideal rule (Shinoda, J. Phys. Chem. 58 (1954) 541, from memory).

    Args:
        fractions: Mole fractions of active, or any amounts in proportion to them.
        cmcs: CMC of each pure surfactant.
        bound: Part K of the counter-ions that a micelle binds; 0 is ideal mixing.
    """
    return float(clint(fractions, [c ** (1 + bound) for c in cmcs]) ** (1 / (1 + bound)))


def mixed_cmc(
    amounts: Sequence[float],
    cmcs: Sequence[Interval],
    charges: Sequence[str],
    betas: Sequence[Sequence[Interval]],
    bound: Interval,
) -> Interval:
    """Return the mixed CMC with interaction over all spreads [unit of `cmcs`].

    It rises with every CMC and every beta and falls with the counter-ions bound, so the ends lie at the ends of all.

    Args:
        amounts: Amount of each, in any unit, shape (n,); one of them at least is above 0.
        cmcs: CMC of each, shape (n,).
        charges: Charge of each, shape (n,); anionics among themselves, and cationics, share their counter-ions.
        betas: Spread of the interaction parameter of each two, shape (n, n); the diagonal is not read.
        bound: Part of the counter-ions that a micelle of ionics binds.

    Raises:
        DataError: As `micelles`.
    """

    def at(level: str, bound: float) -> float:
        n, c, b = _liquor(amounts, [getattr(c, level) for c in cmcs], _table(betas, level))
        used = n > 0
        for charge in ("anionic", "cationic"):
            one = used & np.array([x == charge for x in charges])
            if one.sum() > 1:
                c[one] *= shinoda(n[one].tolist(), c[one].tolist(), bound) / clint(n[one].tolist(), c[one].tolist())
        return float(np.exp(_first_micelle(n[used] / n.sum(), c[used], b[np.ix_(used, used)])[1]))

    ends = at("low", bound.high), at("high", bound.low)
    return Interval.around(at("typical", bound.typical), ends)


def _table(betas: Sequence[Sequence[Interval]], level: str) -> Vector:
    table = np.array([[getattr(beta, level) for beta in row] for row in betas], float)
    np.fill_diagonal(table, 0.0)
    return table


def free_monomer(
    amounts: Sequence[float],
    cmcs: Sequence[Interval],
    charges: Sequence[str],
    betas: dict[frozenset[str], Interval],
    of: str = "anionic",
) -> Interval:
    """Return the free monomer of one charge over the spread of CMCs and interaction parameters [mM].

    Every corner of the parameters of the pairs present is tried with all CMCs low and high together.

    Args:
        amounts: Concentration of each in the liquor [mM], shape (n,).
        cmcs: CMC of each [mM], shape (n,).
        charges: Charge of each, shape (n,).
        betas: Spread by pair of charges.
        of: Charge whose monomer is summed.

    Raises:
        DataError: As `micelles`.
    """
    if not len(amounts) == len(cmcs) == len(charges):
        raise fault("micelle", "amounts", "amounts, CMCs and charges are not of one length.", "Write one of each.")
    present = {charges[i] for i, amount in enumerate(amounts) if amount > 0}
    pairs = [pair for pair in betas if len(pair) == 2 and pair <= present]
    chosen = np.array([charge == of for charge in charges], bool)

    near: Vector | None = None

    def total(level: str, parameters: Sequence[float]) -> float:
        nonlocal near
        table = matrix(charges, dict(zip(pairs, parameters, strict=True)))
        n, c, b = _liquor(amounts, [getattr(c, level) for c in cmcs], table)
        used, monomer = n > 0, n.copy()
        if not used.any():
            return 0.0
        n, c, b = n[used], c[used], b[np.ix_(used, used)]
        found = _in_micelles_near(n, c, b, n / c / (n / c).sum() if near is None else near)
        if found is not None:
            near = found / found.sum()  # one corner lies near the next
            monomer[used] -= found
        return float(monomer[chosen].sum())

    corners = product(*((betas[p].low, betas[p].high) for p in pairs))
    ends = [total(level, corner) for corner in corners for level in ("low", "high")]
    return Interval.around(total("typical", [betas[p].typical for p in pairs]), ends)


def _checked(amounts: Sequence[float], cmcs: Sequence[float], empty: bool = False) -> tuple[Vector, Vector]:
    n, c = np.asarray(amounts, float), np.asarray(cmcs, float)
    if n.shape != c.shape or n.ndim != 1:
        raise fault("micelle", "cmc", "amounts and CMCs are not of one length.", "Write one CMC per surfactant.")
    if not (np.isfinite(n).all() and (n >= 0).all() and (empty or n.any())):
        raise fault("micelle", "amount", "an amount is negative or all are zero.", "Write what is in the formula.")
    if not (np.isfinite(c).all() and (c > 0).all()):
        raise fault("micelle", "cmc", "a CMC is not above 0.", "Write it in mmol/L.")
    return n, c
