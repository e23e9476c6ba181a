"""How well the figures of a library are backed: each field of each material counts once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from typing import Any, get_args

from optimizer.chemistry.constants import CMCS, SITES, WEAK
from optimizer.chemistry.cuts import CUTS
from optimizer.data.facts import Confidence, Material, Substance
from optimizer.data.law import laws_of
from optimizer.data.library import Library
from optimizer.immutable import immutable, result, told

LEVELS: tuple[Confidence, ...] = get_args(Confidence)
"""Best first."""
READ = frozenset({"published", "computed"})
"""Levels of a figure that was read in a publication, a register or a law, or computed from such figures."""
BELIEVED = frozenset({"from memory", "assumption"})
"""Levels of a figure that nobody read anywhere."""
MOST_BELIEVED = 35.0
"""Goal: at most this share of all figures is believed only [%]."""
LEAST_READ = 50.0
"""Goal: at least this share of each of `MOST_ASKED` is published or computed [%]."""
MOST_ASKED = ("cas", "molar_mass", "cmc")

Level = tuple[str, Confidence]
"""Source, or its key, and how well it backs the figure."""

WORDS = {
    "substances": "composition", "salt": "salt", "cas": "CAS number", "molar_mass": "molar mass",
    "natural": "natural origin", "cmc": "CMC of its chain", "chains": "chain cut", "acid": "pKa of a preservative",
    "buffer": "pKa", "alkalinity": "alkalinity", "ph_supplied": "supplied pH", "ph_stable": "stable pH",
    "ph_making": "pH it stands while made", "ph_clear": "clear pH", "clear_up_to": "clear dose",
    "use": "usual use", "warm_to": "warming", "add_below": "temperature of addition", "melts": "melting range",
    "dissolves": "solubility", "thickener": "thickener's dose and pH", "allergens": "allergens", "mildness": "mildness",
    "flash_foam": "flash foam", "foam_density": "foam density",
    "active": "active matter", "ceiling": "highest dose", "lost_to": "what takes it up", "pka": "pKa",
}  # fmt: skip
"""Figures of a material, and what else its backing may name, in words; any other one is a property under its name."""


@immutable
class Backed:
    """One figure of a material and who backs it."""

    material: str
    """Id."""
    name: str
    """Name of the material."""
    figure: str
    source: str
    """Source, or its key in the library."""
    level: Confidence

    @property
    def words(self) -> str:
        """The figure with its material."""
        return f"{WORDS.get(self.figure, self.figure.replace('_', ' '))} of {self.name}"


def figures_of(material: Material) -> dict[str, Backed]:
    """Return every figure that is stated of a material, by its name."""
    stated = [name for name, there in _THERE.items() if there(material)]
    stated += [name for name in ("mildness", "flash_foam", "foam_density") if name in material.ratings]
    stated += material.properties
    return {name: Backed(material.id, material.name, name, *_backing(material, name)) for name in stated}


def _any(asked: Callable[[Substance], Any]) -> Callable[[Material], bool]:
    return lambda material: any(asked(s) for s in material.substances if s.role == "active")


def _held(field: str) -> Callable[[Material], bool]:
    return lambda material: getattr(material, field) is not None


_THERE: Mapping[str, Callable[[Material], bool]] = {
    "substances": lambda m: True,
    "salt": lambda m: any(s.role == "salt" for s in m.substances),
    "cas": _any(lambda s: s.cas),
    "molar_mass": _any(lambda s: s.molar_mass),
    "natural": _any(lambda s: s.natural != (0.0, 1.0)),
    "cmc": _any(lambda s: s.micelle),
    "chains": _any(lambda s: s.micelle),
    "acid": lambda m: any(s.acid for s in m.substances),
    "buffer": lambda m: any(s.buffer and s.buffer.of for s in m.substances),
    "alkalinity": lambda m: m.alkalinity is not None or any(s.alkalinity for s in m.substances),
    **{
        field: _held(field)
        for field in (
            "ph_supplied", "ph_stable", "ph_making", "ph_clear", "clear_up_to", "use", "warm_to", "add_below", "melts",
            "dissolves", "thickener", "allergens",
        )
    },
}  # fmt: skip


def _backing(material: Material, figure: str) -> Level:
    """Return who backs a figure; what chemistry holds is backed there."""
    held = [s for s in material.substances if figure not in _OF or _OF[figure](s)]
    found = [s.backing.get(figure) or _chemistry(s, figure) for s in held]
    known = [backed for backed in found if backed is not None]
    if not known or (figure in _OF and None in found):
        known.append(material.backed(figure))
    return max(known, key=lambda backed: LEVELS.index(backed[1]))


_OF: Mapping[str, Callable[[Substance], Any]] = {
    "cas": lambda s: s.role == "active" and s.cas,
    "molar_mass": lambda s: s.role == "active" and s.molar_mass,
    "natural": lambda s: s.role == "active" and s.natural != (0.0, 1.0),
    "acid": lambda s: s.acid,
}
"""Figures that belong to substances: the weakest counts, the material's own backing where a substance has none."""


def _chemistry(substance: Substance, figure: str) -> Level | None:
    if figure in ("cmc", "chains") and substance.micelle is not None:
        family, cut = CMCS[substance.micelle.family], CUTS[substance.micelle.cut]
        known = family if figure == "cmc" else cut
        return known.source, _level(known.backed)
    if figure == "buffer" and substance.buffer is not None and substance.buffer.of:
        sites = (WEAK[substance.buffer.of],) if substance.buffer.of in WEAK else SITES[substance.buffer.of]
        return sites[0].source, _level(sites[0].backed)
    return None


def _level(backed: str) -> Confidence:
    """Return chemistry's word for how well a constant is backed as a level."""
    return next((level for level in LEVELS if level == backed), "computed")


@immutable
class BackedLine:
    """How many figures stand on each level."""

    figure: str
    """A figure, or 'all'."""
    levels: dict[str, int]
    """Count by level."""

    @told
    def figures(self) -> int:
        """All of them."""
        return sum(self.levels.values())

    @told
    def read_percent(self) -> float:
        """Share that is published or computed [%]."""
        return _percent(self.levels, READ)

    @told
    def believed_percent(self) -> float:
        """Share that is from memory or assumed [%]."""
        return _percent(self.levels, BELIEVED)


def _percent(levels: Mapping[str, int], wanted: frozenset[str]) -> float:
    total = sum(levels.values())
    return 100 * sum(count for level, count in levels.items() if level in wanted) / total if total else 0.0


@immutable
class Counted:
    """The figures of a set of materials."""

    materials: int
    """How many materials they are of."""
    all: BackedLine
    by_figure: tuple[BackedLine, ...]
    """Most figures first."""


@result
class Evidence:
    """On what the figures of a library rest: the output of `tenside library evidence --json`."""

    FORMAT = 1
    read: Counted
    """Materials of which figures were looked up one by one."""
    unread: Counted
    """Materials that were entered from memory as a whole."""
    law: int
    """How many texts of law there are: ceilings, exclusions, conditions, lists of allergens."""
    law_placed: int
    """How many of them name entry, act and the day on which they were read."""
    most_believed_percent: float = MOST_BELIEVED
    """Goal: at most this share from memory or assumed [%]."""
    least_read_percent: float = LEAST_READ
    """Goal: at least this share of CAS numbers, molar masses and CMC published or computed [%]."""


def evidence_of(library: Library) -> Evidence:
    """Return how the figures of a library are backed."""
    laws = [stated for _, stated in laws_of(library)]
    return Evidence(
        read=counted(m for m in library.materials if not m.unread),
        unread=counted(m for m in library.materials if m.unread),
        law=len(laws),
        law_placed=sum(bool(law.entry and law.act and law.as_of) for law in laws),
    )


def counted(materials: Iterable[Material]) -> Counted:
    """Return how the figures of materials are backed, as a whole and figure by figure."""
    materials = tuple(materials)
    found: dict[str, Counter[str]] = {}
    for backed in (b for m in materials for b in figures_of(m).values()):
        found.setdefault(backed.figure, Counter())[backed.level] += 1
    lines = [_line(figure, levels) for figure, levels in found.items()]
    whole = _line("all", sum(found.values(), Counter()))
    return Counted(len(materials), whole, tuple(sorted(lines, key=lambda line: (-line.figures, line.figure))))


def _line(figure: str, levels: Counter[str]) -> BackedLine:
    return BackedLine(figure, {level: levels[level] for level in LEVELS})
