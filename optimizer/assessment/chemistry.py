"""What is known of a formula at its pH, in short: window, preservation, salt, micelles, measured blends, advice."""

from __future__ import annotations

from collections.abc import Mapping

from optimizer.assessment.advice import Advice, Situation, advice_on
from optimizer.assessment.electrolyte import Budget
from optimizer.assessment.measured import Measured, measured_of
from optimizer.assessment.micelle import Interaction, MicelleReading, micelle_reading
from optimizer.assessment.preserving import Preservation, preservation_of
from optimizer.brief.brief import Brief
from optimizer.chemistry.interval import Interval
from optimizer.data.formula import Formula
from optimizer.immutable import Figure, immutable, seen, told, untold
from optimizer.rules import SharedWindow
from optimizer.rules.row import Setting


@immutable
class AcidTold:
    """One acid preservative, summed over every material that brings it or its salt."""

    acid: str
    percent: float
    """As free acid [% w/w]."""
    undissociated: Interval
    """Worst of the pH window, at the target, best of it [% w/w]; at most so much, before micelles take theirs."""


@immutable
class Chemistry:
    """What chemistry says of a formula at its pH."""

    setting: Setting = untold()
    window: SharedWindow | None = untold()
    preservation: Preservation = untold()
    budget: Budget = untold()
    micelles: MicelleReading = untold()
    pieces: tuple[Advice, ...] = untold()
    measured: Measured
    """What blends that others measured tell of it."""
    ph_low: Figure = seen("window.low")
    """The window that brief and materials share."""
    ph_high: Figure = seen("window.high")
    low_set_by: tuple[str, ...] = seen("window.low_set_by", ())
    """Ids of who sets the edge; empty if the brief does."""
    high_set_by: tuple[str, ...] = seen("window.high_set_by", ())
    acid_preservatives: tuple[AcidTold, ...] = seen("preservation.acids")
    dissolved_salt: Interval = seen("budget.total")
    """% w/w of the product."""
    salt_left: Interval = seen("budget.left")
    """Left of the usual limit [%]."""
    dilution: float = seen("micelles.dilution")
    """The micelle figures hold for 1 part of the product in this many."""
    ideal_mixed_cmc: Interval | None = seen("micelles.mixed_cmc")
    """mM; null if no surfactant has a figure."""
    mixed_cmc_with_interaction: Interval | None = seen("micelles.mixed_with_interaction")
    """mM, over the spread of interaction parameters, which are no constants; null for fewer than two surfactants."""
    interactions: tuple[Interaction, ...] = seen("micelles.interactions")
    """What that rests on."""
    free_anionic_monomer: Interval | None = seen("micelles.free_anionic")
    """mM; a relative index."""
    without_cmc: tuple[str, ...] = seen("micelles.unknown")
    """INCI names of surfactants without a figure."""
    names: Mapping[str, str] = untold(default_factory=dict)
    """Names of the formula's materials by id."""

    @told
    def preservation_warning(self) -> str:
        """What the figures of acid preservatives do not mean; empty without any."""
        return self.preservation.warning if self.preservation.acids else ""

    @told
    def advice(self) -> tuple[str, ...]:
        """What to do at the bench; reasons and sources with 'tenside advice'."""
        return tuple(piece.text for piece in self.pieces)


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
        measured_of(formula),
        {line.item.id: line.item.material.name for line in formula.lines},
    )
