"""Advice for the bench as a document and JSON: thickening plan, salt budget, solubiliser ladder, advice."""

from __future__ import annotations

from math import isnan

from optimizer.assessment.advice import Advice, Situation, advice_on
from optimizer.assessment.alarms import cautions_at
from optimizer.assessment.electrolyte import Budget
from optimizer.assessment.solubiliser import USUAL_MOST, Ladder
from optimizer.assessment.thickening import Candidate, SaltRoute, ThickeningPlan
from optimizer.chemistry.interval import Interval
from optimizer.data.cautions import Caution
from optimizer.immutable import Figure, result, seen, told, untold
from optimizer.report.cautions import framed
from optimizer.report.document import Columns, Document, Listing, Row, Strong, Table, figures
from optimizer.rules.row import Setting
from optimizer.units import number

HEADINGS = {
    "thickening": "Thickness",
    "clarity": "Clarity",
    "polymers": "Charge and polymers",
    "preservation": "Preservation",
    "process": "Making it",
    "figures": "Figures to get",
}


@result
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
        at = self.situation
        return cautions_at(at.brief, at.formula, at.setting)


def advice_document(advised: Advised) -> Document:
    """Return plan, budget, ladder and advice for a formula."""
    situation, plan = advised.situation, advised.situation.plan
    facts = [("pH", ph_words(situation.setting)), ("room", f"{number(plan.room, 2)} % of the product is held back")]
    facts += [("assumed", note) for note in advised.notes]
    sections: list[Table | Listing] = [_thickeners(plan), budget_table(plan.budget)]
    if situation.ladder:
        sections.append(_ladder(situation.ladder, situation.brief.scenario.currency))
    for kind, heading in HEADINGS.items():
        sections.append(Listing(heading, tuple(_in_words(a) for a in advised.advice if a.kind == kind)))
    verdict = f"{plan.verdict} Thickness and clarity are read at the bench, never computed."
    return Document(f"Advice for {advised.name}", verdict, facts, framed(advised.cautions, sections))


def ph_words(setting: Setting) -> str:
    """Return a pH setting in words."""
    if setting.target is None:
        return "no target"
    if setting.low is None or setting.high is None:
        return f"target {number(setting.target, 2)}"
    return f"target {number(setting.target, 2)}, window {number(setting.low, 2)} to {number(setting.high, 2)}"


def _in_words(advice: Advice) -> str:
    return f"{advice.text} Why: {advice.reason} Source: {advice.source.rstrip('.')}."


def _thickeners(plan: ThickeningPlan) -> Table | Listing:
    if not plan.candidates:
        return Listing("Thickening plan", (*plan.salt.reasons, "No thickener of the library suits.", plan.stop))
    rows: tuple[Row, ...] = tuple(
        (
            c.material.name,
            "planned" if c.planned else "library",
            f"{number(c.window[0], 1)} - {number(c.window[1], 1)}",
            _when(c),
            _steps(c.ladder) if c.suits else "",
            c.price,
            "suits" if c.suits else " ".join(c.against),
        )
        for c in plan.candidates
    )
    if all(isnan(c.price) for c in plan.candidates):
        rows = tuple((*row[:5], row[6]) for row in rows)
        per_kg: Columns = ()
    else:
        per_kg = figures("per kg", digits=2)
    columns: Columns = ("thickener", "from", "works at pH", "goes in", "doses to try, %", *per_kg, "verdict")
    return Table("Thickening plan", columns, rows, plan.stop)


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
    rows: list[Row] = [
        (p.origin, *_three(p.percent), _three(p.mmol_per_kg)[1], ", ".join(p.materials)) for p in budget.parts
    ]
    rows.append(Strong(("together", *_three(budget.total), _three(budget.mmol_per_kg)[1], "")))
    rows.append(Strong((f"left of {number(budget.limit)} %", *_three(budget.left), None, "")))
    note = (
        f"The limit of {number(budget.limit)} % is common practice, no source; 'salt' of a thickening rule changes it. "
        "Low and high are the ends of the printed ranges together."
    )
    if budget.unknown:
        note += f" Not counted, because nobody states it: {', '.join(budget.unknown)}."
    columns: Columns = (
        "dissolved salt, % of the product", *figures("low", "typical", "high", form=".2f"),
        *figures("mmol/kg", form=".0f"), "from",
    )  # fmt: skip
    return Table("Electrolyte budget", columns, tuple(rows), note)


def _three(value: Interval | None) -> tuple[float | None, ...]:
    return (None, None, None) if value is None else (value.low, value.typical, value.high)


def _ladder(ladder: Ladder, currency: str) -> Table:
    rows = tuple(
        (
            f"1 : {number(r.ratio)}",
            *(r.premix_oil_g, r.premix_solubiliser_g, r.into_10_g, r.into_100_g),
            f"{r.percent:.2f} !" if r.percent > USUAL_MOST else r.percent,
            *(r.extra_percent, r.extra_cost),
        )
        for r in ladder.rungs
    )
    columns: Columns = (
        "oil : solubiliser", *figures("oil, g", "solubiliser, g", "into 10 g", form=".3f"),
        *figures("into 100 g", "in product, %", form=".2f"), *figures("more than now, %", form="+.2f"),
        *figures(f"{currency}/kg", form="+.3f"),
    )  # fmt: skip
    note = (
        f"Per beaker 1 g of premix from {number(ladder.oil_percent, 2)} % oil and {ladder.solubiliser.name}; 'into' is "
        "premix for a sample of the base. More nonionic costs foam and thickness: read both at the rung you take. "
        f"! marks more than the usual {number(USUAL_MOST)} %."
    )
    return Table("Solubiliser ladder", columns, rows, note)
