"""Which raw material a maker's own words mean; a guess is offered, never taken."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from difflib import get_close_matches

from optimizer.data.facts import Material
from optimizer.immutable import immutable

ABBREVIATIONS: Mapping[str, str] = {
    "water": "Aqua", "purified water": "Aqua", "distilled water": "Aqua", "deionised water": "Aqua",
    "deionized water": "Aqua", "demineralised water": "Aqua", "eau": "Aqua", "acqua": "Aqua", "wasser": "Aqua",
    "sles": "Sodium Laureth Sulfate", "sls": "Sodium Lauryl Sulfate", "als": "Ammonium Lauryl Sulfate",
    "scs": "Sodium Coco-Sulfate", "sci": "Sodium Cocoyl Isethionate", "slsa": "Sodium Lauryl Sulfoacetate",
    "slmi": "Sodium Lauroyl Methyl Isethionate", "capb": "Cocamidopropyl Betaine",
    "aos": "Sodium C14-16 Olefin Sulfonate", "cmea": "Cocamide MEA", "egds": "Glycol Distearate",
    "pq10": "Polyquaternium-10", "pq7": "Polyquaternium-7", "glycerine": "Glycerin", "glycerol": "Glycerin",
    "vegetable glycerin": "Glycerin", "vegetable glycerine": "Glycerin", "salt": "Sodium Chloride",
    "table salt": "Sodium Chloride", "nacl": "Sodium Chloride", "perfume": "Parfum", "fragrance": "Parfum",
    "fragrance oil": "Parfum", "parfum": "Parfum", "edta": "Disodium EDTA",
    "glda": "Tetrasodium Glutamate Diacetate", "xanthan": "Xanthan Gum", "vitamin e": "Tocopherol",
    "d panthenol": "Panthenol", "provitamin b5": "Panthenol", "soda": "Sodium Hydroxide",
    "caustic soda": "Sodium Hydroxide", "lye": "Sodium Hydroxide",
}  # fmt: skip
"""Trade abbreviations and everyday words by INCI name; common practice, no source."""


@immutable
class Meant:
    """What a name was found to mean.

    Attributes:
        id: The material; empty if it is not certain.
        how: What was assumed beyond the name itself; empty if nothing was.
        candidates: Ids that it could be, if it is not certain.
        exact: Whether each of these has just this name.
    """

    id: str = ""
    how: str = ""
    candidates: tuple[str, ...] = ()
    exact: bool = False


class Names:
    """Materials by every name under which a sheet may list them."""

    def __init__(self, materials: Iterable[Material], own: Mapping[str, str] | None = None) -> None:
        """Index the materials.

        Args:
            materials: Of the library.
            own: The maker's own words, by which a material id was named on the command line.
        """
        self._materials = {m.id: m for m in materials}
        self._own = {_words(name): target for name, target in (own or {}).items()}
        self._by_name: dict[str, set[str]] = {}
        for material in self._materials.values():
            for name in (material.id, material.name, material.inci):
                self._by_name.setdefault(_words(name), set()).add(material.id)
                self._by_name.setdefault(_words(_bare(name)), set()).add(material.id)
        self._short = {_words(short): _words(inci) for short, inci in ABBREVIATIONS.items()}

    def meaning(self, text: str) -> Meant:
        """Return what a cell means.

        In this order: the maker's own words; an id, name or INCI name; a known abbreviation; the same without what
        stands in brackets and without its strength. Several materials of one INCI name are told apart by a strength in
        the text, such as 'SLES 70 %', if exactly one material has that active matter.
        """
        plain = _words(text)
        if plain in self._own:
            return Meant(self._own[plain], "as you said")
        if text.strip() in self._materials:
            return Meant(text.strip())
        strengths = [float(s.replace(",", ".")) for s in re.findall(r"(?<!\d)(\d+(?:[.,]\d+)?)\s*%", text)]
        bare = _words(_bare(text))
        for words in dict.fromkeys((plain, bare, self._short.get(plain, ""), self._short.get(bare, ""))):
            found = self._by_name.get(words, set()) if words else set()
            if not found:
                continue
            how = "" if words == plain else f"read as {self._materials[min(found)].name}"
            if len(found) == 1:
                return Meant(next(iter(found)), how)
            close = [i for i in sorted(found) if any(self._has(i, s) for s in strengths)]
            if len(close) == 1:
                return Meant(close[0], f"told apart by its strength: {self._materials[close[0]].name}")
            named = [i for i in sorted(found) if _words(self._materials[i].name) == words]
            if len(named) == 1 and not strengths:
                return Meant(named[0], how)
            return Meant(candidates=tuple(close or sorted(found)), exact=True)
        near = get_close_matches(plain, self._by_name, n=3, cutoff=0.75)
        return Meant(candidates=tuple(dict.fromkeys(i for name in near for i in sorted(self._by_name[name]))))

    def _has(self, name: str, strength: float) -> bool:
        material = self._materials[name]
        actives = [s for s in material.substances if s.role == "active"]
        low, high = sum(s.low for s in actives), sum(s.high for s in actives)
        return low - 0.5 <= strength <= high + 0.5


def _bare(text: str) -> str:
    """Return a name without what stands in brackets, without a strength and what follows it."""
    text = re.sub(r"\([^)]*\)|\[[^]]*\]", " ", text)
    return re.sub(r",?\s*(about\s*)?(?<!\d)\d+(?:[.,]\d+)?(\s*-\s*\d+(?:[.,]\d+)?)?\s*%.*$", " ", text)


def _words(text: str) -> str:
    return " ".join(re.sub(r"[^a-z0-9]+", " ", text.casefold()).split())
