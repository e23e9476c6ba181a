"""Advice on preservation: what micelles take, what charge puts out of action, what a small drift of the pH costs."""

from optimizer.assessment.advice.base import COMMON, Found, Pieces, Situation, ids, names
from optimizer.assessment.electrolyte import ionic_strength_of
from optimizer.chemistry.preservation import undissociated_share
from optimizer.data.formula import Line
from optimizer.data.pool import Group
from optimizer.rules.preserved import PRESERVATIVE, acts
from optimizer.units import KEPT, listed, number

PIECES = Pieces("preservation")

MUCH_NONIONIC = 30.0
"""Share of nonionics in surfactants and solubilisers from which losses are told [%]; an editable default, no source."""
LITTLE_ETHOXYLATE = 0.5
"""Ethoxylated nonionic from which losses of parabens are told [% of the product]; an editable default, no source."""
NEAR_EDGE = 0.4
"""So near to the end of its window [pH] the share of an acid is told at both ends; an editable default, no source."""
EXCIPIENTS = "handbooks of excipients on phenoxyethanol, parabens and nonionics, from memory"


def preservatives(s: Situation) -> tuple[Line, ...]:
    """Return the preservatives that act at the pH."""
    return s.where(lambda m: acts(m, s.setting))


def nonionic(s: Situation) -> tuple[float, float]:
    """Return nonionic surfactants and solubilisers [% of the product], and their share of all such matter [%]."""

    def matter(line: Line, *charges: str) -> float:
        counted = (p for p in line.item.material.substances if p.surfactant or _solubiliser(line))
        return line.percent * sum(p.typical for p in counted if p.role == "active" and p.charge in charges) / 100

    own = sum(matter(x, "nonionic") for x in s.used)
    whole = sum(matter(x, "nonionic", "anionic", "amphoteric", "cationic") for x in s.used)
    return own, 100 * own / whole if whole > KEPT else 0.0


def _solubiliser(line: Line) -> bool:
    return "solubiliser" in line.item.material.functions


@PIECES.piece("lost-to-nonionics", f"{EXCIPIENTS}; {COMMON}")
def lost_to_nonionics(s: Situation) -> Found | None:
    """Preservatives that nonionic micelles take up, without a partner that they do not."""
    every = preservatives(s)
    lost = tuple(x for x in every if "nonionic" in x.item.material.lost_to)
    dose, share = nonionic(s)
    if not lost or len(lost) < len(every) or share < MUCH_NONIONIC:
        return None
    text = (
        "Do not count on the whole dose: give it a partner that stays in the water, such as an acid preservative at a "
        "pH that suits it, or stay at the upper end of its usual use; have the finished wash challenge tested."
    )
    solubilisers = [x for x in s.used if _solubiliser(x) and x.item.material.surfactant_matter == 0]
    beside = f", {listed(names(solubilisers))} among them" if solubilisers else ""
    reason = (
        f"{listed(names(lost))} alone beside {number(dose, 1)} % nonionics, {number(share, 0)} % of what forms "
        f"micelles{beside}: nonionic micelles take part of it out of the water, in which microbes live."
    )
    return Found(text, reason, ids(lost))


@PIECES.piece("paraben-and-ethoxylate", f"{EXCIPIENTS}; {COMMON}")
def paraben(s: Situation) -> Found | None:
    """Parabens beside ethoxylated nonionics."""
    lost = tuple(x for x in preservatives(s) if "ethoxylate" in x.item.material.lost_to)
    beside = s.where(
        lambda m: (
            "ethoxylate" not in m.free_from
            and any(p.charge == "nonionic" and p.role == "active" for p in m.substances)
            and PRESERVATIVE not in m.functions
        )
    )
    dose = sum(x.percent for x in beside)
    if not lost or dose < LITTLE_ETHOXYLATE:
        return None
    return Found(
        "Take another preservative, or a solubiliser without ethylene oxide: the paraben is bound, not only diluted.",
        f"{listed(names(lost))} beside {number(dose, 2)} % of {listed(names(beside))}, not declared ethoxylate-free.",
        ids((*lost, *beside)),
    )


@PIECES.piece("cationic-put-out-of-action", COMMON)
def cationic(s: Situation) -> Found | None:
    """Cationic preservatives and surfactants beside anionics."""
    lines = s.where(
        lambda m: any(
            p.charge == "cationic" and (p.surfactant or p.role == "preservative" or PRESERVATIVE in m.functions)
            for p in m.substances
        )
    )
    anionic = s.share(Group(charges=("anionic",)))
    if not lines or anionic <= 0:
        return None
    return Found(
        "Do not count on it: leave it out, or leave the anionics out; what falls out looks like haze or threads.",
        f"{listed(names(lines))} is cationic beside {number(anionic, 0)} % anionic of the active matter: they pair and "
        "fall out, and what is paired neither preserves nor conditions.",
        ids(lines),
    )


@PIECES.piece("edge-of-its-window", "mass action; pKa as published, see the library")
def edge(s: Situation) -> Found | None:
    """Acid preservatives near the upper end of their window."""
    low, high = s.setting.low, s.setting.high
    if low is None or high is None:
        return None
    found, lines = [], []
    ionic = ionic_strength_of(s.formula).typical
    for x in s.where(lambda m: PRESERVATIVE in m.functions and m.ph_stable is not None):
        window = x.item.material.ph_stable
        acids = {p.acid.name: p.acid.pka[1] for p in x.item.material.substances if p.acid is not None}
        if window is None or not acids or not window[1] - NEAR_EDGE <= high:
            continue
        lines.append(x)
        for name, pka in acids.items():
            ends = [number(100 * undissociated_share(ph, pka, ionic), 0) for ph in (low, high)]
            found.append(f"{name} {ends[0]} % at pH {number(low, 2)}, {ends[1]} % at {number(high, 2)}")
    if not found:
        return None
    return Found(
        "Hold the pH at the low end of its range and read it again after a day, a week and a month: it may creep up.",
        f"So much of it is the acid that acts, at most: {listed(list(dict.fromkeys(found)))}.",
        ids(lines),
    )
