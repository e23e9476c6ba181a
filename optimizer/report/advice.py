"""Advice for the bench as a document and JSON: thickening plan, salt budget, solubiliser ladder, advice."""

from __future__ import annotations

from math import isnan

from optimizer.assessment.advice import Advice, Situation, advice_on
from optimizer.assessment.electrolyte import Budget
from optimizer.assessment.solubiliser import USUAL_MOST, Ladder
from optimizer.assessment.thickening import Candidate, Plan, SaltRoute
from optimizer.chemistry.interval import Interval
from optimizer.data.cautions import Caution, cautions_of
from optimizer.immutable import Figure, immutable, seen, told, untold
from optimizer.report.blend import caution_listing
from optimizer.report.document import Document, Listing, Table
from optimizer.rules.row import Setting
from optimizer.units import number

HEADINGS = {
    "thickening": "Thickness",
    "clarity": "Clarity",
    "polymers": "Charge and polymers",
    "process": "Making it",
    "figures": "Figures to get",
}


@immutable
class Advised:
    """The output of `tenside advice --json`."""

    FORMAT = 1
    name: str
    situation: Situation = untold()
    ph_target: Figure = seen("situation.setting.target")
    ph_low: Figure = seen("situation.setting.low")
    ph_high: Figure = seen("situation.setting.high")
    held_back_percent: float = seen("situation.plan.room")
    verdict: str = seen("situation.plan.verdict")
    salt: SaltRoute = seen("situation.plan.salt")
    thickeners: tuple[Candidate, ...] = seen("situation.plan.candidates")
    stop: str = seen("situation.plan.stop")
    budget: Budget = seen("situation.budget")
    solubiliser_ladder: Ladder | None = seen("situation.ladder")
    notes: tuple[str, ...] = ()

    @told
    def advice(self) -> tuple[Advice, ...]:
        """Return what every piece says that speaks."""
        return advice_on(self.situation)

    @told
    def cautions(self) -> tuple[Caution, ...]:
        """Those of the formula."""
        return cautions_of(self.situation.formula, self.situation.brief.library)


def advice_document(advised: Advised) -> Document:
    """Return plan, budget, ladder and advice for a formula."""
    situation, plan = advised.situation, advised.situation.plan
    facts = [("pH", ph_words(situation.setting)), ("room", f"{number(plan.room, 2)} % of the product is held back")]
    facts += [("assumed", note) for note in advised.notes]
    sections: list[Table | Listing] = [_thickeners(plan), budget_table(plan.budget)]
    if situation.ladder:
        sections.append(_ladder(situation.ladder, situation.brief.scenario.currency))
    for kind, heading in HEADINGS.items():
        items = tuple(_said(a) for a in advised.advice if a.kind == kind)
        if items:
            sections.append(Listing(heading, items))
    sections.append(caution_listing(advised.cautions))
    verdict = f"{plan.verdict} Thickness and clarity are read at the bench, never computed."
    return Document(f"Advice for {advised.name}", verdict, tuple(facts), tuple(sections))


def ph_words(setting: Setting) -> str:
    """Return a pH setting in words."""
    if setting.target is None:
        return "no target"
    if setting.low is None or setting.high is None:
        return f"target {number(setting.target, 2)}"
    return f"target {number(setting.target, 2)}, window {number(setting.low, 2)} to {number(setting.high, 2)}"


def _said(advice: Advice) -> str:
    return f"{advice.text} Why: {advice.reason} Source: {advice.source.rstrip('.')}."


def _thickeners(plan: Plan) -> Table | Listing:
    if not plan.candidates:
        return Listing("Thickening plan", (*plan.salt.reasons, "No thickener of the library suits.", plan.stop))
    rows = tuple(
        (
            c.material.name,
            "planned" if c.planned else "library",
            f"{number(c.window[0], 1)} - {number(c.window[1], 1)}",
            _when(c),
            _steps(c.ladder) if c.suits else "",
            "" if isnan(c.price) else number(c.price, 2),
            "suits" if c.suits else " ".join(c.against),
        )
        for c in plan.candidates
    )
    columns = ("thickener", "from", "works at pH", "goes in", "doses to try, %", "per kg", "verdict")
    return Table("Thickening plan", columns, rows, frozenset({5}), plan.stop)


def _when(candidate: Candidate) -> str:
    thickener = candidate.material.thickener
    when = {"hydration": "before the surfactants", "melt": "into the warm blend"}.get(candidate.material.phase, "last")
    if thickener is not None and thickener.after_ph:
        when = "after the pH"
    heat = thickener.heat_to if thickener else None
    return f"{when}, {number(heat)} °C" if heat else when


def _steps(ladder: tuple[float, ...]) -> str:
    if len(ladder) <= 5:
        return ", ".join(number(d, 2) for d in ladder)
    return f"{number(ladder[0], 2)}, {number(ladder[1], 2)}, {number(ladder[2], 2)} ... {number(ladder[-1], 2)}"


def budget_table(budget: Budget) -> Table:
    """Return the dissolved salt by origin."""
    rows = [
        (p.origin, *_three(p.percent), _three(p.mmol_per_kg, 0)[1] if p.mmol_per_kg else "", ", ".join(p.materials))
        for p in budget.parts
    ]
    rows.append(("together", *_three(budget.total), _three(budget.mmol_per_kg, 0)[1] if budget.mmol_per_kg else "", ""))
    rows.append((f"left of {number(budget.limit)} %", *_three(budget.left), "", ""))
    note = (
        f"The limit of {number(budget.limit)} % is common practice, no source; 'salt' of a thickening rule changes it. "
        "Low and high are the ends of the printed ranges together."
    )
    if budget.unknown:
        note += f" Not counted, because nobody states it: {', '.join(budget.unknown)}."
    columns = ("dissolved salt, % of the product", "low", "typical", "high", "mmol/kg", "from")
    last = len(rows) - 1
    return Table("Electrolyte budget", columns, tuple(rows), frozenset({1, 2, 3, 4}), note, frozenset({last - 1, last}))


def _three(value: Interval | None, digits: int = 2) -> tuple[str, str, str]:
    if value is None:
        return "", "", ""
    return f"{value.low:.{digits}f}", f"{value.typical:.{digits}f}", f"{value.high:.{digits}f}"


def _ladder(ladder: Ladder, currency: str) -> Table:
    rows = tuple(
        (
            f"1 : {number(r.ratio)}",
            f"{r.premix_oil_g:.3f}",
            f"{r.premix_solubiliser_g:.3f}",
            f"{r.into_10_g:.3f}",
            f"{r.into_100_g:.2f}",
            f"{r.percent:.2f}" + (" !" if r.percent > USUAL_MOST else ""),
            f"{r.extra_percent:+.2f}",
            "" if isnan(r.extra_cost) else f"{r.extra_cost:+.3f}",
        )
        for r in ladder.rungs
    )
    columns = (
        "oil : solubiliser",
        "oil, g",
        "solubiliser, g",
        "into 10 g",
        "into 100 g",
        "in product, %",
        "more than now, %",
        f"{currency}/kg",
    )
    note = (
        f"Per beaker 1 g of premix from {number(ladder.oil_percent, 2)} % oil and {ladder.solubiliser.name}; 'into' is "
        "premix for a sample of the base. More nonionic costs foam and thickness: read both at the rung you take. "
        f"! marks more than the usual {number(USUAL_MOST)} %."
    )
    return Table("Solubiliser ladder", columns, rows, frozenset(range(1, 8)), note)
