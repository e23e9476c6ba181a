"""An answer with the programs it came from; what a point of one is in the brief's words: formula, pH, choices."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula, Line
from optimizer.data.pool import Vector
from optimizer.immutable import immutable
from optimizer.model.model import Case
from optimizer.solve.case_solver import CaseAnswer, Corridor
from optimizer.solve.result import PhOutcome, Result
from optimizer.units import KEPT, USED


@immutable
class Solved:
    """A result with the programs it came from, for studies that ask further.

    Attributes:
        result: The answer.
        corridor: The cases and their sessions.
        found: The best of each case.
        chosen: The one that the answer is; None if there is none.
    """

    result: Result
    corridor: Corridor
    found: tuple[CaseAnswer, ...]
    chosen: CaseAnswer | None


def formula_of(brief: Brief, found: CaseAnswer) -> Formula:
    """Return the used doses of a found answer."""
    assert found.x is not None
    return formula_from(brief, found.x[: len(brief.pool)])


def formula_from(brief: Brief, doses: Vector) -> Formula:
    """Return doses [% as supplied], shape (n,), as a formula of what is used."""
    pool = brief.pool
    used = np.flatnonzero(doses > USED)
    lines = tuple(map(Line, map(pool.items.__getitem__, used.tolist()), doses[used].tolist()))
    return Formula(lines, pool.held_back, pool.later, pool.thickeners)


def choose_ph(brief: Brief, case: Case, formula: Formula, every: Iterable[Case]) -> PhOutcome | None:
    """Return the target furthest from an edge of the window that all used materials share.

    The one choice of a pH for a formula: among the settings of all cases with the rows of its own.

    Args:
        brief: The brief.
        case: A case whose rows the formula keeps.
        formula: The formula.
        every: Cases whose settings may be taken.
    """
    acidity = brief.acidity
    if acidity is None:
        return None
    shared = acidity.shared(formula)
    targets = [
        s.target
        for other in every
        if other.model is case.model
        for s in other.settings
        if s.target is not None and all(acidity.gap(line.item.material, s) <= KEPT for line in formula.lines)
    ]
    target = max(targets, key=lambda t: (round(min(t - shared.low, shared.high - t), 6), -t))
    low_by, high_by = shared.low_set_by or ("brief",), shared.high_set_by or ("brief",)
    return PhOutcome(target, acidity.tolerance, shared.low, shared.high, low_by, high_by)


def choices_of(found: CaseAnswer) -> tuple[str, ...]:
    """Return what the yes/no columns chose, in words; plain 'is used' is left to the formula."""
    model = found.case.model
    assert found.x is not None
    taken = zip(model.choices, found.x[model.doses :], strict=True)
    return tuple(choice.says for choice, value in taken if value > 0.5 and not choice.key.startswith("use:"))
