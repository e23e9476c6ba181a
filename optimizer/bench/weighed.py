"""Weights as they are typed at the bench, checked against the plan before they are noted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from math import fsum
from typing import Any

import tomlkit

from optimizer.bench.amount import amount_of
from optimizer.bench.batch import Batch
from optimizer.bench.grams import grams_of
from optimizer.data.facts import Material
from optimizer.data.pool import lot_doubt
from optimizer.data.sheet import number_of
from optimizer.errors import DataError, Problem, UsageError, fault, nearest
from optimizer.immutable import immutable, told, told_as, untold
from optimizer.shell import quoted
from optimizer.units import AS_TYPED, listed, number

OVERFULL = 1.1
"""From this much more in bottles than there is they are doubted; bottles are filled a little unlike their content."""
FAR_MASS = 2.0
"""The same for the mass of the finished batch."""
FILLING = {"bottle_ml", "density_g_per_ml"}
"""What turns bottles into a mass; often measured only once the batch is mixed."""


@immutable
class Weight:
    """One weight as typed [g]."""

    material: str
    grams: float
    lot: str = ""
    active: float | None = None
    further: bool = False
    """Whether it comes on top of what is noted already."""


@immutable
class Balance:
    """Planned and noted grams of one material."""

    material: str
    planned: float = untold()
    noted: float | None = told_as("noted_g")

    @told
    def planned_g(self) -> float:
        """As it is written in the plan."""
        return round(self.planned, 6)


def weight_of(text: str) -> Weight:
    """Read ID=GRAMS or ID=GRAMS@LOT; grams may carry a unit of mass, and a + for a further portion.

    Raises:
        UsageError: If it is neither.
    """
    name, sign, rest = (part.strip() for part in text.partition("="))
    amount, _, lot = (part.strip() for part in rest.partition("@"))
    further, amount = amount.startswith("+"), amount.removeprefix("+").strip()
    if not sign or not name or not amount:
        raise UsageError(f"'{text}': write MATERIAL=GRAMS or MATERIAL=GRAMS@LOT, such as glycerin=100.2@QN-7.")
    step = f"Write the grams that the scale shows, such as {name}=100.2, or a mass with its unit: mg, g, kg, t or lb."
    try:
        grams = number_of(amount) if not any(c.isalpha() for c in amount) else amount_of(amount).grams()
    except ValueError as error:
        raise UsageError(f"'{text}': '{amount}' {error}. {step}") from None
    except DataError:
        raise UsageError(f"'{text}': '{amount}' is no weight. {step}") from None
    if not 0 <= grams < 1e9:
        raise UsageError(f"'{text}': {amount} g cannot have been weighed. {step}")
    return Weight(name, grams, lot, further=further)


def with_actives(
    weights: Iterable[Weight], actives: Iterable[str], lots: Mapping[tuple[str, str], float]
) -> tuple[Weight, ...]:
    """Return weights with the measured active matter of their lots: as typed, else the shelf's for that lot.

    Args:
        weights: What is to be noted.
        actives: MATERIAL=PERCENT, as typed.
        lots: Measured active matter by material and lot [% as supplied].

    Raises:
        UsageError: If an active matter is no percentage, or of what is not weighed now.
    """
    weights = tuple(weights)
    typed = {}
    for text in actives:
        name, _, rest = (part.strip() for part in text.partition("="))
        try:
            typed[name] = number_of(rest.removesuffix("%"))
        except ValueError:
            raise UsageError(f"--active {text}: write MATERIAL=PERCENT, such as decyl-glucoside=52.8.") from None
        if not 0 < typed[name] <= 100:
            raise UsageError(f"--active {text}: it must lie above 0 and up to 100 %.")
        if name not in {w.material for w in weights}:
            raise UsageError(
                f"--active {text}: no weight of it is noted. {nearest(name, [w.material for w in weights])}"
            )
    return tuple(replace(w, active=typed.get(w.material, lots.get((w.material, w.lot)))) for w in weights)


def checked(
    where: str, batch: Batch, weights: Iterable[Weight], materials: Mapping[str, Material], *, sure: bool = False
) -> tuple[Weight, ...]:
    """Return weights that may be noted.

    Args:
        where: The batch file, for messages.
        batch: What is planned and noted already.
        weights: What is to be noted.
        materials: Known materials by id.
        sure: Whether more than was planned, and materials that are not planned, are meant so.

    Raises:
        DataError: With every problem at once: unknown materials; a second weight that is not said to be a further
            portion; more than was planned and the line's tolerance allows, unless that is meant so.
    """
    weights = tuple(weights)
    planned = {line.material: line.percent * batch.size_g / 100 for line in batch.line}
    problems = []
    for name in dict.fromkeys(w.material for w in weights):
        new = [w for w in weights if w.material == name]
        if name not in materials:
            problems.append(Problem(where, name, "this material is not in the library.", nearest(name, materials)))
            continue
        problems += [
            Problem(where, name, doubt, "Correct the active matter.")
            for w in new
            if w.active is not None and (doubt := lot_doubt(materials[name], w.active))
        ]
        twice = _twice(where, batch, new, planned)
        problems += [twice] if twice else []
        if sure or twice:
            continue
        if name not in planned:
            step = f"{nearest(name, planned)} If it did go in, add --sure."
            problems.append(Problem(where, name, "this material is not in the plan.", step))
            continue
        noted = batch.weighed_g.get(name, 0.0)
        total = noted + fsum(w.grams for w in new)
        if total > planned[name] + tolerance_g(batch, planned[name]) + AS_TYPED:
            so_far = f", {number(noted, 4)} g of it before" if noted else ""
            what = f"{number(total, 4)} g in all{so_far}; {batch.scale.told(planned[name])} g are planned."
            problems.append(Problem(where, name, what, "Look at the scale again; if it is right, add --sure."))
    if problems:
        raise DataError(problems)
    return weights


def tolerance_g(batch: Batch, planned_g: float) -> float:
    """Return by how much a line may be off [g]: the error that the scale allows, at least what it cannot tell."""
    scale = batch.scale
    return max(scale.off_g, scale.allowed_percent * planned_g / 100)


def open_lines(batch: Batch) -> tuple[str, ...]:
    """Return the materials of which more is to be weighed than the line's tolerance, in the order of the plan.

    A line that ends with 0 g is closed: nothing more of it goes in.
    """
    noted, last = batch.weighed_g, {line.material: line.grams for line in batch.weighed}
    return tuple(
        name
        for name, grams in grams_of(batch).items()
        if name not in last or (last[name] > 0 and noted[name] < grams - tolerance_g(batch, grams) - AS_TYPED)
    )


def _twice(where: str, batch: Batch, new: list[Weight], planned: Mapping[str, float]) -> Problem | None:
    """Return what stands against a weight of a line that has one: nobody said that it is a further portion."""
    name = new[0].material
    before = [(n, w) for n, w in enumerate(batch.all_weighed, 1) if w.material == name and not w.struck]
    plain = [w for w in new if not w.further]
    if not plain or (not before and plain == new[:1]):
        return None
    typed = number(plain[-1].grams, 4)
    if not before:
        what = "two weights of it are given at once."
        return Problem(where, name, what, f"Write a further portion with a plus, such as {name}=+{typed}.")
    noted = fsum(w.grams for _, w in before)
    lines = f"line{'s' * (len(before) > 1)} {listed([str(n) for n, _ in before])}"
    left = f"; {batch.scale.told(max(0.0, planned[name] - noted))} g are left to weigh" if name in planned else ""
    what = f"{number(noted, 4)} g of it are noted already ({lines}){left}."
    step = (
        f"Write a further portion as {name}=+{typed}; or strike what is wrong: "
        f"tenside weighed {quoted(where)} --strike {before[-1][0]} --why REASON {name}={typed}."
    )
    return Problem(where, name, what, step)


def note_finish(document: tomlkit.TOMLDocument, told: Mapping[str, float], day: str) -> None:
    """Write the end of a batch into its file: a mass holds the water that is noted with it, but none noted later.

    Content of a bottle and density, which the plan may state before, are keys of the batch itself.
    """
    for key in FILLING & told.keys():
        document[key] = told[key]
    told = {key: value for key, value in told.items() if key not in FILLING}
    if not told:
        return
    end: Any = document.setdefault("finish", tomlkit.table())
    if "mass_g" in told:
        end.pop("water_at_mass_g", None)
    elif "water_added_g" in told and "mass_g" in end:
        end.setdefault("water_at_mass_g", end.get("water_added_g", 0.0))
    for key, value in {**told, "on": day}.items():
        end[key] = value


def refuse_stale(where: str, now: Batch, seen: str) -> None:
    """Refuse an end of a batch that was worked out from one that has been changed in the meantime.

    Args:
        where: The batch file, for messages.
        now: What it holds.
        seen: `Finish.figures` as they were looked at.

    Raises:
        DataError: If they are others now.
    """
    end = now.finish
    if seen == end.figures:
        return
    told = [f"{number(end.mass_g, 3)} g in all"] if end.mass_g is not None else []
    others = ((end.water_added_g, "of water put back"), (end.lost_g, "lost"))
    told += [f"{number(g, 3)} g {what}" for g, what in others if g]
    told += [f"{end.bottles} bottles"] if end.bottles is not None else []
    what = f"the end of the batch was noted elsewhere in the meantime: {listed(told) or 'nothing any more'}."
    raise fault(where, "finish", what, "Look at what stands here now, then note what is still to be changed.")


def check_finish(where: str, batch: Batch, mass_g: float | None, *, sure: bool = False) -> None:
    """Refuse a final mass that is far from the planned one, unless it is meant so.

    Raises:
        DataError: If it is more than twice, or less than half of what is planned.
    """
    if mass_g is None or sure or batch.size_g / FAR_MASS <= mass_g <= batch.size_g * FAR_MASS:
        return
    what = f"{number(mass_g, 3)} g is far from the {batch.scale.told(batch.size_g)} g that are planned."
    raise DataError([Problem(where, "finish.mass_g", what, "Write grams; if it is right, add --sure.")])


def check_bottles(batch: Batch, *, sure: bool = False) -> None:
    """Refuse more bottles than a batch fills, unless it is meant so: those of another batch, or a slip of the pen.

    Raises:
        DataError: If they hold far more than there is.
    """
    bottles, content, density = batch.finish.bottles, batch.bottle_ml, batch.density_g_per_ml
    there = batch.finish.there_g or batch.size_g
    if sure or not bottles or not content or not density or bottles * content * density <= OVERFULL * there:
        return
    filled = f"{bottles} bottles of {number(content, 1)} ml hold {number(bottles * content * density, 1)} g"
    what = f"{filled}, and {batch.scale.told(there)} g are there."
    raise fault(batch.where, "finish.bottles", what, "Count again; if it is right, add --sure.")


def balances(batch: Batch) -> tuple[Balance, ...]:
    """Return planned and noted grams by material, the plan's first."""
    planned, noted = batch.planned_g, batch.weighed_g
    return tuple(Balance(n, planned.get(n, 0.0), noted.get(n)) for n in {**planned, **noted})


def entry(weight: Weight, on: str) -> dict[str, str | float]:
    """Return a weight as an entry of [[weighed]]."""
    found: dict[str, str | float] = {"material": weight.material, "grams": weight.grams}
    if weight.lot:
        found["lot"] = weight.lot
    if weight.active is not None:
        found["lot_active_percent"] = weight.active
    return {**found, "on": on} if on else found
