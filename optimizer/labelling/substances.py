"""What a product is made of, substance by substance, over every lot that the library allows."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from optimizer.bench.batch import Batch
from optimizer.data.facts import Material, Substance
from optimizer.data.formula import Formula
from optimizer.data.pool import lot_doubt, with_lot
from optimizer.errors import fault
from optimizer.immutable import immutable, seen, told_as, untold
from optimizer.units import AS_TYPED, USED

Worth = Callable[[Substance], float]
COLOURANTS = frozenset({"colourant", "colorant"})
"""Functions of materials whose substances stand last."""
JOBS = {"water": "water", "salt": "salt carried in", "solvent": "solvent carried in", "impurity": "by-product"}


@immutable
class Dosed:
    """A dose of one lot [% w/w of the product, as supplied]."""

    material: Material
    percent: float
    measured: bool = False
    """Whether the lot's active matter was measured."""


@immutable
class Carrier:
    """A raw material that brings a substance."""

    material: Material = untold()
    id: str = seen("material.id")
    percent: float
    """% w/w of the product, as supplied."""
    share: tuple[float, float, float]
    """The substance's low, typical and high share of it [%]."""
    measured: bool = untold(default=False)


@immutable
class SubstanceAmount:
    """One substance, in the order of print [% w/w of the product]."""

    inci: str
    """Its name on the label."""
    cas: str
    """CAS number, empty if the library has none."""
    low: float
    """Least over all lots."""
    typical: float
    """At typical lots, or at the lots that were measured."""
    high: float
    """Most over all lots."""
    jobs: tuple[str, ...] = told_as("functions")
    """What it is there for."""
    carriers: tuple[Carrier, ...] = told_as("contained_in")
    """The raw materials that bring it, largest first."""
    colourant: bool = False
    """Whether it stands after everything else."""
    by_product: bool = False
    """True if it comes in as a by-product of raw materials only."""


def parts_of(formula: Formula, batch: Batch | None = None) -> tuple[Dosed, ...]:
    """Return the doses of a formula, split over the lots that a batch weighed in.

    Raises:
        DataError: If a lot's active matter is impossible.
    """
    parts = []
    for line in formula.lines:
        if line.percent <= USED:
            continue
        material = line.item.material
        lots = [w for w in (batch.weighed if batch else ()) if w.material == material.id and w.grams > 0]
        total = sum(w.grams for w in lots)
        if not lots:
            shelf = line.item.line
            parts.append(Dosed(material, line.percent, measured=shelf is not None and shelf.lot_active is not None))
        for lot in lots:
            active = lot.lot_active_percent
            if active is not None and (doubt := lot_doubt(material, active)):
                raise fault(
                    batch.where if batch else "",
                    f"weighed.{material.id}.lot_active_percent",
                    doubt,
                    "Correct the figure.",
                )
            held = material if active is None else with_lot(material, active)
            parts.append(Dosed(held, line.percent * lot.grams / total, measured=active is not None))
    return tuple(parts)


def spread(parts: Iterable[Dosed], worth: Worth) -> tuple[float, float, float]:
    """Return least, typical and most of the sum of share x worth over all lots [% of the product x worth].

    A lot has every share within its range and all shares of a material together 100: the extremes are found by giving
    what is left above the low ends to the substances of least, or most, worth first (a knapsack that may be cut).
    """
    totals = [0.0, 0.0, 0.0]
    for part in parts:
        substances = sorted(part.material.substances, key=worth)
        totals[0] += part.percent * _filled(substances, worth)
        totals[1] += part.percent * sum(s.typical * worth(s) for s in substances) / 100
        totals[2] += part.percent * _filled(substances[::-1], worth)
    low, typical, high = totals
    return min(low, typical), typical, max(high, typical)


def _filled(substances: list[Substance], worth: Worth) -> float:
    """Return the worth per unit of the lot that gives what is left to the first substances."""
    left = 100 - sum(s.low for s in substances)
    total = 0.0
    for s in substances:
        more = min(max(left, 0.0), s.high - s.low)
        left -= more
        total += (s.low + more) * worth(s) / 100
    return total


def substances_of(parts: Iterable[Dosed]) -> tuple[SubstanceAmount, ...]:
    """Return every substance of the product once, in the order of a label: by typical weight, colourants last.

    The same INCI name is added up over all materials; water inside them counts with water that was added.
    """
    parts = tuple(parts)
    names = sorted({s.inci for p in parts for s in p.material.substances})
    found = [amount for name in names if (amount := _amount(name, parts)).high > USED]
    return tuple(sorted(found, key=lambda a: (a.colourant, -a.typical, a.inci)))


def _amount(name: str, parts: tuple[Dosed, ...]) -> SubstanceAmount:
    held = [(p, s) for p in parts for s in p.material.substances if s.inci == name]
    low, typical, high = spread([p for p, _ in held], lambda s: float(s.inci == name))
    held.sort(key=lambda h: (-h[0].percent * h[1].typical, h[0].material.id))
    return SubstanceAmount(
        name,
        next((s.cas for _, s in held if s.cas), ""),
        low,
        typical,
        high,
        tuple(dict.fromkeys(_job(p.material, s) for p, s in held)),
        tuple(Carrier(p.material, p.percent, (s.low, s.typical, s.high), p.measured) for p, s in held),
        colourant=all(p.material.functions & COLOURANTS and s.role == "active" for p, s in held),
        by_product=all(s.role == "impurity" for _, s in held),
    )


def _job(material: Material, substance: Substance) -> str:
    if substance.role == "active":
        return material.function
    if substance.role == "preservative":
        return material.function if material.function == "preservative" else "preservative of a raw material"
    return JOBS[substance.role]


def may_swap(parts: Iterable[Dosed], first: SubstanceAmount, second: SubstanceAmount) -> bool:
    """Return whether a lot exists for which the second must stand before the first.

    That is the case when it can reach 1 % and outweigh the first; below 1 % any order is allowed, and colourants
    stand in any order after the rest (Regulation (EC) No 1223/2009, Article 19(1)(g)). Both tests look at all lots on
    their own, so a pair may be called uncertain that is not; never the other way round.
    """
    if second.colourant or second.high < 1 or first.low >= second.high:
        return False
    least, _, _ = spread(parts, lambda s: float(s.inci == first.inci) - float(s.inci == second.inci))
    return least < -AS_TYPED
