"""What looks doubtful in a library: figures, each with its material, and law that was read long ago."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from optimizer.data.law import grown_old
from optimizer.data.library import Library, doubts
from optimizer.immutable import result


@result
class Doubts:
    """What looks doubtful in a library: the output of `tenside library check --json`."""

    FORMAT = 1
    materials: int
    """How many were read."""
    doubts: Mapping[str, tuple[str, ...]]
    """Sentences by material id; a material without doubts is not listed."""
    old_law: Mapping[str, str]
    """Day on which it was read, by what of the law was read more than 12 months ago; empty for no known day."""
    on: str
    """The day from which that is counted."""

    def by_doubt(self) -> dict[str, list[str]]:
        """Return each sentence once, with all materials of which it is true."""
        found: dict[str, list[str]] = {}
        for name, sentences in self.doubts.items():
            for sentence in sentences:
                found.setdefault(sentence, []).append(name)
        return found


def doubts_in(library: Library, on: str) -> Doubts:
    """Return what looks doubtful in a library on a day (ISO 8601)."""
    doubtful = {m.id: tuple(found) for m in library.materials if (found := doubts(m))}
    return Doubts(
        materials=len(library.materials),
        doubts=doubtful,
        old_law=dict(grown_old(library, date.fromisoformat(on))),
        on=on,
    )
