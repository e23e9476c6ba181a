"""In which order materials go in, so that none meets a pH on the way that destroys it.

The phases of the library are the usual order. From what is in by then the pH of each step is estimated (the model of
the pH log, blind: its range is wide). What does not stand it goes in once the pH is set; where that cannot be, alkaline
surfactants are brought to pH 6 to 7 apart, first. What then still meets a pH that it does not stand is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field
from math import inf, nan

from optimizer.assessment.alkalinity import estimated_ph, ingredients_of, known_of
from optimizer.bench.grams import OILY
from optimizer.chemistry.interval import Interval
from optimizer.data.facts import Material
from optimizer.data.formula import Formula, Line
from optimizer.data.pool import Ingredient
from optimizer.immutable import immutable

ALKALINE_FROM = 9.5
"""From this supplied pH on a material is called alkaline; an editable default, no source."""
APART = (6.0, 7.0)
"""PH to which alkaline surfactants are brought apart; common practice, no source."""
HARDLY = 1.0
"""Below this solubility alone in water [%] a surfactant is melted into others; common practice, no source."""
BEFORE = (
    "water", "hydration", "anionic", "cosurfactant", "apart", "melt", "premix", "stirred", "preservation",
)  # fmt: skip
"""Steps before the pH is set, in order."""
AFTER = ("scented", "after")
"""Steps between setting the pH and the thickener."""
MOVES = {"premix": "scented", "stirred": "after", "preservation": "after"}
"""Where a step's materials go if the pH must be set first."""
NEUTRAL = Interval(6.0, 6.5, 7.0)
Lots = Mapping[str, Ingredient]
"""What a maker has of the materials, by id."""
EMPTY: Lots = {}


@immutable
class Order:
    """What goes into which step.

    Attributes:
        steps: Ids by step.
        ph: Estimated pH at the end of each step that has one: 10 %, middle and 90 % point.
        melted: Ids that hardly dissolve alone, with what of the step they are melted into.
        meets: Ids of what meets a pH on its way that it does not stand, with that pH, and what could be done.
    """

    steps: Mapping[str, tuple[str, ...]]
    ph: Mapping[str, Interval] = field(default_factory=dict)
    melted: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    meets: Mapping[str, float] = field(default_factory=dict)


def stands(material: Material) -> tuple[float, float]:
    """Return the pH range that a material stands as supplied and while a batch is made."""
    if material.ph_making is not None:
        return material.ph_making
    if material.ph_stable is None:
        return -inf, inf
    low, high = material.ph_stable
    supplied = material.ph_supplied or material.ph_stable
    return min(low, supplied[0]), max(high, supplied[1])


def alkaline(material: Material) -> bool:
    """Return whether a material is alkaline as supplied."""
    return material.ph_supplied is not None and material.ph_supplied[0] >= ALKALINE_FROM


def order_of(
    by_phase: Mapping[str, Sequence[str]],
    materials: Mapping[str, Material],
    doses: Mapping[str, float],
    *,
    acid: bool,
    lots: Lots = EMPTY,
) -> Order:
    """Return the order of addition.

    Args:
        by_phase: Ids by step of the usual order, in order.
        materials: Facts by id.
        doses: % of the product by id.
        acid: Whether the pH is set in a step of its own.
        lots: What the maker has of them, by id: a lot's own pH narrows the estimate.
    """
    plan = _Moving({key: list(names) for key, names in by_phase.items()}, materials, doses, lots)
    if plan.hurt(plan.fixed(), surely=False):
        plan.chelators_late()
        plan.set_apart()
    melted = {n: plan.melted_into(n) for n in plan.hardly()}
    if acid:
        plan.after_the_acid()
    meets = {n: ph.typical for n, ph in plan.hurt(plan.every()).items()}
    steps = {key: tuple(names) for key, names in plan.steps.items() if names}
    return Order(steps, {k: v for k, v in plan.estimates().items() if k in steps}, melted, meets)


class _Moving:
    """Steps that are still moved about."""

    def __init__(
        self, steps: dict[str, list[str]], materials: Mapping[str, Material], doses: Mapping[str, float], lots: Lots
    ) -> None:
        """Take the usual order."""
        self.steps, self.materials, self.doses = steps, materials, doses
        self._lines = {n: Line(lots.get(n) or Ingredient(materials[n], nan), p) for n, p in doses.items() if p > 0}
        self._known: dict[tuple[tuple[str, ...], ...], Interval | None] = {}

    def at(self, key: str) -> list[str]:
        return self.steps.setdefault(key, [])

    def fixed(self) -> list[str]:
        """Return what cannot wait until the pH is set."""
        return [n for key in BEFORE if key not in MOVES for n in self.at(key) if not self._waits(n)]

    def every(self) -> list[str]:
        """Return all that goes in before the pH is set."""
        return [n for key in BEFORE for n in self.at(key)]

    def _waits(self, name: str) -> bool:
        return self.materials[name].function == "extract"

    def estimates(self) -> dict[str, Interval]:
        """Return the estimated pH at the end of each step before the pH is set."""
        found, so_far = {}, list[str]()
        for key in BEFORE:
            so_far += self.at(key)
            ph = self._ph_of(tuple(so_far), tuple(self.at("apart")))
            if ph is not None:
                found[key] = ph
        return found

    def _ph_of(self, names: tuple[str, ...], neutral: tuple[str, ...]) -> Interval | None:
        """Return the estimated pH of what is in; plans differ in few steps, and the same is estimated once."""
        if (names, neutral) not in self._known:
            lines = tuple(self._lines[n] for n in names if n in self._lines)
            self._known[names, neutral] = _estimate(lines, neutral)
        return self._known[names, neutral]

    def hurt(self, names: Iterable[str], *, surely: bool = True) -> dict[str, Interval]:
        """Return which materials meet a pH that they do not stand, with the worst one.

        Args:
            names: Which are asked about.
            surely: Whether by the middle of the estimate; else also half way to the ends of its range.
        """
        phs, found, asked = self.estimates(), {}, set(names)
        for place, key in enumerate(BEFORE):
            ahead = [phs[k] for k in BEFORE[place:] if k in phs and (self.at(k) or k == key)]
            for name in asked.intersection(self.at(key)):
                low, high = stands(self.materials[name])
                ends = [(p.typical, p.typical) if surely else _wider(p) for p in ahead]
                missed = [max(low - a, b - high) for a, b in ends]
                if name not in self.at("apart") and max(missed, default=0.0) > 0:
                    found[name] = ahead[missed.index(max(missed))]
        return found

    def chelators_late(self) -> None:
        """Put alkaline chelators in just before the acid."""
        late = [n for n in self.at("water") if self.materials[n].function == "chelator" and alkaline(self.materials[n])]
        self.steps["water"] = [n for n in self.at("water") if n not in late]
        self.at("preservation").extend(late)

    def set_apart(self) -> None:
        """Set surfactants apart that are more alkaline than something else of the base stands."""
        hurt = self.hurt(self.fixed(), surely=False)
        most = min((stands(self.materials[n])[1] for n in hurt), default=inf)
        own = {n: self.materials[n].ph_supplied for n in self.at("cosurfactant")}
        names = [n for n, ph in own.items() if ph is not None and sum(ph) / 2 > most and n not in hurt]
        self.steps["cosurfactant"] = [n for n in self.at("cosurfactant") if n not in names]
        self.steps["apart"] = names

    def hardly(self) -> list[str]:
        """Return what hardly dissolves in water alone."""
        known = self.materials
        return [n for n in self.at("anionic") if (share := known[n].dissolves) is not None and share < HARDLY]

    def melted_into(self, name: str) -> tuple[str, ...]:
        """Return what one is melted into: the surfactants of the next step whose pH it stands, else those apart."""
        low, high = stands(self.materials[name])
        own = {n: self.materials[n].ph_supplied for n in self.at("cosurfactant")}
        mild = tuple(n for n, ph in own.items() if ph is None or low <= sum(ph) / 2 <= high)
        return mild or tuple(self.at("apart"))

    def after_the_acid(self) -> None:
        """Move what may not stand the pH before the acid to after it; what is mixed together stays together."""
        hurt = self.hurt(self.every(), surely=False)
        for key, later in MOVES.items():
            together = key == "premix"
            moved = [n for n in self.at(key) if n in hurt]
            if together and moved:
                moved = list(self.at(key))
            self.steps[key] = [n for n in self.at(key) if n not in moved]
            self.at(later).extend(moved)
        waiting = [n for key in BEFORE for n in self.at(key) if n in hurt and self._waits(n)]
        for key in BEFORE:
            self.steps[key] = [n for n in self.at(key) if n not in waiting]
        self.at("after").extend(waiting)


def _wider(ph: Interval) -> tuple[float, float]:
    return (ph.low + ph.typical) / 2, (ph.typical + ph.high) / 2


def scents(names: Iterable[str], materials: Mapping[str, Material]) -> list[str]:
    """Return perfumes and oils among materials."""
    return [n for n in names if materials[n].lipid in OILY]


def _estimate(lines: tuple[Line, ...], neutral: Sequence[str]) -> Interval | None:
    """Return the pH of what is in, 10 %, middle and 90 % point; None while nothing says anything of it."""
    bases = [b for b in ingredients_of(Formula(lines)) if b.id not in neutral]
    apart = [APART for line in lines if line.item.id in neutral]
    if not known_of(bases):
        return NEUTRAL if apart else None
    return estimated_ph(bases, apart=apart)
