"""Acid preservatives of a formula at its pH: as acid, undissociated, under which ceilings."""

from __future__ import annotations

from optimizer.assessment.electrolyte import ionic_strength_of
from optimizer.brief.brief import Brief
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.preservation import WARNING, as_acid, undissociated
from optimizer.data.formula import Formula
from optimizer.immutable import immutable, told, untold
from optimizer.rules import Excludes, UseLevel
from optimizer.rules.row import Setting
from optimizer.units import USED


@immutable
class CeilingRoom:
    """A ceiling and what is left of it [%]."""

    reading: str
    """The ceiling in words."""
    used: float
    """Dose in its basis, shares at their high end [%]."""
    most: float
    """The ceiling [%]."""

    @told
    def room(self) -> float:
        """What is left [%]; negative if it is broken."""
        return self.most - self.used


@immutable
class AcidPreservative:
    """One acid preservative, summed over its materials.

    Over every material that brings it or its salt.
    """

    acid: str
    """Its name."""
    materials: tuple[str, ...]
    """Names of what brings it."""
    percent: float
    """As free acid [% w/w]."""
    pka: Interval
    undissociated: Interval
    """Worst of the pH window, at the target, best of it [% w/w]; at most so much, before micelles take theirs."""
    ceilings: tuple[CeilingRoom, ...]
    """What limits it."""


@immutable
class ExclusionMet:
    """An exclusion that a used material falls under."""

    reading: str
    broken: bool


@immutable
class Preservation:
    """Acid preservatives at the target pH."""

    setting: Setting = untold()
    acids: tuple[AcidPreservative, ...]
    """Sorted by name; empty if there are none."""
    exclusions: tuple[ExclusionMet, ...]
    """Exclusions that a used material falls under, and whether they are broken."""
    ionic_strength: Interval = Interval(0.0, 0.0, 0.0)
    """Of the formula, from its dissolved salts [mol/kg]."""
    warning: str = WARNING
    """What the figures do not mean."""


def preservation_of(brief: Brief, formula: Formula, setting: Setting) -> Preservation:
    """Return the acid preservatives of a formula.

    Doses are those of the formula, salts and blends converted to free acid. The undissociated acid spans the pH window
    and the published spread of the pKa, at the ionic strength of the formula's own dissolved salts.

    Args:
        brief: For ceilings and exclusions.
        formula: Doses [% w/w].
        setting: Target pH with its window; without a target nothing is computed.

    Raises:
        DataError: If a share or molar mass is not possible.
    """
    found: dict[str, dict[str, float]] = {}
    pkas: dict[str, Interval] = {}
    incis: dict[str, set[str]] = {}
    for line in formula.lines:
        for s in line.item.material.substances:
            if s.acid is None or s.molar_mass is None or line.percent <= USED:
                continue
            name = s.acid.name
            dose = as_acid(line.percent * s.typical / 100, s.molar_mass, s.acid.molar_mass, s.acid.per_molecule)
            here = found.setdefault(name, {})
            here[line.item.material.name] = here.get(line.item.material.name, 0.0) + dose
            pkas[name] = Interval(*s.acid.pka)
            incis.setdefault(name, set()).add(s.inci)
    if setting.target is None:
        found = {}
    low, high = (setting.target if end is None else end for end in (setting.low, setting.high))
    acids, ionic = [], ionic_strength_of(formula)
    for name, doses in sorted(found.items()):
        assert low is not None
        assert high is not None
        total = sum(doses.values())
        rooms = tuple(
            CeilingRoom(rule.reading(), rule.value(formula, setting), rule.ceiling.percent)
            for rule in (*brief.modelled, *brief.watched)
            if isinstance(rule, UseLevel) and incis[name].intersection(rule.ceiling.substances)
        )
        acid = undissociated(total, (low, high), pkas[name], ionic)
        acids.append(AcidPreservative(name, tuple(sorted(doses)), total, pkas[name], acid, rooms))
    exclusions = tuple(
        ExclusionMet(rule.reading(), rule.breaks(formula, setting))
        for rule in (*brief.modelled, *brief.watched)
        if isinstance(rule, Excludes)
        and any(g.holds(line.item.material) for g in (rule.of, rule.other) for line in formula.lines)
    )
    return Preservation(setting, tuple(acids), exclusions, ionic)
