"""What an explanation promises, tried."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from optimizer.brief.brief import Brief
from optimizer.brief.scenario import Objective
from optimizer.solve.best import solve
from optimizer.solve.feasibility import PH
from optimizer.studies.explain import Explanation


def reduced(brief: Brief, ids: Iterable[str]) -> Brief:
    """Return the brief with these rules alone, for the least cost."""
    ids = frozenset(ids)
    rules = tuple(r for r in brief.modelled if r.id in ids)
    acidity = brief.acidity if PH in ids else None
    if acidity is not None:
        acidity = acidity.model_copy(update={"clear": any(r.kind == "clear" for r in rules)})
    scenario = brief.scenario.model_copy(update={"objective": Objective()})
    return replace(brief, scenario=scenario, modelled=rules, acidity=acidity, watched=())


def possible(brief: Brief) -> bool:
    """Return whether a brief can be met, by solving it for the least cost."""
    ending = solve(reduced(brief, (r.id for r in brief.enforced))).ending
    assert ending in ("optimal", "infeasible")
    return ending == "optimal"


def told(explanation: Explanation) -> set[tuple[str, str, float]]:
    """Return the single repairs: rule, side, new limit."""
    return {(c.id, c.side, c.new) for c in explanation.single_repairs}
