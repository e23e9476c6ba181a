"""Weak acids and bases with their pKa, interaction parameters and critical micelle concentrations, with sources.

Thermodynamic pKa at 25 °C and zero ionic strength unless the source says otherwise. "Mixed" constants of
tables at ionic strength 0.1 are already converted; they must not be corrected a second time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from typing import Literal

from optimizer.chemistry.interval import Interval
from optimizer.chemistry.micelle import homologue
from optimizer.immutable import immutable

Backed = Literal["published", "derived", "secondary page", "from memory", "assumption"]
"""How a figure is backed; 'published' and 'secondary page' figures were read, the latter where others are quoted."""

IONS = "open table of ions of an electrophoresis library (ionize 1.5.3)"

PKW = 13.995
"""Ionic product of water at 25 °C, -log10; from memory, source believed to be the CRC Handbook."""

PKW_PER_KELVIN = -0.033
"""Change of pKw per kelvin near 25 °C; from memory, source believed to be the CRC Handbook."""

REFERENCE_TEMPERATURE = 25.0
"""Temperature of the constants [°C]."""

NIST = "NIST Critically Selected Stability Constants of Metal Complexes, database 46"
IUPAC = "IUPAC Digitized pKa Dataset (Perrin; Serjeant and Dempsey), single entries"


@immutable
class Weak:
    """A family of species that differ by protons.

    Attributes:
        name: Name of the acid or base.
        pka: pKa of the steps, most acidic first.
        source: Where the pKa come from.
        backed: How well.
        top: Charge of the form that holds all its protons: 0 for acids, +1 for amines.
        spread: Half width of what is published for the pKa.
        per_kelvin: Change of the pKa per kelvin, of every step alike or step by step.
    """

    name: str
    pka: tuple[float, ...]
    source: str
    backed: Backed = "published"
    top: int = 0
    spread: float = 0.02
    per_kelvin: float | tuple[float, ...] = 0.0

    def at(self, temperature: float) -> Weak:
        """Return the family with its pKa at another temperature [°C]; linear, for 15 to 45 °C."""
        slopes = self.per_kelvin if isinstance(self.per_kelvin, tuple) else (self.per_kelvin,) * len(self.pka)
        warmer = temperature - REFERENCE_TEMPERATURE
        if not warmer or not any(slopes):
            return self
        moved = tuple(p + slope * warmer for p, slope in zip(self.pka, slopes, strict=True))
        return Weak(self.name, moved, self.source, self.backed, self.top, self.spread, self.per_kelvin)


_AMINE_SLOPE = -0.024
"""Change of an amine's pKa per kelvin; from memory, common value for alkanolamines and tertiary amines."""

_ALL = (
    Weak("4-hydroxybenzoic acid", (8.3,), "phenol of the parabens; source believed to be a handbook", "from memory"),
    Weak("ammonia", (9.25,), IONS, "secondary page", top=1, per_kelvin=-0.03),
    Weak(
        "arginine",
        (2.0, 9.0, 12.5),
        "source believed to be the CRC Handbook; the guanidinium of Protein Sci. 24 (2015) 752 holds on still longer",
        "from memory",
        top=2,
        spread=0.1,
        per_kelvin=_AMINE_SLOPE,
    ),
    Weak("anisic acid", (4.471,), IONS, "secondary page", spread=0.1),
    Weak("acetic acid", (4.757,), NIST),
    Weak("benzoic acid", (4.204,), f"{IUPAC}: serjeant3388; 4.202 in NIST 46", spread=0.02),
    Weak("boric acid", (9.236,), "NIST 46 value; agrees with the borax standard within 0.005", "from memory"),
    Weak("carbonic acid", (6.352, 10.329), f"second step {NIST}; first step an ion table of an open library"),
    Weak(
        "citric acid",
        (3.128, 4.761, 6.396),
        f"{NIST}; Bates and Pinching 1949; what a kelvin changes is believed of that paper, not read again",
        per_kelvin=(-0.0025, -0.0012, 0.002),
    ),
    Weak(
        "dehydroacetic acid",
        (5.24,),
        f"{IUPAC}: serjeant4027, 5.12 mixed at I = 0.15 converted; 5.53 at 20 °C is the high end",
        "derived",
        spread=0.29,
    ),
    Weak(
        "ethylenediamine disuccinate",
        (2.95, 3.86, 6.84, 10.01),
        "source believed to be J. Chem. Soc., Dalton Trans. (2002) 4644",
        "from memory",
        spread=0.1,
    ),
    Weak("edta", (1.5, 2.16, 3.12, 6.273, 10.948), NIST, top=1, spread=0.1),
    Weak("formic acid", (3.75,), "J. Cosmet. Sci. 56 (2005) 361, table of preservatives"),
    Weak("gluconic acid", (3.92,), "Talanta 45 (1998) 1007; its lactone opens slowly", spread=0.1),
    Weak(
        "glutamate diacetate", (2.6, 3.5, 5.0, 9.4), "believed near Molecules 26 (2021) 7087", "from memory", spread=0.2
    ),
    Weak("glycolic acid", (3.83,), f"{IUPAC}: serjeant2044"),
    Weak("lactic acid", (3.857,), "Martin and Tartar, as assessed by IUPAC; registration dossier of lactic acid"),
    Weak("levulinic acid", (4.602,), IONS, "secondary page", spread=0.1),
    Weak("oxalic acid", (1.25, 4.27), "checks only; source believed to be NIST 46", "from memory"),
    Weak("phosphoric acid", (2.148, 7.198, 12.375), NIST),
    Weak(
        "phytate",
        (5.7, 6.85, 7.6),
        "source believed to be Carbohydr. Res. 46 (1976) 159; six steps below 2.2 and three above 9.9 are left out; "
        "so are their six charges, as the others were read in salt solution: they need no correction 13 to 17 fold",
        "from memory",
        spread=0.4,
    ),
    Weak(
        "piroctone olamine",
        (7.4, 9.5),
        "piroctone and ethanolamine; source believed to be a supplier's sheet and the CRC Handbook",
        "from memory",
        top=1,
        spread=0.3,
    ),
    Weak("phthalic acid", (2.95, 5.408), f"checks only; second step {NIST}, first step an open ion table"),
    Weak("propionic acid", (4.87,), "J. Cosmet. Sci. 56 (2005) 361, table of preservatives"),
    Weak("salicylic acid", (2.98, 13.7), f"{IUPAC}: serjeant3397; second step NIST 46"),
    Weak(
        "sorbic acid",
        (4.76,),
        "textbook value; 4.51 mixed at I = 0.1 (IUPAC, serjeant2850b) converts to 4.62",
        spread=0.14,
    ),
    Weak("tartaric acid", (3.036, 4.366), NIST),
    Weak(
        "aminomethyl propanol",
        (9.7,),
        "source believed to be supplier data",
        "from memory",
        top=1,
        spread=0.1,
        per_kelvin=_AMINE_SLOPE,
    ),
    Weak(
        "triethanolamine",
        (7.76,),
        "source believed to be the CRC Handbook",
        "from memory",
        top=1,
        spread=0.05,
        per_kelvin=-0.02,
    ),
    Weak(
        "amine oxide head",
        (5.9,),
        "Langmuir 20 (2004) 8490 and J. Colloid Interface Sci. 243 (2001) 233: micelle 5.9, monomer 5",
        top=1,
        spread=0.9,
    ),
)

WEAK = {w.name: w for w in _ALL}
"""Weak acids and bases by name."""

SITES: dict[str, tuple[Weak, ...]] = {
    "soap": tuple(
        Weak(
            f"soap or carbonate {p:g}",
            (p,),
            "fatty acid in glucoside micelles titrates at 6.3 (13C NMR, abstract); carbonic acid 6.35",
            "assumption",
        )
        for p in (6.0, 6.7, 7.4)
    ),
    "amine": tuple(
        Weak(
            f"amine {p:g}",
            (p,),
            "species ranges of alkyl iminodiacetates, Langmuir 14 (1998) 5051 (abstract); dimethylglycine 9.94",
            "assumption",
            top=1,
            per_kelvin=_AMINE_SLOPE,
        )
        for p in (8.7, 9.15, 9.6)
    ),
    "carboxyl": tuple(
        Weak(
            f"carboxyl head {p:g}",
            (p,),
            "monomer 3.6 to 4.4; in micelles 1.5 to 2.5 higher (Colloids Interfaces 8 (2024) 38, qualitative); chosen "
            "on that range and on three titrations of blends (Chemistry-Methods 2023, doi 10.1002/cmtd.202300043)",
            "assumption",
        )
        for p in (4.7, 5.5, 6.3)
    ),
    "sugar": (Weak("sugar hydroxyl 12.6", (12.6,), "glucose 12.3 from memory", "assumption", per_kelvin=-0.03),),
}
"""Grid of sites on which the log fits what a surfactant blend takes up, by kind of site."""


@immutable
class Beta:
    """Published spread of an interaction parameter of the regular-solution model.

    Attributes:
        spread: Low, typical, high [-].
        source: Where the spread comes from.
        backed: How well.
    """

    spread: Interval
    source: str
    backed: Backed


BETAS: dict[frozenset[str], Beta] = {
    frozenset({"anionic", "amphoteric"}): Beta(
        Interval(-12.0, -6.0, -1.0),
        "computed from an open set of mixture data (-11.8 to -5.4); -1 to -6 from memory. Danov et al., Langmuir 20 "
        "(2004) 5445, see no minimum with a technical betaine, which asks for a weak end. The typical value is chosen",
        "derived",
    ),
    frozenset({"anionic", "nonionic"}): Beta(
        Interval(-7.5, -3.0, -1.0),
        "computed from an open set of mixture data (-3.7 to -2.0; with an ethoxylated diol -7.5 to -3.0); -2.1 and "
        "-3.3 in J. Colloid Interface Sci. 222 (2000) 159; -1 to -5 from memory",
        "derived",
    ),
    frozenset({"amphoteric", "nonionic"}): Beta(
        Interval(-1.5, -0.5, 0.0),
        "weak, Rosen and Sulthana, J. Colloid Interface Sci. (2001), in words only; the numbers are assumed",
        "assumption",
    ),
    frozenset({"anionic", "cationic"}): Beta(
        Interval(-25.0, -15.0, -10.0), "computed from an open set of mixture data (-24.3 to -11.5); textbook", "derived"
    ),
    frozenset({"amphoteric", "cationic"}): Beta(Interval(-3.0, -1.0, 0.0), "assumed", "assumption"),
    frozenset({"nonionic", "cationic"}): Beta(Interval(-3.0, -1.5, -0.5), "assumed", "assumption"),
}
"""Spread by pair of charges; like with like mixes ideally, beta 0 (textbook, from memory)."""

KINDS = {"glucoside": "sugar nonionic", "amine oxide": "amine oxide"}
"""What a nonionic counts as in `PAIRS`, by the family of its CMC."""
_LIKE = (
    "like chains computed from an open set of mixture data (-0.6 to +0.7, at most two carbons apart or nearly ideal)"
)
PAIRS: dict[frozenset[str], Beta] = {
    **BETAS,
    frozenset({"anionic", "sugar nonionic"}): Beta(
        Interval(-3.7, -3.0, -1.0),
        "computed from an open set of mixture data, methylglucamides (-3.7 to -2.5); decyl maltoside -2.1 in J. "
        "Colloid Interface Sci. 222 (2000) 159; glucosides and technical ones not measured, so the weak end is that of "
        "all nonionics",
        "derived",
    ),
    frozenset({"anionic", "amine oxide"}): Beta(
        Interval(-9.0, -5.0, -1.9),
        "C12 amine oxide with dodecyl sulfate, -9.0 to -1.9; the middle is chosen",
        "derived",
    ),
    frozenset({"anionic"}): Beta(Interval(-0.6, 0.0, 0.7), _LIKE, "derived"),
    frozenset({"cationic"}): Beta(Interval(-0.6, 0.0, 0.7), _LIKE, "derived"),
    frozenset({"amphoteric"}): Beta(Interval(-0.6, 0.0, 0.7), "no figure found; as the ionics", "assumption"),
    frozenset({"nonionic"}): Beta(
        Interval(-0.2, 0.0, 0.6),
        "computed from an open set of mixture data (-0.1 to +0.6); dodecyl maltoside with an ethoxylate +0.2 to +0.3",
        "derived",
    ),
}
"""Spread by pair of charges or of `KINDS`, for the mixed CMC that is told beside the ideal one."""


def pair_of(one: str, other: str) -> Beta:
    """Return what is known of the interaction of two charges or `KINDS`; what is not told apart counts as nonionic."""
    general = (x if x not in KINDS.values() else "nonionic" for x in (one, other))
    return PAIRS.get(frozenset({one, other})) or PAIRS[frozenset(general)]


COUNTER_IONS = Interval(0.0, 0.5, 0.62)
"""Part of the counter-ions that micelles of like-charged ionics bind: 0 is ideal, 0.5 fits the like pairs of
`docs/micelles.md`, 0.62 is the slope of lauroyl sarcosinate in sodium sulfate (computed from Patra et al., ACS Omega
(2018), 10.1021/acsomega.8b00718, Table 2)."""


@immutable
class Cmc:
    """Critical micelle concentration of pure surfactants of a family in water near 25 °C.

    Attributes:
        millimolar: Low, typical, high [mmol/L].
        carbons: Carbon atoms of the chain.
        step: Fall of log10 CMC per further carbon atom, for chains without a figure of their own.
        source: Where the values come from.
        backed: How well.
        chains: Figures of other chains of the family, by carbon atoms [mmol/L].
    """

    millimolar: Interval
    carbons: int
    step: float
    source: str
    backed: Backed = "published"
    chains: Mapping[int, Interval] = field(default_factory=dict)

    def of(self, carbons: int) -> Interval:
        """Return the figure of a chain: its own, else from the nearest one (the longer of two) by the step."""
        known = {self.carbons: self.millimolar, **self.chains}
        near = min(known, key=lambda n: (abs(n - carbons), -n))
        return known[near].mapped(lambda cmc: homologue(cmc, near, self.step, carbons))


def _chains(first: Interval, **typical: float) -> dict[int, Interval]:
    """Return figures of further chains (c14=2.1) with the relative spread of the first."""
    spread = first.mapped(lambda cmc: cmc / first.typical)
    return {int(name[1:]): spread.mapped(lambda x, cmc=cmc: x * cmc) for name, cmc in typical.items()}  # type: ignore[misc]


_ROSEN = "Rosen and Kunjappu, Surfactants and Interfacial Phenomena, 4th ed. (2012)"
_LIN = "Lin and Marszall, J. Colloid Interface Sci. (1976), 10.1016/0021-9797(76)90178-8, Table 1"
_GAUDIN = "Gaudin et al., Ind. Eng. Chem. Res. (2016), 10.1021/acs.iecr.6b02890, Table 2"
_HUIBERS = "Huibers et al., J. Colloid Interface Sci. (1997), 10.1006/jcis.1996.4680"
_ETHER = "10.1021/acs.iecr.9b00504"
_BILE = "Chem. Cent. J. 5 (2011) 89"

_SULFATE = Interval(7.0, 8.1, 8.3)
_TECHNICAL = 0.544
"""A technical ether sulfate over the pure one, so that the heaviest C12-14 lot of 2 EO has the 0.80 mM read."""
_ETHER_1 = Interval(3.9 * _TECHNICAL, 3.9, 4.2)
_ETHER_2 = Interval(2.9 * _TECHNICAL, 2.9, 3.1)
_ETHER_3 = Interval(2.8 * _TECHNICAL, 2.8, 2.8)
_BETAINE = Interval(0.88, 2.0, 2.0)
_SULTAINE = Interval(0.88, 3.0, 3.0)
_SOAP = Interval(25.0, 25.5, 25.5)

CMCS = {
    "alkyl sulfate": Cmc(
        _SULFATE,
        12,
        0.30,
        f"C12 and C14 {_ROSEN}; C16 and C18 {_LIN}; C8 and C10 {_HUIBERS}; 7.0 to 8.3 in an open set of mixtures",
        chains=_chains(_SULFATE, c8=140.0, c10=33.04, c14=2.1, c16=0.4, c18=0.11),
    ),
    "alkyl ether sulfate 1": Cmc(
        _ETHER_1,
        12,
        0.30,
        f"C12 3.9 to 4.2, C16 and C18 {_LIN}; C14 {_ETHER}; low end as far down as the technical grade of 2",
        chains=_chains(_ETHER_1, c14=1.39, c16=0.22, c18=0.11),
    ),
    "alkyl ether sulfate 2": Cmc(
        _ETHER_2,
        12,
        0.30,
        f"C12 2.9 to 3.1, C16 and C18 {_LIN}; C14 {_ETHER}; low end so that a C12-14 cut has 0.80, computed from "
        f"{_BILE}",
        chains=_chains(_ETHER_2, c14=0.851, c16=0.14, c18=0.07),
    ),
    "alkyl ether sulfate 3": Cmc(
        _ETHER_3,
        12,
        0.30,
        f"C12, C16 and C18 {_LIN}; C14 between that of 2, {_ETHER}, and that of 4, 10.1021/la950581j; low end as far "
        "down as the technical grade of 2",
        chains={14: Interval(0.692 * _TECHNICAL, 0.77, 0.851), **_chains(_ETHER_3, c16=0.10, c18=0.05)},
    ),
    "acyl sarcosinate": Cmc(
        Interval(12.9, 13.2, 14.1),
        12,
        0.30,
        "Patra et al., ACS Omega (2018), 10.1021/acsomega.8b00718, Table 1, three methods; step of the alkyl sulfates",
    ),
    "olefin sulfonate": Cmc(
        Interval(2.7, 3.4, 6.3),
        14,
        0.32,
        "ideal mixture of 62.5 % alkene (C14 2.70, C16 0.61) and hydroxyalkane sulfonate (6.3, 1.45), each alone at "
        f"the ends, {_HUIBERS}; that the alkene is 60 to 65 % of what is sold is from memory",
        "derived",
        chains={16: Interval(0.61, 0.78, 1.45)},
    ),
    "betaine": Cmc(
        _BETAINE,
        12,
        0.48,
        f"C8 to C16 {_ROSEN}, ch. 3, 23 to 25 °C; low end amidopropyl betaine 0.88 in an open set of mixtures",
        chains=_chains(_BETAINE, c8=250.0, c10=18.0, c14=0.22, c16=0.020),
    ),
    "amine oxide": Cmc(Interval(2.1, 2.1, 2.1), 12, 0.48, f"{_ROSEN}, 27 °C; step of the betaines"),
    "glucoside": Cmc(
        Interval(0.78, 2.0, 2.2),
        10,
        0.51,
        f"C8 20 to 25, C10, C12: {_GAUDIN}; Shinoda et al. 1961, 10.1246/bcsj.34.237; Kjellin et al. 2001, "
        "10.1021/la001309z; low ends of C8 and C10, high ends of C12 and C14 those of technical polyglucosides: Savic "
        "et al., Alkyl Polyglucosides (2014), Table 2.1, secondary",
        chains={
            8: Interval(1.7, 22.0, 25.0),
            12: Interval(0.19, 0.19, 0.30),
            14: Interval(0.018, 0.018, 0.027),
        },
    ),
    "soap": Cmc(
        _SOAP,
        12,
        0.29,
        "potassium soaps C8 to C16, Klevens 1948, 10.1021/j150457a013, 25 to 35 °C; laurate also 25, Katritzky et al. "
        "2007, 10.1021/ci600462d",
        chains=_chains(_SOAP, c8=390.0, c10=98.0, c14=6.6, c16=1.8),
    ),
    "sulfoacetate": Cmc(
        Interval(7.3, 8.1, 9.1),
        12,
        0.23,
        "by steps of 0.21 to 0.24, as C6 to C10 have them, from C10 22 to 24: Jobe and Reinsborough 1984, "
        f"10.1139/v84-047; {_HUIBERS}",
        "derived",
    ),
    "sultaine": Cmc(
        _SULTAINE,
        12,
        0.48,
        f"C12 and C14 {_ROSEN}: sulfopropyl betaine, 2.2 to 2.4 in open sets; low end of the amidopropyl betaine; the "
        "hydroxyl and the amide are taken to change little; step of the betaines",
        "assumption",
        chains=_chains(_SULTAINE, c10=16.8, c14=0.32),
    ),
    "amphoacetate": Cmc(
        Interval(0.3, 1.5, 5.0), 12, 0.40, "no figure found; stands beside the amidopropyl betaine", "assumption"
    ),
    "acyl amino acid": Cmc(
        Interval(0.3, 10.0, 50.0),
        12,
        0.30,
        "secondary and contradictory: glycinate about 10, glutamate 0.3 to 10.6 and, fully charged, 50; wide",
        "assumption",
    ),
    "taurate": Cmc(
        Interval(4.0, 8.0, 13.2),
        12,
        0.30,
        "lauroyl methyl taurate 8.0, Chinese journal of daily chemicals 2024 (1), one abstract; ends and step assumed",
    ),
    "isethionate": Cmc(
        Interval(2.5, 6.0, 12.4),
        12,
        0.29,
        f"no figure found; at and below dodecyl sulfonate; the ester turned round has C10 13.1, C12 3.0, {_HUIBERS}, "
        "and that step",
        "assumption",
    ),
    "ether sulfosuccinate": Cmc(
        Interval(0.5, 2.8, 10.0), 12, 0.30, "no figure found; stands beside the ether sulfate of 3", "assumption"
    ),
    "ether carboxylate 5": Cmc(
        Interval(0.5, 1.9, 6.0),
        12,
        0.30,
        f"no figure found; stands beside the ether sulfate of 5, {_LIN}",
        "assumption",
    ),
}
"""By family and, where there is one, moles of ethylene oxide. Technical grades deserve one significant digit."""
