"""A batch that cannot be finished as planned because a material has run out: what is in, what is still to add.

What went in besides the plan counts as planned, out of the part held back. Where the batch goes on as it is told, that
becomes its plan: sheet, weights, acid and thickener, what was made and the next master formula all follow the file.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import fsum
from typing import Any

from optimizer.bench.batch import Batch, Scale, append
from optimizer.bench.grams import grams_of
from optimizer.bench.made import besides, water_of
from optimizer.bench.plan import written_doses
from optimizer.bench.weighed import tolerance_g
from optimizer.data.facts import Material
from optimizer.data.formula import Formula
from optimizer.errors import fault
from optimizer.immutable import immutable, untold
from optimizer.rules.row import Setting
from optimizer.solve.rounding import largest_remainder
from optimizer.units import AS_TYPED, USED, whole_down

SIZES = (100, 101, 102, 105, 110, 115, 120, 130, 150, 200)
"""Sizes that are tried in this order, % of the planned one: what is in stays in, so a larger batch may be needed."""


@immutable
class StillToAdd:
    """One material of the batch that is changed under way."""

    material: str
    planned_g: float
    """In the plan [g]."""
    in_g: float
    """Weighed in already [g]."""
    then_g: float
    """In the changed batch [g]."""

    @property
    def add_g(self) -> float:
        """Still to be added [g]."""
        return max(0.0, self.then_g - self.in_g)


@immutable
class Rescue:
    """What to do with a batch in the middle."""

    batch: str
    size_g: float
    """Mass of the batch as it is to be finished [g]."""
    planned_g: float
    """As it was planned [g]."""
    lines: tuple[StillToAdd, ...]
    """What is in and what is still to be added; empty if no formula keeps the rules."""
    smaller_g: float | None
    """A smaller batch of the plan itself that what is in of the missing material suffices for [g]; None if other
    weights are past it already."""
    scale: Scale = untold()
    """The balance of the batch."""


def plan_so_far(batch: Batch, materials: Mapping[str, Material]) -> tuple[dict[str, float], float]:
    """Return the plan with what went in besides it, by id, and what is still held back [% of the batch].

    Args:
        batch: The batch file's content.
        materials: Known materials by id.
    """
    doses, water = batch.doses, water_of(materials)
    more = {name: 100 * grams / batch.size_g for name, grams in besides(batch, materials).items()}
    left = batch.held_back_percent - fsum(more.values())
    doses[water] = doses.get(water, 0.0) + min(0.0, left)
    return {**doses, **more}, max(0.0, left)


def floors_g(batch: Batch) -> dict[str, float]:
    """Return below which grams no material can go: what is in, or the plan if within the tolerance."""
    floors = batch.weighed_g
    for name, planned in batch.planned_g.items():
        if planned < floors.get(name, 0.0) <= planned + tolerance_g(batch, planned):
            floors[name] = planned
    return floors


def least_size(planned_g: float, possible: Callable[[float], bool]) -> float:
    """Return the least size that can be finished, to 1 % of the plan [g]; the planned one if none can.

    Args:
        planned_g: Mass of the batch as it was planned [g].
        possible: Whether a batch of so many grams can be finished.
    """
    below = SIZES[0] - 1
    for tried in SIZES:
        if possible(tried * planned_g / 100):
            least = tried
            while least - below > 1:
                middle = (below + least) // 2
                below, least = (below, middle) if possible(middle * planned_g / 100) else (middle, least)
            return least * planned_g / 100
        below = tried
    return planned_g


def smaller_batch(batch: Batch, missing: str, left_g: float) -> float | None:
    """Return the smaller batch that what there is of a material suffices for [g], None if that is too late or nothing.

    Args:
        batch: The batch.
        missing: The material that has run out.
        left_g: What is in of it and what is left [g].
    """
    dose = batch.doses.get(missing, 0.0)
    size = whole_down(100 * left_g / dose) if dose > 0 else 0.0
    for name, grams in batch.weighed_g.items():
        planned = batch.doses.get(name, 0.0) * size / 100
        if name != missing and grams > planned + tolerance_g(batch, planned) + AS_TYPED:
            return None
    return size if 0 < size < batch.size_g else None


def still_to_add(batch: Batch, doses: Mapping[str, float], size_g: float, missing: str) -> tuple[StillToAdd, ...]:
    """Return what is in and what is still to be added for doses, in steps of the scale, what is left first.

    Args:
        batch: The batch.
        doses: Of the changed formula [% as supplied].
        size_g: Mass of the changed batch [g].
        missing: Id of what has run out, of which never more is told than there is.
    """
    inside, plan, step = batch.weighed_g, grams_of(batch), batch.scale.step_g
    names = sorted({*doses, *plan, *inside}, key=lambda n: (-doses.get(n, 0.0), n))
    exact = {n: max(0.0, doses.get(n, 0.0) * size_g / 100 - inside.get(n, 0.0)) for n in names}
    last = whole_down(exact.get(missing, 0.0) / step) * step
    others = {n: grams for n, grams in exact.items() if n != missing and grams > 0}
    more = largest_remainder(others, step, fsum(exact.values()) - last) if others else {}
    more[missing] = last
    return tuple(
        StillToAdd(n, plan.get(n, 0.0), inside.get(n, 0.0), inside.get(n, 0.0) + more.get(n, 0.0)) for n in names
    )


@immutable
class NewPlan:
    """What a batch is to become."""

    formula: Formula
    size_g: float
    setting: Setting | None
    """The pH, where it has to move."""
    why: str
    on: str


def change_plan(document: Any, batch: Batch, new: NewPlan) -> None:
    """Write a new plan into a parsed batch file; what it was stays under `changed`.

    Raises:
        DataError: If the batch would grow and its thickening, which is logged in % of it, has begun.
    """
    grows = abs(new.size_g - batch.size_g) > AS_TYPED
    if grows and any(log.added_percent > USED for log in batch.thickening):
        what = "thickener is in already, logged in % of the planned size, and the batch would have to grow."
        raise fault(batch.where, "thickening", what, "Weigh what is told, and note it with its lot.")
    doses = written_doses(new.formula)
    was: dict[str, Any] = {"why": new.why, "on": new.on} if new.on else {"why": new.why}
    was |= {"size_g": batch.size_g, "held_back_percent": batch.held_back_percent}
    was |= {} if batch.ph_target is None else {"ph_target": batch.ph_target}
    append(document, "changed", {**was, "line": [line.model_dump() for line in batch.line]})
    for place in reversed(range(len(batch.line))):
        name = batch.line[place].material
        if name in doses:
            document["line"][place]["percent"] = doses.pop(name)
        else:
            del document["line"][place]
    for name, percent in doses.items():
        append(document, "line", {"material": name, "percent": percent})
    if grows:
        document["size_g"] = new.size_g
    document["held_back_percent"] = new.formula.held_back
    if new.setting is not None:
        ends = {"ph_low": new.setting.low, "ph_target": new.setting.target, "ph_high": new.setting.high}
        for key, value in ends.items():
            if value is not None:
                document[key] = round(value, 4)
