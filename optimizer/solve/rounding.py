"""A formula that can be weighed: doses on the grid of the maker's scale that still keep every rule.

Plain rounding of an optimum breaks some rule nearly always, because an optimum sits on its limits. So
the doses are chosen anew by a small integer program on the grid, near the optimum first (the used
doses within a few steps), then wider, before it is said that no grid formula exists.

A computed figure that is asked exactly is met within half of what one step is worth where the grid allows it, and
within its band only where nothing nearer keeps every rule. What it is missed by costs as much as it could save, so
that no formula is preferred for missing it. Equally good grid formulas are told apart in the declared order.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from math import fsum, inf, log10

import numpy as np
import numpy.typing as npt

from optimizer.brief.brief import Brief, protecting
from optimizer.data.formula import Formula, Line
from optimizer.data.pool import Vector
from optimizer.engine.highs import Session
from optimizer.immutable import replace
from optimizer.model.model import build
from optimizer.rules import Rule
from optimizer.rules.row import Setting
from optimizer.solve.case_solver import CaseAnswer
from optimizer.solve.result import Result, Rounded
from optimizer.units import NO_COEFFICIENT, SAME_WORTH, USED, WHOLE, is_whole, number, whole_down

NEAR = 10
"""Steps round each used dose that are tried first."""
TIME_LIMIT = 20.0
"""Seconds after which the wider search is given up [s]."""
QUICK = 5.0
"""Seconds after which an exact figure is given more room [s]."""


def round_formula(brief: Brief, result: Result, found: CaseAnswer) -> Rounded:
    """Return the best grid formula near the optimum, else anywhere, else what stops it.

    A grid formula that is preserved less than the optimum is looked for anew with that as a rule.

    Args:
        brief: The brief.
        result: Its answer.
        found: The case and the column values of the answer.
    """
    rounded = _rounded(brief, result, found)
    if result.formula is None or rounded.formula is None:
        return rounded
    guarded = protecting(brief, result.formula, result.setting)
    guards = [r for r in guarded.modelled if r not in brief.modelled]
    if not any(broken(rule, rounded.formula, result.setting) for rule in guards):
        return rounded
    model = found.case.model
    rows = tuple(row for rule in guards for row in rule.rows(brief.pool, result.setting))
    more = replace(
        model,
        rows=(*model.rows, *rows),
        matrix=np.vstack([model.matrix, *(model.spread(row.doses) for row in rows)]),
        row_low=np.append(model.row_low, [row.low for row in rows]),
        row_high=np.append(model.row_high, [row.high for row in rows]),
    )
    case = replace(found.case, model=more)
    return _rounded(guarded, result, replace(found, case=case), flat=not found.basis.unique)


def _rounded(brief: Brief, result: Result, found: CaseAnswer, *, flat: bool | None = None) -> Rounded:
    """Return the best grid formula near the optimum, else anywhere, else what stops it.

    Args:
        brief: The brief.
        result: Its answer.
        found: The case and the column values of the answer.
        flat: Whether other optima are as good, if the answer's own basis cannot tell.
    """
    step = brief.scenario.scale_step
    reading = _off_grid(brief.pool.held_back, step)
    if reading:
        return Rounded(step, None, stopped_by=(reading,))
    assert found.x is not None
    setting = result.setting
    counts = found.x[: found.case.model.doses] / step
    if (np.abs(counts - np.round(counts)) <= WHOLE).all():
        rounded = _checked(brief, result, np.round(counts), setting, proven=True)
        if rounded is not None:
            return rounded
    # Grid formulas that are equally good by chance are told apart only where the optimum is not the only one.
    flat = not found.basis.unique if flat is None else flat
    goals = _goals(brief, result, found)[: None if flat else 1]
    grids = [_near(brief, found, width) for width in (NEAR, 10 * NEAR)]
    for room in range(grids[0].rooms):
        for grid in grids:
            near = grid.best(goals, room, tied=flat)
            rounded = None if near is None else _checked(brief, result, near[0], setting, proven=False)
            if rounded is not None:
                return rounded
    whole = _whole(brief, found)
    best = whole.best(goals, whole.rooms - 1)
    rounded = None if best is None else _checked(brief, result, best[0], setting, proven=best[1])
    if rounded is not None:
        return rounded
    if not whole.impossible:
        return Rounded(step, None, proven=False)
    return Rounded(step, None, stopped_by=_stopping(brief, found, goals))


def _off_grid(held_back: float, step: float) -> str:
    """Return why no doses in steps can sum to what is left of 100 %, empty if they can."""
    if is_whole((100 - held_back) / step):
        return ""
    held = f"the part held back, {held_back:g} %"
    if is_whole(held_back / step):
        return f"100 % is no multiple of the scale step {step:g} %"
    if is_whole(100 / step):
        return f"{held}, is no multiple of the scale step {step:g} %"
    return f"100 % less {held}, is no multiple of the scale step {step:g} %"


class _Grid:
    """An integer program over step counts of some columns and, for each exact figure, by how much it is missed.

    Columns: what is too much of each exact figure, what is too little, in steps of the material that adds least to
    it, then the counts.
    """

    def __init__(
        self,
        brief: Brief,
        found: CaseAnswer,
        columns: npt.NDArray[np.int64],
        bounds: tuple[Vector, Vector],
        fixed: Vector,
        limit: float = TIME_LIMIT,
    ) -> None:
        """Load the program.

        Args:
            brief: The brief.
            found: Case and column values.
            columns: Columns of the case's model that are counted.
            bounds: Fewest and most steps of each.
            fixed: What the other columns amount to in each row, shape (m,).
            limit: Seconds for each program [s].
        """
        model = found.case.model
        step = brief.scenario.scale_step
        self.columns, self.limit, self.impossible = columns, limit, False
        self.scale = np.where(columns < model.doses, step, 1.0)
        self.doses, self._size = model.doses, model.size
        part = model.matrix[:, columns] * self.scale
        self._rooms = _rooms(brief, found)
        self.rooms = 3 if self._rooms else 1
        exact = np.array(list(self._rooms), dtype=np.int64)
        self.smallest = np.array([_smallest(part[r]) for r in exact])
        missed = np.zeros((len(model.rows), len(exact)))
        missed[exact, np.arange(len(exact))] = self.smallest
        self.matrix = np.hstack([-missed, missed, part])
        self.low, self.high = model.row_low - fixed, model.row_high - fixed
        self.lower = np.concatenate([np.zeros(2 * len(exact)), bounds[0]])
        self.upper = np.concatenate([np.zeros(2 * len(exact)), bounds[1]])

    def best(self, goals: Sequence[Vector], room: int, *, tied: bool = False) -> tuple[Vector, bool] | None:
        """Return the best step count of each dose and whether it is proven, None if there is none.

        Args:
            goals: Costs per column of the model, the first one first; further ones tell equally good formulas apart.
            room: How much room exact figures have: 0 for the narrowest, 2 for their band.
            tied: Whether what is left equal is told apart by the order of ids.
        """
        exact = len(self.smallest)
        upper = self.upper.copy()
        upper[: 2 * exact] = np.tile([rooms[room] for rooms in self._rooms.values()] / self.smallest, 2)
        cost = self._cost(goals[0])
        cost[: 2 * exact] = 2 * np.abs(cost).max(initial=0.0)
        limit = self.limit if room == self.rooms - 1 else min(QUICK, self.limit)
        session = Session(self.matrix, self.low, self.high, integers=len(self.columns), time_limit=limit)
        answer = session.run(cost, self.lower, upper)
        self.impossible = answer.ending == "infeasible"
        if answer.x.size == 0:
            return None
        x = answer.x
        if answer.ending == "optimal":
            x = self._preferred(x, [cost, *map(self._cost, goals[1:])], upper, tied=tied)
        counts = np.zeros(self._size)
        counts[self.columns] = np.round(x[2 * exact :])
        return counts[: self.doses], answer.ending == "optimal"

    def _cost(self, goal: Vector) -> Vector:
        return np.concatenate([np.zeros(2 * len(self.smallest)), goal[self.columns] * self.scale])

    def _preferred(self, x: Vector, goals: list[Vector], upper: Vector, *, tied: bool) -> Vector:
        """Return which of the equally good points the further goals prefer, then the order of ids."""
        lower, upper = self.lower.copy(), upper.copy()
        matrix, low, high = self.matrix, self.low, self.high
        first = 2 * len(self.smallest)
        named = np.flatnonzero(self.columns < self.doses) + first
        spread = np.zeros(len(x))
        spread[named] = np.sqrt(np.arange(2.0, 2.0 + named.size))
        for before, goal in zip(goals, [*goals[1:], None] if tied else goals[1:], strict=False):
            most = float(before @ x)
            matrix = np.vstack([matrix, before])
            low, high = np.append(low, -inf), np.append(high, most + SAME_WORTH * float(np.abs(before) @ np.abs(x)))
            session = Session(matrix, low, high, integers=len(self.columns), time_limit=self.limit)
            ends = [session.run(sign * spread, lower, upper) for sign in (1, -1)]
            if any(e.ending != "optimal" for e in ends) or abs(spread @ (ends[0].x - ends[1].x)) < WHOLE:
                return x
            if goal is not None:
                answer = session.run(goal, lower, upper)
                if answer.ending != "optimal":
                    return x
                x = answer.x
        for j in named if tied else ():
            most_of = np.zeros(len(x))
            most_of[j] = -1.0
            answer = session.run(most_of, lower, upper)
            if answer.ending != "optimal":
                return x
            x = answer.x
            lower[j] = upper[j] = np.round(x[j])
        return x


def _rooms(brief: Brief, found: CaseAnswer) -> dict[int, tuple[float, float, float]]:
    """Return by how much each row of an exact figure may be missed: half a step's worth at least, at most, its band.

    A step is worth more of one material than of another.
    """
    assert found.x is not None
    model = found.case.model
    step, rooms = brief.scenario.scale_step, {}
    rules = {r.id: r for r in brief.modelled}
    used = found.x[: model.doses] > USED
    for r, row in enumerate(model.rows):
        rule = rules.get(row.owner)
        if rule is None or row.side != "equal" or rule.within == 0:
            continue
        # A ratio's row moves by band x denominator, which depends on the doses; its least is taken, so
        # that the grid formula keeps the band whatever it is.
        band = rule.within * (row.rhs_per_limit if row.per_limit is None else _least(row.per_limit, found))
        worth = step / 2 * np.abs(model.matrix[r, : model.doses][used])
        rooms[r] = (min(band, _smallest(worth)), min(band, float(worth.max(initial=0.0))), band)
    return rooms


def _smallest(values: Vector) -> float:
    """Return the smallest size that is not 0, 1 if there is none."""
    sizes = np.abs(values)
    return float(sizes[sizes > NO_COEFFICIENT * sizes.max(initial=0.0)].min(initial=inf)) if sizes.any() else 1.0


def _least(per_limit: Vector, found: CaseAnswer) -> float:
    """Return the denominator of a ratio at the optimum, less what the grid may take from it."""
    assert found.x is not None
    return 0.98 * float(per_limit @ found.x[: found.case.model.doses])


def near_grid(
    brief: Brief, found: CaseAnswer, cost: Vector, width: int | Vector, limit: float = TIME_LIMIT
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
    grid = _near(brief, found, width, limit)
    tried = (grid.best([cost], room) for room in range(grid.rooms))
    return next((counts for counts in tried if counts is not None), None)


def _near(brief: Brief, found: CaseAnswer, width: int | Vector, limit: float = TIME_LIMIT) -> _Grid:
    """Return the grid within some steps of the found doses, at the choices made."""
    assert found.x is not None
    model = found.case.model
    doses = found.x[: model.doses]
    step = brief.scenario.scale_step
    used = np.nonzero(doses > USED)[0]
    center = np.round(doses[used] / step)
    reach = np.broadcast_to(width, doses.shape)[used]
    lower = np.maximum(center - reach, 0.0)
    upper = np.minimum(center + reach, np.floor(found.case.upper[used] / step + WHOLE))
    fixed = model.matrix[:, model.doses :] @ np.round(found.x[model.doses :])
    return _Grid(brief, found, used, (lower, upper), fixed, limit)


def _whole(brief: Brief, found: CaseAnswer, limit: float = TIME_LIMIT) -> _Grid:
    """Return the whole grid, at any choices."""
    model = found.case.model
    scale = np.concatenate([np.full(model.doses, brief.scenario.scale_step), np.ones(model.size - model.doses)])
    bounds = model.lower, np.floor(found.case.upper / scale + WHOLE)
    return _Grid(brief, found, np.arange(model.size), bounds, np.zeros(len(model.rows)), limit)


def _goals(brief: Brief, result: Result, found: CaseAnswer) -> list[Vector]:
    """Return what is least per column of the model: the objective, then what breaks ties.

    A ratio is taken at its value at the optimum.
    """
    goals = []
    formula = result.formula
    assert formula is not None
    for n, (sign, name) in enumerate(brief.scenario.objective.goals):
        measure = brief.measure(name)
        value = result.objective if n == 0 else measure.value(formula, result.setting)
        ratio = value if measure.ratio and np.isfinite(value) else 0.0
        goals.append(found.case.model.objective(measure, brief.pool, sign, ratio)[0])
    return goals


def _checked(brief: Brief, result: Result, counts: Vector, setting: Setting, *, proven: bool) -> Rounded | None:
    """Return the grid formula if it sums exactly and keeps every rule by its own measure."""
    formula = grid_formula(brief, counts)
    if formula is None:
        return None
    off = {rule.id: (rule, rule.violation(formula, setting)) for rule in brief.enforced}
    if any(rule.exceeded(formula, by) for rule, by in off.values()):
        return None
    sign, name = brief.scenario.objective.goals[0]
    objective = brief.measure(name).value(formula, setting)
    worse = sign * (objective - result.objective)
    missed = tuple(_missed(rule, formula, setting) for rule, by in off.values() if by > rule.slack(formula))
    # What an exact figure that is missed saves, or a limit within its tolerance, is no gain of the grid.
    cost = max(worse, 0.0) if any(by > 0 for _, by in off.values()) else worse
    return Rounded(brief.scenario.scale_step, formula, objective, cost, missed, proven=proven)


def _missed(rule: Rule, formula: Formula, setting: Setting) -> str:
    """Return by what an exact figure is missed, in words."""
    return f"{rule.reading()}, at {number(rule.value(formula, setting))}"


def grid_formula(brief: Brief, counts: Vector) -> Formula | None:
    """Return step counts as a formula, or None if they do not sum to exactly 100 %."""
    step = brief.scenario.scale_step
    if round(counts.sum()) != round((100 - brief.pool.held_back) / step):
        return None
    digits = max(0, -whole_down(log10(step))) + 1
    lines = tuple(
        Line(item, round(int(n) * step, digits)) for item, n in zip(brief.pool.items, counts, strict=True) if n > 0
    )
    return Formula(lines, brief.pool.held_back, brief.pool.later, brief.pool.thickeners)


def broken(rule: Rule, formula: Formula, setting: Setting) -> bool:
    """Return whether a rounded formula breaks a rule, an exact limit counting with its band."""
    return rule.exceeded(formula, rule.violation(formula, setting))


def _stopping(brief: Brief, found: CaseAnswer, goals: list[Vector]) -> tuple[str, ...]:
    """Return rules that no grid formula keeps together (removal test); one of them must give."""
    setting = found.case.settings[0]
    kept = list(brief.modelled)
    for rule in brief.modelled:
        if rule.shown == "understood":
            continue
        trial = [r for r in kept if r.id != rule.id]
        model = build(trial, brief.pool, setting)
        upper = np.concatenate([found.case.upper[: model.doses], model.upper[model.doses :]])
        case = replace(found.case, model=model, upper=upper)
        grid = _whole(brief, replace(found, case=case), 2.0)
        goal = model.spread(goals[0][: model.doses])
        grid.best([goal], grid.rooms - 1)
        if grid.impossible:
            kept = trial
    return tuple(r.reading() for r in kept if r.shown != "understood") or ("the total of exactly 100 %",)


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
    whole = {name: whole_down(count) for name, count in steps.items()}
    left = round(total / step) - sum(whole.values())
    unit = Decimal(f"{step:.12g}")
    for name in sorted(steps, key=lambda n: (-round(steps[n] - whole[n], 9), n))[: max(left, 0)]:
        whole[name] += 1
    return {name: float(count * unit) for name, count in whole.items()}
