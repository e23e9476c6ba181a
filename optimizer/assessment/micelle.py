"""What the micelles of a formula hold in use, beside its linear mildness rating: it explains, it does not rate."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import combinations
from math import isnan, nan

from optimizer.chemistry.constants import BETAS, COUNTER_IONS, KINDS, WEAK, Backed, pair_of
from optimizer.chemistry.cuts import TechnicalCmc
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.micelle import at_dilution, clint, free_monomer, matrix, micelles, millimoles, mixed_cmc
from optimizer.data.facts import Charge, Substance
from optimizer.data.formula import Formula
from optimizer.immutable import immutable
from optimizer.rules import named_measure
from optimizer.rules.micelle import UNKNOWN_MASS
from optimizer.rules.row import Setting
from optimizer.units import listed, number

DILUTION = 10.0
"""Product in use, 1 part in this many (common practice, no source)."""
LEVELS = ("low", "typical", "high")
HEAD = WEAK["amine oxide head"]
"""Below its pKa an amine oxide is cationic."""
ORDER = ("anionic", "amphoteric", "sugar nonionic", "amine oxide", "nonionic", "cationic")
"""In which kinds of surfactant are named."""


@immutable
class Surfactant:
    """One surfactant of the formula.

    Attributes:
        inci: Its name.
        charge: As it counts at the pH; an amine oxide is cationic below pH 5.9.
        millimolar: In the wash liquor [mM].
        fraction: Mole fraction of all surfactants with a figure; of all if it has none itself.
        cmc: CMC of its chain cut in water without salt [mM]; None if nobody knows it.
        backed: How well that is backed, 'unknown' without a figure.
        in_micelle: Mole fraction of the micelle at typical figures; NaN without a figure.
    """

    inci: str
    charge: Charge
    millimolar: float
    fraction: float
    cmc: Interval | None
    backed: Backed | str
    in_micelle: float


@immutable
class Interaction:
    """How two kinds of surfactant of the formula hold on to one another in its micelles."""

    kinds: tuple[str, ...]
    """Two kinds, or one of which several surfactants are there."""
    beta: Interval
    """Interaction parameter: its published spread, no constant."""
    source: str
    """Where the spread comes from."""
    backed: Backed
    """How well it is backed."""


@immutable
class MicelleReading:
    """Micelles of a formula in use.

    Attributes:
        dilution: 1 part of the product in this many.
        surfactants: Most moles first.
        mixed_cmc: Ideal mixed CMC over the spread of the CMCs [mM]; None if no surfactant has a figure.
        free_anionic: Free anionic monomer over the spreads of interaction parameters, CMCs and, where it matters, the
            charge of amine oxides [mM]; None as above.
        mildness: The linear mean of the mildness ratings; NaN without surfactants.
        unknown: Surfactants without a figure; anionic ones are added to the free monomer, others left out.
        notes: Limits, as sentences.
        mixed_with_interaction: Mixed CMC over the spreads of CMCs, interaction parameters and bound counter-ions [mM];
            None if fewer than two surfactants have a figure.
        interactions: What that rests on.
    """

    dilution: float
    surfactants: tuple[Surfactant, ...]
    mixed_cmc: Interval | None
    free_anionic: Interval | None
    mildness: float
    unknown: tuple[str, ...]
    notes: tuple[str, ...]
    mixed_with_interaction: Interval | None = None
    interactions: tuple[Interaction, ...] = ()


def micelle_reading(formula: Formula, setting: Setting, dilution: float = DILUTION) -> MicelleReading:
    """Return what the micelles of a formula hold in use.

    Args:
        formula: The formula.
        setting: Its pH setting; without a target amine oxides count both ways.
        dilution: 1 part of the product in this many, 1 or more.

    Raises:
        DataError: If the dilution is less than 1.
    """
    amounts = _amounts(formula, dilution)
    known = {s: n for s, n in amounts.items() if s[3] is not None}
    unknown = {s: n for s, n in amounts.items() if s[3] is None}
    mildness = named_measure("mildness").value(formula, setting)
    names = tuple(sorted({s[0] for s in unknown}))
    if not known:
        rest = tuple(_surfactant(s, n, sum(amounts.values()), nan) for s, n in amounts.items())
        return MicelleReading(dilution, rest, None, None, mildness, names, _notes(names, mildness, False))
    oxide = _oxide(setting)
    n = list(known.values())
    cmcs = [s[3].millimolar for s in known if s[3] is not None]
    ends = {level: clint(n, [getattr(c, level) for c in cmcs]) for level in LEVELS}
    betas = {pair: b.spread for pair, b in BETAS.items()}
    charges = dict.fromkeys(tuple(_charge(s, way) for s in known) for way in oxide)
    ways = [free_monomer(n, cmcs, way, betas) for way in charges]
    more = sum(amount for s, amount in unknown.items() if s[1] == "anionic")
    free = Interval.around(ways[0].typical + more, [x + more for w in ways for x in (w.low, w.high)])
    typical = matrix([_charge(s, oxide[0]) for s in known], {pair: b.typical for pair, b in betas.items()})
    micelle = micelles(n, [c.typical for c in cmcs], typical).composition
    surfactants = [
        _surfactant(s, a, sum(n), float(x), oxide[0]) for (s, a), x in zip(known.items(), micelle, strict=True)
    ]
    surfactants += [_surfactant(s, a, sum(amounts.values()), nan) for s, a in unknown.items()]
    surfactants.sort(key=lambda s: (-s.millimolar, s.inci))
    mixed = Interval(ends["low"], ends["typical"], ends["high"])
    notes = _notes(names, mildness, len(oxide) > 1 and any(_is_oxide(s) for s in known))
    kinds = [[_told_kind(s, way) for s in known] for way in oxide]
    held = _with_interaction(n, cmcs, kinds) if len(known) > 1 else None
    return MicelleReading(
        dilution,
        tuple(surfactants),
        mixed,
        free,
        mildness,
        names,
        notes,
        held,
        tuple(_interactions(kinds[0])) if held else (),
    )


Kind = tuple[str, Charge, str, TechnicalCmc | None]
"""INCI name, charge in the library, family of the CMC, CMC."""


def _amounts(formula: Formula, dilution: float) -> dict[Kind, float]:
    """Return mM in use by substance; without a molar mass there is no amount, so it counts with 300 g/mol."""
    found: dict[Kind, float] = {}
    for line in formula.lines:
        for s in line.item.material.substances:
            if s.surfactant and s.typical > 0:
                moles = millimoles(line.percent * s.typical / 100, s.molar_mass or UNKNOWN_MASS)
                found[_kind(s)] = found.get(_kind(s), 0.0) + at_dilution(moles, dilution)
    return found


def _kind(s: Substance) -> Kind:
    family, cmc = ("", None) if s.micelle is None else (s.micelle.family, s.micelle.cmc)
    return s.inci, s.charge or "nonionic", family, cmc


def _is_oxide(kind: Kind) -> bool:
    return kind[2] == "amine oxide"


def _oxide(setting: Setting) -> tuple[Charge, ...]:
    """Return what an amine oxide counts as at a pH, the likelier first; both within the spread of its pKa."""
    if setting.target is None:
        return "nonionic", "cationic"
    pka = HEAD.pka[0]
    likely: Charge = "cationic" if setting.target < pka else "nonionic"
    if abs(setting.target - pka) > HEAD.spread:
        return (likely,)
    return likely, "nonionic" if likely == "cationic" else "cationic"


def _charge(kind: Kind, oxide: Charge) -> Charge:
    return oxide if _is_oxide(kind) else kind[1]


def _told_kind(kind: Kind, oxide: Charge) -> str:
    """Return its charge, or which nonionic it is."""
    charge = _charge(kind, oxide)
    return KINDS.get(kind[2], charge) if charge == "nonionic" else charge


def _with_interaction(amounts: list[float], cmcs: list[Interval], ways: list[list[str]]) -> Interval:
    """Return the mixed CMC over all ways in which amine oxides may count, the likelier first."""
    found = []
    for kinds in ways:
        betas = [[pair_of(one, other).spread for other in kinds] for one in kinds]
        found.append(mixed_cmc(amounts, cmcs, kinds, betas, COUNTER_IONS))
    return Interval.around(found[0].typical, [x for f in found for x in (f.low, f.high)])


def _interactions(kinds: list[str]) -> Iterable[Interaction]:
    """Yield what is known of every two of the surfactants, each pair of kinds once."""
    pairs = {tuple(sorted({*two}, key=ORDER.index)) for two in combinations(kinds, 2)}
    for pair in sorted(pairs, key=lambda pair: [ORDER.index(kind) for kind in pair]):
        beta = pair_of(pair[0], pair[-1])
        yield Interaction(pair, beta.spread, beta.source, beta.backed)


def _surfactant(kind: Kind, amount: float, total: float, in_micelle: float, oxide: Charge = "nonionic") -> Surfactant:
    cmc = kind[3]
    interval, backed = (None, "unknown") if cmc is None else (cmc.millimolar, cmc.backed)
    return Surfactant(kind[0], _charge(kind, oxide), amount, amount / total, interval, backed, in_micelle)


def _notes(unknown: tuple[str, ...], mildness: float, either: bool) -> tuple[str, ...]:
    notes = [
        "The free anionic monomer is a relative index for comparing blends: no published formula turns it into "
        "irritation. It helps to explain why a mixture may be milder than its rating; it does not replace the rating, "
        "which averages linearly, and neither is a measurement.",
        "CMCs hold for water without salt near 25 °C and for the chain cut as sold; salt lowers them. One significant "
        "digit is all they deserve.",
        "One interaction parameter per pair of charges is a crude fit: for anionic with betaine it drifts from -12 to "
        "-5 with the ratio. The interval spans what is published; a technical betaine may show less, so no synergy is "
        "promised.",
    ]
    if either:
        notes.append(
            f"The pH lies within {number(HEAD.spread)} of the amine oxide's pKa of {number(HEAD.pka[0])} or is not "
            "set: it counts as nonionic and as cationic in the interval."
        )
    if unknown:
        notes.append(
            f"Without a CMC: {listed(unknown)}. Anionic ones count as wholly free, which is the safe side; others are "
            "left out."
        )
    if isnan(mildness):
        notes.append("Without surfactants there is nothing to rate.")
    return tuple(notes)
