"""The candidates of one brief: library facts joined with the shelf, sorted by id."""

from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import field
from functools import cached_property
from math import isnan
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
from pydantic import model_validator

from optimizer.data.facts import Charge, Frozen, Lipid, Material, Substance
from optimizer.data.library import Library
from optimizer.data.shelf import Shelf, ShelfLine
from optimizer.errors import DataError, Problem, nearest
from optimizer.immutable import immutable, replace
from optimizer.units import listed

Vector = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
T = TypeVar("T")


class Group(Frozen):
    """A set of materials: every field that is given must match; within a field, any of its words.

    A plain list stands for `materials`.
    """

    materials: tuple[str, ...] = ()
    """Only these ids; 'of = [...]' is short for it."""
    functions: tuple[str, ...] = ()
    """Any of these functions."""
    charges: tuple[Charge, ...] = ()
    """Surfactants of any of these charges."""
    families: tuple[str, ...] = ()
    """Surfactants of any of these families."""
    inci: tuple[str, ...] = ()
    """What holds any of these INCI names."""
    lipids: tuple[Lipid, ...] = ()
    """Any of these kinds of lipid."""
    surfactants: bool | None = None
    """True for what counts as active surfactant matter, false for what does not."""
    but_not: tuple[str, ...] = ()
    """Material ids that are left out."""
    called: str = ""
    """Name of the group in reports."""

    @model_validator(mode="before")
    @classmethod
    def _from_list(cls, value: Any) -> Any:
        if isinstance(value, str):
            return {"materials": (value,)}
        if isinstance(value, (list, tuple)):
            if not value:
                raise ValueError("the group is empty: name a material, or leave the key out")
            return {"materials": tuple(value)}
        return value

    def holds(self, material: Material) -> bool:
        """Return whether the material belongs to the group."""
        return (
            (not self.charges or material.charge in self.charges)
            and self.holds_whole(material)
            and (not self.families or any(s.family in self.families for s in material.substances))
        )

    def holds_whole(self, material: Material) -> bool:
        """Return the same without what is asked of each substance: its charge and its family."""
        return (
            (not self.materials or material.id in self._ids)
            and (not self.functions or not material.functions.isdisjoint(self.functions))
            and (not self.lipids or material.lipid in self.lipids)
            and (not self.inci or not material.contents.keys().isdisjoint(self.inci))
            and (self.surfactants is None or (material.surfactant_matter > 0) == self.surfactants)
            and (not self.but_not or material.id not in self.but_not)
        )

    @property
    def asks_whole(self) -> bool:
        """Whether a material may be left out by what is asked of it as a whole."""
        return self.surfactants is not None or any(
            (self.materials, self.functions, self.lipids, self.inci, self.but_not)
        )

    @cached_property
    def _ids(self) -> frozenset[str]:
        return frozenset(self.materials)

    @property
    def words(self) -> str:
        """The group in the brief's words."""
        return self.called or self._described({})

    def told_by(self, names: Mapping[str, str]) -> "Group":
        """Return the group called by the names of its materials instead of their ids, unless it has a name."""
        if self.called or not (self.materials or self.but_not):
            return self
        return self.model_copy(update={"called": self._described(names)})

    def _described(self, names: Mapping[str, str]) -> str:
        parts: list[str] = []
        if self.charges:
            parts.append(listed(self.charges, "or"))
        if self.families:
            parts.append(listed(self.families, "or"))
        if self.lipids:
            parts.append(listed(self.lipids, "or"))
        if self.functions:
            parts.append(listed(self.functions, "or"))
        if self.surfactants:
            parts.append("surfactants")
        if self.materials:
            parts.append(listed([names.get(n, n) for n in self.materials], "or"))
        if self.inci:
            parts.append(listed(self.inci, "or"))
        words = " ".join(parts) or "all materials"
        return f"{words} but not {listed([names.get(n, n) for n in self.but_not], 'or')}" if self.but_not else words


@immutable
class Ingredient:
    """A material as this maker can use it now.

    Attributes:
        material: Its facts, at the lot's measured active matter if there is one.
        price: Price per kg as supplied, in the brief's currency; NaN if nobody sells it.
        line: The shelf line it comes from.
    """

    material: Material
    price: float
    line: ShelfLine | None = None
    id: str = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "id", self.material.id)

    @property
    def unpriced(self) -> bool:
        """Whether nobody prices it, so that it counts as free of charge if it counts at all."""
        return isnan(self.price) or (self.price == 0 and (self.line is None or self.line.price_per_kg is None))

    @cached_property
    def surfactant(self) -> float:
        """Surfactant active matter per unit [-]."""
        return self.material.surfactant_matter / 100

    @cached_property
    def by_charge(self) -> Mapping[str, float]:
        """Surfactant active matter per unit, by charge [-]."""
        found: dict[str, float] = {}
        for s in self.material.substances:
            if s.surfactant and s.charge:
                found[s.charge] = found.get(s.charge, 0.0) + s.typical / 100
        return found

    @property
    def water(self) -> float:
        """Water per unit [-]."""
        return self.material.carried("Aqua") / 100

    @property
    def salt(self) -> float:
        """Sodium chloride per unit [-]."""
        return self.material.carried("Sodium Chloride") / 100

    @cached_property
    def natural(self) -> tuple[float, float]:
        """Natural-origin mass per unit without water, low and high [-] (ISO 16128, on supplied mass)."""
        low = high = 0.0
        for substance in self.material.substances:
            if substance.inci != "Aqua":
                share, index = substance.typical, substance.natural
                low += share * index[0]
                high += share * index[1]
        return low / 100, high / 100


@immutable
class Pool:
    """Candidates sorted by id, with what rules read from them as vectors."""

    items: tuple[Ingredient, ...]
    held_back: float = 0.0
    """Part of the product kept free for what is added to effect later [% w/w]."""
    later: tuple[Ingredient, ...] = ()
    """What the part held back is for, such as an acid and a thickener."""
    thickeners: tuple[Ingredient, ...] = ()
    """The thickeners among them."""
    planned: Mapping[str, float] = field(default_factory=dict)
    """Doses of them that the brief plans with, by id [% as supplied]."""
    salt: Ingredient | None = None
    """What is added where salt thickens."""
    counts_plan: bool = False
    """Whether what is planned of them counts in the cost that is minimised."""
    _cache: dict[Any, Any] = field(default_factory=dict, compare=False, repr=False)

    def __len__(self) -> int:
        return len(self.items)

    def with_items(self, items: Iterable[Ingredient], **others: Any) -> "Pool":
        """Return a pool of other candidates, sorted by id; all else but what is named stays, what was made anew."""
        return replace(self, items=tuple(items), _cache={}, **others)

    @cached_property
    def ids(self) -> tuple[str, ...]:
        """Material ids, sorted."""
        return tuple(i.id for i in self.items)

    @cached_property
    def index(self) -> Mapping[str, int]:
        """Column position by id."""
        return {name: position for position, name in enumerate(self.ids)}

    def vector(self, of: Callable[[Ingredient], float]) -> Vector:
        """Return a number per candidate, shape (n,)."""
        return np.fromiter(map(of, self.items), float, len(self.items))

    def members(self, group: Group) -> Mask:
        """Return which candidates belong to the group, shape (n,)."""

        def asked() -> Mask:
            mask = np.zeros(len(self.items), dtype=bool)
            for position in self._likely(group):
                mask[position] = group.holds(self.items[position].material)
            return mask

        return self.once(group, asked)

    def once(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return what `make` makes, made once per key and pool."""
        if key not in self._cache:
            self._cache[key] = make()
        found: T = self._cache[key]
        return found

    def _likely(self, group: Group) -> Iterable[int]:
        """Return positions beside which no candidate belongs to the group."""
        if group.materials:
            return [self.index[name] for name in group.materials if name in self.index]
        if group.functions:
            return {p for function in group.functions for p in self._by_function.get(function, ())}
        if group.lipids:
            return [p for p, item in enumerate(self.items) if item.material.lipid in group.lipids]
        return range(len(self.items))

    @cached_property
    def _by_function(self) -> Mapping[str, list[int]]:
        found: dict[str, list[int]] = {}
        for position, item in enumerate(self.items):
            for function in item.material.functions:
                found.setdefault(function, []).append(position)
        return found

    @cached_property
    def carriers(self) -> Mapping[str, list[int]]:
        """Positions of the candidates that hold a substance or declare it as an allergen, by its name."""
        return carriers(self.items)

    @cached_property
    def substances(self) -> tuple[tuple[int, Substance, float], ...]:
        """Every substance, with the position of the candidate that holds it and its typical share [%]."""
        return tuple((p, s, s.typical) for p, item in enumerate(self.items) for s in item.material.substances)

    @cached_property
    def surfactant(self) -> Vector:
        """Surfactant active share of every candidate, shape (n,)."""
        return self._summed((p, percent) for p, s, percent in self.substances if s.surfactant)

    @cached_property
    def natural(self) -> Vector:
        """Natural-origin mass of every candidate without water, low end, shape (n,)."""
        return self._summed((p, percent * s.natural[0]) for p, s, percent in self.substances if s.inci != "Aqua")

    @cached_property
    def by_kind(self) -> Mapping[tuple[Charge | None, str | None], Vector]:
        """Surfactant active share by charge and family of the substances that bring it, shape (n,) each."""
        found: dict[tuple[Charge | None, str | None], Vector] = {}
        for position, substance, percent in self.substances:
            if substance.surfactant:
                kind = substance.charge, substance.family
                if kind not in found:
                    found[kind] = np.zeros(len(self.items))
                found[kind][position] += percent / 100
        return found

    def carried(self, inci: str) -> Vector:
        """Return the share of a substance in every candidate [-], shape (n,)."""
        key = "carried", inci
        return self.once(key, lambda: self._summed((p, percent) for p, s, percent in self.substances if s.inci == inci))

    def _summed(self, percents: Iterable[tuple[int, float]]) -> Vector:
        """Return the sum of percents of each candidate as a share [-], shape (n,)."""
        found = [0.0] * len(self.items)
        for position, percent in percents:
            found[position] += percent
        return np.array(found) / 100

    @cached_property
    def prices(self) -> Vector:
        """Prices per kg, shape (n,)."""
        return self.vector(lambda i: i.price)


def carriers(items: Iterable[Ingredient]) -> dict[str, list[int]]:
    """Return the positions of the ingredients that hold a substance or declare it as an allergen, by its name."""
    found: dict[str, list[int]] = {}
    for position, item in enumerate(items):
        for inci in item.material.declared:
            found.setdefault(inci, []).append(position)
    return found


def with_lot(material: Material, active: float) -> Material:
    """Return a material at its lot's measured active matter; carried salt moves along, water gives way.

    The shares of active substances and salt are scaled by measured / typical; the largest
    remaining substance (water, as a rule) takes up the difference.
    """
    typical = material.active_matter
    if typical <= 0:
        return material
    factor = active / typical
    moving = [s.role in ("active", "salt") for s in material.substances]
    shares = [s.typical * factor if m else s.typical for s, m in zip(material.substances, moving, strict=True)]
    rest = [i for i, m in enumerate(moving) if not m]
    if rest:
        balance = max(rest, key=lambda i: material.substances[i].typical)
        shares[balance] = max(0.0, shares[balance] + 100 - sum(shares))
    substances = tuple(
        s.model_copy(update={"share": (share, share, share)})
        for s, share in zip(material.substances, shares, strict=True)
    )
    return material.model_copy(update={"substances": substances})


def join(library: Library, shelf: Shelf | None, currency: str) -> dict[str, Ingredient]:
    """Join every material with its cheapest shelf line.

    A program has one price and one strength per material. Price and lot are those of the cheapest line per kg, as in
    every costing: what one more kg costs, whatever it was bought for. The stock is that of all lines (`stock_of`).

    Raises:
        DataError: If a shelf line names an unknown material, one of several of that name, another currency, or an
            active matter that its lot cannot have; all lines at once.
    """
    best = {} if shelf is None else _cheapest(library, shelf, currency)
    joined = {}
    for material in library.materials:
        price, chosen = best.get(material.id, (float("nan"), None))
        if chosen and chosen.lot_active is not None:
            material = with_lot(material, chosen.lot_active)
        joined[material.id] = Ingredient(material, float("nan") if price == float("inf") else price, chosen)
    return joined


def _cheapest(library: Library, shelf: Shelf, currency: str) -> dict[str, tuple[float, ShelfLine]]:
    """Return the cheapest line of each material with its price per kg, infinite if it has none; see `join`."""
    problems: list[Problem] = []
    best: dict[str, tuple[float, ShelfLine]] = {}
    names = library.names
    foreign: dict[str, list[int]] = {}
    for line in shelf.lines:
        where = f"{shelf.where}, row {line.row}"
        key = f"column '{shelf.columns.get('material', 'material')}'"
        found = names.get(line.material.casefold(), set())
        if len(found) != 1:
            what = (
                f"'{line.material}' is not in the library."
                if not found
                else f"'{line.material}' could be {listed(sorted(found), 'or')}."
            )
            step = nearest(line.material, library.by_id) if not found else "Write the id."
            problems.append(Problem(where, key, what, step))
            continue
        if line.currency and line.currency != currency:
            foreign.setdefault(line.currency, []).append(line.row)
        if line.lot_active is not None:
            doubt = lot_doubt(library.by_id[next(iter(found))], line.lot_active)
            if doubt:
                problems.append(Problem(where, "lot active", doubt, "Correct the figure, or the material's shares."))
        price = float("inf") if line.price_per_kg is None else line.price_per_kg
        name = next(iter(found))
        if name not in best or price < best[name][0]:
            best[name] = (price, line)
    for other, rows in foreign.items():
        what = f"{len(rows)} prices are in {other} (first in row {rows[0]}), the brief is in {currency}."
        if len(rows) == 1:
            what = f"the price in row {rows[0]} is in {other}, the brief is in {currency}."
        problems.append(Problem(shelf.where, "currency", what, "Convert them; no rate is assumed."))
    if problems:
        raise DataError(problems)
    return best


def lot_doubt(material: Material, active: float) -> str:
    """Return what is impossible about a lot's measured active matter, empty if nothing is."""
    typical = material.active_matter
    if 0 < active < typical / 10:
        return f"{active:g} % active is far below the usual {typical:g} %: is it a fraction?"
    carried = sum(s.typical for s in material.substances if s.role == "salt")
    if typical and active + carried * active / typical > 100.5:
        return f"{active:g} % active with the salt that comes along is more than 100 %."
    return ""


def unknown(where: str, key: str, names: Iterable[str], known: Iterable[str]) -> list[Problem]:
    """Return a problem for every name that is not known."""
    known = set(known)
    return [Problem(where, key, f"there is no '{n}'.", nearest(n, known)) for n in names if n not in known]
