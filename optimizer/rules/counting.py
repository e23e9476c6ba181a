"""What several kinds of rule count in the same way."""

from typing import Literal

import numpy as np

from optimizer.data.facts import Charge, Substance
from optimizer.data.pool import Group, Ingredient, Pool, Vector
from optimizer.rules.row import Choice

DoseBasis = Literal["as supplied", "as active"]


def measured(basis: DoseBasis, item: Ingredient) -> float:
    """Return what one % of dose counts: 1 as supplied, the active share as active."""
    return 1.0 if basis == "as supplied" else item.material.active_matter / 100


def use_columns(pool: Pool, group: Group) -> tuple[Choice, ...]:
    """Return the shared yes/no column of every member."""
    return tuple(
        Choice(f"use:{pool.ids[p]}", f"{pool.items[p].material.name} is used") for p in pool.members(group).nonzero()[0]
    )


def group_active(group: Group, item: Ingredient) -> float:
    """Return surfactant active matter per unit that belongs to the group, substance by substance.

    Charges and families are asked of each substance, so that a blend counts with the right part.
    """
    if not item.surfactant or not group.holds_whole(item.material):
        return 0.0
    return sum(s.typical / 100 for s in item.material.substances if s.surfactant and counts(group, s))


def group_actives(group: Group, pool: Pool) -> Vector:
    """Return `group_active` of every candidate, shape (n,)."""
    found = np.zeros(len(pool))
    for (charge, family), shares in pool.by_kind.items():
        if is_of(group, charge, family):
            found += shares
    return found * pool.vector(lambda i: group.holds_whole(i.material)) if group.asks_whole else found


def counts(group: Group, substance: Substance) -> bool:
    """Return whether a surfactant substance is of the group's charges and families."""
    return is_of(group, substance.charge, substance.family)


def is_of(group: Group, charge: Charge | None, family: str | None) -> bool:
    """Return whether a charge and a family are among the group's, of which none means any."""
    return (not group.charges or charge in group.charges) and (not group.families or family in group.families)


def unit_vector(pool: Pool, use_key: str) -> Vector:
    """Return 1 at the material of a use column, 0 elsewhere."""
    doses = np.zeros(len(pool))
    doses[pool.index[use_key.removeprefix("use:")]] = 1.0
    return doses
