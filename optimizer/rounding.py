"""A formula that can be weighed: doses on the grid of the maker's scale that still keep every rule.

Plain rounding of an optimum breaks some rule nearly always, because an optimum sits on its limits. So
the doses are chosen anew by a small integer program on the grid, near the optimum first (the used
doses within a few steps), then wider, before it is said that no grid formula exists.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from math import floor, fsum, log10

import numpy as np

from optimizer.brief import Brief
from optimizer.corridor import Found
from optimizer.engine.highs import Answer, Session
from optimizer.formula import Formula, Line
from optimizer.model import Model, build, objective_vector
from optimizer.pool import Vector
from optimizer.result import Result, Rounded
from optimizer.row import Setting
from optimizer.rules import LimitRule, Rule

NEAR = 10
"""Steps round each used dose that are tried first."""
TIME_LIMIT = 20.0
"""Seconds after which the wider search is given up [s]."""


def round_formula(brief: Brief, result: Result, found: Found) -> Rounded:
    """Return the best grid formula near the optimum, else anywhere, else what stops it.

    Args:
        brief: The brief.
        result: Its answer.
        found: The case and the column values of the answer.
    """
    step = brief.scenario.scale_step
    free = (100 - brief.pool.held_back) / step
    if abs(free - round(free)) > 1e-6:
        reading = f"the part held back, {brief.pool.held_back:g} %, is no multiple of the scale step {step:g} %"
        return Rounded(step, None, stopped_by=(reading,))
    setting = result.setting
    cost = _objective(brief, result, found.case.model)
    for width in (NEAR, 10 * NEAR):
        near = near_grid(brief, found, cost, width)
        rounded = None if near is None else _checked(brief, result, near[0], setting, proven=False)
        if rounded is not None:
            return rounded
    answer, model = _whole_grid(brief, result, found)
    if answer.x.size:
        counts = np.round(answer.x[: model.doses])
        rounded = _checked(brief, result, counts, setting, proven=answer.ending == "optimal")
        if rounded is not None:
            return rounded
    if answer.ending != "infeasible":
        return Rounded(step, None, proven=False)
    return Rounded(step, None, stopped_by=_stopping(brief, result, found))


def _banded(brief: Brief, found: Found) -> tuple[Vector, Vector]:
    """Return row ends in which an equality on a computed measure has its stated band."""
    model = found.case.model
    low, high = model.row_low.copy(), model.row_high.copy()
    rules = {r.id: r for r in brief.rules}
    for r, row in enumerate(model.rows):
        rule = rules.get(row.owner)
        if rule is None or row.side != "equal" or band_of(rule) == 0:
            continue
        # A ratio's row moves by band x denominator, which depends on the doses; its least is taken, so
        # that the grid formula keeps the band whatever it is.
        width = band_of(rule) * (row.rhs_per_limit if row.per_limit is None else _least(row.per_limit, found))
        low[r], high[r] = row.low - width, row.high + width
    return low, high


def _least(per_limit: Vector, found: Found) -> float:
    """Return the denominator of a ratio at the optimum, less what the grid may take from it."""
    assert found.x is not None
    return 0.98 * float(per_limit @ found.x[: found.case.model.doses])


def near_grid(
    brief: Brief, found: Found, cost: Vector, width: int | Vector, limit: float = TIME_LIMIT
) -> tuple[Vector, bool] | None:
    """Return step counts per dose within some steps of the found doses, at the choices made.

    Args:
        brief: The brief.
        found: Case and column values.
        cost: Objective per column, shape (n,).
        width: Steps round each used dose, one for all or per dose.
        limit: Seconds [s].

    Returns:
        Counts, shape (doses,), and whether they are proven best; None if there are none.
    """
    assert found.x is not None
    model = found.case.model
    doses = found.x[: model.doses]
    step = brief.scenario.scale_step
    used = np.nonzero(doses > 1e-9)[0]
    center = np.round(doses[used] / step)
    reach = np.broadcast_to(width, doses.shape)[used]
    lower = np.maximum(center - reach, 0.0)
    upper = np.minimum(center + reach, np.floor(found.case.upper[used] / step + 1e-9))
    fixed = model.matrix[:, model.doses :] @ np.round(found.x[model.doses :])
    low, high = _banded(brief, found)
    session = Session(model.matrix[:, used] * step, low - fixed, high - fixed, integers=len(used), time_limit=limit)
    answer = session.run(cost[used] * step, lower, upper)
    if answer.x.size == 0:
        return None
    counts = np.zeros(model.doses)
    counts[used] = np.round(answer.x)
    return counts, answer.ending == "optimal"


def _whole_grid(brief: Brief, result: Result, found: Found, limit: float = TIME_LIMIT) -> tuple[Answer, Model]:
    model, step = found.case.model, brief.scenario.scale_step
    scale = np.concatenate([np.full(model.doses, step), np.ones(model.size - model.doses)])
    low, high = _banded(brief, found)
    session = Session(model.matrix * scale, low, high, integers=model.size, time_limit=limit)
    upper = np.floor(found.case.upper / scale + 1e-9)
    return session.run(_objective(brief, result, model) * scale, model.lower, upper), model


def _objective(brief: Brief, result: Result, model: Model) -> Vector:
    sign, name = brief.scenario.objective.goals[0]
    measure = brief.measure(name)
    ratio = result.objective if measure.ratio else 0.0
    return model.spread(objective_vector(measure, brief.pool, sign, ratio)[0])


def _checked(brief: Brief, result: Result, counts: Vector, setting: Setting, *, proven: bool) -> Rounded | None:
    """Return the grid formula if it sums exactly and keeps every rule by its own measure."""
    formula = grid_formula(brief, counts)
    if formula is None or any(broken(rule, formula, setting) for rule in brief.all_rules):
        return None
    sign, name = brief.scenario.objective.goals[0]
    objective = brief.measure(name).value(formula, setting)
    worse = sign * (objective - result.objective)
    return Rounded(brief.scenario.scale_step, formula, objective, worse, proven=proven)


def grid_formula(brief: Brief, counts: Vector) -> Formula | None:
    """Return step counts as a formula, or None if they do not sum to exactly 100 %."""
    step = brief.scenario.scale_step
    if round(counts.sum()) != round((100 - brief.pool.held_back) / step):
        return None
    digits = max(0, -floor(log10(step) + 1e-9)) + 1
    lines = tuple(
        Line(item, round(int(n) * step, digits)) for item, n in zip(brief.pool.items, counts, strict=True) if n > 0
    )
    return Formula(lines, brief.pool.held_back, brief.pool.later, brief.pool.thickeners)


def broken(rule: Rule, formula: Formula, setting: Setting) -> bool:
    """Return whether a rounded formula breaks a rule, an exact limit counting with its band."""
    return exceeds(rule, rule.violation(formula, setting))


def exceeds(rule: Rule, violation: float) -> bool:
    """Return whether a violation is more than the rule tolerates."""
    return violation > band_of(rule) + rule.slack()


def band_of(rule: Rule) -> float:
    """Return the half-width that an exact limit on a computed measure is kept within, else 0.

    Doses as supplied, totals and counts are weighed or counted, not computed: they have no band.
    """
    if not isinstance(rule, LimitRule) or rule.limits[0] != rule.limits[1]:
        return 0.0
    weighed = rule.kind in ("total", "stock", "count", "one-of", "if-used")
    as_supplied = rule.kind == "dose" and getattr(rule, "measured", "") == "as supplied"
    return 0.0 if weighed or as_supplied else rule.band


def _stopping(brief: Brief, result: Result, found: Found) -> tuple[str, ...]:
    """Return rules that no grid formula keeps together (removal test); one of them must give."""
    setting = found.case.settings[0]
    kept = list(brief.rules)
    for rule in brief.rules:
        if rule.id == "total":
            continue
        trial = [r for r in kept if r.id != rule.id]
        model = build(trial, brief.pool, setting)
        upper = np.concatenate([found.case.upper[: model.doses], model.upper[model.doses :]])
        case = replace(found.case, model=model, upper=upper)
        answer, _ = _whole_grid(brief, result, replace(found, case=case), limit=2.0)
        if answer.ending == "infeasible":
            kept = trial
    return tuple(r.reading() for r in kept if r.id != "total") or ("the total of exactly 100 %",)


def largest_remainder(amounts: Mapping[str, float], step: float, total: float) -> dict[str, float]:
    """Return amounts as multiples of a step that sum to a total, itself brought to the nearest multiple.

    Every amount is rounded down; the steps that are left go to the largest remainders, ties to the first id.

    Args:
        amounts: By id, in the unit of the step.
        step: Step of the scale.
        total: What they sum to.
    """
    scale = total / fsum(amounts.values())
    steps = {name: amount * scale / step for name, amount in amounts.items()}
    whole = {name: floor(count + 1e-9) for name, count in steps.items()}
    left = round(total / step) - sum(whole.values())
    unit = Decimal(f"{step:.12g}")
    for name in sorted(steps, key=lambda n: (-round(steps[n] - whole[n], 9), n))[: max(left, 0)]:
        whole[name] += 1
    return {name: float(count * unit) for name, count in whole.items()}
