"""Checks, whys and comparisons as documents."""

from __future__ import annotations

from collections.abc import Iterator
from math import inf, isnan

from optimizer.assessment.alarms import cautions_at, uncharted
from optimizer.assessment.chemistry import Chemistry
from optimizer.assessment.planned import planned_cost
from optimizer.brief.brief import Brief
from optimizer.report.blend import (
    at_the_bench,
    change_columns,
    dose_changes,
    entry_words,
    planned_words,
    rooms,
    sought,
    valued,
)
from optimizer.report.cautions import FIRST, alarm_listing, framed, rests_listing
from optimizer.report.changes import cost_changes
from optimizer.report.chemistry import chemistry_sections
from optimizer.report.document import Columns, Document, Listing, Row, Section, Strong, Table, figures, filled
from optimizer.report.naming import rule_called
from optimizer.rules import MEASURES, named_measure
from optimizer.solve.result import RuleOutcome
from optimizer.studies.check import Checked
from optimizer.studies.compare import Comparison, Side
from optimizer.studies.why import AtSetting, Why
from optimizer.units import CHANGE_SHOWN, KEPT, USED, listed, number


def check_document(checked: Checked, chemistry: Chemistry | None = None) -> Document:
    """Return what a formula breaks, what mending costs and the nearest formula that keeps all."""
    brief, count = checked.brief, len(checked.broken)
    cautions = cautions_at(brief, checked.formula, checked.setting)
    if count:
        verdict = f"The formula breaks {count} of {len(brief.enforced)} rules."
    elif any(c.loud for c in cautions):
        verdict = "The formula keeps every rule of the brief, which is not all: read what stands first."
    else:
        verdict = "The formula keeps every rule."
    sections: list[Table | Listing] = [_broken(checked), _nearest(checked)] if count else []
    rest = [o for o in checked.rules if o.id not in checked.broken and not o.idle]
    missed = [o for o in rest if o.violation > KEPT]
    sections += filled(rooms("Not kept, though the brief sets no such limit", missed))
    sections.append(rooms("Kept", [o for o in rest if o not in missed]))
    if chemistry:
        sections += chemistry_sections(chemistry)
    shown = framed(cautions, sections)
    return Document(f"Check for {brief.scenario.name}", verdict, _held_against(checked), shown, good=not count)


def _held_against(checked: Checked) -> list[tuple[str, str]]:
    """Return what a formula is held against, what it costs and what was assumed."""
    brief, currency = checked.brief, checked.brief.scenario.currency
    facts = [("held against", brief.scenario.name)]
    planned = planned_cost(brief, checked.formula, checked.setting)
    if planned is not None:
        facts.append(("planned cost", planned_words(planned, currency)))
    alone = ", the blend alone" if planned else ""
    facts.append(("cost", f"{number(checked.cost, 3)} {currency} per kg of product{alone}"))
    if checked.setting.target is not None:
        why = "the pH it aims at" if checked.aimed else "where it fits the brief best"
        facts.append(("pH", f"held against the rules at {number(checked.setting.target, 2)}, {why}"))
    return [*facts, *(("assumed", note) for note in (*checked.notes, *brief.assumptions))]


def _broken(checked: Checked) -> Table:
    """Return the rules that a formula breaks, with what mending each costs."""
    brief, rules = checked.brief, {o.id: o for o in checked.rules}
    rows = []
    for mend in checked.mends:
        outcome = rules[mend.id]
        cost = "not without breaking another" if mend.cost is None else mend.cost
        changed = [brief.library.by_id[n].name for n in mend.changed]
        rows.append((outcome.reading, valued(outcome), outcome.violation, cost, listed(changed)))
    note = "Mending: the nearest formula that keeps this rule and all that are kept already, per kg of product."
    mending = figures("mending costs", form="+.4f", unit=f" {brief.scenario.currency}")
    columns: Columns = ("broken rule", *figures("value", "by", digits=3), *mending, "changes")
    return Table("Broken", columns, tuple(rows), note)


def _nearest(checked: Checked) -> Table | Listing:
    near = checked.nearest
    if near is None:
        words = "No formula from these candidates keeps every rule; see what clashes with 'tenside blend'."
        if checked.unprotected:
            words = "Formulas keep every rule, but none of them that is preserved: none is offered."
        elif checked.followed:
            words = "None was found near, which proves nothing as a rule is curved; 'tenside blend' looks further."
        return Listing("Nearest formula that keeps every rule", (words,))
    rows = dose_changes(checked.formula, near.formula)
    rows += cost_changes(checked.brief, (checked.formula, checked.setting), (near.formula, near.setting))
    changed = len(near.changed)
    found = f"Fewest changed doses ({changed}, water aside), then least change ({number(near.distance, 2)} % in all)."
    note = f"% as supplied. {found}"
    if not checked.on_grid:
        note += " Not on the grid of the scale: blend the brief for a weighable formula."
    if not near.proven:
        note += " The search was cut short: a nearer one may exist."
    return Table("Nearest formula that keeps every rule", change_columns("now", "nearest"), tuple(rows), note)


def why_document(why: Why) -> Document:
    """Return why a material is in or out."""
    if why.left_out:
        facts = (("brief", why.brief.scenario.name), *at_the_bench(why.brief, why.id))
        return Document(why.name, f"Out: it is no candidate, because {why.left_out}.", facts, good=False)
    alarms = alarm_listing(why.cautions or uncharted(why.brief))
    sections: tuple[Section, ...] = (alarms, *_worth(why), *_at_settings(why), rests_listing(why.cautions))
    return Document(why.name, _why_verdict(why), tuple(_why_facts(why)), sections, good=why.dose > USED)


def _why_verdict(why: Why) -> str:
    if isnan(why.dose):
        return "The brief has no formula: see what clashes with 'tenside blend'."
    if why.dose > USED:
        return f"In, at {number(why.dose, 2)} %."
    if why.responsible == "ph":
        return "Out: the pH of the best formula rules it out."
    if why.never:
        return "Out: no formula that keeps every rule holds it."
    if why.kept_out:
        return "Out: a yes/no choice of the best formula keeps it out."
    if why.entry == -inf:
        return "Out: the best formula has no place for it at its choices."
    if why.tied:
        return f"Out by a tie: a formula with it is as good; {_decides(why.brief)}."
    return "Out: it costs more than it is worth to this brief."


def _decides(brief: Brief) -> str:
    then = [f"{'least' if sign > 0 else 'most'} {name}" for sign, name in brief.scenario.objective.goals[1:]]
    return f"{listed(then)} decides" if then else "the order of ids decides"


def _why_facts(why: Why) -> Iterator[tuple[str, str]]:
    scenario = why.brief.scenario
    goal = scenario.objective.goals[0][1]
    yield "brief", scenario.name
    if goal == "cost":
        yield "price now", f"{number(why.price, 2)} {scenario.currency} per kg"
        if why.dose <= USED:
            yield from _comes_in(why, scenario.currency)
    if why.responsible and why.responsible != "ph":
        yield "held back by", next(w.reading for w in why.worth if w.id == why.responsible)
    if why.forced is not None:
        how = "left out" if why.forced.dose == 0 else f"forced in at {number(why.forced.dose)} %"
        if why.forced.cost == inf:
            yield how, f"impossible; it clashes with {listed(why.forced.conflict) or 'the total'}"
        else:
            planned = " as planned" if why.brief.seeks_planned else ""
            unit = f"{scenario.currency} per kg of product{planned}" if goal == "cost" else goal
            yield how, f"{why.forced.cost:+z.4f} {unit}"


def _worth(why: Why) -> list[Table]:
    if not why.worth or why.responsible == "ph":
        return []
    goal = why.brief.scenario.objective.goals[0][1]
    rows = tuple((w.reading, w.per_kg) for w in why.worth)
    total = Strong(("together", sum(w.per_kg for w in why.worth)))
    note = "Each rule's price times what one kg of the material adds to it, at the best formula and its choices."
    title = f"What one kg is worth to the brief, in {why.brief.scenario.currency if goal == 'cost' else goal}"
    return [Table(title, ("rule", *figures("per kg", form="+.3f")), (*rows, total), note)]


def _at_settings(why: Why) -> list[Table]:
    if not why.settings:
        return []
    rows = tuple(
        (
            number(s.first, 2) if s.first == s.last else f"{number(s.first, 2)} - {number(s.last, 2)}",
            "impossible" if isnan(s.objective) else s.objective,
            _dose_at(s),
        )
        for s in why.settings
    )
    return [Table("At each pH setting", ("target pH", *figures(sought(why.brief)), why.name), rows)]


def _dose_at(setting: AtSetting) -> str:
    if setting.barred:
        return "ruled out by the pH"
    if isnan(setting.dose):
        return ""
    return f"{setting.dose:.2f} %" if setting.dose > USED else "not used"


def _comes_in(why: Why, currency: str) -> list[tuple[str, str]]:
    """Return the price below which a material comes in: at some choice and pH, and where it is lower at those made."""
    told: list[tuple[str, str]] = []
    chosen = bool(why.settings) or any(rule.columns(why.brief.pool) for rule in why.brief.modelled)
    if why.never:
        return [("comes in", f"not at any price: every choice and pH was searched{_proven(why)}")]
    if not isnan(why.entry_of_all):
        over = f" {currency} per kg" if why.entry_of_all > 0 else ""
        below = f"below {why.entry_of_all:.2f}{over}" if over else "not even free of charge"
        wide = f", at the best of all choices and pH settings{_proven(why)}" if chosen else ""
        told.append(("comes in", f"{below}{wide}"))
        if abs(why.entry - why.entry_of_all) <= CHANGE_SHOWN:
            return told
    if why.kept_out:
        told.append(("at the choices made here", "a yes/no choice keeps it out"))
    elif not isnan(why.entry):
        below = f"below {entry_words(why.entry)} {currency} per kg" if why.entry > 0 else entry_words(why.entry)
        told.append(("at the choices made here", below))
    return told


def _proven(why: Why) -> str:
    return ", each checked" if why.entry_proof == "certificate" else ", by the solver's word"


def compare_document(comparison: Comparison) -> Document:
    """Return columns side by side."""
    sides = comparison.sides
    alarms = tuple(f"{s.name}: {c.words}" for s in sides for c in s.cautions if c.loud)
    rests = tuple(f"{s.name}: {c.words}" for s in sides for c in s.cautions if c.rests)
    notes = tuple(f"{s.name}: {n}" for s in sides for n in s.notes)
    sections: tuple[Section, ...] = (
        Listing(FIRST, alarms, "caution"),
        _doses_beside(sides),
        _measures_beside(sides),
        _rules_beside(sides),
        *_causes(comparison),
        Listing("Assumed", notes),
        Listing("On what it rests", rests),
    )
    impossible = [s.name for s in sides if s.formula is None]
    verdict = f"{len(sides)} columns." if not impossible else f"No formula exists for {listed(impossible)}."
    return Document("Side by side", verdict, sections=sections, good=not impossible)


def _doses_beside(sides: tuple[Side, ...]) -> Table:
    names = {line.item.id: line.item.material.name for s in sides if s.formula for line in s.formula.lines}
    doses = [{line.item.id: line.percent for line in s.formula.lines} if s.formula else {} for s in sides]
    order = sorted(names, key=lambda n: (-max(d.get(n, 0.0) for d in doses), n))
    rows: list[Row] = [(names[n], *(d.get(n) for d in doses)) for n in order]
    if any(s.formula and s.formula.held_back for s in sides):
        rows.append(("kept free", *(s.formula.held_back if s.formula else None for s in sides)))
    columns: Columns = ("material", *figures(*(s.name for s in sides), form=".2f"))
    return Table("Doses, % w/w as supplied", columns, tuple(rows))


def _measures_beside(sides: tuple[Side, ...]) -> Table:
    values = [s.measures for s in sides]
    measures = [named_measure(name) for name in MEASURES if name != "cost"]
    rows: list[Row] = [(f"{m.name}, {m.unit}", *(v.get(m.id) for v in values)) for m in measures]
    per_kg, planned = f"{sides[0].brief.scenario.currency} per kg", [s.planned_cost_per_kg for s in sides]
    alone = "" if all(map(isnan, planned)) else " of the blend alone"
    if alone:
        rows.append((f"planned cost, {per_kg}", *planned))
    rows.append((f"cost{alone}, {per_kg}", *(s.cost for s in sides)))
    windows = [s.window for s in sides]
    ends = ("" if isnan(low) else f"{number(low, 1)} - {number(high, 1)}" for low, high in windows)
    rows.append(("pH window shared", *ends))
    note = "Mildness and foam are planning ratings that nobody measured."
    columns: Columns = ("measure", *figures(*(s.name for s in sides), digits=3))
    return Table("Measures", columns, tuple(rows), note)


def _rules_beside(sides: tuple[Side, ...]) -> Table:
    outcomes = [s.outcomes() for s in sides]
    shared = sorted({i for o in outcomes for i in o if o[i].shown == "always"})
    named = {i: next(rule_called(o[i]) for o in outcomes if i in o) for i in shared}
    rows = tuple((named[i], *(_limits_in_words(o[i]) if i in o else "" for o in outcomes)) for i in shared)
    columns: Columns = ("rule", *figures(*(s.name for s in sides)))
    return Table("Rules: value and limits", columns, rows, "A value marked ! breaks its limit.")


CAUSES = {"price": "price", "lot": "lots", "material": "other candidates", "limit": "other rules or doses"}


def _causes(comparison: Comparison) -> list[Table]:
    if not comparison.splits:
        return []
    sides = comparison.sides

    def row(key: str, label: str) -> Row:
        return (label, None, *(_signed(getattr(s, key)) for s in comparison.splits))

    rows = (*(row(*cause) for cause in CAUSES.items()), Strong(row("total", "together")))
    alone = "" if all(isnan(s.planned_cost_per_kg) for s in sides) else " of the blend alone"
    title = f"Why the cost{alone} differs from {sides[0].name}, {sides[0].brief.scenario.currency} per kg"
    note = "Each part is the mean over the orders in which the causes can come one after the other."
    return [Table(title, ("because of", *figures(*(s.name for s in sides), form="+.4f")), rows, note)]


def _signed(value: float) -> float | str:
    return "cannot be told" if isnan(value) else value


def _limits_in_words(outcome: RuleOutcome) -> str:
    """Return a value with its limits, marked where it breaks them."""
    low = "" if outcome.low == -inf else number(outcome.low)
    high = "" if outcome.high == inf else number(outcome.high)
    mark = " !" if outcome.violation > KEPT else ""
    value = "-" if isnan(outcome.value) else f"{number(outcome.value, 2)}{mark}"
    limits = low if low == high else f"{low} to {high}" if low and high else f"from {low}" if low else f"to {high}"
    return f"{value} ({limits})" if limits else value
