"""Formulas that mostly break the brief that they were the best of. All figures are made up."""

from __future__ import annotations

from functools import cache
from random import Random

from optimizer.solve.best import solve
from tests.support import briefs, oracle
from tests.support.briefs import Wish, brief_of, draw
from tests.support.oracle import Case

BENT = Wish(
    kinds=tuple(k for k in briefs.PLAIN if k != "use-level"),
    ph=True, pairs=False, goals=False, rules=(3, 6), past=0.0,
)  # fmt: skip
"""What is drawn."""


@cache
def bent(seed: int) -> tuple[Case, dict[str, float]]:
    """Return a brief that can be met and a formula of its materials that mostly breaks it."""
    r = Random(seed)
    while True:
        case = draw(r, BENT)
        result = solve(brief_of(case))
        if result.formula is None:
            continue
        doses = {i.id: result.formula.dose(i.id) for i in oracle.candidates(case)}
        for name in r.sample(sorted(doses), min(len(doses), 3)):
            if name != "aqua":
                doses[name] = round(max(0.0, doses[name] * r.choice([0, 0.7, 1.3, 2]) + r.choice([0, 0.5])), 2)
        doses["aqua"] = 100 - oracle.held_back(case) - sum(v for n, v in doses.items() if n != "aqua")
        if doses["aqua"] >= 0:
            return case, doses
