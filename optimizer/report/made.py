"""What was made: the batch file that was laid, the weights that are noted, the batch as made."""

from __future__ import annotations

from collections.abc import Container
from math import isnan

from optimizer.bench.batch import Batch
from optimizer.bench.master import Master
from optimizer.bench.reconcile import Made, MadeRule
from optimizer.bench.strike import Struck, struck_of
from optimizer.bench.weighed import Balance, balances
from optimizer.immutable import result, seen, told, untold
from optimizer.report.cautions import framed
from optimizer.report.document import Columns, Document, Listing, Row, Strong, Table, figures, filled
from optimizer.report.struck import struck_listing
from optimizer.shell import quoted
from optimizer.units import AS_TYPED, listed, number


@result
class Laid:
    """A batch file that was written, with what to do next: the output of `tenside batch --json`."""

    FORMAT = 1
    path: str
    batch: Batch = untold()
    batch_id: str = seen("batch.batch", key="batch")
    product: str = seen("batch.product")
    brief: str = seen("batch.brief")
    size_g: float = seen("batch.size_g")
    held_back_percent: float = seen("batch.held_back_percent")
    doses: dict[str, float] = seen("batch.doses")
    """% w/w as supplied by id."""
    words: str = untold()
    notes: tuple[str, ...]
    short: tuple[str, ...]
    """Of what the shelf holds less than the batch needs, in sentences."""

    @told
    def next(self) -> tuple[str, ...]:
        """The commands that follow."""
        path = quoted(self.path)
        return (
            f"tenside weigh {path} --pdf sheet.pdf",
            f"tenside weighed {path} {self.batch.line[0].material}=GRAMS@LOT",
            f"tenside weighed {path} --finish-mass GRAMS --water-added GRAMS --bottles NUMBER",
            f"tenside made {path}",
        )


@result
class Weighed:
    """What is noted of a batch: the output of `tenside weighed --json`."""

    FORMAT = 1
    path: str
    batch: Batch = untold()
    batch_id: str = seen("batch.batch", key="batch")
    finish_mass_g: float | None = seen("batch.finish.mass_g")
    lost_g: float = seen("batch.finish.lost_g")
    water_added_g: float = seen("batch.finish.water_added_g")
    bottles: int | None = seen("batch.finish.bottles")

    @told
    def weights(self) -> tuple[Balance, ...]:
        """The plan's materials first."""
        return balances(self.batch)

    @told
    def struck(self) -> tuple[Struck, ...]:
        """Weights that count no more."""
        return struck_of(self.batch, "weighed")


def laid_document(laid: Laid) -> Document:
    """Return what was written."""
    batch = laid.batch
    words = f", {laid.words}" if laid.words else ""
    facts = [("batch", batch.batch), ("size", f"{batch.scale.told(batch.size_g)} g{words}")]
    facts.append(("held back", f"{number(batch.held_back_percent)} % of water for acid, thickener and evaporation"))
    facts.append(("scale", f"shows {number(batch.scale.step_g)} g"))
    facts += [("shelf", said) for said in laid.short]
    facts += [("assumed", note) for note in laid.notes]
    sections = (Listing("Next", laid.next),)
    return Document(batch.product or "Batch", f"Wrote {laid.path}.", facts, sections)


def weighed_document(path: str, batch: Batch, names: dict[str, str], now: Container[str] = ()) -> Document:
    """Return what is noted and what is still to be weighed; of what was noted just now the sums in words."""
    rows, sums, scale = [], [], batch.scale
    numbers: dict[str, list[str]] = {}
    for n, noted in enumerate(batch.all_weighed, 1):
        if not noted.struck:
            numbers.setdefault(noted.material, []).append(str(n))
    for line in balances(batch):
        if line.material in now and line.noted is not None:
            left = line.planned - line.noted
            rest = (
                f"{scale.told(left)} g left" if left > 0 else f"{scale.told(-left)} g over" if left < 0 else "none left"
            )
            name = names.get(line.material, line.material)
            sums.append(f"{name}: {number(line.noted, 4)} g of {scale.told(line.planned)} g so far, {rest}.")
        off = "to be weighed" if line.noted is None else scale.nearest(line.noted - line.planned)
        said = ", ".join(numbers.get(line.material, ()))
        rows.append((names.get(line.material, line.material), said, scale.nearest(line.planned), line.noted, off))
    columns: Columns = (
        "material", "in line", *figures("planned", digits=2), *figures("noted"), *figures("difference", form="+.2f"),
    )  # fmt: skip
    table = Table("Weights, g", columns, tuple(rows))
    open_ = sum(line.noted is None for line in balances(batch))
    finish = batch.finish
    facts = []
    if finish.mass_g is not None:
        facts.append(("final mass", f"{number(finish.mass_g, 2)} g"))
    if finish.water_added_g:
        facts.append(("water put back", f"{number(finish.water_added_g, 2)} g"))
    if finish.water_since_g and finish.there_g is not None:
        facts.append(("mass with it", f"{scale.told(finish.there_g)} g by sum"))
    if finish.bottles is not None:
        facts.append(("bottles", str(finish.bottles)))
    verdict = f"Noted in {path}; {open_} of {len(batch.line)} lines are still to be weighed."
    if not open_:
        verdict = f"Noted in {path}; every line is weighed."
    step = f"tenside made {quoted(path)}" if not open_ else f"tenside weighed {quoted(path)} MATERIAL=GRAMS@LOT"
    sections = (Listing("", tuple(sums)), table, struck_listing(struck_of(batch, "weighed")), Listing("Next", (step,)))
    return Document(f"Batch {batch.batch}", verdict, facts, sections)


def made_document(made: Made) -> Document:
    """Return what was really made, against plan and brief, and the next master formula."""
    batch, went = made.batch, made.went
    serious = [r for r in made.rules if r.serious]
    slight = [r for r in made.rules if r.within_error]
    verdict = "The batch as made keeps every rule."
    if serious:
        verdict = f"The batch as made breaks {len(serious)} of {len(made.rules)} rules."
    elif slight:
        verdict = f"The batch as made keeps every rule but {len(slight)}, by no more than the scale can tell."
    if made.put_back is not None and not made.put_back.why_not:
        verdict = f"Put back {batch.scale.told(made.put_back.grams)} g of water. {verdict}"
    law = [r.outcome for r in made.rules if r.broken and r.outcome.source == "law"]
    if law:
        broken = listed([f"{o.reading}, here {number(o.value, 3)} %" for o in law])
        verdict = f"BROKEN LAW: {broken}. Do not fill, use or sell this batch before an assessor has seen it. {verdict}"
    currency = made.brief.scenario.currency
    facts = _put_back(made)
    facts.append(("batch", f"{batch.batch}, {batch.scale.told(went.mass_g)} g"))
    if made.ph is not None:
        window = {None: "", True: ", in the planned window", False: ", outside the planned window"}[made.in_window]
        facts.append(("pH read last", f"{number(made.ph, 2)}{window}"))
    facts.append(("cost", f"{number(made.cost, 3)} {currency} per kg (plan: {number(made.planned_cost, 3)})"))
    if batch.finish.bottles and batch.bottle_ml and batch.density_g_per_ml:
        volume = batch.finish.bottles * batch.bottle_ml * batch.density_g_per_ml
        facts.append(("bottles", f"{batch.finish.bottles}, {number(100 * volume / went.mass_g, 1)} % of the batch"))
    facts += [("note", note) for note in made.notes]
    off = filled(_broken((*serious, *slight)), _moved(made))
    sections = (_inputs(made), _formula(made), *off, _master(made))
    title = f"{batch.product or made.brief.scenario.name}, as made"
    return Document(title, verdict, facts, framed(made.cautions, sections), good=not serious)


def _broken(rules: tuple[MadeRule, ...]) -> Table:
    rows = tuple(
        (
            *(r.outcome.reading, r.planned, r.outcome.value, r.outcome.violation),
            "within what the scale can tell" if r.within_error else "",
        )
        for r in rules
    )
    return Table("Broken", ("rule", *figures("plan", "made", "off by", digits=3), ""), rows)


def _moved(made: Made) -> Table:
    moved = [r for r in made.rules if r.differs and not r.broken and not isnan(r.outcome.value)]
    rows = tuple((r.outcome.reading, r.planned, r.outcome.value, r.error) for r in moved if r.outcome.shown != "apart")
    note = "Further from the plan than all errors of the scale together explain; the rule is kept."
    return Table("Kept, but not as planned", ("rule", *figures("plan", "made", "scale +-", digits=3)), rows, note)


def _put_back(made: Made) -> list[tuple[str, str]]:
    """Return what to do about water that is missing, or why nothing."""
    found = made.put_back
    if found is None:
        path = quoted(made.batch.where)
        if any(rule.broken for rule in made.rules) or made.batch.finish.mass_g is None:
            return []
        return [("next", f"tenside label {path}, then tenside records keep {path}")]
    grams = made.batch.scale.told(found.grams)
    if found.why_not:
        return [("water", f"{grams} g are missing; do not put them back: {found.why_not}")]
    mass, water = number(found.mass_after_g, 2), number(found.water_after_g, 2)
    path = quoted(made.batch.where)
    return [
        ("water", f"{grams} g are missing: add them, stir, read the pH again. {found.where_it_is}"),
        (
            "then",
            f"weigh it again ({mass} g by sum), then tenside weighed {path} --finish-mass GRAMS --water-added {water}",
        ),
    ]


def _inputs(made: Made) -> Table:
    names = {line.id: line.name for line in made.lines}
    totals: dict[tuple[str, str], float] = {}
    for item in made.went.inputs:
        key = (names[item.material], item.kind)
        totals[key] = totals.get(key, 0.0) + item.grams
    near = made.batch.scale.nearest
    rows: list[Row] = [(name, kind, near(grams)) for (name, kind), grams in totals.items()]
    if made.went.taken_g:
        rows.append(("samples for pH", "taken out", -near(made.went.taken_g)))
    if made.went.evaporated_g > 0:
        rows.append(("Water", "evaporated", -near(made.went.evaporated_g)))
    rows.append(Strong(("product", "", near(made.went.mass_g))))
    return Table("What went in", ("material", "how", *figures("g", digits=3)), tuple(rows))


def _formula(made: Made) -> Table:
    rows = []
    for line in made.lines:
        said = "from the part held back" if line.late else ""
        if line.differs:
            said = f"differs by {line.made - line.planned:+z.3f}; the scale explains {number(line.tolerance, 3)}"
        if line.active is not None:
            low, high = line.usual
            odd = "" if low - AS_TYPED <= line.active <= high + AS_TYPED else f", outside the usual {low:g} to {high:g}"
            said = f"{said}; " * bool(said) + f"lot {number(line.active, 2)} % active{odd}"
        rows.append((line.name, None if line.late else line.planned, line.made, said))
    total = Strong(("total", None, sum(line.made for line in made.lines), ""))
    note = "Plan: water with what the bench did not use of the part held back."
    columns: Columns = ("material", *figures("plan %", "made %", form=".3f"), "")
    return Table("Formula as made, % w/w as supplied", columns, (*rows, total), note)


def _master(made: Made) -> Table:
    master = made.master
    lines = sorted(master.formula.lines, key=lambda line: (-line.percent, line.item.id))
    was = made.batch.doses
    rows: list[Row] = [
        (line.item.material.name, line.percent, _change(line.item.id, line.percent, was, master)) for line in lines
    ]
    rows += [
        (made.brief.library.by_id[n].name, None, "left out")
        for n in master.changed
        if n not in {i.item.id for i in lines}
    ]
    if master.formula.held_back:
        rows.append(("held back, water", master.formula.held_back, "for fine adjustment and evaporation"))
    note = "The plan with the acid and thickener that were used, on the grid of the scale; what went wrong is left out."
    if master.broken and master.changed:
        note = (
            f"With the acid and thickener used, the plan would break: {listed(master.broken)}. This is the nearest "
            "formula that keeps every rule."
        )
    elif not master.keeps:
        note = f"No formula of these materials keeps every rule; these clash: {listed(master.conflict)}."
    columns: Columns = ("material", *figures("%", form=".2f"), "")
    return Table("Next master formula, % w/w as supplied", columns, tuple(rows), note)


def _change(name: str, percent: float, was: dict[str, float], master: Master) -> str:
    return f"{percent - was.get(name, 0.0):+z.2f} against the plan" if name in master.changed else ""
