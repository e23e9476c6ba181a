"""A range of scenarios as a document and as JSON."""

from collections.abc import Iterator
from math import isnan

from optimizer.assessment.evidence import Rests, line_of, rests_of
from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution
from optimizer.immutable import Figure, immutable, result, seen, told, untold
from optimizer.report.cautions import alarm_listing, rests_listing
from optimizer.report.document import (
    Bar,
    Bars,
    Column,
    Columns,
    Document,
    Listing,
    Section,
    Sketch,
    Table,
    figures,
    filled,
)
from optimizer.sweep.frame import ENDINGS, PROOFS
from optimizer.sweep.grid import Value
from optimizer.sweep.run import Ranged
from optimizer.sweep.summary import Bound, Slice, Spread, Summary, UsedMaterial
from optimizer.sweep.tables import SIDES
from optimizer.units import USED, number

MOST_TOLD = 1000
"""Up to this many scenarios the JSON lists each one; more are left to the table of --out."""
MOST_ROWS = 500
"""Up to this many scenarios a page lists one by one."""
MOST_MESSAGES = 8
LONG = 2000
"""From so many scenarios on the report tells what was kept in memory."""
WORDS = {
    "optimal": "solved",
    "feasible": "solved, best not proven",
    "infeasible": "impossible",
    "stopped": "stopped",
    "failed": "failed in the solver",
    "error": "could not be run",
}


@immutable
class Message:
    """What went wrong, and in how many scenarios."""

    message: str
    scenarios: int


@immutable
class ScenarioTold:
    """One scenario: what it states, how it ended and its formula."""

    scenario: str
    states: dict[str, float | str]
    ending: str
    proof: str
    cost_per_kg: Figure
    objective_value: Figure
    """What is best; of a cost under a rule on thickening the planned one, where `cost_per_kg` is that of the blend."""
    ph: Figure
    binding: tuple[str, ...]
    doses: dict[str, float]
    """% w/w as supplied."""
    preserved: bool | None
    """Whether a preservative acts in it, or none is needed; null without a formula."""
    message: str


@result
class Range:
    """The output of `tenside range --json`."""

    FORMAT = 1
    ranged: Ranged = untold()
    summary: Summary = untold()
    sources: tuple[str, ...] = seen("ranged.sources")
    keys: tuple[str, ...] = seen("ranged.grid.keys")
    endings: dict[str, int] = seen("summary.endings")
    cost_per_kg: Spread = seen("summary.cost")
    planned_cost_per_kg: Spread = seen("summary.planned")
    """The cost that is least, with what is planned for the bench; null where the blend alone counts."""
    ph: Spread = seen("summary.ph")
    binding: tuple[Bound, ...] = seen("summary.bound")
    materials: tuple[UsedMaterial, ...] = seen("summary.used")
    slices: tuple[Slice, ...] = seen("summary.slices")
    answers_by: dict[str, int] = seen("summary.ways")
    """'reused' from another scenario's proof, 'solved' by a solver run, 'one by one' as briefs of their own."""
    solver_runs: int = seen("summary.calls")
    kept_proofs: int = seen("summary.kept")
    """Bases and proofs that were kept for further scenarios at the end; those that served least are let go."""
    kept_mb: float = seen("summary.kept_mb")
    """What they took in memory, the most of all processes [MB]."""

    @told
    def scenarios(self) -> int:
        """How many were run."""
        return len(self.ranged.frame)

    @told
    def cautions(self) -> tuple[Caution, ...]:
        """What is said before anything else, then on what the answers rest."""
        return (*self.ranged.alarms, *cautions_of_all(self.ranged))

    @told
    def messages(self) -> tuple[Message, ...]:
        """The most frequent one first."""
        return tuple(Message(*told) for told in self.summary.messages)

    @told
    def answers(self) -> tuple[ScenarioTold, ...] | None:
        """Every scenario, or null above 1000 of them: then they are in the table of --out."""
        return tuple(_scenario(self.ranged, s) for s in range(self.scenarios)) if self.scenarios <= MOST_TOLD else None


def _scenario(ranged: Ranged, s: int) -> ScenarioTold:
    frame = ranged.frame
    states: dict[str, Value] = ranged.grid.row(s % len(ranged.grid))
    limits = zip(frame.limits, frame.binding[s], strict=True)
    return ScenarioTold(
        scenario=ranged.sources[s // len(ranged.grid)],
        states=states,
        ending=ENDINGS[frame.ending[s]],
        proof=PROOFS[frame.proof[s]],
        cost_per_kg=float(frame.cost[s]),
        objective_value=float(frame.objective[s]),
        ph=float(frame.ph[s]),
        binding=tuple(f"{rule} {SIDES[side]}" for (rule, side), on in limits if on),
        doses={name: float(x) for name, x in zip(frame.ids, frame.doses[s], strict=True) if x > 0},
        preserved=not ranged.bare[s] if frame.solved[s] else None,
        message=frame.messages.get(s, ""),
    )


def range_document(ranged: Ranged, summary: Summary) -> Document:
    """Return what a range comes to."""
    count = len(ranged.frame)
    parts = [f"{n:,} {WORDS[name]}" for name, n in summary.endings.items() if n]
    verdict = f"{_scenarios(count)}: {', '.join(parts)}."
    currencies = {b.scenario.currency for b in ranged.briefs if b}
    currency = f" {currencies.pop()}" if len(currencies) == 1 else ""
    facts = []
    if summary.solved:
        facts += _costs(summary, currency)
        if not isnan(summary.ph.least):
            facts.append(("pH", _spread(summary.ph, 2)))
    facts.append(("answered by", _ways(summary)))
    if ranged.kept:
        facts.append(("kept", f"{ranged.kept:,} answers of an earlier run that was cut short"))
    sections: tuple[Section, ...] = (
        alarm_listing(ranged.alarms),
        *_distribution(summary, currency.strip()),
        *_slices(summary, currency),
        *filled(_bound(summary), _used(summary)),
        _messages(summary),
        rests_listing(cautions_of_all(ranged)),
    )
    title = ranged.briefs[0].scenario.name if len(ranged.sources) == 1 and ranged.briefs[0] else "Range"
    heading = f"{title}: range" if len(ranged.sources) == 1 else f"Range of {len(ranged.sources)} briefs"
    good = summary.solved > 0 and not summary.unclear and not ranged.bare.any()
    return Document(heading, verdict, facts, sections, good=good)


def _bound(summary: Summary) -> Table:
    rows = tuple((b.name, b.scenarios, _share(b.scenarios, summary.solved)) for b in summary.bound)
    note = "Of the scenarios that have a formula; a limit counts where the formula sits on it."
    return Table("Limits that bind", ("limit", *figures("scenarios", "share", form=",")), rows, note)


def _used(summary: Summary) -> Table:
    rows = tuple(
        (u.name, _share(u.scenarios, summary.solved), u.doses.least, u.doses.middle, u.doses.most) for u in summary.used
    )
    columns: Columns = ("material", *figures("used in", "least %", "middle %", "most %", form=".2f"))
    return Table("Materials", columns, rows, "Doses as supplied, in the scenarios that use the material.")


def _messages(summary: Summary) -> Listing:
    lines = [f"{n:,} x {text}" if n > 1 else text for text, n in summary.messages[:MOST_MESSAGES]]
    more = len(summary.messages) - MOST_MESSAGES
    lines += [f"and {more:,} other messages, see the table of --out"] if more > 0 else []
    return Listing("Could not be run", tuple(lines), "caution")


def _costs(summary: Summary, currency: str) -> list[tuple[str, str]]:
    """Return what the products cost: as planned first, where that is what is least."""
    blend = f"{_spread(summary.cost, 3)}{currency} per kg of product"
    if isnan(summary.planned.least):
        return [("cost", blend)]
    planned = (
        f"{_spread(summary.planned, 3)}{currency} per kg of product, with what is planned for the bench; the least"
    )
    return [("planned cost", planned), ("cost", f"{blend}, the blend alone")]


def cautions_of_all(ranged: Ranged) -> tuple[Caution, ...]:
    """Return the line that says on what the answers of all scenarios rest."""
    return line_of(_rests(ranged, position, brief) for position, brief in enumerate(ranged.briefs) if brief)


def _rests(ranged: Ranged, position: int, brief: Brief) -> Rests:
    """Return the figures that decided in the scenarios of one brief, those of limits that bind in any of them first."""
    frame, own = ranged.frame, ranged.source == position
    used = dict(zip(frame.ids, (frame.doses[own] > USED).any(axis=0), strict=True))
    binding = {rule for (rule, _), on in zip(frame.limits, frame.binding[own].any(axis=0), strict=True) if on}
    return rests_of(brief, [i for i in brief.pool.items if used.get(i.id)], lambda rule: rule.id in binding)


def _distribution(summary: Summary, currency: str) -> list[Sketch]:
    """Return how the costs are spread, with the same figures in words."""
    if not summary.costs:
        return []
    most = max(5, *(n for _, _, n in summary.costs))  # an axis of fewer would be cut into parts of one
    digits = 3 if summary.cost.most - summary.cost.least > 0.01 else 4
    rows = tuple(
        Bar(f"{low:.{digits}f} to {high:.{digits}f}", 0.0, float(n), _scenarios(n)) for low, high, n in summary.costs
    )
    note = f"Tenths of the span of the cost, {currency or 'in the currency of the brief'} per kg of product."
    return [Sketch("How the costs are spread", note=note, drawing=Bars("scenarios", rows, (0.0, float(most))))]


def answers_table(ranged: Ranged) -> Table:
    """Return the scenarios one by one, up to `MOST_ROWS` of them."""
    frame, keys = ranged.frame, ranged.grid.keys
    front = (*figures("no.", form=","), Column("brief"))[: 2 if len(ranged.sources) > 1 else 1]
    rows = []
    for s in range(min(len(frame), MOST_ROWS)):
        one = _scenario(ranged, s)
        names = (s + 1, one.scenario)[: len(front)]
        states = (_state(key, one.states.get(key)) for key in keys)
        costs = (float(frame.cost[s]), float(frame.ph[s]))
        first = [] if one.preserved is not False else ["not preserved"]
        limits = one.message or "; ".join((*first, *one.binding))
        rows.append((*names, *states, WORDS[one.ending], *costs, limits))
    left = len(frame) - len(rows)
    note = f"The first {len(rows):,} of {len(frame):,}. The other {left:,} are left out here; --out writes all."
    varied = (
        Column(key, "text" if column.dtype == object else "figure")
        for key, column in zip(keys, ranged.grid.columns, strict=True)
    )
    results = (*figures("cost per kg"), *figures("pH", digits=2))
    columns: Columns = (*front, *varied, "ending", *results, "limits it sits on")
    return Table("Every scenario", columns, tuple(rows), note if left else "")


def _state(key: str, value: Value | None) -> str:
    """Return what a scenario states of a key; nothing where it leaves the brief as it is."""
    if value is None or isinstance(value, str):
        return value or ""
    return "missing" if key.startswith("missing.") else number(value)


def _slices(summary: Summary, currency: str) -> Iterator[Table]:
    """Yield a table for each key that has several values."""
    for key in dict.fromkeys(s.key for s in summary.slices):
        own = [s for s in summary.slices if s.key == key]
        if len(own) > 1:
            yield _slice(key, own, currency)


def _slice(key: str, own: list[Slice], currency: str) -> Table:
    planned = any(not isnan(s.planned_cost.least) for s in own)
    spreads = [s.planned_cost if planned else s.cost for s in own]
    rows = tuple((s.value, s.scenarios, s.solved, c.least, c.middle, c.most) for s, c in zip(own, spreads, strict=True))
    columns: Columns = (
        key, *figures("scenarios", "solved", form=","), *figures(f"least{currency}/kg", "middle", "most", digits=3),
    )  # fmt: skip
    title = "By brief" if key == "scenario" else f"By {key}"
    return Table(title, columns, rows, "Planned cost: the blend with what is planned for the bench." if planned else "")


def _spread(spread: Spread, digits: int) -> str:
    least, middle, most = (number(x, digits) for x in (spread.least, spread.middle, spread.most))
    return least if least == most else f"{least} to {most}, middle {middle}"


def _share(part: int, whole: int) -> str:
    return f"{100 * part / whole:.0f} %" if part == whole or part > 0.01 * whole else "< 1 %"


def _ways(summary: Summary) -> str:
    shared = summary.ways["reused"] + summary.ways["solved"]
    alone = summary.ways["one by one"] - summary.endings["error"]
    words = []
    if shared:
        words.append(f"{summary.calls:,} solver runs for {_scenarios(shared)}, each answer checked outside the solver")
    if shared >= LONG:
        words.append(f"{summary.kept:,} bases and proofs kept at the end, in {number(max(summary.kept_mb, 0.1), 1)} MB")
    if alone > 0:
        words.append(f"{_scenarios(alone)} solved one by one")
    return "; ".join(words) or "nothing"


def _scenarios(count: int) -> str:
    return f"{count:,} scenario{'' if count == 1 else 's'}"
