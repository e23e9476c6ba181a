"""Substitutions as documents and as JSON."""

from math import isnan

from optimizer.assessment.planned import sought_cost
from optimizer.bench.rescue import Rescue
from optimizer.report.blend import at_the_bench, change_columns, dose_changes
from optimizer.report.cautions import framed
from optimizer.report.changes import cost_changes
from optimizer.report.document import Columns, Document, Listing, Row, Strong, Table, figures
from optimizer.studies.substituted import Base, StandIn, Substituted, Swap
from optimizer.units import listed, number

SHOWN = 8
"""Stand-ins that the tables show; the others are counted."""
LABELS = {
    "active": "active matter, %",
    "anionic": "anionic, % of active matter",
    "amphoteric": "amphoteric, % of active matter",
    "nonionic": "nonionic, % of active matter",
    "mildness": "mildness rating",
    "flash-foam": "flash foam rating",
    "foam-density": "foam density rating",
    "salt": "carried salt (NaCl), %",
    "water": "total water, %",
    "natural": "natural origin with water, %",
}


def substitute_document(done: Substituted) -> Document:
    """Return the closest formula without a material and what could stand in for it."""
    brief, base, name = done.brief, done.base, done.missing.material.name
    title = f"Without {name}" if done.wish.left <= 0 else f"With {number(done.wish.left, 2)} % of {name}"
    facts: list[tuple[str, str]] = [("brief", brief.scenario.name)]
    if done.now is not None:
        facts += _now_facts(done.now)
    if base is None:
        return Document(title, "The brief has no formula to start from: see 'tenside blend'.", facts, good=False)
    currency = brief.scenario.currency
    start = sought_cost(brief, base.formula, base.setting)
    facts.append(("starts from", f"{base.origin}, {number(start, 3)} {currency} per kg of product{_planned(done)}"))
    facts.append(("missing", f"{name}: {number(done.dose, 2)} % in the formula, {number(done.wish.left, 2)} % left"))
    facts += at_the_bench(brief, done.missing.id)
    facts.append(("kept", _kept(done)))
    facts += _ph(done, base)
    facts += [("assumed", note) for note in (*base.notes, *brief.assumptions)]
    facts += [("broken already", reading) for reading in base.broken]
    sections: list[Table | Listing] = []
    if done.now is not None and done.now.lines:
        sections.append(_now(done, done.now))
    if done.answer is None:
        sections.append(Listing("What makes it impossible, together", done.conflict or ("the total of 100 %",)))
    else:
        sections += [_formula(done, base), _measures(done)]
    if done.standins:
        sections += _standins(done)
    shown = framed(done.cautions, sections)
    return Document(title, _verdict(done), facts, shown, good=done.answer is not None)


def _now_facts(now: Rescue) -> list[tuple[str, str]]:
    """Return what the batch is and what else could be done with it."""
    facts = [("batch", f"{now.batch}, planned {now.scale.told(now.planned_g)} g")]
    if now.lines and now.size_g > now.planned_g:
        why = "1 % less cannot keep what is to be kept with what is in already"
        facts.append(("becomes", f"{now.scale.told(now.size_g)} g: {why}"))
    if now.smaller_g is not None:
        smaller = now.scale.told(now.smaller_g)
        facts.append(("or", f"as planned, but smaller: {smaller} g, for which there is enough of it"))
    return facts


def _now(done: Substituted, now: Rescue) -> Table:
    """Return what is in and what is still to be added, in grams."""
    known = done.brief.library.by_id
    near = now.scale.nearest
    grams = [(near(x.planned_g), x.in_g, near(x.add_g)) for x in now.lines]
    rows: list[Row] = [(known[x.material].name, *figures_) for x, figures_ in zip(now.lines, grams, strict=True)]
    rows.append(Strong(("sum", *map(sum, zip(*grams, strict=True)))))
    note = "Then acid and thickener as before. Take it as the plan of the batch, and the weigh sheet tells these grams."
    columns: Columns = ("material", *figures("plan", "in already", "still to add", digits=2))
    return Table("What now, g", columns, tuple(rows), note)


def _verdict(done: Substituted) -> str:
    if done.answer is None:
        return f"No formula from these candidates does without {done.missing.material.name} and keeps all that is kept."
    if not done.answer.changed:
        later = at_the_bench(done.brief, done.missing.id)
        return f"Nothing is missing{' in the blend' if later else ''}: the formula stays as it is."
    names = {i.id: i.material.name for i in done.brief.pool.items}
    after = done.answer.formula.doses
    new = [f"{names[i]} at {number(after[i], 2)} %" for i in done.new if i in after]
    moved = [names[i] for i in done.moved]
    cost = f"{done.cost_change:+z.3f} {done.brief.scenario.currency} per kg{_planned(done)}."
    if new:
        verb = "takes" if len(new) == 1 else "take"
        rest = f"; {listed(moved)} {'moves' if len(moved) == 1 else 'move'} as well" if moved else ""
        return f"{listed(new)} {verb} its place{rest}; {cost}"
    return f"{listed(moved) or 'Water'} {'makes' if len(moved) < 2 else 'make'} up for it; {cost}"


def _planned(done: Substituted) -> str:
    """Return what a cost of the brief counts, where that is more than the blend."""
    return " as planned" if done.brief.seeks_planned else ""


def _kept(done: Substituted) -> str:
    wish, values = done.wish, done.measures[0]
    how = "every dose may move" if wish.free else "the other doses stay locked as far as that goes"
    if isnan(values["anionic"]):
        return f"every rule; {how}"
    active = f"active matter {number(values['active'], 2)} ± {number(wish.active_band)} %"
    return f"{active}, the share of each charge ± {number(wish.charge_band)} points, every rule; {how}"


def _ph(done: Substituted, base: Base) -> list[tuple[str, str]]:
    if base.setting.target is None:
        return []
    target = number(base.setting.target, 2)
    if done.answer is None or done.answer.ph is None:
        return [("pH", f"{target} in the formula")]
    window = f"window {number(done.answer.ph.low, 2)} to {number(done.answer.ph.high, 2)}"
    if done.ph_moved:
        return [
            ("pH", f"moves from {target} to {number(done.answer.ph.target, 2)}: nothing fits at {target}; {window}")
        ]
    return [("pH", f"stays at {target}; {window}")]


def _formula(done: Substituted, base: Base) -> Table:
    assert done.answer is not None
    rows = dose_changes(base.formula, done.answer.formula)
    now, then = (base.formula, base.setting), (done.answer.formula, done.answer.setting)
    rows += cost_changes(done.brief, now, then)
    changed = f"Changed doses: {len(done.answer.changed)}, water aside; {number(done.answer.distance, 2)} % in all."
    note = f"% as supplied. {changed}"
    if not done.on_grid:
        note += " Not on the grid of the scale: no such formula lies near."
    if not done.answer.proven:
        note += " The search was cut short: a nearer one may exist."
    return Table("Closest formula", change_columns("now", "then"), tuple(rows), note)


def _measures(done: Substituted) -> Table:
    before, after = done.measures
    rows = []
    for key, label in LABELS.items():
        old, new = before[key], after[key]
        rows.append((label, old, new, None if abs(new - old) < 5e-3 else new - old))
    note = "Mildness and foam are planning ratings that nobody measured."
    columns: Columns = ("measure", *figures("now", "then", digits=2), *figures("change", form="+.2f"))
    return Table("What it does", columns, tuple(rows), note)


def _standins(done: Substituted) -> list[Table | Listing]:
    """Return the stand-ins side by side, what straight swaps do, what to watch and what stops the others."""
    possible = [s for s in done.standins if s.formula is not None]
    stopped = [s for s in done.standins if s.formula is None]
    shown = possible[:SHOWN]
    sections: list[Table | Listing] = []
    if shown:
        sections += [_side_by_side(done, shown, len(possible)), *_figures(shown), _label(shown)]
    sections.append(_swaps(done, shown or stopped[:SHOWN]))
    watched = tuple(f"{s.material.name}: {'. '.join(s.watch)}." for s in shown if s.watch)
    sections.append(Listing("To watch at the bench", watched))
    if stopped:
        near = [s for s in stopped if s.same_charge] or stopped
        rows = tuple((_named(s), listed(s.stopped)) for s in near)
        note = "Each is tried as the only new material of its kind, every dose of the formula unlocked if need be."
        if len(near) < len(stopped):
            note += f" {len(stopped) - len(near)} more of another charge are stopped as well: see --json."
        sections.append(Table("What stops the others", ("material", "what stops it"), rows, note=note))
    return sections


def _side_by_side(done: Substituted, shown: list[StandIn], count: int) -> Table:
    names = {i.id: i.material.name for i in done.brief.pool.items}
    rows = []
    for s in shown:
        also = listed([names[i] for i in s.also]) if len(s.also) < 4 else f"{len(s.also)} other doses"
        even = "never" if s.even <= 0 else s.even
        rows.append((_named(s), s.dose, s.cost_change if s.on_shelf else "no price", even, also))
    more = f" {count - len(shown)} more in --json." if count > len(shown) else ""
    counted = " Costs are those as planned for the bench." if done.brief.seeks_planned else ""
    note = f"Even at: the price per kg of the stand-in at which the product costs what it does now.{counted}{more}"
    columns: Columns = (
        "stand-in", *figures("dose %", form=".2f"), *figures(f"{done.brief.scenario.currency}/kg", form="+.3f"),
        *figures("even at", form=".2f"), "also moves",
    )  # fmt: skip
    return Table("Stand-ins, the closest first", columns, tuple(rows), note)


def _figures(shown: list[StandIn]) -> list[Table | Listing]:
    measures = {s.material.id: s.measures or {} for s in shown}
    keys = ("active", "mildness", "flash-foam", "foam-density", "salt")
    rows: tuple[Row, ...] = tuple((s.material.name, *(measures[s.material.id][k] for k in keys)) for s in shown)
    rest: tuple[Row, ...] = tuple(
        (
            s.material.name,
            *(measures[s.material.id][k] for k in ("water", "natural")),
            "" if s.ph is None else f"{number(s.ph.low, 1)} - {number(s.ph.high, 1)}",
            s.material.look,
        )
        for s in shown
    )
    columns: Columns = (
        "with", *figures("active", digits=2), *figures("mild", "flash", "dense", digits=1), *figures("salt", digits=2),
    )  # fmt: skip
    note = "Active matter and carried salt in %; mild, flash and dense are the planning ratings."
    others: Columns = ("with", *figures("water", "natural", "pH", digits=1), "look")
    return [
        Table("What the product is with each", columns, rows, note),
        Table("Water, natural origin, pH window, look", others, rest),
    ]


def _label(shown: list[StandIn]) -> Table:
    rows = tuple((s.material.name, listed(s.gained), listed(s.lost)) for s in shown)
    return Table("Names on the label (INCI)", ("with", "gained", "lost"), rows)


def _swaps(done: Substituted, shown: list[StandIn]) -> Table:
    rows = []
    for s in shown:
        assert s.equal_grams is not None
        both = (None, None) if s.equal_active is None else (s.equal_grams.matter, s.equal_active.dose)
        rows.append((s.material.name, *both, _broken(s.equal_grams)))
    title = "What equal grams would do" if done.wish.offered is None else "What the offered dose would do"
    columns: Columns = ("stand-in", *figures("brings %", digits=2), *figures("needed %", form=".2f"), "breaks")
    return Table(title, columns, tuple(rows), _swap_note(done, shown))


def _swap_note(done: Substituted, shown: list[StandIn]) -> str:
    """Return what the first swap gives, in words."""
    name, short = done.missing.material.name, number(max(0.0, done.dose - done.wish.left), 2)
    compared = [s for s in shown if s.equal_active is not None]
    if not compared or compared[0].equal_grams is None or compared[0].equal_active is None:
        return f"In the place of {short} % of {name}; nothing else moves here but water. They do not compare by active."
    swap, needed = compared[0].equal_grams, compared[0].equal_active
    how = "Equal grams" if done.wish.offered is None else f"{number(swap.dose, 2)} %"
    return (
        f"{how} of {compared[0].material.name} for {short} % of {name} give {number(swap.matter, 2)} instead of "
        f"{number(needed.matter, 2)} % active matter; {number(needed.dose, 2)} % as sold is needed. Nothing else moves "
        "here but water."
    )


def _broken(swap: Swap) -> str:
    return listed(swap.breaks) if len(swap.breaks) < 3 else f"{swap.breaks[0]} and {len(swap.breaks) - 1} more rules"


def _named(standin: StandIn) -> str:
    return standin.material.name if standin.on_shelf else f"{standin.material.name} (not on the shelf)"
