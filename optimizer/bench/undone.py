"""Acid and alkali of one batch that undid one another: an overshoot, and what was added against it.

At the pH that was read last an acid has given and an alkali has taken up so many protons. What they exchanged with one
another left the pH where it is (charge balance), so the next batch needs only the rest. The water and the ionic
strength that go with it are left aside.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import fsum

from optimizer.bench.batch import Batch
from optimizer.bench.made import adjuster_of, last_ph
from optimizer.chemistry.ph import stock
from optimizer.data.facts import Material
from optimizer.immutable import immutable
from optimizer.units import USED, listed, number


@immutable
class Undone:
    """What of one adjustment of the batch was undone by another one."""

    material: str
    """Library id of the acid or alkali."""
    added_g: float
    """Solution that is in [g]."""
    undone_g: float
    """Of that in vain [g]."""


def undone(batch: Batch, materials: Mapping[str, Material]) -> tuple[Undone, ...]:
    """Return what of each adjustment was in vain; nothing where only acid or only alkali went in, or no pH was read."""
    ph = last_ph(batch)
    used = [a for a in batch.adjusted if a.added_g > 0]
    if ph is None:
        return ()
    solutions = [stock(a.chemical, a.strength_percent) for a in used]
    moved = [a.added_g * s.millimoles * s.taken_up(ph) for a, s in zip(used, solutions, strict=True)]
    down, up = fsum(mmol for mmol in moved if mmol > 0), fsum(-mmol for mmol in moved if mmol < 0)
    both = min(down, up)
    if both <= USED:
        return ()
    shares = (both / (down if mmol > 0 else up) for mmol in moved)
    return tuple(
        Undone(adjuster_of(a, materials, batch.where), a.added_g, share * a.added_g)
        for a, share in zip(used, shares, strict=True)
    )


def in_words(found: tuple[Undone, ...], materials: Mapping[str, Material]) -> str:
    """Return that as a sentence for notes."""
    went = listed([f"{number(one.added_g, 2)} g of {materials[one.material].name}" for one in found])
    vain = listed([f"{number(one.undone_g, 2)} g" for one in found])
    return f"{went} (as dissolved) went in against one another: the next master formula leaves out {vain} of them"
