"""Blends that others made and measured: whether they stayed stable and clear, by their doses.

Source: data descriptor in Scientific Data 11 (2024), doi 10.1038/s41597-024-03573-w, its companion repository under the
MIT licence: one or two surfactants, each time with a cationic polymer and a thickener, made by a laboratory robot. pH,
salt, lots and grades are not told there. Limits: doses are as supplied, of grades whose strength is not told; "stable"
is the result of the authors' test, not of a shelf life.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import numpy as np
import numpy.typing as npt

from optimizer.files import read_text, shipped
from optimizer.immutable import immutable

Vector = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

SOURCE = "Scientific Data 11 (2024), doi 10.1038/s41597-024-03573-w"
CLEAR = 100.0
"""Turbidity below which a stable blend counts as clear [NTU]; a limit chosen here."""
THICKENERS = frozenset({"Laureth-2", "PEG/PPG-120/10 Trimethylolpropane Trioleate (and) Laureth-2"})
"""What was added to thicken; all others are surfactants and polymers."""
ANIONIC = frozenset(
    {
        "Disodium Laureth Sulfosuccinate",
        "Disodium Cocoyl Glutamate",
        "Laureth-7 Citrate",
        "Sodium Cocoyl Glutamate",
        "Potassium Cocoyl Glycinate",
    }
)
"""The anionic surfactants among them."""
UNIT = " [% as supplied]"


@immutable
class Blends:
    """Measured blends.

    Attributes:
        names: INCI names of what they hold, shape (k,).
        doses: % w/w as supplied, shape (n, k).
        stable: Whether each stayed stable, shape (n,).
        clear: Whether it also was clear, shape (n,).
        most: Highest dose of each that was measured, shape (k,).
    """

    names: tuple[str, ...]
    doses: Vector
    stable: Flags
    clear: Flags
    most: Vector

    def holding(self, *names: str) -> Flags:
        """Return which blends hold all of these, shape (n,)."""
        found: Flags = np.all([self.doses[:, self.names.index(name)] > 0 for name in names], axis=0)
        return found

    def holding_any(self, *names: str) -> Flags:
        """Return which blends hold at least one of these, shape (n,)."""
        found: Flags = np.any([self.doses[:, self.names.index(name)] > 0 for name in names], axis=0)
        return found

    def only(self, chosen: Flags) -> Blends:
        """Return the chosen ones; the highest doses stay those of all."""
        return Blends(self.names, self.doses[chosen], self.stable[chosen], self.clear[chosen], self.most)

    def span(self, name: str) -> tuple[float, float]:
        """Return lowest and highest dose of what all of these hold [% w/w as supplied]."""
        doses = self.doses[:, self.names.index(name)]
        return float(doses.min()), float(doses.max())

    def distances(self, doses: Mapping[str, float], beside: float = 0.0) -> Vector:
        """Return how far each lies from a make-up, shape (n,).

        The Euclidean distance of doses, each in parts of the highest that was measured; 1 is a whole usual dose of one
        more or one less.

        Args:
            doses: % w/w as supplied by INCI name; names that were not measured count nothing.
            beside: Distance that whatever else the make-up holds adds, at a right angle to these.
        """
        here = np.array([doses.get(name, 0.0) for name in self.names])
        found: Vector = np.hypot(np.sqrt((((self.doses - here) / self.most) ** 2).sum(axis=1)), beside)
        return found


@cache
def measured_blends() -> Blends:
    """Return the shipped measured blends; two grades of one INCI name count as one."""
    text = read_text(shipped("library") / "measured-blends.csv")
    heads, *rows = [line for line in text.splitlines() if not line.startswith("#")]
    columns = heads.split(",")
    inci = {k: _inci(head) for k, head in enumerate(columns) if head.endswith(UNIT)}
    read = np.loadtxt(rows, delimiter=",", usecols=list(inci), comments=None)
    names = tuple(dict.fromkeys(inci.values()))
    doses = np.zeros((len(rows), len(names)))
    for k, name in enumerate(inci.values()):
        doses[:, names.index(name)] += read[:, k]
    kept, turbidity = columns.index("stable"), columns.index("turbidity_NTU")
    cells = [row.split(",") for row in rows]
    stable = np.array([row[kept] == "True" for row in cells])
    clear = np.array([float(row[turbidity] or "inf") < CLEAR for row in cells]) & stable
    return Blends(names, doses, stable, clear, doses.max(axis=0))


def _inci(head: str) -> str:
    """Return the INCI name in a heading without its unit and grade."""
    return head.removesuffix(UNIT).removesuffix(" (a)").removesuffix(" (b)")
