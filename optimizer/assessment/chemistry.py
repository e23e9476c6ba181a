"""What chemistry says of a formula at its pH, in short: window, preservation, dissolved salt, micelles, advice."""

from __future__ import annotations

from optimizer.assessment.advice import Advice, Situation, advice_on
from optimizer.assessment.electrolyte import Budget
from optimizer.assessment.micelle import MicelleReading, micelle_reading
from optimizer.assessment.preserving import Preservation, preservation_of
from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula
from optimizer.immutable import immutable
from optimizer.rules import SharedWindow
from optimizer.rules.row import Setting


@immutable
class Chemistry:
    """What chemistry says of a formula.

    Attributes:
        setting: The pH that it holds at.
        window: What brief and materials share; None for a brief without a pH.
        preservation: Acid preservatives at that pH.
        budget: Dissolved salt.
        micelles: Where the surfactant is in use.
        advice: What to do at the bench.
    """

    setting: Setting
    window: SharedWindow | None
    preservation: Preservation
    budget: Budget
    micelles: MicelleReading
    advice: tuple[Advice, ...]


def chemistry_of(brief: Brief, formula: Formula, setting: Setting) -> Chemistry:
    """Return what chemistry says of a formula at a pH setting; limits of each figure are those of its own room."""
    situation = Situation(formula, setting, brief)
    return Chemistry(
        setting,
        None if brief.acidity is None else brief.acidity.shared(formula),
        preservation_of(brief, formula, setting),
        situation.budget,
        micelle_reading(formula, setting),
        advice_on(situation),
    )
