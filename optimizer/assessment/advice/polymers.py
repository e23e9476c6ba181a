"""Advice on charge: cationic polymers, gums, amine oxide, and pairs that the library keeps apart."""

from optimizer.assessment.advice.base import COMMON, FORUM, Found, Pieces, Situation, ids, names
from optimizer.data.facts import ChargeDensity
from optimizer.data.formula import Line
from optimizer.data.measured import ANIONIC, SOURCE, measured_blends
from optimizer.data.pool import Group
from optimizer.units import listed, number

PIECES = Pieces("polymers")

GUMS = ("xanthan", "cellulose")
GUM_ACTIVE = 10.0
"""Active matter from which gums are watched [%]; an editable default, no source."""
AMINE_OXIDE_PH = 6.0
"""Below this amine oxide turns cationic; pKa in micelles about 5.9 (J. Colloid Interface Sci. 243 (2001) 233)."""

DENSE = 4.5
"""Charge from which a cationic polymer is called dense [mmol/g]: between those that seldom stayed stable beside an
anionic in measured blends, up to 6.1 and 6.2, and polyquaternium-7, up to 3.5."""


def cationic_polymers(s: Situation) -> tuple[Line, ...]:
    """Return the lines of cationic polymers."""
    return s.where(lambda m: any(p.charge == "cationic" and not p.surfactant for p in m.substances))


def densities(s: Situation, lines: tuple[Line, ...]) -> dict[str, ChargeDensity]:
    """Return what is known of the charge of the cationic polymers in lines, by INCI name."""
    known = s.brief.library.charge_densities
    return {p.inci: known[p.inci] for x in lines for p in x.item.material.substances if p.inci in known}


def charged(name: str, density: ChargeDensity) -> str:
    """Return the charge of a polymer in words, and how it fared beside an anionic where that was measured."""
    ends = [number(end) for end in density.mmol_per_g]
    told = f"{name} has {' to '.join(dict.fromkeys(ends))} mmol charge per g"
    every = measured_blends()
    if name not in every.names:
        return told
    beside = every.only(every.holding(name) & every.holding_any(*ANIONIC))
    stable = f"{int(beside.stable.sum())} of {len(beside.stable)} measured blends with an anionic"
    return f"{told} and stayed stable in {stable}"


@PIECES.piece("cationic-with-anionic", f"review of coacervation, abstract read; {FORUM}; {SOURCE}, counted in its data")
def with_anionic(s: Situation) -> Found | None:
    """Cationic polymer beside anionic surfactant, the worse the denser its charge."""
    lines = cationic_polymers(s)
    anionic = s.share(Group(charges=("anionic",)))
    if not lines or anionic <= 0:
        return None
    known = densities(s, lines)
    dense = [name for name, density in known.items() if density.mmol_per_g[1] > DENSE]
    text = (
        "Start at the low end of its dose, add it diluted and slowly, then watch a clear glass for two weeks, warm and "
        "cold, for haze, strings or layers."
    )
    if dense:
        text = (
            f"Rather take a polymer of less charge than {listed(dense)}, or another surfactant. If you try it: {text}"
        )
    doses = listed([f"{x.item.material.name} {number(x.percent, 2)} %" for x in lines])
    ceilings = [
        f"usually up to {number(c.percent)} %"
        for c in s.brief.library.ceilings
        if c.kind == "typical" and any(p.inci in c.substances for x in lines for p in x.item.material.substances)
    ]
    usual = f" ({listed(ceilings)})" if ceilings else ""
    reason = f"{doses}{usual} beside {number(anionic, 0)} % anionic: the pair can fall out, when stored or when rinsed."
    others = {
        n: d for n, d in s.brief.library.charge_densities.items() if n in measured_blends().names and n not in known
    }
    told = [charged(name, density) for name, density in [*known.items(), *(others.items() if known else ())]]
    return Found(text, f"{reason} {listed(told)}." if told else reason, ids(lines))


@PIECES.piece("two-cationic-polymers", "makers' forum 2023: strings after two weeks with two of them")
def two_cationic(s: Situation) -> Found | None:
    """More than one cationic polymer."""
    lines = cationic_polymers(s)
    if len(lines) < 2:
        return None
    return Found(
        "Use one of them, or prove the pair on a sample that stands for a month.",
        f"{listed(names(lines))} together.",
        ids(lines),
    )


@PIECES.piece("gum-and-surfactant", f"{FORUM}, 2020")
def gum(s: Situation) -> Found | None:
    """Gums in a blend with much surfactant."""
    lines = s.of_family(*GUMS)
    later = [c for c in s.planned if any(p.family in GUMS for p in c.material.substances)]
    if not (lines or later) or s.active < GUM_ACTIVE:
        return None
    text = (
        "Hydrate it fully before the surfactants, let a sample stand for two weeks, look for clumps and a clear layer."
    )
    reason = f"{listed(names([*lines, *later]))} with {number(s.active, 1)} % active matter: gums can fall out."
    return Found(text, reason, (*ids(lines), *(c.material.id for c in later)))


@PIECES.piece("gum-and-cationic", "library figures, from memory")
def gum_and_cationic(s: Situation) -> Found | None:
    """Anionic gum beside a cationic polymer."""
    gums, polymers = s.of_family("xanthan"), cationic_polymers(s)
    if not gums or not polymers:
        return None
    text = "Try the pair in water alone first; if it clumps, take hydroxyethylcellulose or leave one out."
    reason = f"{listed(names(gums))} is anionic, {listed(names(polymers))} cationic; little salt makes it worse."
    return Found(text, reason, ids((*gums, *polymers)))


@PIECES.piece("amine-oxide-in-acid", "Langmuir 20 (2004) 8490; J. Colloid Interface Sci. 243 (2001) 233; " + COMMON)
def amine_oxide(s: Situation) -> Found | None:
    """Amine oxide that turns cationic."""
    lines = s.of_family("amine oxide")
    low = s.setting.low
    if not lines or low is None or low >= AMINE_OXIDE_PH or s.share(Group(charges=("anionic",))) <= 0:
        return None
    text = "Hold the pH above 6, or acidify a sample slowly and look for haze and a sudden rise of thickness."
    reason = f"It may be pH {number(low, 2)}; below 6 {listed(names(lines))} takes up a proton and pairs with anionics."
    return Found(text, reason, ids(lines))


@PIECES.piece("kept-apart", COMMON)
def kept_apart(s: Situation) -> Found | None:
    """Pairs that the library keeps out of one product, such as the isothiazolinone mixture beside its part."""
    said: list[str] = []
    materials: list[str] = []
    sources: list[str] = []
    for pair in s.brief.library.exclusions:
        one = s.where(lambda m, side=pair.one: any(p.inci in side for p in m.substances))  # type: ignore[misc]
        other = s.where(lambda m, side=pair.other: any(p.inci in side for p in m.substances))  # type: ignore[misc]
        other = tuple(x for x in other if x not in one)
        if one and other:
            said.append(f"{listed(names(one))} and {listed(names(other))}: {pair.note}")
            materials += ids((*one, *other))
            sources.append(s.brief.library.sources.get(pair.source, pair.source))
    if not said:
        return None
    return Found("Take one of them out.", " ".join(said), tuple(materials), " ".join(dict.fromkeys(sources)))
