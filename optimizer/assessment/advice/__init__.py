"""Advice for the bench: pieces that each look at a formula and speak, with reason and source, or are silent.

Nothing is told that cannot be known: viscosity is read at the bench, clarity is found in beakers.
"""

from optimizer.assessment.advice import clarity, figures, polymers, preservation, process, thickness
from optimizer.assessment.advice.base import Advice, Kind, Piece, Situation
from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula
from optimizer.rules.row import Setting

__all__ = ["PIECES", "Advice", "Kind", "Piece", "Situation", "advice_for", "advice_on"]

PIECES: tuple[Piece, ...] = (
    *thickness.PIECES,
    *clarity.PIECES,
    *polymers.PIECES,
    *preservation.PIECES,
    *process.PIECES,
    *figures.PIECES,
)
"""Every piece, in the order in which advice is given."""


def advice_for(formula: Formula, setting: Setting, brief: Brief) -> tuple[Advice, ...]:
    """Return the advice for a formula, in the order of `PIECES`.

    Args:
        formula: Doses as supplied.
        setting: Target pH and its window.
        brief: What the product must be, with the library.
    """
    return advice_on(Situation(formula, setting, brief))


def advice_on(situation: Situation) -> tuple[Advice, ...]:
    """Return the advice for a situation, in the order of `PIECES`."""
    return tuple(advice for piece in PIECES if (advice := piece.fires(situation)) is not None)
