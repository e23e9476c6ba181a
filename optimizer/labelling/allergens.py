"""Fragrance allergens of a product, added up over perfume, oils, extracts and everything else."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from optimizer.data.facts import AllergenList, Confidence, Material
from optimizer.errors import nearest
from optimizer.immutable import immutable, seen, told, told_as, untold
from optimizer.labelling.substances import Dosed

Verdict = Literal["certain", "possible", "below"]
ASKED = frozenset({"perfume", "essential oil", "extract"})
"""Functions of materials that need an allergen sheet."""


@immutable
class AllergenSource:
    """One material's part of an allergen: its dose and its content [%], who says so."""

    material: Material
    percent: float
    content: tuple[float, float, float]
    source: str
    confidence: Confidence


@immutable
class Allergen:
    """A fragrance allergen [% w/w of the product]."""

    name: str
    """As it is printed."""
    low: float
    """Least [% of the product]."""
    typical: float
    """Typical [% of the product]."""
    high: float
    """Most [% of the product]."""
    threshold: float = told_as("named_above")
    """Above it the label names it [% of the product]."""
    verdict: Verdict
    """certain, possible (the range straddles the threshold) or below."""
    on: AllergenList | None = untold()
    """The list that it stands on; none if its name is on no list."""
    list_id: str = seen("on.id", "", key="list")
    """Id of the list that it stands on; empty if it is on none."""
    sources: tuple[AllergenSource, ...] = untold()
    """What brings it."""
    listed_as: str = ""
    """Name under which it stands in the list of ingredients anyway; empty if it does not."""

    @told
    def printed(self) -> bool:
        """Whether the list of ingredients gains its name: certain ones do and, to be safe, possible ones."""
        return self.on is not None and self.verdict != "below" and not self.listed_as


def judged(low: float, high: float, threshold: float) -> Verdict:
    """Return whether an amount is named on the label: only what *exceeds* the threshold is."""
    return "certain" if low > threshold else "possible" if high > threshold else "below"


def threshold_of(list_: AllergenList, use: str) -> float:
    """Return the share above which an allergen is named [% of the product]."""
    return list_.leave_on_above if use == "leave-on" else list_.rinse_off_above


def allergens_of(parts: Iterable[Dosed], lists: tuple[AllergenList, ...], use: str) -> tuple[Allergen, ...]:
    """Return the allergens of a product, largest first: sum over materials of dose x content / 100.

    What a material's allergen table states counts, names of one group together under the group's name; a substance of
    the material that is itself on a list (benzyl alcohol as a preservative, a whole oil) counts by its share unless the
    table names it too.

    AllergenSource: Regulation (EC) No 1223/2009, Annex III, as amended by Regulation (EU) 2023/1545; see the lists.
    """
    on = {name: list_ for list_ in lists for name in list_.names}
    counted = {inci: name for list_ in lists for name, known in list_.covers.items() for inci in known}
    found: dict[str, list[AllergenSource]] = {}
    printed: dict[str, str] = {}
    for part in parts:
        stated = part.material.allergens or {}
        named = {counted.get(name, name) for name in stated}
        for name, content in stated.items():
            found.setdefault(counted.get(name, name), []).append(_source(part, content, "allergens"))
        for s in part.material.substances:
            name = counted.get(s.inci, s.inci)
            if name in on:
                printed[name] = s.inci
                if name not in named:
                    found.setdefault(name, []).append(_source(part, (s.low, s.typical, s.high), "substances"))
    strictest = min((threshold_of(list_, use) for list_ in lists), default=0.0)
    allergens = []
    for name, sources in found.items():
        low, typical, high = (sum(s.percent * s.content[k] for s in sources) / 100 for k in range(3))
        limit = threshold_of(on[name], use) if name in on else strictest
        verdict = judged(low, high, limit)
        listed_as = printed.get(name, "")
        allergens.append(Allergen(name, low, typical, high, limit, verdict, on.get(name), tuple(sources), listed_as))
    return tuple(sorted(allergens, key=lambda a: (-a.typical, a.name)))


def _source(part: Dosed, content: tuple[float, float, float], figure: str) -> AllergenSource:
    return AllergenSource(part.material, part.percent, content, *part.material.backed(figure))


def sheet_wishes(parts: Iterable[Dosed], lists: tuple[AllergenList, ...]) -> tuple[str, ...]:
    """Return what is still to be asked or corrected before the allergens can be trusted."""
    known = {name for list_ in lists for names in (list_.names, *list_.covers.values()) for name in names}
    wishes = []
    for material in {p.material.id: p.material for p in parts}.values():
        if material.placeholder:
            wishes.append(
                f"{material.name}: the INCI name '{material.inci}' is a placeholder. Write the supplier's into a "
                "material of your own."
            )
        if material.allergens is None:
            if material.functions & ASKED or material.lipid in ASKED:
                text = f"{material.name}: no allergen figures. Ask the supplier for the allergen sheet and enter it."
                wishes.append(text)
            continue
        if material.backed("allergens")[1] == "from memory":
            wishes.append(f"{material.name}: placeholder figures. Replace them by the supplier's allergen sheet.")
        wishes += [
            f"{material.name}: '{name}' is on no list known here. {nearest(name, known)}"
            for name in material.allergens
            if name not in known
        ]
    return tuple(wishes)
