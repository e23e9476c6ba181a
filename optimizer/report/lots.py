"""Formulas at measured lots and formulas that are safe against lots, as documents and as JSON."""

from math import inf, isnan

from optimizer.assessment.planned import sought_cost
from optimizer.data.formula import Formula
from optimizer.report.blend import change_columns, dose_changes
from optimizer.report.cautions import framed
from optimizer.report.document import Columns, Document, Listing, Row, Strong, Table, figures, filled
from optimizer.report.ending import PROOFS
from optimizer.rules.row import Setting
from optimizer.solve.result import PhOutcome
from optimizer.studies.restandardise import LotSpan, Restandardised
from optimizer.studies.robust import Robust, SafeReach
from optimizer.units import AS_TYPED, CHANGE_SHOWN, KEPT, listed, number


def restandardise_document(done: Restandardised) -> Document:
    """Return what is weighed at the measured lots, and what lots do to the planned formula."""
    batch, names = done.batch, {i.id: i.material.name for i in done.brief.pool.items}
    facts = [("brief", done.brief.scenario.name), ("batch", f"{number(batch.kg)} kg, scale in {number(batch.step)} g")]
    if done.setting.target is not None:
        facts.append(("pH", _ph(done)))
    facts.append(("kept", _kept(done)))
    facts += [("assumed", note) for note in (*done.notes, *done.brief.assumptions)]
    for name in done.outside:
        usual = "outside the library's low to high: is it active matter, or total solids?"
        facts.append(("doubtful", f"{names[name]} at {number(done.lots[name])} %, {usual}"))
    sections: list[Table | Listing] = []
    if done.weighed is None:
        sections.append(Listing("What makes it impossible at these lots, together", done.conflict or ("the total",)))
    else:
        sections.append(_weigh_sheet(done, names))
    sections.append(_spans(done))
    sections.append(Listing("Broken by the steps of the scale; take a finer one", done.stopped))
    good = done.weighed is not None and not done.stopped
    shown = framed(done.cautions, sections)
    return Document("At the measured lots", _verdict(done, names), facts, shown, good=good)


def _verdict(done: Restandardised, names: dict[str, str]) -> str:
    if done.near is None:
        return "No formula of these materials keeps all that is kept at these lots."
    if not done.near.changed:
        return "These lots need no change: weigh the planned formula."
    changed = [names[i] for i in done.near.changed]
    change = done.near.formula.cost - done.formula.cost
    verb = "moves" if len(changed) == 1 else "move"
    return f"{listed(changed)} {verb}, water takes up the rest; {change:+z.3f} {done.brief.scenario.currency} per kg."


def _ph(done: Restandardised) -> str:
    assert done.setting.target is not None
    target = number(done.setting.target, 2)
    if done.near is None or done.near.ph is None or done.near.ph.setting == done.setting:
        return target
    return f"moves from {target} to {number(done.near.ph.target, 2)}: nothing fits at {target}"


def _kept(done: Restandardised) -> str:
    bands = f"active matter ± {number(done.batch.active_band)} %, the share of each charge ± "
    how = "every dose may move" if done.batch.free else "fewest doses move"
    return f"{bands}{number(done.batch.charge_band)} points, every rule; {how}"


def _weigh_sheet(done: Restandardised, names: dict[str, str]) -> Table:
    assert done.weighed is not None
    before, after = done.formula.doses, done.weighed.doses
    usual = {line.item.id: line.item.material.active_matter for line in done.formula.lines}
    rows: list[Row] = []
    for key in sorted(names, key=lambda n: (-max(after.get(n, 0.0), before.get(n, 0.0)), n)):
        old, new = before.get(key, 0.0), after.get(key, 0.0)
        if not old and not new:
            continue
        lot = f"{usual.get(key, 0.0):.4g} > {done.lots[key]:.4g}" if key in done.lots else ""
        change = new - old if abs(new - old) > CHANGE_SHOWN else None
        rows.append((names[key], lot, old, new, change, done.grams.get(key, 0.0)))
    total = sum(done.grams.values())
    rows.append(Strong(("total", "", sum(before.values()), sum(after.values()), None, total)))
    note = "Lot: active matter planned > measured, % as sold."
    if done.formula.held_back:
        free = done.formula.held_back
        note += f" {number(free)} % of the batch, {number(free * 10 * done.batch.kg, 1)} g, is kept free."
    columns: Columns = (
        "material", *figures("lot"), *figures("plan %", form=".2f"), *figures("weigh %", form=".3f"),
        *figures("change", form="+.3f"), *figures("g", digits=3),
    )  # fmt: skip
    return Table("Weigh", columns, tuple(rows), note)


def _spans(done: Restandardised) -> Table:
    moved = [s for s in done.spans if s.high - s.low > KEPT or abs(s.unchanged - s.planned) > KEPT]
    rows = tuple((s.rule.reading(), s.planned, _between(s.low, s.high), _these(s), s.after) for s in moved)
    note = (
        "Any lots: the planned doses over the library's low to high of every material; active matter, water and "
        "carried salt of a lot move together. These: the planned doses at the measured lots, ! breaks the rule."
    )
    columns: Columns = ("rule", *figures("plan", "any lots", "these", "weighed", digits=2))
    return Table("What lots do to the rules", columns, rows, note)


def _these(span: LotSpan) -> str:
    return ("" if isnan(span.unchanged) else number(span.unchanged, 2)) + ("" if span.keeps else " !")


def robust_document(done: Robust) -> Document:
    """Return the safe formula beside the best one, its rules at their worst lots, and what random lots do."""
    scenario, safety = done.brief.scenario, done.safety
    title = f"Safe while up to {number(safety.off)} {'lot is' if safety.off == 1 else 'lots are'} off"
    facts: list[tuple[str, str]] = [("brief", scenario.name)]
    if done.plain_formula is None:
        return Document(title, "The brief has no formula to start from: see 'tenside blend'.", facts, good=False)
    facts += _costs(done)
    if done.ph is not None:
        before = done.nominal.setting.target
        moved = "" if before is None or abs(before - done.ph.target) < AS_TYPED else f" instead of {number(before, 2)}"
        window = f"window {number(done.ph.low, 2)} to {number(done.ph.high, 2)}"
        facts.append(("pH", f"target {number(done.ph.target, 2)}{moved}; {window}"))
    if done.formula is not None:
        known = "not proven to be the best safe formula"
        facts.append(("proof", known if done.proof == "none" else f"the best safe formula, {PROOFS[done.proof]}"))
    facts += [("assumed", note) for note in done.brief.assumptions]
    sections = framed(done.cautions, (_formulas(done), _ends(done), *filled(_worst(done)), _trials(done)))
    return Document(title, _safety(done), facts, sections, good=done.formula is not None)


def _safety(done: Robust) -> str:
    off, currency = number(done.safety.off), done.brief.scenario.currency
    many = "1 material" if done.safety.off == 1 else f"{off} materials"
    if done.formula is None or done.plain_formula is None:
        most = "not even one" if done.possible < 1 else f"{number(done.possible)} at most"
        return f"No formula of these candidates keeps every rule with {many} off at once; {most}."
    best, safe = _sought(done, done.plain_formula, done.nominal.ph), _sought(done, done.formula, done.ph)
    share = 100 * (safe - best) / best if best else 0.0
    planned = " as planned" if done.brief.seeks_planned else ""
    more = f"{safe - best:+z.4f} {currency} per kg{planned} ({share:+z.1f} %)"
    return f"Keeps every rule with any {many} off at once; that costs {_of_goal(done)}{more}."


def _of_goal(done: Robust) -> str:
    """Return what being safe takes of what the brief seeks, where that is no cost."""
    name = done.brief.scenario.objective.goals[0][1]
    if name == "cost" or done.plain_formula is None or done.formula is None:
        return ""
    best, safe = _goal_at(done, done.plain_formula, done.nominal.ph), _goal_at(done, done.formula, done.ph)
    return f"{safe - best:+z.3f} of {name}, and in money "


def _goal_at(done: Robust, formula: Formula, ph: PhOutcome | None) -> float:
    """Return what the brief seeks, of a formula at its pH."""
    measure = done.brief.measure(done.brief.scenario.objective.goals[0][1])
    return measure.value(formula, ph.setting if ph else Setting())


def _sought(done: Robust, formula: Formula, ph: PhOutcome | None) -> float:
    return sought_cost(done.brief, formula, ph.setting if ph else Setting())


def _costs(done: Robust) -> list[tuple[str, str]]:
    assert done.plain_formula is not None
    unit = f"{done.brief.scenario.currency} per kg of product"
    facts = []
    pairs = (("best", done.plain_formula, done.nominal.ph), ("safe", done.formula, done.ph))
    for name, formula, ph in pairs:
        if formula is None:
            continue
        told = f"{number(_sought(done, formula, ph), 4)} {unit}, at the planned lots"
        if done.brief.seeks_planned:
            told += f", as planned for the bench; {number(formula.cost, 4)} the blend alone"
        if (goal := done.brief.scenario.objective.goals[0][1]) != "cost":
            told = f"{number(_goal_at(done, formula, ph), 3)} {goal}; {told}"
        facts.append((name, told))
    if done.safety.price_off:
        worst = [number(c, 4) for c in done.worst_cost if not isnan(c)]
        how = f"{number(done.safety.off)} prices {number(done.safety.price_off)} % up"
        facts.append(("at worst", f"{' best, '.join(worst)}{' safe' if len(worst) > 1 else ' best'}, {how}"))
    return facts


def _formulas(done: Robust) -> Table:
    assert done.plain_formula is not None
    rows = dose_changes(done.plain_formula, done.formula or done.plain_formula)
    if done.formula is None:
        rows = [(name, best, None, None) for name, best, *_ in rows]
    note = ""
    if done.formula is not None and not done.on_grid:
        note = "The safe formula is not on the grid of the scale: no safe one lies near."
    return Table("Formulas, % w/w as supplied", change_columns("best %", "safe %"), tuple(rows), note)


def _ends(done: Robust) -> Table:
    names = {m.id: m.name for m in done.brief.library.materials}
    rows: tuple[Row, ...] = tuple((names[i], *ends) for i, *ends in done.lots)
    note = "The library's low and high, widened to what is planned; water and carried salt move along."
    columns: Columns = ("material", *figures("weakest", "planned", "strongest", digits=2))
    return Table("Lots that may differ, % active as sold", columns, rows, note)


def _worst(done: Robust) -> Table:
    rows = tuple((h.rule.reading(), _reach(h.plain, h.rule.limits), _reach(h.safe, h.rule.limits)) for h in done.held)
    note = f"Each value may be what stands there while any {number(done.safety.off)} of the lots are off; ! breaks it."
    return Table("Rules at their worst lots", ("rule", *figures("best", "safe")), rows, note)


def _reach(reach: SafeReach, limits: tuple[float, float]) -> str:
    if isnan(reach.low):
        return ""
    close = KEPT * (1 + max(abs(x) for x in (*limits, 0.0) if abs(x) < inf))
    mark = " !" if reach.low < limits[0] - close or reach.high > limits[1] + close else ""
    return f"{_between(reach.low, reach.high)}{mark}"


def _trials(done: Robust) -> Table:
    readings = {r.id: r.reading() for r in done.brief.modelled}
    rows = []
    for name, trial in (("best", done.random_best), ("safe", done.random_safe)):
        if trial is None:
            continue
        fails = [f"{readings[i]} ({100 * share:.1f} %)" for i, share in trial.fails[:3]]
        rows.append((name, 100 * trial.kept, trial.cost_high, "; ".join(fails) or "none"))
    safety = done.safety
    prices = f", prices uniform ± {number(safety.price_off)} %" if safety.price_off else ""
    note = (
        f"{safety.count} draws, seed {safety.seed}: active matter of each material uniform from its weakest to its "
        f"strongest lot{prices}, all independent. Nobody measured that distribution: a stress, not a forecast."
    )
    columns: Columns = (
        "formula", *figures("all kept", form=".1f", unit=" %"), *figures("95 % cost below", form=".4f"), "fails most",
    )  # fmt: skip
    return Table("Random lots", columns, tuple(rows), note)


def _between(low: float, high: float) -> str:
    if isnan(low):
        return ""
    if high - low < KEPT:
        return number(low, 2)
    digits = next((d for d in (2, 3) if number(low, d) != number(high, d)), 4)
    return f"{number(low, digits)} - {number(high, digits)}"
