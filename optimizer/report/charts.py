"""What of an answer is worth a picture: shares, costs, prices of limits, pH windows. Facts for a renderer to draw."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from math import inf, isfinite, nan
from typing import TYPE_CHECKING

from optimizer.brief.brief import Brief
from optimizer.chemistry.interval import Interval
from optimizer.data.formula import Formula
from optimizer.data.pool import Ingredient
from optimizer.report.document import Bar, Bars, Curve, Curves, Sketch
from optimizer.rules.row import Setting
from optimizer.solve.result import RuleOutcome
from optimizer.units import CHANGE_SHOWN, PRICE_SHOWN, USED, listed, number

if TYPE_CHECKING:
    from optimizer.bench.acid import AcidSession

CHARGES = ("anionic", "amphoteric", "nonionic", "cationic")
ROOM = 0.5
"""Part of the pH scale that is shown beyond the outermost edge."""


def charge_parts(formula: Formula) -> dict[str, float]:
    """Return the active matter of each charge that is there [% of the product]."""
    parts = {charge: formula.total(partial(_of_charge, charge)) for charge in CHARGES}
    return {charge: part for charge, part in parts.items() if part > USED}


def _of_charge(charge: str, item: Ingredient) -> float:
    return item.by_charge.get(charge, 0.0)


def charges(formula: Formula) -> list[Sketch]:
    """Return what the active matter is made of, each part beginning where the one before ends."""
    active = formula.active
    if active <= USED:
        return []
    rows, start = [], 0.0
    for charge, part in charge_parts(formula).items():
        share = 100 * part / active
        rows.append(Bar(charge, start, start + share, f"{number(share, 0)} %, {number(part, 2)} % of the product"))
        start += share
    bars = Bars("share of the active matter, %", tuple(rows), (0.0, 100.0))
    return [Sketch("What the active matter is made of", drawing=bars)]


def costs(formula: Formula, currency: str) -> list[Sketch]:
    """Return what drives the cost, most first."""
    paid = [(line.percent * line.item.price / 100, line.item) for line in formula.lines]
    paid = sorted((p for p in paid if p[0] > 0), key=lambda p: (-p[0], p[1].id))
    total = sum(cost for cost, _ in paid)
    if not total:
        return []
    rows = tuple(
        Bar(item.material.name, 0.0, cost, f"{cost:.3f} {currency}, {100 * cost / total:.0f} %") for cost, item in paid
    )
    bars = Bars(f"cost, {currency} per kg of product", rows, (0.0, paid[0][0]))
    return [Sketch("What drives the cost", drawing=bars)]


def prices(binding: list[RuleOutcome], unit: str) -> list[Sketch]:
    """Return what one noticeable step of each binding limit upwards does to the objective."""
    rows = []
    for outcome in binding:
        change = outcome.price_if_raised * outcome.limit_step
        name = f"{outcome.which}: {outcome.reading}" if outcome.which else outcome.reading
        if isfinite(change):
            digits = 4 if abs(change) > CHANGE_SHOWN else 6
            effect = "nothing" if abs(change) < PRICE_SHOWN else f"{change:+z.{digits}f} {unit}"
            step = f"{number(outcome.limit_step)} {outcome.limit_unit}".strip()
            low, high = sorted((change, 0.0))
            rows.append(Bar(name, low, high, f"{effect} for {step}", hatched=change < 0))
        elif change == inf:
            rows.append(Bar(name, nan, nan, "impossible to raise"))
    drawn = [row for row in rows if row.low < row.high]
    if not drawn:
        return []
    span = (min(0.0, *(row.low for row in drawn)), max(0.0, *(row.high for row in drawn)))
    note = "Each limit is raised by a step that a maker would notice, so that different units can be compared."
    if any(row.hatched for row in drawn):
        note += " Filled bars: the objective grows. Hatched bars: it falls."
    bars = Bars(f"change of the objective, {unit}", tuple(rows), span)
    return [Sketch("What each binding limit weighs", note=note, drawing=bars)]


def windows(brief: Brief, formula: Formula, setting: Setting) -> list[Sketch]:
    """Return the pH windows of everything that is used, with the part that all share and the target."""
    acidity = brief.acidity
    if acidity is None or setting.target is None:
        return []
    known = [("what the brief allows", (acidity.low, acidity.high))]
    unknown = []
    for line in sorted(formula.lines, key=lambda line: line.item.material.name):
        window = acidity.window(line.item.material)
        if isfinite(window[0]) or isfinite(window[1]):
            known.append((line.item.material.name, window))
        elif line.item.id != "aqua":
            unknown.append(line.item.material.name)
    low, high = max(w[0] for _, w in known), min(w[1] for _, w in known)
    edges = [edge for _, window in known for edge in window if isfinite(edge)]
    ends = (min(edges) - ROOM, max(edges) + ROOM)
    rows = [Bar(name, max(window[0], ends[0]), min(window[1], ends[1]), _window(*window)) for name, window in known]
    rows += [Bar(name, nan, nan, "no window known") for name in unknown]
    band = (low, high, f"shared by all: {_window(low, high)}") if low <= high else None
    target = (setting.target, f"target {number(setting.target, 2)}")
    note = "" if band else "The windows share no pH."
    return [
        Sketch("The pH that everything must agree on", note=note, drawing=Bars("pH", tuple(rows), ends, band, target))
    ]


def _window(low: float, high: float) -> str:
    if not isfinite(low):
        return f"up to {number(high, 2)}"
    return f"{number(low, 2)} to {number(high, 2)}" if isfinite(high) else f"from {number(low, 2)}"


def acid_curve(estimate: Iterable[tuple[float, Interval]], session: AcidSession) -> Sketch:
    """Return what was read of an adjustment along what was added, with the pH that is estimated in between."""
    along, log = tuple(estimate), session.log
    read = tuple((r.grams, r.ph) for r in log.readings)
    lines = [
        Curve("9 of 10 below this", tuple((g, i.high) for g, i in along)),
        Curve("estimate", tuple((g, i.typical) for g, i in along), read),
        Curve("9 of 10 above this", tuple((g, i.low) for g, i in along)),
    ]
    target = tuple((g, log.target.typical) for g, _ in (along[0], along[-1]))
    lines.append(Curve(f"target {number(log.target.typical, 2)}", target))
    curves = Curves(f"{log.solution.chemical.name} {number(log.solution.percent, 1)} % added, g", "pH", tuple(lines))
    told = listed([f"pH {number(ph, 2)} at {number(g, 2)} g" for g, ph in read])
    return Sketch("pH along the addition", note=f"Read: {told}." if read else "", drawing=curves)
