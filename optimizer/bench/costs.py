"""What a product costs besides its materials: bottles, hours, freight, overhead, and how its price is made.

A small TOML file, or the table `[costs]` of a batch file. Amounts are counted as they are written: with or without
the tax on purchases, as the maker's own books do.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import Field, ValidationError, model_validator

from optimizer.data.facts import Frozen, Material, Positive
from optimizer.data.names import ids_of, unmeant
from optimizer.errors import DataError, fault, from_validation, nearest
from optimizer.files import found_at, is_file, read_toml, shipped
from optimizer.units import listed

Money = Annotated[float, Field(ge=0, le=1e9)]
Short = Annotated[str, Field(min_length=1, max_length=80)]


class Packaging(Frozen):
    """What every bottle needs: bottle, pump, label, its part of a carton."""

    what: Short
    price: Money
    """Price of one piece."""
    pieces_per_bottle: Positive = 1.0
    """Pieces for one bottle; 0.0833 for a carton of twelve."""
    bottle_ml: Positive | None = None
    """Only for bottles of this content [ml]; for all if it is left out."""


class Labour(Frozen):
    """Work on one batch, whatever its size."""

    hours_per_batch: Annotated[float, Field(ge=0, le=10_000)] = 0.0
    price_per_hour: Money = 0.0


class Freight(Frozen):
    """What it costs to get materials in; state what it covers."""

    what: Short = "freight"
    amount: Money
    covers_kg: Positive | None = None
    """Mass of the materials that came with it [kg]; each kg that the batch uses bears amount / covers_kg."""
    per_order: bool = False
    """True if it is paid once for everything that is made; the batches of `--plan` share it."""
    materials: tuple[str, ...] = ()
    """Only these materials (library ids) bear it; all but tap water if it is left out."""

    @model_validator(mode="after")
    def _covers(self) -> Self:
        if (self.covers_kg is None) == (not self.per_order):
            raise ValueError("say what it covers: either covers_kg = 25, or per_order = true")
        if self.per_order and self.materials:
            raise ValueError("materials goes with covers_kg; what is paid per order is borne by the whole batch")
        return self


class Overhead(Frozen):
    """Rent, energy, cleaning, tests, insurance: what one batch bears of them."""

    per_batch: Money = 0.0


class Sale(Frozen):
    """How the price is made: one of margin, mark-up and a stated price."""

    margin_percent: Annotated[float, Field(ge=0, lt=100)] | None = None
    """Part of the price without VAT that is left after the cost [% of the price]: price = cost / (1 - margin)."""
    markup_percent: Annotated[float, Field(ge=0, le=10_000)] | None = None
    """What is put on the cost [% of the cost]: price = cost x (1 + mark-up)."""
    price: Money | None = None
    """Price with VAT, per bottle, or per kg if nothing is bottled; margin and mark-up are what comes out."""
    vat_percent: Annotated[float, Field(ge=0, le=60)] = 0.0
    """Tax that is added to the price [%]; ask what applies."""

    @model_validator(mode="after")
    def _one(self) -> Self:
        if sum(v is not None for v in (self.margin_percent, self.markup_percent, self.price)) > 1:
            raise ValueError("state one of margin_percent (of the price), markup_percent (on the cost) and price")
        return self

    @property
    def stated(self) -> bool:
        """Whether a price can be made of it."""
        return (self.margin_percent, self.markup_percent, self.price) != (None, None, None)


class Costs(Frozen):
    """A costs file as written; every table may be left out."""

    currency: str = ""
    """Currency of every amount; it must be the brief's. Empty takes the brief's."""
    loss_percent: Annotated[float, Field(ge=0, lt=100)] = 0.0
    """Part of the batch that does not reach the bottles [%]; a batch file's own figure goes before it."""
    packaging: tuple[Packaging, ...] = ()
    labour: Labour = Labour()
    freight: tuple[Freight, ...] = ()
    overhead: Overhead = Overhead()
    sale: Sale = Sale()

    def packed(self, bottle_ml: float | None, where: str = "costs") -> tuple[Packaging, ...]:
        """Return what a bottle of this content needs; `where` is the file to name.

        What names no content is for all bottles.

        Raises:
            DataError: If the file knows other contents only.
        """
        sizes, fits = self._sizes(bottle_ml)
        if sizes and not fits and all(p.bottle_ml is not None for p in self.packaging):
            known = listed([f"{s:g} ml" for s in sizes])
            asked = "a bottle of unknown volume" if bottle_ml is None else f"a bottle of {bottle_ml:g} ml"
            what = f"there is no packaging for {asked}, only for {known}."
            raise fault(where, "packaging.bottle_ml", what, "Add it, or take another --bottle (in ml).")
        return tuple(p for p in self.packaging if p.bottle_ml is None or p.bottle_ml in fits)

    def without_own(self, bottle_ml: float | None) -> str:
        """Return what is to be said where only what is for all bottles goes with this one, nothing otherwise."""
        sizes, fits = self._sizes(bottle_ml)
        if not sizes or fits:
            return ""
        known = listed([f"{s:g} ml" for s in sizes])
        counted = listed([p.what for p in self.packaging if p.bottle_ml is None])
        return f"nothing is priced for this bottle alone (only for {known}): of packaging {counted} are counted"

    def _sizes(self, bottle_ml: float | None) -> tuple[list[float], list[float]]:
        """Return the contents of bottles that something is priced for, and those of them that this one is."""
        sizes = sorted({p.bottle_ml for p in self.packaging if p.bottle_ml is not None})
        return sizes, [s for s in sizes if bottle_ml is not None and abs(s - bottle_ml) < 0.01 * s]

    @property
    def by_batch(self) -> bool:
        """Whether some costs depend on how many batches are made, not on their size."""
        fixed = self.labour.hours_per_batch * self.labour.price_per_hour + self.overhead.per_batch
        return fixed > 0 or any(f.per_order and f.amount > 0 for f in self.freight)


def costs_from(raw: Mapping[str, Any], where: str) -> Costs:
    """Return costs from plain values.

    Raises:
        DataError: With every problem at once.
    """
    try:
        return Costs.model_validate(raw)
    except ValidationError as error:
        raise DataError(from_validation(error, where, Costs)) from None


def find_costs(name: str) -> Path:
    """Return the path of a costs file given as a file or as the name of a shipped one.

    Raises:
        DataError: If there is none.
    """
    path = Path(name)
    folder = shipped("scenarios") / "costs"
    if path.suffix == ".toml" or found_at(path):
        return path
    if path.name == name and is_file(folder / f"{name}.toml"):
        return folder / f"{name}.toml"
    known = nearest(name, [p.stem for p in folder.glob("*.toml")])
    raise fault(name, "", "there is no such file and no shipped costs file of that name.", known)


def read_costs(name: str, known: Mapping[str, Material]) -> Costs:
    """Read a costs file.

    Args:
        name: A file, or the name of a shipped one such as 'refill'.
        known: Materials of the library by id, which freight may name.

    Raises:
        DataError: With every problem at once.
    """
    path = find_costs(name)
    costs = costs_from(read_toml(path), str(path))
    ids = ids_of([m for f in costs.freight for m in f.materials], known.values())
    problems = unmeant(str(path), "freight.materials", ids.values(), known)
    if problems:
        raise DataError(problems)
    freight = tuple(f.model_copy(update={"materials": tuple(ids[m] for m in f.materials)}) for f in costs.freight)
    return costs.model_copy(update={"freight": freight})
