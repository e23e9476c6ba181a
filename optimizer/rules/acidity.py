"""The pH that everything in the bottle must agree on."""

from math import inf
from typing import Annotated, ClassVar, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from optimizer.data.facts import Material, Ph
from optimizer.data.formula import Formula
from optimizer.data.pool import Ingredient, Mask, Pool, Vector
from optimizer.immutable import immutable
from optimizer.rules.base import Rule, Shown, Way
from optimizer.rules.row import Row, Setting
from optimizer.units import AS_TYPED, KEPT, USED, number, whole_down


@immutable
class SharedWindow:
    """The pH range that a brief and the used materials share.

    Attributes:
        low: Lower end; above `high` if they share none.
        high: Upper end.
        low_set_by: Ids of the materials that set the lower end; none if the brief does.
        high_set_by: The same for the upper end.
    """

    low: float
    high: float
    low_set_by: tuple[str, ...]
    high_set_by: tuple[str, ...]


class Acidity(Rule):
    """One target pH with a tolerance, inside the brief's range, that suits every used material.

    Equation: x_i = 0 unless w_i- <= t - d and t + d <= w_i+, with t the target, d its tolerance
    and w_i the pH window of material i (where it stays clear, if the brief asks for a clear
    product). t is chosen on a grid and at the windows' edges, one set of linear programs each;
    so the rule has no price, only the cost of the next setting. An unknown window allows any pH.
    """

    kind: Literal["ph"] = "ph"
    low: Ph = 3.0
    """Lowest pH of the product."""
    high: Ph = 10.0
    """Highest pH of the product."""
    tolerance: Annotated[float, Field(ge=0, le=2)] = 0.2
    """Half-width that the bench must hit around the target."""
    grid: Annotated[float, Field(ge=0.01, le=1)] = 0.1
    """Spacing of the targets that are tried."""
    clear: bool = False
    """Filled in from the brief: use the windows in which materials stay clear."""
    unit: ClassVar[str] = "pH"
    step: ClassVar[float] = 0.1
    way: ClassVar[Way] = "widened"
    at_ph: ClassVar[bool] = True
    parting: ClassVar[int] = 2
    shown: ClassVar[Shown] = "apart"

    @model_validator(mode="after")
    def _room(self) -> Self:
        if self.high - self.low < 2 * self.tolerance - AS_TYPED:
            room = f"{self.low:g} to {self.high:g} leaves no room for a tolerance of {self.tolerance:g} on both sides"
            raise ValueError(f"the pH range {room}")
        return self

    @property
    def name(self) -> str:
        """What is measured."""
        return "pH"

    @property
    def limits(self) -> tuple[float, float]:
        """The brief's range."""
        return self.low, self.high

    def window(self, material: Material) -> tuple[float, float]:
        """Return the pH range of the product that a material tolerates."""
        window = material.ph_clear if self.clear and material.ph_clear else material.ph_stable
        return window or (-inf, inf)

    def rests_on(self, item: Ingredient) -> tuple[str, ...]:
        """Return the window that is asked of a material: in a clear product that in which it stays clear."""
        return ("ph_clear" if self.clear and item.material.ph_clear else "ph_stable",)

    def shared(self, formula: Formula) -> SharedWindow:
        """Return the pH range that all used materials and the brief share, with who sets each end."""
        windows = [(line.item.id, self.window(line.item.material)) for line in formula.lines if line.percent > USED]
        low = max([self.low, *(w[0] for _, w in windows)])
        high = min([self.high, *(w[1] for _, w in windows)])
        low_by = tuple(name for name, w in windows if w[0] >= low - AS_TYPED)
        high_by = tuple(name for name, w in windows if w[1] <= high + AS_TYPED)
        return SharedWindow(low, high, low_by, high_by)

    def settings(self, edges: tuple[float, ...]) -> tuple[Setting, ...]:
        """Return every target that is tried: the grid and the given window edges, ascending."""
        first, last = self.low + self.tolerance, self.high - self.tolerance
        steps = whole_down((last - first) / self.grid) if last > first else 0
        targets = {round(first + k * self.grid, 6) for k in range(steps + 1)} | {round(last, 6)}
        for edge in set(edges):
            targets.update((round(edge + self.tolerance, 6), round(edge - self.tolerance, 6)))
        inside = sorted(t for t in targets if first - AS_TYPED <= t <= last + AS_TYPED)
        return tuple(map(self.at, inside))

    def at(self, target: float) -> Setting:
        """Return a target with its window."""
        return Setting(target, round(target - self.tolerance, 6), round(target + self.tolerance, 6))

    def edges(self, pool: Pool) -> tuple[float, ...]:
        """Edges of all windows of the pool."""
        ends = np.concatenate(self._windows(pool))
        return tuple(ends[np.isfinite(ends)].tolist())

    def _windows(self, pool: Pool) -> tuple[Vector, Vector]:
        """Return the lower and the upper ends of all windows of the pool, shape (n,) each."""

        def read() -> tuple[Vector, Vector]:
            windows = [self.window(item.material) for item in pool.items]
            return np.array([low for low, _ in windows]), np.array([high for _, high in windows])

        return pool.once(("windows", self.clear), read)

    def allowed(self, pool: Pool, setting: Setting) -> Mask:
        """Return which candidates tolerate the setting, shape (n,)."""
        if setting.low is None or setting.high is None:
            return np.ones(len(pool), dtype=bool)
        low, high = self._windows(pool)
        return np.asarray((low - setting.low <= KEPT) & (setting.high - high <= KEPT))

    def gap(self, material: Material, setting: Setting) -> float:
        """Return by how much a material's window misses the setting, 0 if it covers it."""
        if setting.low is None or setting.high is None:
            return 0.0
        low, high = self.window(material)
        return max(low - setting.low, setting.high - high, 0.0)

    def rows(self, pool: Pool, setting: Setting) -> tuple[Row, ...]:
        """No rows: the model keeps out what does not tolerate the setting."""
        return ()

    def value(self, formula: Formula, setting: Setting) -> float:
        """The target pH."""
        return self.low if setting.target is None else setting.target

    def judged(self, formula: Formula, setting: Setting) -> tuple[float, float]:
        """The target, and the widest gap between the setting and a used material's window or the brief's range."""
        gaps = [self.gap(line.item.material, setting) for line in formula.lines if line.percent > USED]
        outside = max(self.low - (setting.low or self.low), (setting.high or self.high) - self.high, 0.0)
        return self.value(formula, setting), max([outside, *gaps])

    def reading(self) -> str:
        """One sentence."""
        return self.sourced(f"pH {number(self.low)} to {number(self.high)}, target +-{number(self.tolerance)} pH")
