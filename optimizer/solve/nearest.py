"""The nearest formula that keeps a set of rules: fewest changed doses, then least change, then cost.

Change is measured in % as supplied over everything but water, which takes up the rest. With f the given
doses, x = f + p - m and p + m <= cap c, c in {0, 1}: first sum c is least over every pH setting, then
sum (p + m) at that many changes, then cost at that distance.

Where a few changes suffice no integer program is run (`few_changes`).
"""

from __future__ import annotations

from itertools import compress
from math import inf

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula
from optimizer.data.pool import Vector
from optimizer.engine.certificate import check_feasible
from optimizer.engine.highs import Session, SolverAnswer
from optimizer.engine.search import fixed, linear
from optimizer.immutable import immutable, replace
from optimizer.model.model import Case, build, cases, implied_caps
from optimizer.rules.row import Setting
from optimizer.solve.case_solver import CaseAnswer
from optimizer.solve.few_changes import Few
from optimizer.solve.result import PhOutcome
from optimizer.solve.solved import choose_ph, formula_of
from optimizer.units import CHANGE_SHOWN, KEPT, ROUND_OFF, SAME_WORTH, USED


@immutable
class Near:
    """The nearest formula.

    Attributes:
        formula: Its doses.
        ph: Its target pH and window.
        changed: Ids of the changed doses, water aside.
        distance: Sum of |change| over everything but water [% as supplied].
        proven: Whether the search was finished.
        found: Case and column values, for rounding.
    """

    formula: Formula
    ph: PhOutcome | None
    changed: tuple[str, ...]
    distance: float
    proven: bool
    found: CaseAnswer

    @property
    def setting(self) -> Setting:
        """Its pH; without one where the brief has none."""
        return self.ph.setting if self.ph else Setting()


def nearest_formula(
    brief: Brief,
    doses: dict[str, float],
    keep: frozenset[str] | None = None,
    *,
    fewest: bool = True,
    at: Setting | None = None,
    time_limit: float = 30.0,
    ready: Ready | None = None,
) -> Near | None:
    """Return the formula nearest to given doses that keeps a set of rules, or None if no formula does.

    Args:
        brief: The brief; its pool holds every material of the formula.
        doses: % as supplied by id.
        keep: Ids of the rules to keep, all when None; the total is always kept.
        fewest: Whether the number of changed doses counts before their sum.
        at: Only this pH setting, if given and if the pH rule is kept.
        time_limit: Seconds for each integer program [s].
        ready: The brief's programs, if several questions are asked about one formula.
    """
    rules = tuple(r for r in brief.modelled if keep is None or r.id in keep or r.id == "total")
    acidity = brief.acidity if keep is None or "ph" in keep else None
    if ready is not None and ready.serves(keep):
        every = ready.kept(frozenset(r.id for r in rules))
    else:
        every, ready = cases(rules, acidity, brief.pool), None
        if acidity is None and at is not None:
            # The pH rule is left out, the pH is not: rules that change with it are kept at this one.
            model = build(rules, brief.pool, at)
            every = (Case(model, (at,), model.upper),)
    tried = every if at is None or acidity is None else tuple(c for c in every if at in c.settings) or every
    asked = replace(brief, acidity=acidity)
    return nearest_within(asked, doses, tried, every, fewest=fewest, time_limit=time_limit, ready=ready)


def nearest_within(
    brief: Brief,
    doses: dict[str, float],
    tried: tuple[Case, ...],
    every: tuple[Case, ...],
    *,
    fewest: bool = True,
    free: frozenset[str] = frozenset(),
    time_limit: float = 30.0,
    ready: Ready | None = None,
) -> Near | None:
    """Return the formula nearest to given doses within some cases, or None if none of them allows one.

    Args:
        brief: The brief that the cases belong to.
        doses: % as supplied by id.
        tried: Cases that are searched.
        every: Cases whose pH settings the answer may take.
        fewest: Whether the number of changed doses counts before their sum.
        free: Ids whose change does not count in the number of changed doses.
        time_limit: Seconds for each integer program [s].
        ready: Where the cases come from, if they share their programs with others.
    """
    here = np.array([doses.get(name, 0.0) for name in brief.pool.ids])
    changes = [Change(brief, case, here, time_limit, free, ready) for case in tried]
    if fewest:
        counts: list[float] = []
        for change in changes:
            counts.append(change.fewest(min(counts, default=inf)))
        changes = [c for c, n in zip(changes, counts, strict=True) if n == min(counts) < inf]
    else:
        for change in changes:
            change.all_open()
    distances = [c.least() for c in changes]
    reachable = [(d, k) for k, d in enumerate(distances) if d < inf]
    if not reachable:
        return None
    change = changes[min(reachable, key=lambda r: (round(r[0], 7), r[1]))[1]]
    x = change.cheapest()
    model = change.case.model
    if check_feasible(model.matrix, model.row_low, model.row_high, model.lower, change.case.upper, x) > KEPT:
        return None
    kept = np.abs(x[: len(here)] - here) * change.counted
    found = CaseAnswer(change.case, "optimal", "solver bound", float(kept.sum()), x)
    formula = formula_of(brief, found)
    names = tuple(name for name, moved in zip(brief.pool.ids, kept, strict=True) if moved > CHANGE_SHOWN)
    ph = choose_ph(brief, found.case, formula, every)
    return Near(formula, ph, names, found.objective, change.proven, found)


class Ready:
    """The programs of a brief built once: to leave a rule out opens its rows.

    Yes/no columns and pH settings depend on the rules themselves; where there are any, or the pH rule is
    left out, the programs are built anew.
    """

    def __init__(self, brief: Brief) -> None:
        """Build the cases of a brief."""
        self.brief = brief
        self.cases = cases(brief.modelled, brief.acidity, brief.pool)
        self.plain = not any(case.model.choices for case in self.cases)
        self.few: dict[tuple[int, bytes], Few] = {}

    def serves(self, keep: frozenset[str] | None) -> bool:
        """Return whether the programs hold if only some rules are kept."""
        return self.plain and (keep is None or self.brief.acidity is None or "ph" in keep)

    def kept(self, ids: frozenset[str]) -> tuple[Case, ...]:
        """Return the cases with the rows of all other rules opened."""
        models = {}
        for model in {id(case.model): case.model for case in self.cases}.values():
            opened = np.fromiter((row.owner not in ids for row in model.rows), bool, len(model.rows))
            low, high = np.where(opened, -inf, model.row_low), np.where(opened, inf, model.row_high)
            models[id(model)] = replace(model, row_low=low, row_high=high) if opened.any() else model
        return tuple(replace(case, model=models[id(case.model)]) for case in self.cases)


def _less(ends: Vector, shift: Vector, summed: Vector) -> Vector:
    """Return row ends less what given doses bring; what rounding leaves of 0 is 0."""
    left = ends - shift
    return np.where(np.abs(left) <= ROUND_OFF * (np.abs(np.where(np.isfinite(ends), ends, 0.0)) + summed), 0.0, left)


class Change:
    """Changes of a formula within one case, as a program over [water, plus, minus, choices, flags]."""

    def __init__(
        self,
        brief: Brief,
        case: Case,
        here: Vector,
        time_limit: float,
        uncounted: frozenset[str] = frozenset(),
        ready: Ready | None = None,
    ) -> None:
        """Load the program.

        Args:
            brief: The brief.
            case: The pH settings and materials allowed.
            here: The given doses, shape (n,).
            time_limit: Seconds [s].
            uncounted: Ids whose change does not count in the number of changed doses.
            ready: Where the case comes from, if it shares its programs with others.
        """
        model = case.model
        n = model.doses
        self.case, self.here, self.proven = case, here, True
        self.counted = np.array([item.material.function != "solvent" for item in brief.pool.items])
        self._kept, self._water = np.nonzero(self.counted)[0], np.nonzero(~self.counted)[0]
        free, choices = len(self._kept), model.size - n
        self._widths = np.cumsum([len(self._water), free, free, choices, free])
        self._always = frozenset(k for k, p in enumerate(self._kept) if brief.pool.ids[p] in uncounted)
        distance = np.repeat([0.0, 1.0], [len(self._water), 2 * free])
        prices = brief.pool.prices / 100
        cost = np.concatenate([prices[self._water], prices[self._kept], -prices[self._kept]])
        least, most = self._bounds(case.upper[:n])
        key = (id(model.matrix), case.upper.tobytes())
        few = None if ready is None else ready.few.get(key)
        rows = self._rows(None if few is None else few.matrix[:-1])
        if few is not None:
            few.limit(*rows[1:])
        elif not choices:
            few = Few(rows, (distance, cost), least, most)
            if ready is not None:
                ready.few[key] = few
        self._few = few
        self._sets: dict[frozenset[int], float] = {}
        self._open = frozenset(range(free))
        self._time_limit = time_limit
        self._pool, self._loaded = brief.pool, (rows, distance, cost)
        self._answer: SolverAnswer | None = None
        self._fewest = self._least = inf

    def _rows(self, laid: Vector | None) -> tuple[Vector, Vector, Vector]:
        """Return the rows over [water, plus, minus], whose ends lack what the given doses bring, and these ends.

        Args:
            laid: Their coefficients, if they were laid before.
        """
        model, f = self.case.model, self.here[self._kept]
        if laid is None:
            part = model.matrix[:, self._kept]
            laid = np.hstack([model.matrix[:, self._water], part, -part])
        held = laid[:, len(self._water) : len(self._water) + len(f)]
        shift, summed = held @ f, np.abs(held) @ f
        return laid, _less(model.row_low, shift, summed), _less(model.row_high, shift, summed)

    def _bounds(self, upper: Vector) -> tuple[Vector, Vector]:
        """Return column bounds of [water, plus, minus] from the most of each dose, shape (n,)."""
        f, most = self.here[self._kept], upper[self._kept]
        least = np.concatenate([np.zeros(self._widths[1]), np.maximum(f - most, 0.0)])
        return least, np.concatenate([upper[self._water], np.maximum(most - f, 0.0), f])

    def _load(self) -> None:
        """Load the integer program, of which each dose that changes has a flag."""
        (top, row_low, row_high), distance, cost = self._loaded
        model, free, rows = self.case.model, len(self._kept), len(row_low)
        kept = np.isfinite(model.row_low) | np.isfinite(model.row_high)
        caps = np.maximum(implied_caps(compress(model.rows, kept), self._pool), 0.0)
        least, most = self._bounds(np.minimum(self.case.upper[: model.doses], caps))
        water, choices = len(self._water), model.size - model.doses
        reach = np.maximum(*np.split(most[water:], 2))
        none = np.zeros(choices + free)
        self._count, self._distance = np.zeros(self._widths[-1]), np.concatenate([distance, none])
        self._count[self._widths[3] :] = [k not in self._always for k in range(free)]
        self._cost = np.concatenate([cost, model.planned, np.zeros(free)])
        switch = np.hstack([np.zeros((free, water)), np.eye(free), np.eye(free), np.zeros((free, choices))])
        matrix = np.vstack(
            [
                np.hstack([top, model.matrix[:, model.doses :], np.zeros((rows, free))]),
                np.hstack([switch, -np.diag(reach)]),
                self._count,
                self._distance,
            ]
        )
        low = np.concatenate([row_low, np.full(free + 2, -inf)])
        high = np.concatenate([row_high, np.zeros(free), [inf, inf]])
        self._lower = np.concatenate([least, none])
        self._upper = np.concatenate([most, self.case.upper[model.doses :], np.ones(free)])
        self._session = Session(matrix, low, high, integers=choices + free, time_limit=self._time_limit)
        self._last_rows = np.array([rows + free, rows + free + 1], dtype=np.int32)

    def fewest(self, most: float = inf) -> float:
        """Return the least number of changed doses, infinite if there is no formula or more than `most` are needed."""
        if self._few is not None:
            sets = self._few.smallest(self._always, most)
            if sets is not None:
                self._sets = sets
                return float(min(map(len, sets), default=inf))
            self._few = None
        self._load()
        value = self._run(self._count)
        if value < inf:
            self._fewest = float(round(value))
            self._session.rows(self._last_rows[:1], np.array([-inf]), np.array([self._fewest + 0.5]))
        return self._fewest

    def all_open(self) -> None:
        """Let every dose change, so that their number does not count."""
        if self._few is None:
            self._load()
            self._lower[self._widths[3] :] = 1.0

    def least(self) -> float:
        """Return the least sum of changes [%] at the number of changes found before, if any."""
        if self._few is not None:
            self._least = self._chosen(self._few)
            return self._least
        value = self._run(self._distance)
        if value == inf and self._fewest < inf:
            # The least number of changes may hold by a hair only: one more is allowed.
            self._session.rows(self._last_rows[:1], np.array([-inf]), np.array([self._fewest + 1.5]))
            value = self._run(self._distance)
        return value

    def _chosen(self, few: Few) -> float:
        """Open the smallest set with the least distance, ties to the least cost; return the distance."""
        if self._sets:
            least = min(self._sets.values())
            tied = [c | self._always for c in sorted(self._sets, key=sorted) if self._sets[c] <= least + USED]
            self._open = tied[0]
            if len(tied) > 1:
                answers = [few.cheapest(c, least + USED) for c in tied]
                costs = [round(float(few.cost @ a.x), 9) if a.x.size else inf for a in answers]
                self._open = tied[costs.index(min(costs))]
            return least
        answer = few.run(few.distance, self._open)
        return float(few.distance @ answer.x) if answer.x.size else inf

    def cheapest(self) -> Vector:
        """Return the column values of the case's model at the least distance and, there, least cost.

        The cheapest choices and flags are searched first and then fixed, so that what is returned is a vertex
        of a linear program.
        """
        if self._few is not None:
            self._answer = self._few.cheapest(self._open, self._least + USED)
            return self._spread(self._answer.x, np.zeros(0))
        assert self._answer is not None
        least = float(self._distance @ self._answer.x)
        self._session.rows(self._last_rows[1:], np.array([-inf]), np.array([least + USED]))
        self._run(self._cost)
        whole = self._widths[2]
        self._session.rows(self._last_rows, np.full(2, -inf), np.full(2, inf))
        near = fixed(self._session, self._distance, self._lower, self._upper, self._answer.x[whole:])
        assert near.lower is not None
        assert near.upper is not None
        self._session.rows(self._last_rows[1:], np.array([-inf]), np.array([near.objective * (1 + SAME_WORTH)]))
        x = linear(self._session, self._cost, near.lower, near.upper).answer.x
        x = x if x.size else near.answer.x
        return self._spread(x[:whole], np.round(x[whole : self._widths[3]]))

    def _spread(self, changes: Vector, choices: Vector) -> Vector:
        """Return the column values of the case's model."""
        water, plus, minus = np.split(changes, self._widths[:2])
        x = np.zeros(self.case.model.size)
        x[self._water] = water
        x[self._kept] = self.here[self._kept] + plus - minus
        x[: len(self.here)][x[: len(self.here)] < USED] = 0.0
        x[len(self.here) :] = choices
        return x

    def _run(self, goal: Vector) -> float:
        answer = self._session.run(goal, self._lower, self._upper)
        self.proven = self.proven and answer.ending == "optimal"
        if answer.x.size == 0:
            return inf
        self._answer = answer
        return float(goal @ answer.x)
