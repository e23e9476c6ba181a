"""Which raw material a maker's own words mean; a guess is offered, never taken."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from difflib import get_close_matches

from optimizer.data.facts import Material
from optimizer.errors import Problem, UsageError, nearest
from optimizer.immutable import immutable
from optimizer.units import listed, number

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
    "d panthenol": "Panthenol", "provitamin b5": "Panthenol",
    "caustic soda": "Sodium Hydroxide", "lye": "Sodium Hydroxide",
    "lavender water": "Lavandula Angustifolia Flower Water", "lavender hydrosol": "Lavandula Angustifolia Flower Water",
    "lavender hydrolat": "Lavandula Angustifolia Flower Water", "hydrolat": "Lavandula Angustifolia Flower Water",
    "floral water": "Lavandula Angustifolia Flower Water", "lavender oil": "Lavandula Angustifolia Oil",
}  # fmt: skip
"""Trade abbreviations and everyday words by INCI name; common practice, no source."""


WATERS = frozenset((
    "aqua", "water", "distilled", "purified", "deionised", "deionized", "demineralised", "demineralized", "di", "ro",
    "reverse", "osmosis", "boiled", "tap", "cold", "hot", "warm", "filtered", "sterile", "qs", "q", "s", "to", "up",
    "and", "for", "of", "the", "1", "2", "3", "i", "ii", "iii", "part", "first", "second", "rest",
))  # fmt: skip
"""Words behind 'water' that leave it plain water."""
AS_SAID = "as you said"
PURE, THIN = 95.0, 50.0
"""A material that holds so much of what it is called [%] is that; one that holds no more than so much is a solution."""
PLAIN_WATER = 99.5
"""Least share of water in plain water [%]."""


@immutable
class Meant:
    """What a name was found to mean.

    Attributes:
        id: The material; empty if it is not certain.
        how: What was assumed beyond the name itself, or why it is not certain; empty if nothing is to be told.
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
            return Meant(self._own[plain], AS_SAID)
        if text.strip() in self._materials:
            return Meant(text.strip())
        strengths, bare = _strengths(text), _words(_bare(text))
        for words in dict.fromkeys((plain, bare, self._short.get(plain, ""), self._short.get(bare, ""))):
            found = self._by_name.get(words, set()) if words else set()
            if not found:
                continue
            if self.is_water(*found) and words != plain and _aside(text) - WATERS:
                return Meant(candidates=tuple(sorted(found)))  # 'water (rose)' is no plain water
            how = "" if words == plain else f"read as {self._materials[min(found)].name}"
            close = [i for i in sorted(found) if any(self._has(i, s) for s in strengths)]
            if strengths and not close and words != plain and all(map(self._active, found)):
                held = listed([f"{i} holds {number(self._active(i), 1)} %" for i in sorted(found)])
                return Meant(how=held, candidates=tuple(sorted(found)), exact=True)
            if len(found) == 1:
                return Meant(next(iter(found)), how)
            if len(close) == 1:
                return Meant(close[0], f"told apart by its strength: {self._materials[close[0]].name}")
            named = [i for i in sorted(found) if _words(self._materials[i].name) == words]
            if len(named) == 1 and not strengths:
                return Meant(named[0], how)
            return Meant(candidates=tuple(close or sorted(found)), exact=True)
        near = get_close_matches(plain, self._by_name, n=3, cutoff=0.75)
        return Meant(candidates=tuple(dict.fromkeys(i for name in near for i in sorted(self._by_name[name]))))

    def meaning_of_amount(self, text: str) -> Meant:
        """Return what a cell means beside which an amount stands, such as a dose or a price.

        As `meaning`, but a strength that the material's name states and the cell does not is told: a dose of the pure
        substance is another one. What holds no more than half is only offered.
        """
        meant = self.meaning(text)
        if not meant.id or meant.how == AS_SAID or text.strip() in self._materials:
            return meant
        material, held = self._materials[meant.id], self._active(meant.id)
        if _words(_bare(material.name)) == _words(material.name):  # no strength in its name
            same = self._by_name[_words(material.name)] - {meant.id}
            others = listed(sorted(self._materials[i].name for i in same), "or")
            return Meant(meant.id, f"read as {material.name}, not {others}") if same and not meant.how else meant
        if held >= PURE or _strengths(text) or _words(text) == _words(material.name):
            return meant
        told = f"{material.name} holds {number(held, 1)} % {material.inci}"
        if held <= THIN:
            pure = f"{told}, so 1 g of the pure substance is {number(100 / held, 1)} g of it"
            return Meant(how=pure, candidates=(meant.id,), exact=True)
        return Meant(meant.id, f"as supplied: {told}")

    def is_water(self, *found: str) -> bool:
        """Return whether all these materials are plain water."""
        return all(self._materials[i].carried("Aqua") >= PLAIN_WATER for i in found)

    def _active(self, name: str) -> float:
        """Return what a material usually holds of its active substances [% as supplied]."""
        return sum(s.typical for s in self._materials[name].substances if s.role == "active")

    def _has(self, name: str, strength: float) -> bool:
        material = self._materials[name]
        actives = [s for s in material.substances if s.role == "active"]
        low, high = sum(s.low for s in actives), sum(s.high for s in actives)
        return low - 0.5 <= strength <= high + 0.5


def material_of(text: str, materials: Iterable[Material], *, unknown: bool = False) -> str:
    """Return the id that a maker's word means, such as CAPB.

    Args:
        text: The word.
        materials: Of the library.
        unknown: Whether a word that means nothing is returned as it is, for whoever tells all problems at once.

    Raises:
        UsageError: If no material is called so, or several are; the nearest are named.
    """
    known = {m.id: m for m in materials}
    if text in known:
        return text
    meant = Names(known.values()).meaning(text)
    if meant.id:
        return meant.id
    if meant.exact:
        held = f"; {meant.how}" if meant.how else ""
        raise UsageError(f"'{text}' could be {listed(list(meant.candidates), 'or')}{held}. Write the id.")
    if unknown:
        return text
    holding = sorted(i for i, m in known.items() if _words(text) and f" {_words(text)} " in f" {_words(m.name)} ")
    if holding:
        raise UsageError(f"'{text}' could be {listed(holding[:4], 'or')}. Write the id.")
    raise UsageError(f"there is no material '{text}'. {nearest(text, [*known, *meant.candidates])}")


def names_of(materials: Iterable[Material]) -> dict[str, set[str]]:
    """Return ids by every name under which a file may list a material, in small letters.

    Ids go before everything, names and INCI names before abbreviations and everyday words.
    """
    known, names = tuple(materials), dict[str, set[str]]()
    for material in known:
        for name in (material.name, material.inci):
            names.setdefault(name.casefold(), set()).add(material.id)
    short = {word: names[inci.casefold()] for word, inci in ABBREVIATIONS.items() if inci.casefold() in names}
    return {**short, **names, **{m.id.casefold(): {m.id} for m in known}}


def ids_of(words: Iterable[str], materials: Iterable[Material]) -> dict[str, str]:
    """Return what stands for each word of a file: its id; the word itself where it means none or several."""
    words, known = tuple(words), tuple(materials)
    if {m.id for m in known}.issuperset(words):
        return {w: w for w in words}
    names = names_of(known)
    return {w: min(ids) if len(ids := names.get(w.casefold(), {w})) == 1 else w for w in words}


def unmeant(where: str, key: str, words: Iterable[str], materials: Mapping[str, Material]) -> list[Problem]:
    """Return a problem for every word that is the id of no material: it means none, or several."""
    lost = {w for w in words if w not in materials}
    names = names_of(materials.values()) if lost else {}
    problems = []
    for word in sorted(lost):
        several = names.get(word.casefold())
        if several:
            what = f"'{word}' could be {listed(sorted(several), 'or')}."
            problems.append(Problem(where, key, what, "Write the id."))
        else:
            problems.append(Problem(where, key, f"there is no '{word}'.", nearest(word, materials)))
    return problems


def found_by(words: str, materials: Iterable[Material]) -> list[Material]:
    """Return the materials that a word speaks of: part of a name, an abbreviation or everyday word, a function."""
    asked = _words(words)
    inci = {_words(full) for short, full in ABBREVIATIONS.items() if asked and asked in short}
    known = list(materials)

    def spoken_of(material: Material) -> bool:
        names = [_words(n) for n in (material.id, material.name, material.inci, *material.functions)]
        return any(asked in n for n in names) or _words(material.inci) in inci

    return [m for m in known if asked and spoken_of(m)]


def _aside(text: str) -> set[str]:
    """Return the words that stand in brackets."""
    return {w for part in re.findall(r"[(\[]([^)\]]*)[)\]]", text) for w in _words(part).split()}


def _strengths(text: str) -> list[float]:
    """Return the strengths [%] that a name tells."""
    return [float(s.replace(",", ".")) for s in re.findall(r"(?<!\d)(\d+(?:[.,]\d+)?)\s*%", text)]


def _bare(text: str) -> str:
    """Return a name without what stands in brackets, without a strength and what follows it."""
    text = re.sub(r"\([^)]*\)|\[[^]]*\]", " ", text)
    return re.sub(r",?\s*(about\s*)?(?<!\d)\d+(?:[.,]\d+)?(\s*-\s*\d+(?:[.,]\d+)?)?\s*%.*$", " ", text)


def _words(text: str) -> str:
    return " ".join(re.sub(r"[^a-z0-9]+", " ", text.casefold()).split())
