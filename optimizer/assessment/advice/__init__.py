"""Advice for the bench: pieces that each look at a formula and speak, with reason and source, or are silent.

Nothing is told that cannot be known: viscosity is read at the bench, clarity is found in beakers.
"""

from optimizer.assessment.advice import clarity, figures, polymers, preservation, process, thickness
from optimizer.assessment.advice.base import Advice, Piece, Situation

__all__ = ["PIECES", "Advice", "Situation", "advice_on"]

PIECES: tuple[Piece, ...] = (
    *thickness.PIECES,
    *clarity.PIECES,
    *polymers.PIECES,
    *preservation.PIECES,
    *process.PIECES,
    *figures.PIECES,
)
"""Every piece, in the order in which advice is given."""


def advice_on(situation: Situation) -> tuple[Advice, ...]:
    """Return the advice for a situation, in the order of `PIECES`."""
    return tuple(advice for piece in PIECES if (advice := piece.fires(situation)) is not None)
