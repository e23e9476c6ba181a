"""Advice on clarity: oils, haze, pearl, crystals and clouding."""

from optimizer.assessment.advice.base import COMMON, FORUM, Found, Pieces, Situation, ids, names
from optimizer.assessment.solubiliser import OIL_NOTE, USUAL_MOST
from optimizer.data.pool import Group
from optimizer.immutable import immutable
from optimizer.rules.clarity import clear_cap
from optimizer.units import KEPT, listed, number

PIECES = Pieces("clarity")

AMINO_ACID = ("sarcosinate", "glutamate", "glycinate", "alaninate")
NEAR_CLOUD = 0.5
"""Distance of the pH window from the clouding edge that is worth a word [pH]; an editable default, no source."""
MUCH_SOLUBILISER = 0.2
"""Solubiliser per active matter from which foam and thickness are watched [g/g]; an editable default, no source."""


@immutable
class InHardWater:
    """What a detergent alone does in hard water, judged by eye after five minutes."""

    tested: str
    strong: str
    """At 0.5 %."""
    weak: str
    """At 0.1 %, as when it is rinsed."""


HARD = {
    "alkyl sulfate": InHardWater("TEA-lauryl sulfate", "clear", "very cloudy"),
    "sarcosinate": InHardWater("sodium lauroyl sarcosinate", "clear", "very cloudy"),
    "isethionate": InHardWater("ammonium lauroyl isethionate", "cloudy", "cloudy"),
    "amphoacetate": InHardWater("an imidazoline carboxylate of C10", "cloudy", "cloudy"),
    "soap": InHardWater("TEA coconut soap", "very cloudy", "very cloudy"),
    "alkyl ether sulfate": InHardWater("sodium laureth sulfate", "clear", "clear"),
    "taurate": InHardWater("sodium methyl cocoyl taurate", "clear", "clear"),
}
"""By family, in water of 350 ppm hardness (0.26 g calcium and 0.28 g magnesium chloride per litre)."""
HARD_SOURCE = (
    "J. Soc. Cosmet. Chem. 10(2) (1959) 121, Table 4: single detergents in 350 ppm hard water; names and words paired "
    "in the order of its page text"
)


@PIECES.piece("solubiliser-ladder", f"{COMMON}; supplier notes, names withheld")
def solubiliser_ladder(s: Situation) -> Found | None:
    """Small beakers before the batch."""
    ladder = s.ladder
    if ladder is None:
        return None
    text = (
        f"Mix {ladder.solubiliser.name} with the oil 1:1 to 8:1 in 1 g beakers, stir each into a sample, look after a "
        "night at room temperature and in the cold; take the lowest rung that stays clear."
    )
    now = f" The formula has {number(ladder.now, 2)} g per g." if ladder.now else ""
    reason = f"Whether {number(ladder.oil_percent, 2)} % oil clears cannot be computed.{now} {OIL_NOTE}"
    return Found(text, reason, (*ladder.oils, ladder.solubiliser.id))


@PIECES.piece("clear-on-its-own", "Scientific Data 11 (2024), doi 10.1038/s41597-024-03573-w, counted in its data")
def clear_alone(s: Situation) -> Found | None:
    """A clear product of materials that are clear each on its own."""
    if not s.clear or s.active <= KEPT:
        return None
    return Found(
        "Look at a sample for a month, warm and cold: each material is clear on its own, their blend need not be.",
        "Of 110 measured blends of surfactants and a thickener that are each clear on their own, 52 were stable and "
        "clear (below 100 NTU).",
        (),
    )


@PIECES.piece("oil-without-solubiliser", f"{FORUM}; {COMMON}")
def oil_alone(s: Situation) -> Found | None:
    """Perfume or essential oil with nothing to carry it."""
    oils = s.where(lambda m: m.lipid in ("perfume", "essential oil"))
    if not oils or s.where(lambda m: "solubiliser" in m.functions):
        return None
    text = "Try it in a 100 g sample first: premix it with the strongest surfactant; solubilise it if it clouds."
    reason = f"{listed(names(oils))} without a solubiliser often clouds the blend and can separate in the cold."
    return Found(text, reason, ids(oils))


@PIECES.piece("much-solubiliser", f"{FORUM}; supplier notes, names withheld")
def much_solubiliser(s: Situation) -> Found | None:
    """Nonionic that costs foam and thickness."""
    lines = s.where(lambda m: m.function == "solubiliser")
    dose = sum(x.percent for x in lines)
    if dose <= min(USUAL_MOST, MUCH_SOLUBILISER * s.active) + KEPT:
        return None
    text = "Read foam and thickness with and without it, and go down the ladder as far as the sample stays clear."
    per = f", {number(100 * dose / s.active, 0)} g per 100 g active matter" if s.active > KEPT else ""
    return Found(text, f"{number(dose, 2)} % solubiliser{per}: extra nonionic costs foam and thickness.", ids(lines))


@PIECES.piece("haze", COMMON)
def haze(s: Situation) -> Found | None:
    """Materials that leave the product hazy, pearly or opaque."""
    lines = tuple(x for x in s.used if x.percent > clear_cap(x.item) + KEPT)
    if not lines:
        return None
    said = [
        f"{x.item.material.name} at {number(x.percent, 2)} %"
        + (
            f" (clear up to about {number(clear_cap(x.item), 2)} %)"
            if clear_cap(x.item) > 0
            else f" ({x.item.material.look})"
        )
        for x in lines
    ]
    if s.clear:
        text = "The brief asks for clear: lower or replace these, or look at a sample of this dose first."
    else:
        text = "Expect no clear product; look at a sample before you choose bottle and colour."
    return Found(text, f"{listed(said)}.", ids(lines))


@PIECES.piece("pearl-from-the-melt", "hobby encyclopaedia and supplier guide on pearlisers; supplier-typical")
def pearl_melt(s: Situation) -> Found | None:
    """Pearlisers that crystallise from the melt."""
    lines = s.where(lambda m: m.melts is not None and m.look == "pearly")
    if not lines:
        return None
    melts = [x.item.material.melts for x in lines if x.item.material.melts]
    text = "Melt it in fully, then cool slowly, with gentle stirring, the same way each time: that makes the pearl."
    said = f"{listed(names(lines))} melts at {number(melts[0][0])} to {number(melts[0][1])} °C"
    return Found(text, f"{said}; fast cooling gives a dull haze.", ids(lines))


@PIECES.piece("pearl-concentrate", COMMON)
def pearl_concentrate(s: Situation) -> Found | None:
    """Finished pearl that must not melt again."""
    lines = s.where(lambda m: m.function == "pearliser" and m.add_below is not None)
    if not lines:
        return None
    limit = min(x.item.material.add_below or 100.0 for x in lines)
    text = f"Stir the concentrate up, add it below {number(limit)} °C with slow mixing, and never warm the batch again."
    return Found(text, f"{listed(names(lines))}: warmth melts the pearl, and it comes back dull.", ids(lines))


@PIECES.piece("hardly-soluble", "encyclopaedic article on isethionates, about 100 ppm at 25 °C; makers' forum 2020")
def hardly_soluble(s: Situation) -> Found | None:
    """Surfactants that crystallise when the product cools."""
    lines = tuple(x for x in s.used if x.item.material.dissolves is not None and x.percent > x.item.material.dissolves)
    if not lines:
        return None
    warm = max((x.item.material.warm_to or 0.0 for x in lines), default=0.0)
    carriers = s.share(Group(charges=("amphoteric",)))
    text = (
        f"Melt it into the co-surfactants at about {number(warm)} °C, then watch a sample for two weeks, also at 4 °C, "
        "for crystals or paste; lower it or take a better soluble relative if they come."
    )
    reason = " ".join(
        f"{x.item.material.name} {number(x.percent, 2)} %; alone about {number(x.item.material.dissolves or 0.0)} % "
        "dissolves at 25 °C."
        for x in lines
    )
    return Found(
        text, f"{reason} Amphoterics, {number(carriers, 0)} % of the active matter, may help to hold it.", ids(lines)
    )


@PIECES.piece("clouds-with-acid", "library figures, each with its source there; " + COMMON)
def clouds_with_acid(s: Situation) -> Found | None:
    """Acyl amino acids near the pH at which they cloud."""
    low = s.setting.low
    if low is None:
        return None
    near = []
    for line in s.of_family(*AMINO_ACID):
        window = line.item.material.ph_clear or line.item.material.ph_stable
        if window and low < window[0] + NEAR_CLOUD - KEPT:
            near.append((line, window[0]))
    if not near:
        return None
    edges = listed([f"{x.item.material.name} down to pH {number(edge, 2)}" for x, edge in near])
    text = (
        "Acidify a sample first, in small steps of weak solution, note the pH at the first haze and stay 0.3 above it."
    )
    reason = f"Clear: {edges}; the product may be pH {number(low, 2)}. Below the edge the acid form falls out."
    return Found(text, reason, ids(x for x, _ in near))


@PIECES.piece("cloudy-in-hard-water", HARD_SOURCE)
def hard_water(s: Situation) -> Found | None:
    """Surfactants that turn cloudy when they are rinsed with hard water."""
    lines = {f: s.of_family(f) for f, found in HARD.items() if found.weak != "clear"}
    lines = {f: found for f, found in lines.items() if found}
    if not lines:
        return None
    clouded = [f"{HARD[f].tested} {HARD[f].strong} at 0.5 % and {HARD[f].weak} at 0.1 %" for f in lines]
    steady = [f.tested for f in HARD.values() if f.weak == "clear"]
    text = (
        "Rinse a sample with your hardest water, 1 g in 100 g and in 1 kg: what clouds there may leave a film in the "
        "shower."
    )
    reason = (
        f"{listed(clouded)}, each alone in hard water; {listed(steady)} stayed clear. Whether these or a chelator keep "
        "the blend clear was not tested."
    )
    return Found(text, reason, tuple(dict.fromkeys(x for found in lines.values() for x in ids(found))))


@PIECES.piece("soap-and-hard-water", "library figures, from memory; " + COMMON)
def soap(s: Situation) -> Found | None:
    """Soap in the blend."""
    lines = s.of_family("soap")
    if not lines:
        return None
    chelator = bool(s.where(lambda m: "chelator" in m.functions))
    text = "Use purified water, try it in your tap water for scum, and do not acidify it."
    if not chelator:
        text += " Plan a chelator."
    return Found(text, "Hard water turns soap into lime soap, and below about pH 9 fatty acid separates.", ids(lines))
