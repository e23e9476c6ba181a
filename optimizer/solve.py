"""The corridor: build, run, break ties, fix choices and price, verify."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import product
from math import inf, isnan, nan
from typing import Literal

import numpy as np

from optimizer import __version__
from optimizer.engine.certificate import check_feasible, check_infeasible, check_optimal
from optimizer.engine.highs import Answer, Session, highs_version
from optimizer.engine.sensitivity import Basis
from optimizer.errors import SolverError
from optimizer.formula import Formula, Line
from optimizer.model import Case, Model, cases, objective_vector
from optimizer.pool import Vector
from optimizer.result import Ending, EntryPrice, Outcome, PhOutcome, Proof, Result, SettingOutcome
from optimizer.row import Setting
from optimizer.rules import LimitRule, Rule
from optimizer.scenario import Brief
from optimizer.units import USED

ENUMERATED = 6
"""Up to this many free yes/no columns every combination is tried instead of branching."""
TIE = 1e-9
"""Objectives closer than this, relative, are a tie."""
Sign = Literal[1, -1]
Brancher = Callable[[Model, Vector, Vector, Vector], Answer]


@dataclass(frozen=True)
class Found:
    """The best of one case: column values, duals at fixed choices, and how it was proven."""

    case: Case
    ending: Ending
    proof: Proof
    objective: float = nan
    x: Vector | None = None
    lower: Vector | None = None
    upper: Vector | None = None
    cost: Vector | None = None
    answer: Answer | None = None
    gap: float = 0.0


class Corridor:
    """Solves the cases of one brief; sessions are kept by model and re-run hot."""

    def __init__(self, brief: Brief, *, time_limit: float = 60.0, brancher: Brancher | None = None) -> None:
        """Build every case of the brief.

        Args:
            brief: What to solve.
            time_limit: Seconds for each integer program [s].
            brancher: Another solver that searches each case first; its choices are then fixed,
                re-solved and certified, its objective is compared.
        """
        self.brief = brief
        self.time_limit = time_limit
        self.brancher = brancher
        self.cases = cases(brief.rules, brief.acidity, brief.pool)
        self._sessions: dict[int, Session] = {}

    def session(self, model: Model) -> Session:
        """Return the session of a model."""
        key = id(model)
        if key not in self._sessions:
            integers = model.size - model.doses
            self._sessions[key] = Session(
                model.matrix, model.row_low, model.row_high, integers=integers, time_limit=self.time_limit
            )
        return self._sessions[key]

    def best(self, case: Case, sign: Sign, measure: LimitRule, session: Session | None = None) -> Found:
        """Return the best point of a case for a measure, linear or ratio.

        A ratio is optimised by Dinkelbach's iteration (Management Science 13 (1967) 492): the last
        linear program proves it.
        """
        ratio = 0.0
        pool = self.brief.pool
        found = None
        for _ in range(60):
            vector, constant = objective_vector(measure, pool, sign, ratio)
            found = self._solve(case, case.model.spread(vector), session or self.session(case.model))
            if found.x is None:
                return found
            if not measure.ratio:
                return replace(found, objective=sign * (found.objective + constant))
            doses = found.x[: case.model.doses]
            above, below = measure.constants(pool.held_back)
            bottom = float(pool.vector(measure.per) @ doses) + below
            if bottom <= 1e-12:
                raise SolverError(f"the objective '{measure.name}' is a ratio to nothing: the formula need not contain any of it. State a lower limit.")
            value = (float(pool.vector(measure.amount) @ doses) + above) / bottom
            if abs(value - ratio) <= 1e-12 * (1 + abs(value)):
                break
            ratio = value
        assert found is not None
        return replace(found, objective=ratio)

    def _solve(self, case: Case, cost: Vector, session: Session) -> Found:
        """Minimise a cost vector over a case and verify the answer outside the solver."""
        model = case.model
        free = model.size - model.doses
        if self.brancher is not None:
            return self._branched(case, cost, session, self.brancher)
        if free == 0:
            return self._linear(case, cost, model.lower, case.upper, session)
        if free <= ENUMERATED:
            return self._enumerate(case, cost, session)
        answer = session.run(cost, model.lower, case.upper)
        if answer.ending == "infeasible":
            return self._impossible(case, cost)
        if answer.x.size == 0:
            ending: Ending = "stopped" if answer.ending == "unfinished" else "failed"
            return Found(case, ending, "none")
        chosen = np.round(answer.x[model.doses :])
        lower, upper = model.lower.copy(), case.upper.copy()
        lower[model.doses :] = upper[model.doses :] = chosen
        found = self._linear(case, cost, lower, upper, session)
        if found.x is None:
            raise SolverError("the integer answer could not be repeated as a linear program. Try --solver PULP_CBC_CMD.")
        gap = abs(found.objective - answer.bound) / (1 + abs(found.objective)) if answer.bound == answer.bound else inf
        done = answer.ending == "optimal" and gap <= 1e-6
        return replace(found, ending="optimal" if done else "feasible", proof="solver bound" if done else "none", gap=gap)

    def _branched(self, case: Case, cost: Vector, session: Session, brancher: Brancher) -> Found:
        """Let another solver search, then fix its choices, re-solve and compare."""
        model = case.model
        answer = brancher(model, cost, model.lower, case.upper)
        if answer.ending == "infeasible":
            return Found(case, "infeasible", "solver bound")
        if answer.x.size == 0:
            return Found(case, "stopped", "none")
        lower, upper = model.lower.copy(), case.upper.copy()
        lower[model.doses :] = upper[model.doses :] = np.round(answer.x[model.doses :])
        found = self._linear(case, cost, lower, upper, session)
        if found.x is None or abs(found.objective - answer.bound) > 1e-4 * (1 + abs(found.objective)):
            raise SolverError("the chosen solver's answer does not stand a re-solve at its own choices. Try another solver.")
        return replace(found, proof="solver bound" if model.size > model.doses else found.proof)

    def _impossible(self, case: Case, cost: Vector) -> Found:
        """Prove by the relaxation, which covers all choices, that a case is impossible, if it can."""
        model = case.model
        relaxed = Session(model.matrix, model.row_low, model.row_high, time_limit=self.time_limit)
        answer = relaxed.run(cost, model.lower, case.upper)
        proven = answer.ray is not None and check_infeasible(
            model.matrix, model.row_low, model.row_high, model.lower, case.upper, answer.ray
        )
        return Found(case, "infeasible", "certificate" if proven else "solver bound")

    def _enumerate(self, case: Case, cost: Vector, session: Session) -> Found:
        """Try every combination of the yes/no columns, each a verified linear program."""
        model = case.model
        best = Found(case, "infeasible", "enumerated")
        for combination in product((0.0, 1.0), repeat=model.size - model.doses):
            lower, upper = model.lower.copy(), case.upper.copy()
            lower[model.doses :] = upper[model.doses :] = combination
            found = self._linear(case, cost, lower, upper, session)
            if found.x is not None and (best.x is None or found.objective < best.objective - TIE * (1 + abs(best.objective))):
                best = replace(found, proof="enumerated")
        return best

    def _linear(self, case: Case, cost: Vector, lower: Vector, upper: Vector, session: Session) -> Found:
        """Solve one linear program and check it by its optimality conditions or a Farkas ray."""
        matrix, row_low, row_high = case.model.matrix, case.model.row_low, case.model.row_high
        answer = session.run(cost, lower, upper)
        if answer.ending == "infeasible":
            if answer.ray is not None and check_infeasible(matrix, row_low, row_high, lower, upper, answer.ray):
                return Found(case, "infeasible", "certificate")
            return Found(case, "infeasible", "solver bound")
        if answer.ending != "optimal":
            return Found(case, "failed" if answer.ending == "failed" else "stopped", "none")
        certificate = check_optimal(matrix, row_low, row_high, cost, lower, upper, answer.x, answer.y)
        if not certificate.holds:
            raise SolverError(
                "the solver's answer did not stand the check outside the solver "
                f"(bounds {certificate.primal:.1e}, signs {certificate.dual:.1e}, gap {certificate.gap:.1e}). "
                "Look for figures of very different size in the brief."
            )
        objective = float(cost @ answer.x)
        return Found(case, "optimal", "certificate", objective, answer.x, lower, upper, cost, answer, certificate.gap)

    def basis(self, found: Found) -> Basis:
        """Return the basis of a found answer at its fixed choices."""
        model = found.case.model
        assert found.answer is not None and found.cost is not None
        assert found.lower is not None and found.upper is not None
        low = np.concatenate([found.lower, model.row_low])
        high = np.concatenate([found.upper, model.row_high])
        return Basis(model.matrix, found.cost, low, high, found.answer.x, found.answer.basic)

    def settle(self, found: Found, goals: tuple[tuple[Sign, LimitRule], ...]) -> Found:
        """Break ties in the declared order and return the chosen point; the proof stays.

        Each goal in turn is optimised with the earlier ones held at their best; last comes the
        order of ids, earlier ids first. Nothing is run where the optimum is unique.
        """
        model = found.case.model
        assert found.x is not None
        if model.size == model.doses and self.basis(found).unique:
            return found
        first = goals[0]
        caps = [self._cap(first, found.objective)]
        x = found.x
        for goal in goals[1:]:
            step = self._capped(found.case, goal, caps)
            if step is None or step.x is None:
                break
            x, caps = step.x, [*caps, self._cap(goal, step.objective)]
        ranked = self._capped_order(found.case, caps)
        x = x if ranked is None else ranked
        worst = check_feasible(model.matrix, model.row_low, model.row_high, model.lower, found.case.upper, x)
        return replace(found, x=x) if worst <= 1e-7 else found

    def _cap(self, goal: tuple[Sign, LimitRule], value: float) -> tuple[Vector, float]:
        """Return coefficients and most of the row that holds a goal at its value."""
        sign, measure = goal
        vector, constant = objective_vector(measure, self.brief.pool, sign, value)
        best = 0.0 if measure.ratio else sign * value
        return vector, best - constant + TIE * (1 + abs(best))

    def _capped_session(self, case: Case, caps: list[tuple[Vector, float]]) -> tuple[Case, Session]:
        model = case.model
        extra = np.array([model.spread(vector) for vector, _ in caps])
        capped = replace(
            model,
            matrix=np.vstack([model.matrix, extra]),
            row_low=np.concatenate([model.row_low, np.full(len(caps), -inf)]),
            row_high=np.concatenate([model.row_high, [most for _, most in caps]]),
        )
        session = Session(
            capped.matrix, capped.row_low, capped.row_high, integers=model.size - model.doses, time_limit=self.time_limit
        )
        return replace(case, model=capped), session

    def _capped(self, case: Case, goal: tuple[Sign, LimitRule], caps: list[tuple[Vector, float]]) -> Found | None:
        capped, session = self._capped_session(case, caps)
        try:
            return self.best(capped, *goal, session=session)
        except SolverError:
            return None

    def _capped_order(self, case: Case, caps: list[tuple[Vector, float]]) -> Vector | None:
        capped, session = self._capped_session(case, caps)
        order = capped.model.spread(np.arange(1.0, capped.model.doses + 1) / capped.model.doses)
        answer = session.run(order, capped.model.lower, capped.upper)
        if answer.ending != "optimal":
            return None
        x = answer.x.copy()
        x[capped.model.doses :] = np.round(x[capped.model.doses :])
        return x


def solve(brief: Brief, *, time_limit: float = 60.0, solver: str = "") -> Result:
    """Return the best formula of a brief, proven over every pH setting and choice.

    Args:
        brief: What to solve.
        time_limit: Seconds for each integer program [s].
        solver: Name of a PuLP solver that searches instead of HiGHS.

    Raises:
        SolverError: If an answer does not stand the check outside the solver.
    """
    corridor = Corridor(brief, time_limit=time_limit, brancher=_brancher(solver, time_limit) if solver else None)
    goals = tuple((sign, brief.measure(name)) for sign, name in brief.scenario.objective.goals)
    sign, measure = goals[0]
    found = [corridor.best(case, sign, measure) for case in corridor.cases]
    settings = tuple(_setting_outcome(f) for f in found)
    solved = [f for f in found if f.x is not None]
    provenance = provenance_of(brief, solver)
    if not solved:
        endings: list[Ending] = [f.ending for f in found]
        ending: Ending = next((e for e in ("failed", "stopped") if e in endings), "infeasible")  # type: ignore[assignment]
        proof = _joint_proof(found) if ending == "infeasible" else "none"
        return Result(brief, ending, proof, nan, None, settings=settings, provenance=provenance)
    best = min(sign * f.objective for f in solved)
    ties = [f for f in solved if sign * f.objective <= best + TIE * (1 + abs(best))]
    settled = [corridor.settle(f, goals) for f in ties]
    formulas = [formula_of(brief, f) for f in settled]
    acidities = [choose_ph(brief, f, formula, corridor.cases) for f, formula in zip(settled, formulas, strict=True)]
    margins = [-_margin(ph) for ph in acidities]
    pick = min(range(len(settled)), key=lambda i: (round(margins[i], 9), i))
    chosen, formula, ph = settled[pick], formulas[pick], acidities[pick]
    ending = "optimal" if all(f.ending in ("optimal", "infeasible") for f in found) else "feasible"
    proof = _joint_proof(found) if ending == "optimal" else "none"
    setting = _setting(brief, ph)
    basis = corridor.basis(chosen)
    outcomes = price_rules(brief, chosen, basis, formula, setting)
    broken = [o for o in outcomes if o.violation > 10 * _tolerance(brief, o.id)]
    if broken:
        raise SolverError(f"the formula breaks '{broken[0].reading}' by {broken[0].violation:.2g}; the answer is withheld.")
    return Result(
        brief,
        ending,
        proof,
        chosen.objective,
        formula,
        rules=outcomes,
        ph=ph,
        settings=settings,
        choices=choices_of(chosen),
        entry_prices=entry_prices(brief, chosen, basis),
        barred=chosen.case.barred,
        degenerate=basis.degenerate,
        gap=max(f.gap for f in found),
        provenance=provenance,
    )


def formula_of(brief: Brief, found: Found) -> Formula:
    """Return the used doses of a found answer."""
    assert found.x is not None
    lines = tuple(
        Line(item, float(dose)) for item, dose in zip(brief.pool.items, found.x[: len(brief.pool)], strict=True) if dose > USED
    )
    return Formula(lines, brief.pool.held_back, brief.pool.later)


def choose_ph(brief: Brief, found: Found, formula: Formula, all_cases: tuple[Case, ...]) -> PhOutcome | None:
    """Return the target furthest from an edge of the window that all used materials share."""
    acidity = brief.acidity
    if acidity is None:
        return None
    low, high = acidity.low, acidity.high
    windows = [(line.item.id, acidity.window(line.item.material)) for line in formula.lines]
    low = max([low, *(w[0] for _, w in windows)])
    high = min([high, *(w[1] for _, w in windows)])
    targets = [
        s.target
        for case in all_cases
        if case.model is found.case.model
        for s in case.settings
        if s.target is not None and all(acidity.gap(line.item.material, s) <= 1e-6 for line in formula.lines)
    ]
    target = max(targets, key=lambda t: (round(min(t - low, high - t), 6), -t))
    low_by = tuple(name for name, w in windows if w[0] >= low - 1e-9)
    high_by = tuple(name for name, w in windows if w[1] <= high + 1e-9)
    return PhOutcome(target, acidity.tolerance, low, high, low_by or ("brief",), high_by or ("brief",))


def _margin(ph: PhOutcome | None) -> float:
    return 0.0 if ph is None else min(ph.target - ph.low, ph.high - ph.target)


def _setting(brief: Brief, ph: PhOutcome | None) -> Setting:
    if ph is None:
        return Setting()
    return Setting(ph.target, ph.target - ph.tolerance, ph.target + ph.tolerance)


def _tolerance(brief: Brief, rule_id: str) -> float:
    return next((r.slack() for r in _all_rules(brief) if r.id == rule_id), 1e-6)


def _all_rules(brief: Brief) -> tuple[Rule, ...]:
    return (*brief.rules, *((brief.acidity,) if brief.acidity else ()))


def _setting_outcome(found: Found) -> SettingOutcome:
    settings = found.case.settings
    first, last = settings[0].target, settings[-1].target
    return SettingOutcome(
        nan if first is None else first,
        nan if last is None else last,
        found.ending,
        found.objective,
        found.proof,
        len(found.case.barred),
    )


def _joint_proof(found: list[Found]) -> Proof:
    """Return the weakest proof among the cases."""
    proofs = {f.proof for f in found}
    weakest: tuple[Proof, ...] = ("none", "solver bound", "enumerated", "certificate")
    return next(p for p in weakest if p in proofs)


def choices_of(found: Found) -> tuple[str, ...]:
    """Return what the yes/no columns chose, in words; plain 'is used' is left to the formula."""
    model = found.case.model
    assert found.x is not None
    taken = zip(model.choices, found.x[model.doses :], strict=True)
    return tuple(choice.says for choice, value in taken if value > 0.5 and not choice.key.startswith("use:"))


def measure_rules(brief: Brief, formula: Formula, setting: Setting) -> tuple[Outcome, ...]:
    """Return value and limits of every rule at a formula, from raw data."""
    outcomes = []
    for rule in (*_all_rules(brief), *brief.watched):
        low, high = rule.limits
        outcomes.append(
            Outcome(
                rule.id, rule.kind, rule.name, rule.reading(), rule.value(formula, setting), low, high, rule.unit,
                rule.source, rule.violation(formula, setting),
            )  # fmt: skip
        )
    return tuple(outcomes)


def price_rules(
    brief: Brief, found: Found, basis: Basis, formula: Formula, setting: Setting
) -> tuple[Outcome, ...]:
    """Return every rule with value, binding side, price and the range over which it holds."""
    model = found.case.model
    sign = brief.scenario.objective.goals[0][0]
    measure = brief.measure(brief.scenario.objective.goals[0][1])
    unit = 1.0
    if measure.ratio:
        bottom = float(brief.pool.vector(measure.per) @ basis.x[: model.doses]) + measure.constants(brief.pool.held_back)[1]
        unit = 1.0 / bottom
    by_owner: dict[tuple[str, str], list[int]] = {}
    for r, row in enumerate(model.rows):
        by_owner.setdefault((row.owner, row.side), []).append(r)
    return tuple(_priced(o, model, basis, by_owner, sign * unit) for o in measure_rules(brief, formula, setting))


def _priced(
    outcome: Outcome, model: Model, basis: Basis, by_owner: dict[tuple[str, str], list[int]], unit: float
) -> Outcome:
    """Return an outcome with the price of the limit it sits on."""
    for side in ("equal", "low", "high"):
        indices = by_owner.get((outcome.id, side), [])
        binding = [r for r in indices if _at_end(model, basis, r, side)]
        if not binding or isnan(outcome.value):
            continue
        limit = outcome.low if side in ("low", "equal") else outcome.high
        rows = [model.rows[r] for r in binding]
        if outcome.kind == "clear":
            return replace(outcome, binding=side)
        ends = np.array([_end_per_limit(model, row, basis.x) for row in rows])
        per_limit = rows[0].per_limit
        if per_limit is not None and len(rows) == 1:
            reach = basis.reach(np.array(binding), ends, model.spread(per_limit))
        else:
            reach = basis.reach(np.array(binding), ends)
        return replace(
            outcome,
            binding=side,
            price=unit * reach.price + 0.0,
            holds_from=limit + reach.down,
            holds_to=limit + reach.up,
            price_from=unit * reach.price_down + 0.0,
            price_to=unit * reach.price_up + 0.0,
        )
    return outcome


def _at_end(model: Model, basis: Basis, r: int, side: str) -> bool:
    activity = float(model.matrix[r] @ basis.x)
    end = model.row_high[r] if side == "high" else model.row_low[r]
    return bool(abs(activity - end) <= 1e-7 * (1 + abs(end)))


def _end_per_limit(model: Model, row: object, x: Vector) -> float:
    rhs, key = row.rhs_per_limit, row.limit_choice  # type: ignore[attr-defined]
    return rhs * (float(round(x[model.names.index(key)])) if key else 1.0)


def entry_prices(brief: Brief, found: Found, basis: Basis) -> tuple[EntryPrice, ...]:
    """Return what unused, allowed candidates must cost to enter (price less reduced cost).

    Only for a cost objective; a material that a yes/no choice keeps out has no entry price here.
    """
    sign, name = brief.scenario.objective.goals[0]
    assert found.x is not None and found.upper is not None
    if name != "cost" or sign != 1:
        return ()
    closed = {
        key.removeprefix("use:")
        for key, value in zip(found.case.model.names, found.upper, strict=True)
        if key.startswith("use:") and value < 0.5
    }
    prices = []
    for position, item in enumerate(brief.pool.items):
        reduced = float(basis.reduced[position])
        out = found.x[position] <= USED and found.upper[position] > 0 and item.id not in closed
        if out and reduced > 1e-12:
            prices.append(EntryPrice(item.id, item.material.name, item.price, item.price - 100 * reduced))
    return tuple(sorted(prices, key=lambda e: (e.price - e.entry, e.id)))


def provenance_of(brief: Brief, solver: str = "") -> dict[str, str]:
    """Return versions, solver and file hashes."""
    files = {f"sha256 {name}": value for name, value in sorted(brief.files.items())}
    used = f"{solver} through PuLP, certified with HiGHS" if solver else "HiGHS"
    python = ".".join(map(str, sys.version_info[:3]))
    versions = {"tenside": __version__, "python": python, "solver": used, "HiGHS": highs_version(), "numpy": np.__version__}
    return {**versions, **files}


def _brancher(solver: str, time_limit: float) -> Brancher:
    from optimizer.engine import pulp_path

    chosen = pulp_path.named_solver(solver, time_limit)
    return lambda model, cost, lower, upper: pulp_path.run(chosen, model, cost, lower, upper)
