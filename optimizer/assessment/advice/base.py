"""What a piece of advice is: an object that looks at a formula and speaks, with its reason and source, or is silent."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import cached_property
from typing import Literal

from optimizer.assessment.electrolyte import Budget
from optimizer.assessment.solubiliser import Ladder, ladder_for
from optimizer.assessment.thickening import Candidate, ThickeningPlan, plan_of
from optimizer.brief.brief import Brief
from optimizer.data.facts import Material
from optimizer.data.formula import Formula, Line
from optimizer.data.pool import Group, Ingredient
from optimizer.immutable import immutable, untold
from optimizer.rules import Clear
from optimizer.rules.counting import group_active
from optimizer.rules.row import Setting
from optimizer.units import KEPT, USED

Kind = Literal["thickening", "clarity", "polymers", "preservation", "process", "figures"]

COMMON = "common practice, no source"
SALT_SITE = "cosmetic chemistry education site on salt curves; supplier-typical"
FORUM = "makers' forums, several reports"


@immutable
class Advice:
    """One piece of advice."""

    key: str
    """Name of the piece."""
    text: str
    """What to do."""
    reason: str
    """Why, with the figures of this formula."""
    source: str
    """Who says so."""
    materials: tuple[str, ...]
    """Ids that it is about, sorted."""
    kind: Kind
    """Heading under which it stands."""
    names: tuple[str, ...] = untold(default=())
    """What these materials are called."""


@immutable
class Situation:
    """A formula with its pH setting and brief, and what several pieces ask of them."""

    formula: Formula
    setting: Setting
    brief: Brief

    @cached_property
    def plan(self) -> ThickeningPlan:
        """The thickening plan."""
        return plan_of(self.formula, self.setting, self.brief)

    @property
    def budget(self) -> Budget:
        """Dissolved salt against its limit."""
        return self.plan.budget

    @cached_property
    def ladder(self) -> Ladder | None:
        """The solubiliser ladder."""
        return ladder_for(self.formula, self.brief)

    @cached_property
    def used(self) -> tuple[Line, ...]:
        """Doses above nothing, sorted by id."""
        return tuple(line for line in self.formula.lines if line.percent > USED)

    @cached_property
    def active(self) -> float:
        """Active matter [% of the product]."""
        return self.formula.active

    @cached_property
    def clear(self) -> bool:
        """Whether the brief asks for a clear product."""
        rules = any(isinstance(r, Clear) for r in self.brief.modelled)
        return rules or self.brief.scenario.pool.clear

    @property
    def planned(self) -> tuple[Candidate, ...]:
        """Planned thickeners against which nothing speaks."""
        return tuple(c for c in self.plan.candidates if c.planned and c.suits)

    def where(self, test: Callable[[Material], bool]) -> tuple[Line, ...]:
        """Return the used lines whose material passes a test."""
        return tuple(line for line in self.used if test(line.item.material))

    def of_family(self, *families: str) -> tuple[Line, ...]:
        """Return the used lines that hold a substance of one of the families."""
        return self.where(lambda m: any(s.family in families for s in m.substances))

    def share(self, group: Group) -> float:
        """Return a group's share of the active matter [%], 0 without active matter."""
        if self.active <= KEPT:
            return 0.0
        return 100 * self.formula.total(lambda i: group_active(group, i)) / self.active


@immutable
class Found:
    """What a piece says when it speaks."""

    text: str
    reason: str
    materials: tuple[str, ...] = ()
    source: str = ""
    """Instead of the piece's own."""


Look = Callable[[Situation], Found | None]


@immutable
class Piece:
    """One predicate: it looks at a situation and speaks or is silent.

    Attributes:
        key: Name, unique.
        kind: Heading.
        source: Who says so.
        look: What it looks for.
    """

    key: str
    kind: Kind
    source: str
    look: Look

    def fires(self, situation: Situation) -> Advice | None:
        """Return the advice for a situation, None if there is nothing to say."""
        found = self.look(situation)
        if found is None:
            return None
        materials = tuple(sorted(set(found.materials)))
        known = situation.brief.library.by_id
        called = tuple(known[name].name if name in known else name for name in materials)
        return Advice(self.key, found.text, found.reason, found.source or self.source, materials, self.kind, called)


class Pieces(list[Piece]):
    """The pieces of one theme, in their declared order."""

    def __init__(self, kind: Kind) -> None:
        super().__init__()
        self.kind: Kind = kind

    def piece(self, key: str, source: str) -> Callable[[Look], Look]:
        """Return a decorator that adds a function as a piece."""

        def add(look: Look) -> Look:
            self.append(Piece(key, self.kind, source, look))
            return look

        return add


def ids(lines: Iterable[Line]) -> tuple[str, ...]:
    """Return the ids of lines."""
    return tuple(line.item.id for line in lines)


def names(items: Iterable[Line | Ingredient | Candidate]) -> list[str]:
    """Return names for a sentence, each once."""
    found = [x.material.name if isinstance(x, (Ingredient, Candidate)) else x.item.material.name for x in items]
    return list(dict.fromkeys(found))
