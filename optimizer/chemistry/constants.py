"""Weak acids and bases with their pKa, interaction parameters and critical micelle concentrations, with sources.

Thermodynamic pKa at 25 °C and zero ionic strength unless the source says otherwise. "Mixed" constants of
tables at ionic strength 0.1 are already converted; they must not be corrected a second time.
"""

from __future__ import annotations

from typing import Literal

from optimizer.chemistry.interval import Interval
from optimizer.immutable import immutable

Backed = Literal["published", "derived", "from memory", "assumption"]
"""How a figure is backed; only 'published' figures were read in a source."""

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
    Weak("ammonia", (9.25,), "source believed to be the CRC Handbook", "from memory", top=1, per_kelvin=-0.03),
    Weak("anisic acid", (4.5,), "source believed to be the CRC Handbook", "from memory", spread=0.1),
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
    Weak("edta", (1.5, 2.16, 3.12, 6.273, 10.948), NIST, top=1, spread=0.1),
    Weak("formic acid", (3.75,), "J. Cosmet. Sci. 56 (2005) 361, table of preservatives"),
    Weak("gluconic acid", (3.92,), "Talanta 45 (1998) 1007; its lactone opens slowly", spread=0.1),
    Weak(
        "glutamate diacetate", (2.6, 3.5, 5.0, 9.4), "believed near Molecules 26 (2021) 7087", "from memory", spread=0.2
    ),
    Weak("glycolic acid", (3.83,), f"{IUPAC}: serjeant2044"),
    Weak("lactic acid", (3.857,), "Martin and Tartar, as assessed by IUPAC; registration dossier of lactic acid"),
    Weak("levulinic acid", (4.6,), "source believed to be the CRC Handbook", "from memory", spread=0.1),
    Weak("oxalic acid", (1.25, 4.27), "checks only; source believed to be NIST 46", "from memory"),
    Weak("phosphoric acid", (2.148, 7.198, 12.375), NIST),
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
        Interval(-11.8, -6.0, -1.0),
        "computed from an open set of mixture data (-11.8 to -5.4); -1 to -6 from memory. Danov et al., Langmuir 20 "
        "(2004) 5445, see no minimum with a technical betaine, which asks for a weak end. The typical value is chosen",
        "derived",
    ),
    frozenset({"anionic", "nonionic"}): Beta(
        Interval(-5.0, -3.0, -1.0),
        "computed from an open set of mixture data (-3.4 to -2.0); -2.1 and -3.3 in J. Colloid Interface Sci. 222 "
        "(2000) 159; -1 to -5 from memory",
        "derived",
    ),
    frozenset({"amphoteric", "nonionic"}): Beta(
        Interval(-1.5, -0.5, 0.0),
        "weak, Rosen and Sulthana, J. Colloid Interface Sci. (2001), in words only; the numbers are assumed",
        "assumption",
    ),
    frozenset({"anionic", "cationic"}): Beta(Interval(-25.0, -15.0, -10.0), "textbook range", "from memory"),
    frozenset({"amphoteric", "cationic"}): Beta(Interval(-3.0, -1.0, 0.0), "assumed", "assumption"),
    frozenset({"nonionic", "cationic"}): Beta(Interval(-3.0, -1.5, -0.5), "assumed", "assumption"),
}
"""Spread by pair of charges; like with like mixes ideally, beta 0 (textbook, from memory)."""


@immutable
class Cmc:
    """Critical micelle concentration of one pure surfactant in water near 25 °C.

    Attributes:
        millimolar: Low, typical, high [mmol/L].
        carbons: Carbon atoms of the chain.
        step: Fall of log10 CMC per further carbon atom of the chain.
        source: Where the values come from.
    """

    millimolar: Interval
    carbons: int
    step: float
    source: str
    backed: Backed = "published"


_ROSEN = "Rosen and Kunjappu, Surfactants and Interfacial Phenomena, 4th ed. (2012)"
_LIN = "Lin and Marszall, J. Colloid Interface Sci. (1976)"
_GAUDIN = "Gaudin et al., Ind. Eng. Chem. Res. (2016)"
_KATRITZKY = "Katritzky et al., J. Chem. Inf. Model. (2007)"

CMCS = {
    "alkyl sulfate": Cmc(Interval(7.0, 8.1, 8.3), 12, 0.30, f"{_ROSEN}; {_LIN}; step from C10 33 and C14 2.1"),
    "alkyl ether sulfate 1": Cmc(Interval(3.9, 3.9, 3.9), 12, 0.30, f"{_LIN}; {_ROSEN}; step of the alkyl sulfates"),
    "alkyl ether sulfate 2": Cmc(
        Interval(1.48, 2.9, 2.9),
        12,
        0.30,
        f"{_LIN}; low end so that a C12-14 cut has 0.80, computed from Chem. Cent. J. 5 (2011) 89",
    ),
    "alkyl ether sulfate 3": Cmc(Interval(2.8, 2.8, 2.8), 12, 0.30, f"{_LIN}; step of the alkyl sulfates"),
    "acyl sarcosinate": Cmc(
        Interval(13.2, 13.2, 13.2), 12, 0.30, "Patra et al., ACS Omega (2018); step of the alkyl sulfates"
    ),
    "olefin sulfonate": Cmc(Interval(6.3, 6.3, 6.3), 14, 0.32, f"{_KATRITZKY}: 3-hydroxy C14; step from C16 1.45"),
    "betaine": Cmc(
        Interval(0.88, 2.0, 2.0),
        12,
        0.48,
        f"{_ROSEN}; amidopropyl betaine 0.88 in an open set; step from C10 18, C14 0.22",
    ),
    "amine oxide": Cmc(Interval(2.1, 2.1, 2.1), 12, 0.48, f"{_ROSEN}, 27 °C; step of the betaines"),
    "glucoside": Cmc(Interval(2.0, 2.0, 2.0), 10, 0.51, f"{_GAUDIN}; step from C8 20 to 25 and C12 0.19"),
    "soap": Cmc(Interval(25.0, 25.0, 25.0), 12, 0.29, f"{_KATRITZKY}: potassium laurate; step from myristate 6.6"),
    "sulfoacetate": Cmc(
        Interval(23.9, 23.9, 23.9), 10, 0.30, f"{_KATRITZKY}: decyl sulfoacetate; step of the alkyl sulfates"
    ),
    "sultaine": Cmc(
        Interval(0.88, 3.0, 3.0),
        12,
        0.48,
        f"{_ROSEN}: sulfopropyl betaine, 2.2 in an open set; low end of the amidopropyl betaine; the hydroxyl and the "
        "amide are taken to change little; step of the betaines",
        "assumption",
    ),
    "amphoacetate": Cmc(
        Interval(0.3, 1.5, 5.0), 12, 0.40, "no figure found; stands beside the amidopropyl betaine", "assumption"
    ),
    "acyl amino acid": Cmc(
        Interval(4.0, 13.2, 25.0),
        12,
        0.30,
        "no figure found for glutamate, glycinate and alaninate; between sarcosinate and soap, wide on the low side",
        "assumption",
    ),
    "taurate": Cmc(
        Interval(4.0, 11.0, 13.2), 12, 0.30, "no figure found; between dodecyl sulfonate and sarcosinate", "assumption"
    ),
    "isethionate": Cmc(
        Interval(2.5, 6.0, 12.4), 12, 0.30, "no figure found; at and below dodecyl sulfonate", "assumption"
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
