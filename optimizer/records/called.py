"""What a material is called in records: by its id, or, of acid and alkali, by the chemical's words alone."""

from collections.abc import Iterable

from optimizer.bench.made import holders_of
from optimizer.data.facts import Material
from optimizer.data.names import names_of
from optimizer.units import slug


class Called:
    """Materials by every word that records, shelves and makers have for them."""

    def __init__(self, materials: Iterable[Material]) -> None:
        """Index the materials.

        Args:
            materials: Of the library; where there are none, words mean only what is written alike.
        """
        self.by_id = {m.id: m for m in materials}
        self._names = names_of(self.by_id.values())

    def known(self, word: str) -> bool:
        """Return whether a word means a material, or several."""
        return bool(self.ids(word) or holders_of(word, self.by_id))

    def ids(self, word: str) -> set[str]:
        """Return the ids that have a name of just this word."""
        return self._names.get(word.casefold(), set())

    def kin(self, word: str) -> frozenset[str]:
        """Return the ids that a word may mean; of an acid or alkali those of every strength and form of it.

        A maker who dissolves an acid writes down the bag or the bottle, so a trace that told them apart would miss one.
        """
        ids = self.ids(word) or set(holders_of(word, self.by_id))
        acids = [m for i in ids if "ph adjuster" in (m := self.by_id[i]).functions]
        held = {s.inci for m in acids for s in m.substances if s.role == "active"}
        return frozenset(ids.union(*(holders_of(chemical, self.by_id) for chemical in held)) or {slug(word)})

    def alike(self, one: str, other: str) -> bool:
        """Return whether two words may mean the same material."""
        return slug(one) == slug(other) or not self.kin(one).isdisjoint(self.kin(other))
