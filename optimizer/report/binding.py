"""The limits that bind: what each costs, how far its price and the whole answer hold, whether lots would break it."""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, inf, isclose, isnan

from optimizer.brief.brief import Brief
from optimizer.report.document import Columns, Listing, Table, figures
from optimizer.rules import LimitRule
from optimizer.solve.result import Result, RuleOutcome, Taken
from optimizer.units import AT_END, KEPT, PRICE_SHOWN, beside, listed, number

SIDES = {"low": "lower", "high": "upper", "equal": "exact"}
MANY = 3
"""From so many limits on that a lot would break, the report points to doses that stand it."""


def bound(result: Result) -> list[RuleOutcome]:
    """Return the limits that bind, what a noticeable step of weighs most first."""
    binding = [limit for o in result.rules if o.shown != "understood" for limit in o.bound]
    return sorted(binding, key=lambda o: (-o.weight, o.id, o.limit))


def binding_table(result: Result) -> Table:
    """Return the limits that bind with their prices, and with the ranges of the whole answer if they were asked for."""
    binding = bound(result)
    followed, kinked = any(not isnan(o.whole_from) for o in binding), _kinked(result)
    rows = []
    for o in binding:
        lower = (money(-o.price_if_lowered, result),) if kinked else ()
        rows.append((o.reading, _side(o), priced(o, result), *lower, holds(o), *((whole(o),) if followed else ())))
    below, answers = ("one unit lower",) * kinked, ("whole answer",) * followed
    columns: Columns = ("rule", "side", *figures("one unit higher", *below, "holds from - to", *answers))
    note = "Price: what the objective gains or loses when the limit is raised by one unit, everything else kept."
    if any(rule.columns(result.brief.pool) for rule in result.brief.modelled):
        note += " Prices hold for the yes/no choices made here"
        note += "; over the range of the whole answer no other is better, proven." if followed else "."
    if result.brief.measure(result.brief.scenario.objective.goals[0][1]).ratio:
        note += " The objective is a ratio, so a price changes along its range: it is the one at the limit."
    if kinked:
        note += " More limits meet here than needed, so raising and lowering may cost differently."
    return Table("Rules that bind", columns, tuple(rows), note)


def lots_listing(result: Result, at_risk: Sequence[str]) -> Listing:
    """Point to doses that stand lots, where many of the limits that bind would be broken by one."""
    readings = {o.id: o.reading for o in result.rules}
    said = (
        f"{len(at_risk)} limits sit at their very end, and one lot as far off as the library knows lots breaks each: "
        f"{'; '.join(readings[i] for i in at_risk)}.",
        "Doses that stand it, and what they cost: 'tenside robust' with the name of this brief.",
    )
    return Listing("On lots that differ", said if len(at_risk) >= MANY else ())


def _side(outcome: RuleOutcome) -> str:
    """Return which limit of its rule an outcome tells of."""
    return f"{SIDES[outcome.binding]}: {outcome.which}" if outcome.which else SIDES[outcome.binding]


def _kinked(result: Result) -> bool:
    """Whether some price differs between raising and lowering its limit."""
    priced_rules = [limit for o in result.rules for limit in o.bound if not isnan(limit.price_if_raised)]
    return any(
        not isclose(o.price_if_raised, o.price_if_lowered, rel_tol=PRICE_SHOWN, abs_tol=PRICE_SHOWN)
        for o in priced_rules
    )


def priced(outcome: RuleOutcome, result: Result) -> str:
    """Return the price of raising a limit as text."""
    return money(outcome.price_if_raised, result)


def money(price: float, result: Result) -> str:
    """Return a change of the objective as text."""
    if isnan(price):
        return ""
    if abs(price) == inf:
        return "impossible"
    if abs(price) < PRICE_SHOWN:
        return "nothing"
    return f"{changed(goal_of(result.brief), price)} {unit_of(result)}"


def goal_of(brief: Brief) -> LimitRule:
    """Return what is sought first."""
    return brief.measure(brief.scenario.objective.goals[0][1])


def changed(measure: LimitRule, change: float) -> str:
    """Return a change of a measure as programs tell it, as text: of a logarithm what the measure is multiplied by."""
    return f"x {exp(min(change, 700.0)):.4g}" if measure.by_logarithm else f"{change:+z.4f}"


def lost(measure: LimitRule, loss: float, unit: str) -> str:
    """Return by how much a measure may be or is worse, as text: of a logarithm the part that is lost."""
    return f"{number(100 * (1 - exp(-loss)), 2)} % of {unit}" if measure.by_logarithm else f"{number(loss, 4)} {unit}"


def unit_of(result: Result) -> str:
    """Return the unit of the objective."""
    name = result.brief.scenario.objective.goals[0][1]
    return result.brief.scenario.currency if name == "cost" else name


def holds(outcome: RuleOutcome) -> str:
    """Return the range of the limit over which its price holds, as text."""
    if isnan(outcome.holds_from) or isnan(outcome.holds_to) or abs(outcome.price) < PRICE_SHOWN:
        return ""
    low = "any lower" if outcome.holds_from == -inf else beside(outcome.holds_from, outcome.limit_at, 2)
    high = "any higher" if outcome.holds_to == inf else beside(outcome.holds_to, outcome.limit_at, 2)
    return f"{low} - {high}"


def whole(outcome: RuleOutcome) -> str:
    """Return the range of a limit over which the whole answer holds, choices included, as text."""
    if isnan(outcome.whole_from):
        return ""
    return f"{number(outcome.whole_from, 2)} - {number(outcome.whole_to, 2)}"


def takeovers(result: Result) -> list[Listing]:
    """Return where a limit that moves makes another choice better, in a line each; nothing if nobody asked."""
    known = [outcome for outcome in bound(result) if not isnan(outcome.whole_from)]
    if not known:
        return []
    lines = [line for outcome in known for line in _lines(result, outcome)]
    none = "Nowhere within the ranges of the prices: no other choice and no other pH is better there, each checked."
    return [Listing("Where another choice takes over", tuple(lines) or (none,))]


def _lines(result: Result, outcome: RuleOutcome) -> list[str]:
    ends = (
        ("below", outcome.whole_from, outcome.holds_from, outcome.taken_from),
        ("above", outcome.whole_to, outcome.holds_to, outcome.taken_to),
    )
    in_unit = f" {outcome.limit_unit}" if outcome.limit_unit else ""
    return [
        f"{outcome.which or outcome.reading}: {side} {number(at, 2)}{in_unit} {_words(result, taken)}."
        for side, at, price_ends, taken in ends
        if abs(at - price_ends) > KEPT * (1 + abs(at)) + AT_END
    ]


def _words(result: Result, taken: Taken | None) -> str:
    if taken is None:
        return "it was not found out what is best"
    names = {item.id: item.material.name for item in result.brief.pool.items}
    comes, goes = (listed([names[i] for i in ids]) for ids in (taken.comes, taken.goes))
    if not comes and not goes:
        return "the same materials at another choice or pH"
    return "; ".join(filter(None, (f"in comes {comes}" if comes else "", f"out goes {goes}" if goes else "")))
