"""A price list held against a shelf: which lines change their price, which ones are new."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from math import nan

from optimizer.data.facts import Material
from optimizer.data.names import names_of
from optimizer.data.shelf import Shelf, ShelfChange, ShelfLine
from optimizer.immutable import Figure, immutable
from optimizer.intake.price_list import TakenPrice
from optimizer.units import number


@immutable
class ShelfPrice:
    """One price of a list and what it does to a shelf."""

    taken: TakenPrice
    line: ShelfLine | None
    """The line whose price it is; None for a new one."""
    held: str = ""
    """Currency of the line, or of the shelf's other prices if it has none or is new."""

    @property
    def was(self) -> Figure:
        """The price before [currency per kg]; NaN if there was none."""
        return nan if self.line is None or self.line.price_per_kg is None else self.line.price_per_kg

    @property
    def same(self) -> bool:
        """Whether the shelf has this price already."""
        money = self.line is not None and self.taken.currency in ("", self.line.currency)
        return money and number(self.was, 6) == number(self.taken.price_per_kg, 6)

    @property
    def foreign(self) -> bool:
        """Whether it is in another currency than the shelf; no brief takes two without a rate."""
        return bool(self.held and self.taken.currency and self.held != self.taken.currency)

    def change(self, on: str) -> ShelfChange:
        """Return what becomes of the line, with the day of the price."""
        taken, values = self.taken, {"price_per_kg": number(self.taken.price_per_kg, 6), "priced_on": on}
        values |= {"currency": taken.currency} if taken.currency else {}
        if self.line is not None:
            return ShelfChange(values, self.line.row, self.line.mark)
        values |= {"supplier": taken.supplier} if taken.supplier else {}
        values |= {"pack_kg": number(taken.pack_kg, 6)} if taken.pack_kg else {}
        return ShelfChange({"material": taken.material, **values})


def onto_shelf(taken: Iterable[TakenPrice], shelf: Shelf, materials: Iterable[Material]) -> tuple[ShelfPrice, ...]:
    """Return what each price does to a shelf.

    It is that of every line of the same material, supplier and pack; a supplier or a pack that only one of the two
    names counts as the same. A line for a larger order (`min_packs`) keeps its price, and so does one that several
    prices could be meant for. Where there is no such line, the price is a new one.
    """
    names, prices = names_of(materials), tuple(taken)
    meant = [
        [ln for ln in shelf.lines if names.get(ln.material.casefold()) == {price.material} and _is_of(price, ln)]
        for price in prices
    ]
    usual = next((c for c, _ in Counter(line.currency for line in shelf.lines if line.currency).most_common(1)), "")
    rows = Counter(line.row for lines in meant for line in lines)
    found = []
    for price, lines in zip(prices, meant, strict=True):
        own = [ShelfPrice(price, line, line.currency or usual) for line in lines if rows[line.row] == 1]
        found += own or [ShelfPrice(price, None, usual)]
    return tuple(found)


def _is_of(price: TakenPrice, line: ShelfLine) -> bool:
    supplier = not (price.supplier and line.supplier) or price.supplier.casefold() == line.supplier.casefold()
    pack = not (price.pack_kg and line.pack_kg) or number(price.pack_kg, 6) == number(line.pack_kg, 6)
    return supplier and pack and (line.min_packs or 0.0) <= 1
