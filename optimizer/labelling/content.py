"""Nominal content of a pack: fill mass, and how light a pack may be."""

from __future__ import annotations

from math import ceil
from typing import Literal

from optimizer.bench.amount import option
from optimizer.errors import UsageError
from optimizer.immutable import immutable, told, told_as

Unit = Literal["ml", "g"]
SMALLEST, LARGEST = 5.0, 10_000.0
"""Packs [g or ml] to which the e mark applies."""
STEPS: tuple[tuple[float, float, bool], ...] = (
    (50, 9, True), (100, 4.5, False), (200, 4.5, True), (300, 9, False), (500, 3, True), (1000, 15, False),
    (10_000, 1.5, True),
)  # fmt: skip
"""Up to which nominal content [g or ml], the tolerable negative error, and whether that is % of the content."""
SOURCE = "Directive 76/211/EEC, Annex I, 1, 2.2 and 2.4 (legislation.gov.uk); rounding up to 0.1 from memory."


@immutable
class Content:
    """Nominal content, in the unit of the label and in grams; null where density or e mark is missing.

    What a pack holds by its label, and the limits for single packs.
    """

    nominal: float
    """Content on the label."""
    unit: Unit
    """Its unit, ml or g."""
    density: float | None = told_as("density_g_per_ml", default=None)
    """Measured density of the product [g/ml]; None if nobody measured it."""
    error: float | None = told_as("tolerable_error", default=None)
    """Tolerable negative error; None outside the range of the e mark."""

    @told
    def e_mark(self) -> bool:
        """Whether the pack may carry the e mark at all: 5 g or ml to 10 kg or l."""
        return self.error is not None

    @property
    def must_be_stated(self) -> bool:
        """Whether a cosmetic label states the content: from 5 g or 5 ml (Article 19(1)(b))."""
        return self.nominal >= SMALLEST

    @told
    def few_below(self) -> float | None:
        """Content that only few packs may miss: nominal less one tolerable error."""
        return None if self.error is None else self.nominal - self.error

    @told
    def none_below(self) -> float | None:
        """Content that no pack may miss: nominal less two tolerable errors."""
        return None if self.error is None else self.nominal - 2 * self.error

    @told
    def fill_g(self) -> float | None:
        """The content as mass; null without a density."""
        return self.grams(self.nominal)

    @told
    def few_below_g(self) -> float | None:
        """`few_below` as mass."""
        return self.grams(self.few_below)

    @told
    def none_below_g(self) -> float | None:
        """`none_below` as mass."""
        return self.grams(self.none_below)

    def grams(self, amount: float | None) -> float | None:
        """Return an amount in the label's unit as mass [g]; None if the density is missing for it."""
        if amount is None or self.unit == "g":
            return amount
        return None if self.density is None else amount * self.density


def tolerable_error(nominal: float) -> float:
    """Return the tolerable negative error [g or ml] of a nominal content [g or ml]; percentages are rounded up to 0.1.

    Raises:
        ValueError: Outside 5 to 10 000 g or ml.
    """
    if not SMALLEST <= nominal <= LARGEST:
        raise ValueError(f"{nominal:g} is outside 5 to 10 000 g or ml")
    _, figure, percent = next(step for step in STEPS if nominal <= step[0])
    return ceil(round(nominal * figure / 10, 6)) / 10 if percent else figure


def content_of(nominal: float, unit: Unit, density: float | None = None) -> Content:
    """Return the content of a pack; the density is never assumed."""
    error = tolerable_error(nominal) if SMALLEST <= nominal <= LARGEST else None
    return Content(nominal, unit, density, error)


def read_content(text: str, density: float | None = None) -> Content:
    """Return the content that a text such as '250', '250 ml', '0,5 l' or '500 g' names; a bare number is in ml.

    Raises:
        UsageError: If it is no positive mass or volume.
    """
    amount = option(text, "--bottle", "ml")
    if amount.unit == "bottles":
        raise UsageError(f"--bottle '{text}': write what one bottle holds, such as 250, '500 g' or '1 l'.")
    return content_of(amount.value, amount.unit, density)
