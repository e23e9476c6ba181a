"""What can be varied, in the maker's words, and what that does to the doses.

A factor is one direction in which the plan's doses move: strength moves all surfactants together, the share of one
kind moves it against the others at the same active matter, a dose moves by itself; water makes the rest. Materials of
one kind move in the plan's proportion, so a share of active matter is varied whole, not split.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from optimizer.data.formula import Formula
from optimizer.data.names import ids_of
from optimizer.data.pool import Ingredient, Mask, Vector
from optimizer.errors import UsageError, nearest
from optimizer.immutable import immutable
from optimizer.units import AS_TYPED, listed

CHARGES = ("amphoteric", "nonionic", "anionic", "cationic")
"""In the order in which their shares are proposed."""
PROPOSED = 4
"""Factors that are proposed at most."""
GROUPS: dict[str, tuple[str, ...]] = {
    "thickener": ("thickener",),
    "salt": ("salt",),
    "emollient": ("emollient",),
    "humectant": ("humectant",),
    "solubiliser": ("solubiliser",),
}
"""Functions of the doses that may be varied by a word, in the order in which they are proposed."""
WHY = {
    "strength": "it carries foam and viscosity, and most of the cost",
    "amphoteric-share": "the partner of the anionics: it thickens, softens the foam and counts as mild",
    "nonionic-share": "it softens the blend and clears it, mostly at the cost of foam",
    "anionic-share": "it brings the first foam, and thickens with salt",
    "cationic-share": "it conditions, and separates with too much anionic",
    "thickener": "nothing moves viscosity more",
    "salt": "viscosity rises with it, peaks and falls",
    "emollient": "it can break foam and viscosity, and is there for the feel",
    "humectant": "it thins some blends a little",
    "solubiliser": "it keeps perfume and oil clear; too much of it costs foam and viscosity",
}
"""Why a factor is worth trying; common practice, no source."""


IN_THE_FORMULA = (
    "Nothing with the function '{}' is in it: make one a candidate in [pool] and ask for its dose in a rule."
)


AT_THE_BENCH = {
    "salt": "The curve of salt that is added to effect is planned by 'tenside trials salt'.",
    "thickener": "The dose of one that is added to effect is found with 'tenside thicken'.",
}


@immutable
class Way:
    """One factor: a direction of the doses, and what is told of it.

    Attributes:
        direction: What one unit adds to the doses, shape (n,); it sums to 0.
        top: What is told is top @ doses, or 100 x that over bottom @ doses, shape (n,).
        bottom: Shape (n,), or None.
    """

    id: str
    name: str
    unit: str
    why: str
    direction: Vector
    top: Vector
    bottom: Vector | None = None

    def told(self, doses: Vector) -> Vector:
        """Return the figure of doses of shape (m, n), shape (m,)."""
        top = doses @ self.top
        return np.asarray(top if self.bottom is None else 100 * top / (doses @ self.bottom))


class Ways:
    """The factors of one formula."""

    def __init__(self, formula: Formula) -> None:
        """Take the used materials of a formula, in its own order.

        Raises:
            UsageError: If it has no water that could make the rest.
        """
        self.items: tuple[Ingredient, ...] = tuple(line.item for line in formula.lines)
        self.ids = tuple(item.id for item in self.items)
        self.plan = np.array([line.percent for line in formula.lines])
        self.active = np.array([item.surfactant for item in self.items])
        waters = [k for k, item in enumerate(self.items) if item.material.function == "solvent"]
        if not waters:
            raise UsageError("the formula has no free water, so nothing can be varied that water makes up for.")
        self.rest = max(waters, key=lambda k: self.plan[k])
        self.weighed: Mask = np.arange(len(self.ids)) != self.rest

    def known(self) -> dict[str, Way]:
        """Return the factors that the formula has, by id."""
        found = [self._strength(), *self._shares(), *(self._group(word) for word in GROUPS)]
        return {way.id: way for way in found if way is not None}

    def proposed(self, room: int = PROPOSED) -> tuple[Way, ...]:
        """Return what is proposed, as far as there is room: strength, the shares but one, then one dose."""
        known = self.known()
        shares = [i for i in known if i.endswith("-share")][:-1]
        doses = [word for word in GROUPS if word in known]
        chosen = [i for i in ("strength", *shares, *doses[:1]) if i in known]
        return tuple(known[i] for i in chosen[:room])

    def named(self, names: Sequence[str], materials: Sequence[str]) -> tuple[Way, ...]:
        """Return factors by name, then doses of single materials.

        Raises:
            UsageError: If the formula has no such factor or material.
        """
        known, ids = self.known(), ids_of(materials, [i.material for i in self.items])
        for name in names:
            if name not in known:
                todo = IN_THE_FORMULA.format(name) if name in GROUPS else nearest(name, known)
                todo = " ".join(filter(None, (todo, AT_THE_BENCH.get(name))))
                raise UsageError(f"--factors {name}: this formula has no such factor. {todo}")
        for name in ids.values():
            if name not in self.ids:
                raise UsageError(f"--vary {name}: the plan does not use it. {nearest(name, self.ids)}")
            if name == self.ids[self.rest]:
                raise UsageError(f"--vary {name}: it makes the rest, so it moves by itself. Name what displaces it.")
        return (*(known[n] for n in dict.fromkeys(names)), *(self._material(m) for m in dict.fromkeys(ids.values())))

    def _strength(self) -> Way | None:
        mask = self.active > 0
        if not mask.any():
            return None
        return Way(
            "strength",
            "strength (active matter)",
            "%",
            WHY["strength"],
            self._balanced(self._together(mask)),
            self.active,
        )

    def _shares(self) -> Iterable[Way]:
        masks = {c: np.array([i.material.charge == c and i.surfactant > 0 for i in self.items]) for c in CHARGES}
        masks = {c: m for c, m in masks.items() if m.any()}
        if len(masks) < 2:
            return
        for charge, mask in masks.items():
            others = (self.active > 0) & ~mask
            move = self._together(mask) - self._together(others)
            key = f"{charge}-share"
            name, top = f"{charge} share of the active matter", np.where(mask, self.active, 0.0)
            yield Way(key, name, "%", WHY[key], self._balanced(move), top, self.active)

    def _group(self, word: str) -> Way | None:
        mask = np.array([not i.material.functions.isdisjoint(GROUPS[word]) and i.surfactant == 0 for i in self.items])
        mask &= np.array([(i.material.function == "solubiliser") == (word == "solubiliser") for i in self.items])
        if word == "thickener":
            mask &= np.array(["salt" not in i.material.functions for i in self.items])
        if not mask.any():
            return None
        move = np.where(mask, self.plan, 0.0) / self.plan[mask].sum()
        names = listed([i for i, m in zip(self.ids, mask, strict=True) if m])
        return Way(word, f"{word} ({names})", "%", WHY[word], self._balanced(move), mask.astype(float))

    def _material(self, name: str) -> Way:
        own = np.array([i == name for i in self.ids], dtype=float)
        return Way(name, name, "%", "as asked for", self._balanced(own), own)

    def _together(self, mask: Mask) -> Vector:
        """Return doses in the plan's proportion that hold 1 % of active matter together, shape (n,)."""
        doses = np.where(mask, self.plan, 0.0)
        return np.asarray(doses / (doses @ self.active))

    def _balanced(self, move: Vector) -> Vector:
        """Return a move whose sum water makes up for."""
        move = move.copy()
        move[self.rest] -= move.sum()
        return move


def ends(way: Way, doses: Vector) -> tuple[float, float]:
    """Return least and most of a factor's figure over formulas of shape (m, n)."""
    values = way.told(doses)
    return float(values.min()), float(values.max())


def effect(way: Way, plan: Vector, low: float, high: float) -> Vector:
    """Return what a factor adds to the plan's doses on its way from low to high, all others as in the plan.

    Args:
        way: The factor.
        plan: Doses, shape (n,) [%].
        low: Of its figure.
        high: Of its figure.

    Returns:
        Doses, shape (n,) [%].
    """
    if way.bottom is None:
        slope = way.top @ way.direction
    else:
        top, bottom = way.top @ plan, way.bottom @ plan
        slope = 100 * (way.top @ way.direction * bottom - top * (way.bottom @ way.direction)) / bottom**2
    return np.asarray(way.direction * (high - low) / slope)


def independent(ways: Sequence[Way]) -> str:
    """Return the id of the first factor that moves nothing which those before it do not move, or ''."""
    for k in range(1, len(ways) + 1):
        moves = np.array([w.direction / np.linalg.norm(w.direction) for w in ways[:k]])
        if np.linalg.matrix_rank(moves, tol=AS_TYPED) < k:
            return ways[k - 1].id
    return ""
