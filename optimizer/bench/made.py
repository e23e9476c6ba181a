"""What really went into a batch, and the formula that it makes: weights, acid, thickener, water in and out.

A batch is a mass balance. Weights go in first, then acid or alkali as a solution (acid and its water), then thickener,
then water that is put back. A sample that does not go back takes its share of everything along, so it changes no
percentage of what is there, but what is added later counts more. What is missing at the end has evaporated, and only
water evaporates. Percent = 100 x grams / final mass. Thickener is logged in % of the planned size.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from math import fsum
from typing import Literal

from optimizer.bench.batch import Adjustment, Batch
from optimizer.chemistry.ph import CHEMICALS
from optimizer.data.facts import Material
from optimizer.errors import DataError, Problem, fault, nearest
from optimizer.immutable import immutable
from optimizer.units import AS_TYPED, listed, number

Kind = Literal["weighed", "assumed", "acid or alkali", "thickener", "water put back", "water not noted"]

SOLID = 95.0
"""An acid of at least this share [%] is weighed as it is; a weaker one is itself a solution."""
AS_OWN = "Write it into your own materials, as a 'ph adjuster' with its substances"
"""What makes an acid or alkali that the library does not know one that counts."""
FORMS = (" anhydrous", " monohydrate", " dihydrate")


@immutable
class Input:
    """One thing that went in."""

    material: str
    grams: float
    kind: Kind


@immutable
class WentIn:
    """The mass balance of a batch.

    Attributes:
        inputs: In the order in which they went in.
        grams: What is in the product at the end, by id [g]; product lost with vessels included.
        taken_g: Samples taken for pH readings [g].
        evaporated_g: Water that left [g]; 0 if nobody weighed the batch.
        weighed_out: Whether the final mass is known.
        notes: What was assumed.
    """

    inputs: tuple[Input, ...]
    grams: Mapping[str, float]
    taken_g: float
    evaporated_g: float
    weighed_out: bool
    notes: tuple[str, ...]

    @property
    def mass_g(self) -> float:
        """Product at the end, what was lost in vessels included [g]."""
        return fsum(self.grams.values())

    @property
    def percent(self) -> dict[str, float]:
        """The formula that was made, by id in order of descending dose [% as supplied]; it sums to 100."""
        total = self.mass_g
        order = sorted(self.grams, key=lambda k: (-self.grams[k], k))
        made = {k: p for k in order if (p := 100 * self.grams[k] / total) > 0}
        largest = next(iter(made))
        made[largest] += 100 - fsum(made.values())
        return made


def made_formula(batch: Batch, materials: Mapping[str, Material]) -> dict[str, float]:
    """Return the formula that was really made, by id [% as supplied]; it sums to 100.

    Where nothing is weighed yet it is the plan, with whatever acid, thickener and water is noted.

    Args:
        batch: The batch file's content.
        materials: Known materials by id; water and the acid are found among them.

    Raises:
        DataError: If the file names a material that is not known, or more water left than was there.
    """
    return went_in(batch, materials).percent


def went_in(batch: Batch, materials: Mapping[str, Material]) -> WentIn:
    """Return the mass balance of a batch; see `made_formula`."""
    where = batch.where
    _all_known(where, batch, materials)
    water = water_of(materials)
    notes: list[str] = []
    inputs = _first(batch, _logged(batch, materials, notes), notes)
    grams = _summed({}, inputs)
    taken = 0.0
    for adjustment in batch.adjusted:
        taken += _adjust(where, adjustment, materials, grams, inputs, water)
    for log in batch.thickening:
        added = log.added_percent * batch.size_g / 100
        if added > 0:
            if any(line.material == log.material for line in batch.weighed):
                notes.append(f"{log.material} stands among the weights and in the thickening log: both are counted")
            inputs.append(Input(log.material, added, "thickener"))
            _summed(grams, inputs[-1:])
    finish = batch.finish
    if finish.water_added_g > 0:
        inputs.append(Input(water, finish.water_added_g, "water put back"))
        _summed(grams, inputs[-1:])
    evaporated = _evaporated(batch, grams, inputs, notes, water)
    if not fsum(grams.values()) > 0:
        raise fault(where, "weighed", "nothing went in.", "Write down what was weighed.")
    return WentIn(tuple(inputs), grams, taken, evaporated, finish.mass_g is not None, tuple(notes))


def _evaporated(batch: Batch, grams: dict[str, float], inputs: list[Input], notes: list[str], water: str) -> float:
    """Take out the water that is missing in the finished batch, or add what it weighs too much; return the first [g].

    Raises:
        DataError: If more is missing than water went in.
    """
    finish = batch.finish
    if finish.there_g is None:
        notes.append("nobody weighed the finished batch: no evaporation is counted")
        return 0.0
    if finish.water_since_g:
        since = f"{number(finish.water_since_g, 2)} g of the water were put back after the batch was weighed"
        notes.append(f"{since}: {batch.scale.told(finish.there_g)} g by sum")
    missing = fsum(grams.values()) - finish.there_g - finish.lost_g
    if missing >= 0:
        if missing > grams.get(water, 0.0):
            what = f"{batch.scale.told(missing)} g are missing at the end, more than the water that went in."
            step = "Check finish.mass_g, finish.lost_g and the weights; only water evaporates."
            raise fault(batch.where, "finish.mass_g", what, step)
        grams[water] = grams.get(water, 0.0) - missing
        return missing
    inputs.append(Input(water, -missing, "water not noted"))
    _summed(grams, inputs[-1:])
    if -missing > batch.scale.step_g:
        notes.append(
            f"the batch weighs {batch.scale.told(-missing)} g more than all that is noted: counted as water; "
            "if it was anything else, write it into the file"
        )
    return 0.0


def besides(batch: Batch, materials: Mapping[str, Material]) -> dict[str, float]:
    """Return what was weighed in of materials that the plan has no line for, acid that the pH log counts aside [g]."""
    logged = _logged(batch, materials, [])
    return {name: grams for name, grams in batch.besides_g.items() if name not in logged}


def held_left_g(batch: Batch, materials: Mapping[str, Material], *, but: str = "") -> float:
    """Return what is left of the part held back, less all that went in and is no line of the plan [g].

    Args:
        batch: The batch file's content.
        materials: Known materials by id.
        but: A material that is not counted as in.
    """
    weighed = fsum(grams for name, grams in besides(batch, materials).items() if name != but)
    thickened = fsum(log.added_percent for log in batch.thickening if log.material != but)
    solutions = fsum(a.added_g for a in batch.adjusted)
    return (batch.held_back_percent - thickened) * batch.size_g / 100 - weighed - solutions


def lots_used(batch: Batch) -> dict[str, float]:
    """Return the measured active matter of what was weighed, by id, lots by mass [% as supplied]."""
    found = {}
    for name in sorted({line.material for line in batch.weighed}):
        lots = [w for w in batch.weighed if w.material == name and w.lot_active_percent is not None and w.grams > 0]
        mass = fsum(w.grams for w in lots)
        if mass > 0:
            found[name] = fsum(w.grams * (w.lot_active_percent or 0.0) for w in lots) / mass
    return found


def last_ph(batch: Batch) -> float | None:
    """Return the pH that was read last: of the product, else in a log of the batch."""
    seen = [o.value for o in batch.observation if o.what.casefold() == "ph" and o.value is not None]
    seen = seen or [r.ph for r in batch.ph_readings]
    return seen[-1] if seen else None


def booked(batch: Batch, materials: Mapping[str, Material], priced: Container[str]) -> Batch:
    """Return a batch whose acids and alkalis name the bottle that they came from, where the shelf tells it.

    A solution of the strength of one that has a price on the shelf is that one; a stated material stays.

    Args:
        batch: The batch file's content.
        materials: Known materials by id.
        priced: Ids that have a price on the shelf.
    """
    found = tuple(a.model_copy(update={"material": _bottle(a, materials, priced)}) for a in batch.adjustment)
    if found == batch.adjustment:
        return batch
    copy = batch.model_copy(update={"adjustment": found})
    copy._file = batch._file
    return copy


def _bottle(adjustment: Adjustment, materials: Mapping[str, Material], priced: Container[str]) -> str | None:
    """Return the priced solution that an adjustment was made with, the stated material, or None."""
    if adjustment.material is not None:
        return adjustment.material
    plain, pure = _plain(adjustment.chemical), _pure(adjustment)
    fits = {
        m.id: abs(s.typical - pure)
        for m in materials.values()
        if m.id in priced and "ph adjuster" in m.functions
        for s in m.substances
        if s.inci.casefold() == plain and s.typical < SOLID and s.low - AS_TYPED <= pure <= s.high + AS_TYPED
    }
    return min(fits, key=lambda name: (fits[name], name)) if fits else None


def _pure(adjustment: Adjustment) -> float:
    """Return the strength of a solution counted without water of crystallisation [% w/w]."""
    return adjustment.strength_percent * _dry(adjustment.chemical)


def _dry(chemical: str) -> float:
    """Return what is left of a chemical without its water of crystallisation [-]."""
    dry = CHEMICALS.get(f"{_plain(chemical)} anhydrous")
    weighed = CHEMICALS.get(chemical.casefold().strip())
    return dry.molar_mass / weighed.molar_mass if dry is not None and weighed is not None else 1.0


def adjuster_of(adjustment: Adjustment, materials: Mapping[str, Material], where: str) -> str:
    """Return the library id of the acid or alkali of an adjustment: the stated one, else the strongest of its name.

    Raises:
        DataError: If no material holds it.
    """
    if adjustment.material is not None:
        return adjustment.material
    found = holders_of(adjustment.chemical, materials)
    if not found:
        what = f"{unaccounted(adjustment.chemical)}, and this file says that it went in."
        named = [s.inci.casefold() for m in materials.values() if "ph adjuster" in m.functions for s in m.substances]
        meant = "" if adjustment.chemical in CHEMICALS else f"{nearest(_plain(adjustment.chemical), named)} "
        step = f"{meant}{AS_OWN}. If it never went in, strike its pH readings, with what was added."
        raise fault(where, "adjustment.chemical", what, step)
    return found[0]


def unaccounted(chemical: str) -> str:
    """Return that an acid or alkali is none of the library's, in a clause."""
    return f"no acid or alkali of the library is '{chemical}', so no formula, label or cost can count it"


def holders_of(chemical: str, materials: Mapping[str, Material]) -> tuple[str, ...]:
    """Return the ids of the acids and alkalis that hold a chemical, in whatever form of it, strongest first."""
    plain = _plain(chemical)
    shares = {m.id: _share(m, plain) for m in materials.values() if "ph adjuster" in m.functions}
    return tuple(sorted((name for name, share in shares.items() if share > 0), key=lambda name: (-shares[name], name)))


def as_supplied(chemical: str, grams: float, material: Material) -> float:
    """Return the mass of a material [g] that brings a mass of a chemical [g], counted in its own form.

    A solid counts as it is, in whatever form it was bought.
    """
    share = _share(material, _plain(chemical))
    return grams if share >= SOLID else grams * _dry(chemical) * 100 / share


def materials_in(batch: Batch, materials: Mapping[str, Material]) -> tuple[str, ...]:
    """Return the ids of all that is planned or went in, sorted; an acid that no material holds is left out.

    Raises:
        DataError: If one of them is not known.
    """
    _all_known(batch.where, batch, materials)
    used = {*batch.doses, *(w.material for w in batch.weighed), *(t.material for t in batch.thickening)}
    known = (a for a in batch.adjustment if a.of == "batch" and (a.material or holders_of(a.chemical, materials)))
    used |= {adjuster_of(a, materials, batch.where) for a in known}  # of others `went_in` tells what is to be done
    return tuple(sorted({*used, water_of(materials)}))


def water_of(materials: Mapping[str, Material]) -> str:
    """Return the id of water: 'aqua', else the first material of nothing but water."""
    if "aqua" in materials:
        return "aqua"
    found = sorted(m.id for m in materials.values() if m.carried("Aqua") >= 99.5)
    if not found:
        raise fault("library", "aqua", "there is no water in the library.", "Add a material of 100 % Aqua.")
    return found[0]


def _all_known(where: str, batch: Batch, materials: Mapping[str, Material]) -> None:
    named: list[tuple[str, str]] = [("line", line.material) for line in batch.line]
    named += [("weighed", line.material) for line in batch.weighed]
    named += [("thickening", log.material) for log in batch.thickening]
    named += [("adjustment", a.material) for a in batch.adjustment if a.material is not None]
    problems = [
        Problem(where, f"{table}.{name}", "this material is not in the library.", nearest(name, materials))
        for table, name in dict.fromkeys(named)
        if name not in materials
    ]
    if problems:
        raise DataError(problems)


def _logged(batch: Batch, materials: Mapping[str, Material], notes: list[str]) -> set[str]:
    """Return acids and alkalis that stand among the weights without a line in the plan, and in the pH log as well."""
    used = [a for a in batch.adjusted if a.added_g > 0]
    twice = {adjuster_of(a, materials, batch.where) for a in used} - batch.doses.keys()
    twice &= {line.material for line in batch.weighed}
    notes += [f"{name} stands among the weights and in the pH log: the log counts" for name in sorted(twice)]
    return twice


def _first(batch: Batch, logged: Container[str], notes: list[str]) -> list[Input]:
    """Return what was weighed in, and the planned weight of what nobody noted."""
    weighed = [Input(line.material, line.grams, "weighed") for line in batch.weighed if line.material not in logged]
    noted = {i.material for i in weighed}
    left = [line for line in batch.line if line.material not in noted and line.percent > 0]
    if not weighed:
        notes.append("nothing is noted as weighed yet: the planned weights are taken")
    elif left:
        names = listed([line.material for line in left])
        notes.append(f"not noted as weighed and taken as planned: {names} (write =0 for what was left out)")
    return [*weighed, *(Input(line.material, line.percent * batch.size_g / 100, "assumed") for line in left)]


def _adjust(
    where: str,
    adjustment: Adjustment,
    materials: Mapping[str, Material],
    grams: dict[str, float],
    inputs: list[Input],
    water: str,
) -> float:
    """Add the solution of one adjustment, reading by reading, and take out its samples; return those [g]."""
    acid, share = water, 1.0
    if adjustment.added_g > 0:
        acid = adjuster_of(adjustment, materials, where)
        share = acid_share(materials[acid], adjustment)
    total = taken = 0.0
    for reading in adjustment.additions:
        more = max(reading.added_g - total, 0.0)
        total += more
        _summed(
            grams, [Input(acid, more * share, "acid or alkali"), Input(water, more * (1 - share), "acid or alkali")]
        )
        if reading.taken_g:
            mass = fsum(grams.values())
            if reading.taken_g >= mass:
                what = f"a sample of {number(reading.taken_g, 2)} g is as much as the batch."
                raise fault(where, "adjustment.reading.taken_g", what, "Write the grams that did not go back.")
            for name in grams:
                grams[name] *= 1 - reading.taken_g / mass
            taken += reading.taken_g
    if total:
        inputs.append(Input(acid, total * share, "acid or alkali"))
        if share < 1:
            inputs.append(Input(water, total * (1 - share), "acid or alkali"))
    return taken


def acid_share(material: Material, adjustment: Adjustment) -> float:
    """Return the mass of a library material per mass of solution [-]; the rest of the solution is water.

    A monohydrate brings its water of crystallisation along, unless the library's material is the hydrate itself.
    """
    pure = _pure(adjustment)
    of_it = next((s for s in material.substances if s.inci.casefold() == _plain(adjustment.chemical)), None)
    if of_it is not None and of_it.typical < SOLID and of_it.low - AS_TYPED <= pure <= of_it.high + AS_TYPED:
        return 1.0  # it is that solution itself
    share = _share(material, _plain(adjustment.chemical)) or material.active_matter
    return pure / 100 if share >= SOLID or share <= 0 else min(pure / share, 1.0)


def _plain(chemical: str) -> str:
    """Return the name of a chemical without its hydrate form."""
    name = chemical.casefold().strip()
    for form in FORMS:
        name = name.removesuffix(form)
    return name


def _share(material: Material, plain: str) -> float:
    return fsum(s.typical for s in material.substances if s.inci.casefold() == plain)


def _summed(grams: dict[str, float], inputs: Iterable[Input]) -> dict[str, float]:
    for item in inputs:
        grams[item.material] = grams.get(item.material, 0.0) + item.grams
    return grams
