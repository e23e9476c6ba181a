"""The answer to a brief as a document."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import ceil, inf, isfinite, isnan, log10, nan
from typing import TYPE_CHECKING

from optimizer.assessment.alarms import cautions_at
from optimizer.assessment.evidence import line_of_clash
from optimizer.assessment.planned import PlannedCost, planned_cost, short_for_plan
from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula
from optimizer.data.planned import WATER, plan_of_formula
from optimizer.report.binding import binding_table, bound, goal_of, lost, lots_listing, takeovers, unit_of
from optimizer.report.cautions import alarm_listing, caution_listing
from optimizer.report.charts import charge_parts, charges, costs, prices, windows
from optimizer.report.chemistry import chemistry_sections
from optimizer.report.document import Columns, Document, Listing, Row, Section, Strong, Table, figures, filled
from optimizer.report.ending import verdict_of
from optimizer.rules.row import Setting
from optimizer.solve.result import EntryPrice, Result, RuleOutcome, Without
from optimizer.units import AS_TYPED, CHANGE_SHOWN, KEPT, USED, beside, listed, number, whole_down

if TYPE_CHECKING:
    from optimizer.assessment.chemistry import Chemistry
    from optimizer.studies.explain import Explanation

SHORT = {
    "certificate": "certified",
    "solver bound": "solver's word",
    "local": "local: last program",
    "none": "none",
}


def blend_document(
    result: Result,
    explanation: Explanation | None = None,
    chemistry: Chemistry | None = None,
    *,
    broken_by_lots: Sequence[str] = (),
    more: tuple[Section | Document, ...] = (),
) -> Document:
    """Return the report of a blend.

    Args:
        result: The answer.
        explanation: What clashes, if the brief is impossible.
        chemistry: What its chemistry looks like, if there is a formula.
        broken_by_lots: Rules that sit on a limit and that a lot would break.
        more: Further sections and chapters, shown after the chemistry.
    """
    if result.formula is None:
        return _without_formula(result, explanation, more)
    brief, scenario = result.brief, result.brief.scenario
    assert result.weighable is not None
    planned = planned_cost(brief, result.weighable, result.setting)
    cautions = cautions_at(brief, result.weighable, result.setting)
    sections: list[Section | Document] = [
        alarm_listing(cautions),
        _formula(result),
        *charges(result.weighable),
        *costs(result.weighable, scenario.currency),
        binding_table(result),
        *takeovers(result),
        lots_listing(result, broken_by_lots),
        *prices(bound(result), unit_of(result)),
        *windows(brief, result.weighable, result.setting),
        *_without(result, planned),
        *_settings(result),
        *filled(rooms("Rules kept with room, and figures shown only", _with_room(result))),
        *(chemistry_sections(chemistry) if chemistry else ()),
        *more,
        *_entries(result),
        _notes(result),
        caution_listing(cautions),
        provenance_listing(result.provenance),
    ]
    facts, good = _facts(result, planned), result.ending == "optimal"
    return Document(scenario.name, verdict_of(result), facts, sections, good=good)


def _without_formula(result: Result, explanation: Explanation | None, more: tuple[Section | Document, ...]) -> Document:
    """Return what clashes, what the brief asks and what would help."""
    sections = (
        *_clash(explanation),
        Listing("Notes", result.notes),
        _asked(result),
        *_settings(result),
        *more,
        _cautions(result, explanation),
        provenance_listing(result.provenance),
    )
    facts = (("brief", _brief_words(result)),)
    return Document(result.brief.scenario.name, verdict_of(result), facts, sections, good=False)


def _facts(result: Result, planned: PlannedCost | None) -> list[tuple[str, str]]:
    formula, currency = result.formula, result.brief.scenario.currency
    assert formula is not None
    told = formula if result.weighable is None else result.weighable
    alone = f"{number(told.cost, 3)} {currency} per kg of product"
    facts = [("brief", _brief_words(result))]
    if planned is not None:
        facts.append(("planned cost", planned_words(planned, currency)))
        alone += f", the blend alone{_least(result)}"
    facts.append(("cost", alone))
    name = result.brief.scenario.objective.goals[0][1]
    if name != "cost" and not result.brief.seeks_planned:
        measure = result.brief.measure(name)
        told_ = measure.as_told(result.objective)
        figure = f"about {number(told_, 0 if told_ >= 100 else 1)}" if measure.by_logarithm else number(told_, 3)
        facts.append((name, f"{figure} {measure.unit}{', expected by the trials' * measure.by_logarithm}".rstrip()))
    active = formula.active
    if active > USED:
        shares = [f"{charge} {number(100 * part / active, 0)} %" for charge, part in charge_parts(formula).items()]
        facts.append(("active", f"{number(active, 2)} % active matter: {listed(shares)}"))
    if result.ph is not None:
        ph, names = result.ph, {line.item.id: line.item.material.name for line in formula.lines}
        low, high = (listed([names.get(i, i) for i in by]) for by in (ph.low_set_by, ph.high_set_by))
        window = f"window {number(ph.low, 2)} ({low}) to {number(ph.high, 2)} ({high})"
        facts.append(("pH", f"target {number(ph.target, 2)} ± {number(ph.tolerance, 2)}; {window}"))
    if chosen := _chosen(result, formula):
        facts.append(("chosen", listed(chosen)))
    return facts


def _chosen(result: Result, formula: Formula) -> list[str]:
    """Return what was chosen; of two ways to thicken that are open and count for nothing none was."""
    brief, open_ = result.brief, set[str]()
    if not brief.seeks_planned:
        plan, setting = plan_of_formula(brief.pool, formula), result.ph.setting if result.ph else Setting()
        for rule in brief.modelled:
            if rule.of_plan and len(rule.open_plans(plan, formula, setting)) > 1:
                open_ |= {choice.says for choice in rule.columns(brief.pool)}
    said = [words for words in dict.fromkeys(result.choices) if words not in open_]
    return [*said, "leaves salt and a thickener open"] if open_ else said


def _least(result: Result) -> str:
    """Return which of the two costs is the least, where cost is sought."""
    if result.brief.seeks_planned:
        return "; least is the planned cost"
    if result.brief.scenario.objective.goals[0] != (1, "cost"):
        return ""
    return f"; it is the least, not the planned cost ({_uncounted(result.brief)})"


def _uncounted(brief: Brief) -> str:
    """Return why what is best does not count the planned doses."""
    wanted = brief.scenario.objective
    if wanted.goals[0] != (1, "cost"):
        return f"{wanted.words()} is sought"
    if not wanted.planned:
        return "'planned = false'"
    ways = sum(rule.of_plan for rule in brief.modelled)
    return f"{'no rule asks' if not ways else f'{ways} rules ask'} for a way to thicken"


def at_the_bench(brief: Brief, material: str) -> tuple[tuple[str, str], ...]:
    """Return, of what is added after the blend, that it is no part of it but of the product."""
    if not any(i.id == material for i in brief.pool.later):
        return ()
    held = number(brief.pool.held_back, 2)
    words = f"added to effect, out of the {held} % kept free; without it: tenside range, --missing {material}"
    return (("at the bench", words),)


def planned_words(planned: PlannedCost, currency: str) -> str:
    """Return the cost with what the bench is planned to add, its range, and what is planned."""
    cost = planned.per_kg
    ends = f"{cost.low:.2f} to {cost.high:.2f}"
    free = planned.free
    lacks = f"; {listed(list(free))} counted as free: write a price on the shelf" if free else ""
    if planned.guessed:
        dearest = f"{planned.assumed:.2f} {currency} per kg, the dearest price of what may thicken"
        lacks += f"; {listed(list(planned.guessed))} counted at {dearest}: write its own on the shelf"
    told = f"about {number(cost.typical, 3)} {currency} per kg ({ends})"
    return f"{told}, with {planned.words} planned, not computed{lacks}"


HIGHER: Mapping[str, tuple[str, str]] = {
    "mildness": ("milder", "harsher"),
    "flash-foam": ("quicker foam", "slower foam"),
    "foam-density": ("denser foam", "looser foam"),
}
"""What a rating that is higher or lower means, in a maker's words."""
RATING_SHOWN = 0.5
"""Change of a rating from which it is told [points]; the ratings' own spread is far wider."""


def _without(result: Result, planned: PlannedCost | None) -> list[Listing]:
    """Return what the best costs without each of the choices made, in a line each."""
    if not result.without or result.formula is None:
        return []
    losses = []
    for one in result.without:
        sign = "" if not one.worse else "+" if result.brief.scenario.objective.goals[0][0] > 0 else "-"
        figure = number(one.worse, 3 if one.worse >= CHANGE_SHOWN else 5)
        loss = f"{sign}{_worse(result, one.worse, figure)}" if one.worse else "as good"
        words = [HIGHER[n][d < 0] for n, d in one.changes.items() if abs(d) >= RATING_SHOWN]
        rated = f"; by the ratings {listed(words)}" if words else ""
        head = f"Without {listed(list(one.choices))}" if one.material else f"Unless it {one.choices[0]}"
        losses.append(f"{head}: {loss}{rated}; {_moved(result, one, planned)}{_spared(result, one, planned)}.")
    return [Listing("The next best choices", tuple(losses))]


def _spared(result: Result, one: Without, planned: PlannedCost | None) -> str:
    """Return what another way to thicken spares of what is planned, unless its loss counts that, and who can tell."""
    if one.material or planned is None:
        return ""
    tells = "; a salt curve on 100 g tells what salt does"
    thickeners = [d for d in planned.doses if d.item.material.thickener is not None]
    cost = sum(d.percent.typical * d.item.price for d in thickeners if not isnan(d.item.price)) / 100
    brief = result.brief
    if not cost or brief.seeks_planned:
        return tells
    spares = f"; it spares the planned thickener, about {cost:.2f} {brief.scenario.currency} per kg"
    return f"{spares} (not counted: {_uncounted(brief)}){tells}"


def _moved(result: Result, one: Without, planned: PlannedCost | None) -> str:
    """Return what comes in and what goes in other doses, in words; water aside."""
    before, after = result.formula, one.formula
    assert before is not None
    names = {line.item.id: line.item.material.name for line in after.lines}
    comes = [f"{number(p, 2)} % {names[n]}" for n, p in after.doses.items() if n not in before.doses]
    moves = [
        f"{names[n]} {number(before.doses[n], 2)} to {number(p, 2)} %"
        for n, p in after.doses.items()
        if n in before.doses and abs(p - before.doses[n]) > CHANGE_SHOWN and n != WATER
    ]
    changes = "; ".join(filter(None, (f"in comes {listed(comes)}" if comes else "", listed(moves))))
    return changes or ("less of it" if one.material else f"the same blend{_otherwise(result, before, planned)}")


def _otherwise(result: Result, formula: Formula, planned: PlannedCost | None) -> str:
    """Return the cheapest open way to thicken besides the planned one, in words; empty if there is none."""
    brief, now = result.brief, {d.item.id for d in planned.doses} if planned else set()
    plan = plan_of_formula(brief.pool, formula)
    ways = [way for r in brief.modelled if r.of_plan for way in r.open_plans(plan, formula, result.setting)]
    others = [way for way in ways if not {d.item.id for d in way} <= now]
    doses = [f"{number(d.percent.typical, 2)} % {d.item.material.name}" for d in min(others, key=plan.cost, default=())]
    return f", thickened with {listed(doses)}" if doses else ""


def _brief_words(result: Result) -> str:
    scenario = result.brief.scenario
    what = " ".join(w for w in (scenario.product, f"({scenario.use}, {scenario.market})") if w)
    return f"{what}; {scenario.objective.words()} from {len(result.brief.pool)} candidates"


def _formula(result: Result) -> Table:
    digits = max(2, -whole_down(log10(result.rounded.step))) if result.rounded else 2
    assert result.weighable is not None
    return formula_table(result.weighable, result.brief.scenario.currency, digits, _rounding_note(result))


def formula_table(formula: Formula, currency: str, digits: int = 2, note: str = "") -> Table:
    """Return doses, most first, with what each brings and costs."""
    cost_per_kg = sum(line.percent * line.item.price for line in formula.lines) / 100
    rows: list[Row] = []
    for line in sorted(formula.lines, key=lambda line: (-line.percent, line.item.id)):
        active = line.percent * line.item.surfactant
        cost = line.percent * line.item.price / 100
        share = 100 * cost / cost_per_kg if cost_per_kg else 0.0
        rows.append((line.item.material.name, line.percent, active if active > 0 else None, cost, share))
    if formula.held_back:
        rows.append((formula.kept_free, formula.held_back, None, None, None))
    total = sum(line.percent for line in formula.lines) + formula.held_back
    rows.append(Strong(("total", total, formula.active, cost_per_kg, None)))
    columns: Columns = (
        "material", *figures("%", form=f".{digits}f"), *figures("active %", form=".2f"),
        *figures(f"{currency}/kg", form=".3f"), *figures("of cost", form=".0f", unit=" %"),
    )  # fmt: skip
    return Table("Formula, % w/w as supplied", columns, tuple(rows), note)


def dose_changes(before: Formula, after: Formula) -> list[Row]:
    """Return every material of two formulas, most first, and what is kept free: both doses and what changed."""
    names = {line.item.id: line.item.material.name for line in (*before.lines, *after.lines)}
    doses = {n: (before.doses.get(n, 0.0), after.doses.get(n, 0.0)) for n in names}
    rows: list[Row] = [
        (names[n], old or None, new or None, new - old if abs(new - old) > CHANGE_SHOWN else None)
        for n, (old, new) in sorted(doses.items(), key=lambda d: (-max(d[1]), d[0]))
    ]
    if before.held_back:
        rows.append(("kept free", before.held_back, after.held_back, None))
    return rows


def change_columns(old: str, new: str) -> Columns:
    """Return the columns of `dose_changes`."""
    return ("material", *figures(old, new, form=".2f"), *figures("change", form="+.2f"))


def _rounding_note(result: Result) -> str:
    rounded = result.rounded
    if rounded is None:
        return ""
    step = number(rounded.step)
    if rounded.formula is None:
        if not rounded.stopped_by:
            return f"No formula in steps of {step} % was found in time; the doses are shown unrounded."
        return f"No formula in steps of {step} % keeps every rule; what stops it: {'; '.join(rounded.stopped_by)}."
    cost = _worse(result, rounded.cost_of_rounding, f"{rounded.cost_of_rounding:.4f}")
    near = f" As near as the steps allow: {'; '.join(rounded.missed)}." if rounded.missed else ""
    best = "" if rounded.proven else ", the best of those near the optimum"
    return (
        f"In steps of {step} %, every rule kept{best}; the steps cost {cost}.{near} "
        "Prices below belong to the unrounded optimum."
    )


def _worse(result: Result, loss: float, figure: str) -> str:
    """Return by how much the objective is worse, in its unit; `figure` tells a plain loss."""
    name, measure = result.brief.scenario.objective.goals[0][1], goal_of(result.brief)
    if measure.by_logarithm:
        return lost(measure, loss, name)
    return f"{figure} {result.brief.scenario.currency} per kg" if name == "cost" else f"{figure} of {name}"


def _with_room(result: Result) -> list[RuleOutcome]:
    return [o for o in result.rules if not o.binding and not o.idle]


def rooms(title: str, kept: Iterable[RuleOutcome]) -> Table:
    """Return rules with their values and the room to their limits."""
    rows = tuple((o.reading, valued(o), room(o)) for o in kept)
    return Table(title, ("rule", *figures("value", "room", digits=3)), rows)


def room(outcome: RuleOutcome) -> str:
    """Return the distance to the nearest limit as text."""
    if isnan(outcome.value):
        return "does not apply"
    nearest = min(outcome.value - outcome.low, outcome.high - outcome.value)
    if nearest == inf:
        return ""
    if nearest >= 0:
        return beside(nearest, _least_limit(outcome), 3)
    by = beside(-nearest, _least_limit(outcome), 3)
    return f"{'short' if outcome.value < outcome.low else 'exceeded'} by {by}"


def _least_limit(outcome: RuleOutcome) -> float:
    """Return the limit nearest to 0, 0 if there is none."""
    return min((x for x in (outcome.low, outcome.high) if abs(x) < inf), key=abs, default=0.0)


def valued(outcome: RuleOutcome) -> float | str:
    """Return the value as a figure, or as text: of what is missing or too much, and where digits would hide a limit."""
    if (outcome.low, outcome.high) == (-inf, 0.0) and outcome.unit.startswith("% "):
        return f"{number(outcome.value, 3)} {outcome.unit}"
    told = beside(outcome.value, _least_limit(outcome), 3)
    return outcome.value if told == number(outcome.value, 3) else told


def sought(brief: Brief) -> str:
    """Return what is best in words, as the head of a column: the planned cost, where that is what is least."""
    return "least planned cost" if brief.seeks_planned else brief.scenario.objective.words()


def _settings(result: Result) -> list[Table]:
    if result.brief.acidity is None or not result.settings:
        return []
    rows: list[Row] = []
    for s in result.settings:
        targets = number(s.first, 2) if s.first == s.last else f"{number(s.first, 2)} - {number(s.last, 2)}"
        told = number(goal_of(result.brief).as_told(s.objective), 4) if not isnan(s.objective) else s.ending
        row = (targets, told, s.barred, SHORT[s.proof])
        target = result.ph.target if result.ph else nan
        best = s.first - AS_TYPED <= target <= s.last + AS_TYPED and s.objective == result.objective
        rows.append(Strong(row) if best else row)
    columns: Columns = ("target pH", *figures(sought(result.brief), "candidates ruled out"), "proof")
    note = "A pH limit has no price of its own: compare the settings."
    return [Table("What each pH setting allows", columns, tuple(rows), note)]


def _entries(result: Result) -> list[Table]:
    if not result.entry_prices:
        return []
    currency = result.brief.scenario.currency
    priced = [e for e in result.entry_prices if not e.kept_out]
    kept_out = [e for e in result.entry_prices if e.kept_out]
    rows = [(e.name, e.price, entry_words(e.entry)) for e in priced[:12]]
    rows += [(e.name, e.price, _kept_out_words(e)) for e in kept_out]
    note = "" if len(priced) <= 12 else f"{len(priced) - 12} more in --json. "
    if result.choices or kept_out:
        note += "At the yes/no choices made here. "
    if kept_out:
        bounded = any(not isnan(e.never_above) for e in kept_out)
        note += "What one of them keeps out, another may let in" + (
            ", none above a price told as 'at most', proven; 'tenside why' tells at which."
            if bounded
            else ": 'tenside why' tries them all."
        )
    columns: Columns = ("material", *figures(f"{currency}/kg now", f"comes in below {currency}/kg", form=".2f"))
    return [Table("Not used, and the price below which it would come in", columns, tuple(rows), note.strip())]


def _kept_out_words(entry: EntryPrice) -> str:
    """Return of a material that a choice keeps out above which price every other one does too."""
    cents = ceil(100 * entry.never_above) / 100 if isfinite(entry.never_above) else entry.never_above
    if isnan(cents) or cents >= entry.price:
        return "kept out by a choice"
    if cents == -inf:
        return "in no formula that keeps every rule"
    return f"kept out by a choice; {f'at most {cents:.2f}' if cents > 0 else 'not even free of charge'}"


def entry_words(entry: float) -> str:
    """Return an entry price at the choices made as text."""
    if entry == -inf:
        return "not at these choices"
    return f"{entry:.2f}" if entry > 0 else "not even free of charge"


def _notes(result: Result) -> Listing:
    formula = result.formula
    assert formula is not None
    notes = [*result.notes, *result.brief.assumptions, *short_for_plan(result.brief, formula, result.setting)]
    if result.barred:
        shown = listed(result.barred[:12])
        more = f" and {len(result.barred) - 12} more" if len(result.barred) > 12 else ""
        notes.append(f"Ruled out by the pH chosen: {shown}{more}.")
    unrated = sorted(
        {
            f"{line.item.id} ({rule.name})"
            for rule in result.brief.rules
            for line in formula.lines
            if rule.unrated(line.item)
        }
    )
    if unrated:
        notes.append(f"Unrated, counted as worst: {listed(unrated)}.")
    if any(rule.planning for rule in result.brief.modelled):
        notes.append(
            "Mildness and foam figures are planning ratings, on the safe side: nobody measured them. Linear averages "
            "overstate the harshness of mixtures and over-buy foam, which saturates."
        )
    notes += [
        f"Above a {o.source} level: {o.reading}; here {number(o.value, 3)}." for o in result.rules if o.violation > KEPT
    ]
    unknown = sorted(
        line.item.id for line in formula.lines if line.item.material.ph_stable is None and line.item.id != "aqua"
    )
    if result.ph and unknown:
        notes.append(f"No pH window known, so none applied: {listed(unknown)}.")
    return Listing("Notes", tuple(notes))


def _clash(explanation: Explanation | None) -> list[Listing]:
    """Return what clashes and what would help."""
    if explanation is None:
        return []
    count = len(explanation.readings)
    title = "This alone cannot be met"
    if count > 1:
        title = f"These {count} clash; without any one of them the rest can be met"
    sections = [Listing(title, explanation.readings)]
    if explanation.hopeless:
        hint = "Only law and arithmetic clash here: change the candidates."
        sections.append(Listing("What would have to give", (hint,)))
        return sections
    sections.append(Listing("The least that must give", tuple(c.words for c in explanation.repair)))
    if len(explanation.single_repairs) > 1:
        words = tuple(c.words for c in explanation.single_repairs)
        sections.append(Listing("Each of these would be enough by itself", words))
    return sections


def _asked(result: Result) -> Listing:
    rules = [r.reading() for r in result.brief.modelled if r.shown != "understood"]
    if result.brief.acidity:
        rules.append(result.brief.acidity.reading())
    return Listing("What the brief asks", tuple(rules))


def _cautions(result: Result, explanation: Explanation | None) -> Listing:
    clash = line_of_clash(result.brief, explanation.conflict) if explanation else ()
    return caution_listing((*clash, *cautions_at(result.brief, result.weighable, result.setting)))


def provenance_listing(provenance: dict[str, str]) -> Listing:
    """Return versions and the number of input files."""
    versions = [f"{k} {v}" for k, v in provenance.items() if not k.startswith("sha256")]
    files = sum(k.startswith("sha256") for k in provenance)
    return Listing("Made with", (f"{listed(versions)}; {files} input files, digests in --json.",))
