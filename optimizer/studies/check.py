"""A formula that exists, held against a brief: what it breaks, what mending costs, the nearest that keeps all."""

from __future__ import annotations

import numpy as np

from optimizer.brief.brief import Brief, bent, protecting, straight
from optimizer.data.formula import Formula
from optimizer.immutable import immutable, replace
from optimizer.model.linearisation import Tangent, with_rules
from optimizer.rules.row import Setting
from optimizer.solve.best import solve
from optimizer.solve.existing import best_setting, formula_at, on_grid
from optimizer.solve.nearest import Near, Ready, nearest_formula
from optimizer.solve.result import RuleOutcome
from optimizer.solve.rounding import broken
from optimizer.solve.shadow_prices import measure_rules
from optimizer.units import listed

TANGENTS = 12
"""Most times that a curved rule's tangent is taken anew."""


@immutable
class Mend:
    """What keeping one broken rule takes; cost is null if another rule would break.

    The least change that keeps it along with those that are kept already, at the same pH.
    """

    id: str
    """The broken rule."""
    changed: tuple[str, ...]
    """Ids of the doses that change; empty if it cannot be mended so."""
    cost: float | None
    """Change of the cost per kg; None if it cannot be mended without breaking another rule."""


@immutable
class Checked:
    """A formula measured against a brief.

    Attributes:
        formula: The formula, brought to 100 %.
        setting: The pH setting that it aims at, or else fits best.
        rules: Every rule at the formula.
        broken: Ids of the broken rules.
        mends: One per broken rule.
        nearest: The nearest formula that keeps every rule, on the grid of the scale where one lies
            near; None if no formula does.
        on_grid: Whether `nearest` is on the grid.
        notes: What was done to the given figures.
    """

    brief: Brief
    formula: Formula
    setting: Setting
    rules: tuple[RuleOutcome, ...]
    broken: tuple[str, ...]
    mends: tuple[Mend, ...]
    nearest: Near | None
    on_grid: bool
    notes: tuple[str, ...]
    unprotected: bool = False
    """Whether formulas keep every rule, but none that is preserved, which the given one is or was meant to be."""
    followed: bool = False
    """True if rules are curved, so that a missing nearest formula is not proven missing."""
    aimed: bool = False
    """Whether the formula aims at that pH by itself."""

    @property
    def cost(self) -> float:
        """Cost of the given formula per kg."""
        return self.formula.cost


def measured(
    brief: Brief, doses: dict[str, float], held_back: float, notes: tuple[str, ...] = (), *, at: float | None = None
) -> Checked:
    """Hold a formula against a brief without looking for what would mend it.

    Args:
        brief: A brief whose pool holds every material of the formula.
        doses: % w/w as supplied by id, summing with `held_back` to 100.
        held_back: Part kept free [%].
        notes: What was done to the given figures.
        at: The pH that it aims at; where it fits the brief best if it aims at none.
    """
    brief = replace(brief, pool=replace(brief.pool, held_back=held_back))
    formula = formula_at(brief.pool, doses)
    setting = best_setting(brief, formula, at)
    outcomes = measure_rules(brief, formula, setting)
    bad = tuple(o.id for o in outcomes if o.broken)
    curved = bool(bent(brief))
    aimed = at is not None and at == setting.target
    return Checked(brief, formula, setting, outcomes, bad, (), None, False, notes, followed=curved, aimed=aimed)


def check(
    brief: Brief, doses: dict[str, float], held_back: float, notes: tuple[str, ...] = (), *, at: float | None = None
) -> Checked:
    """Hold a formula against a brief, and find what mends it; the arguments are those of `measured`."""
    found = measured(brief, doses, held_back, notes, at=at)
    bad = found.broken
    if not bad:
        return found
    formula, setting, curved = found.formula, found.setting, bent(found.brief)
    brief = protecting(found.brief, formula, setting, mending=True)
    kept = frozenset(r.id for r in brief.enforced) - frozenset(bad)
    ready = None if curved else Ready(brief)
    mends = []
    for name in bad:
        near = _nearest(brief, doses, kept | {name}, fewest=False, at=setting, ready=ready)
        cost = None if near is None else near.formula.cost - formula.cost
        mends.append(Mend(name, () if near is None else near.changed, cost))
    nearest, gridded = on_grid(brief, _nearest(brief, doses, None, ready=ready), doses)
    unprotected = nearest is None and _nearest(found.brief, doses, None) is not None
    if curved:
        names = listed([f"'{r.name}'" for r in curved])
        notes = (
            *notes,
            f"{names} is linear only around a formula: the nearest formula and what mending costs were "
            "followed by tangents, so a nearer one is not ruled out, nor is one where none was found.",
        )
    ends = {"nearest": nearest, "on_grid": gridded, "unprotected": unprotected}
    return replace(found, mends=tuple(mends), notes=notes, **ends)


def _nearest(
    brief: Brief,
    doses: dict[str, float],
    keep: frozenset[str] | None,
    *,
    fewest: bool = True,
    at: Setting | None = None,
    ready: Ready | None = None,
) -> Near | None:
    """Return the nearest formula; where rules are curved, one that keeps them, followed by tangents, or None."""
    if not bent(brief):
        return nearest_formula(brief, doses, keep, fewest=fewest, at=at, ready=ready)
    curved = tuple(r for r in bent(brief) if keep is None or r.id in keep)
    here: dict[str, float] | None = doses
    for start in range(2 if keep is None and curved else 1):
        if start == 1:
            # Tangents at the given formula led nowhere: those at the best formula have it at least.
            best = solve(brief).formula
            here = None if best is None else best.doses
        for _ in range(TANGENTS if curved else 1):
            if here is None:
                break
            at_here = np.array([here.get(name, 0.0) for name in brief.pool.ids])
            asked = with_rules(straight(brief), {r.id: Tangent.at(r, brief.pool, at_here) for r in curved})
            near = nearest_formula(asked, doses, keep, fewest=fewest, at=at, ready=ready)
            if near is None:
                break
            setting = Setting() if near.ph is None else near.ph.setting
            if not any(broken(r, near.formula, setting) for r in curved):
                return replace(near, proven=False) if curved else near
            here = near.formula.doses
    return None
