"""What another formula costs beside the one that is there, as rows of a table."""

from optimizer.assessment.planned import planned_cost
from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula
from optimizer.report.document import Row, Strong
from optimizer.rules.row import Setting


def cost_changes(brief: Brief, now: tuple[Formula, Setting], then: tuple[Formula, Setting]) -> list[Row]:
    """Return the rows of what two formulas cost: with what the bench is planned to add first, then the blends alone.

    Args:
        brief: Its prices and plans.
        now: The formula that is there, with its pH.
        then: The other one.
    """
    costs = [planned.per_kg.typical for at in (now, then) if (planned := planned_cost(brief, *at)) is not None]
    per_kg, alone = f"{brief.scenario.currency} per kg", (now[0].cost, then[0].cost)
    if len(costs) < 2:
        return [_cost_change(per_kg, *alone)]
    return [_cost_change(f"{per_kg} as planned", *costs), _cost_change(f"{per_kg}, the blend alone", *alone)]


def _cost_change(label: str, old: float, new: float) -> Strong:
    return Strong((label, f"{old:.3f}", f"{new:.3f}", f"{new - old:+z.3f}"))
