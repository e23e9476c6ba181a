"""How much is made and how many bottles it fills."""

from __future__ import annotations

from optimizer.bench.amount import Amount, sound_density
from optimizer.errors import fault
from optimizer.immutable import immutable, replace, told
from optimizer.units import AS_TYPED, whole_down


@immutable
class Size:
    """How much is made and where it goes [g]; null bottles if nothing is bottled."""

    made_g: float
    """Mass of the batch [g]."""
    loss_percent: float = 0.0
    """Part of it that does not reach the bottles [%]."""
    bottles: int | None = None
    """Bottles that become full; None if nothing is bottled."""
    fill_g: float | None = None
    """Mass in a bottle [g]."""
    bottle_ml: float | None = None
    """Volume in a bottle [ml]."""
    density: float | None = None
    """As stated [g/ml]; null if nobody measured it."""

    @told
    def filled_g(self) -> float:
        """What is left for the bottles [g]."""
        return self.made_g * (1 - self.loss_percent / 100)

    @told
    def sold_g(self) -> float:
        """What can be sold: in full bottles, or all that is left [g]."""
        return self.filled_g if self.bottles is None or self.fill_g is None else self.bottles * self.fill_g

    @told
    def rest_g(self) -> float:
        """What fills no whole bottle [g]."""
        return max(0.0, self.filled_g - self.sold_g)


def size_made(
    where: str, mass_g: float, count: int, bottle: Amount | None, density: float | None, loss_percent: float
) -> Size:
    """Return the size of a finished batch: its mass, and the bottles that were counted, else those it would fill.

    Args:
        where: Its file.
        mass_g: What was made, with what stayed in vessels [g].
        count: Bottles that were counted; 0 if nobody counted them. They tell what was lost.
        bottle: Content of a bottle, as a volume or a mass; without it nothing is bottled.
        density: Density of the product [g/ml].
        loss_percent: Part that does not reach the bottles, where they were not counted [%].

    Raises:
        DataError: If more was filled than was made, not one bottle becomes full, or a volume lacks its density.
    """
    filled = size_of(Amount(mass_g, "g", f"{mass_g:g} g"), bottle, density, 0.0 if count and bottle else loss_percent)
    if not count or filled.fill_g is None:
        return filled
    loss = 100 * (1 - count * filled.fill_g / mass_g)
    if loss < -AS_TYPED:
        what = f"{count} bottles of {filled.fill_g:g} g are more than the {mass_g:g} g that were made."
        raise fault(where, "finish.bottles", what, "Check bottles, density and the finished mass.")
    return replace(filled, loss_percent=max(loss, 0.0), bottles=count)


def size_of(amount: Amount, bottle: Amount | None, density: float | None, loss_percent: float = 0.0) -> Size:
    """Return the size of a batch.

    A mass or volume is what is made; a number of bottles is what must come out: made = bottles x fill / (1 - loss).

    Args:
        amount: Mass, volume or bottles.
        bottle: Content of a bottle, as a volume or a mass.
        density: Density of the product [g/ml], needed wherever a volume stands.
        loss_percent: Part of the batch that does not reach the bottles [%].

    Raises:
        DataError: If a volume meets a mass without a density, bottles lack their content, or none becomes full.
    """
    if bottle is not None and bottle.unit == "bottles":
        raise fault(str(bottle), "bottle", "this is no content of a bottle.", "Write ml or g, such as 250 ml.")
    if density is not None:
        sound_density(density, f"{density:g} g/ml")
    fill = None if bottle is None else bottle.grams(density)
    ml = None if bottle is None else bottle.value if bottle.unit == "ml" else density and bottle.value / density
    if amount.unit == "bottles":
        out = amount.grams(density, fill)
        return Size(out / (1 - loss_percent / 100), loss_percent, round(amount.value), fill, ml, density)
    made = amount.grams(density)
    if fill is None:
        return Size(made, loss_percent, density=density)
    count = whole_down(made * (1 - loss_percent / 100) / fill)
    if count == 0:
        what = f"{made:g} g less the loss do not fill one bottle of {fill:g} g."
        raise fault(str(amount), "size", what, "Make more, or take a smaller bottle.")
    return Size(made, loss_percent, count, fill, ml, density)
