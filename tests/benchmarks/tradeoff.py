"""Ratios of trade-offs and room to move to hot loops of the solver and to PuLP, five seeded instances each."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from statistics import median

import highspy
import numpy as np
from measure import Line, Program, cbc, timed
from shop import brief_of

from optimizer.brief.brief import Brief
from optimizer.data.pool import Vector
from optimizer.model.model import cases
from optimizer.solve.frontier.tradeoff import Frontier
from optimizer.studies.frontier import frontier
from optimizer.studies.leeway import Leeway, leeway

SIZE, SEEDS, ROUNDS = 40, (20, 21, 22, 23, 24), 9
POINTS = 50
LOSS = 0.05
"""In EUR per kg."""


def lines() -> Iterator[Line]:
    """Yield every claim of the two studies."""
    sweeps, slow, rooms, primal = (list(ratios) for ratios in zip(*map(one, SEEDS), strict=True))
    yield Line("frontier, 40 materials, to a hot sweep of 50 points", sweeps, 1.4)
    yield Line("  the same to a sweep of the 50 points with PuLP + CBC", slow, 0.1)
    yield Line("leeway, 40 materials, to two hot solves per dose", rooms, 1.15)
    yield Line("  the same to hot solves with primal simplex", primal)


def one(seed: int) -> tuple[float, float, float, float]:
    """Return the ratios of one instance, each the median of alternating rounds, after comparing answers."""
    sweep, rooms = Sweep(brief_of(SIZE, seed)), Rooms(brief_of(SIZE, seed))
    sweep.compare(traded(brief_of(SIZE, seed)))
    rooms.compare(leeway(brief_of(SIZE, seed), LOSS))
    hot = alternating(seed, traded, sweep.run)
    room = alternating(seed, partial(leeway, loss=LOSS), rooms.run)
    primal = alternating(seed, partial(leeway, loss=LOSS), partial(rooms.run, simplex_strategy=4))
    slow = timed(partial(traded, brief_of(SIZE, seed))) / timed(sweep.with_pulp)  # last, as processes slow what follows
    return hot, slow, room, primal


def alternating(seed: int, ours: Callable[[Brief], object], peer: Callable[[], object]) -> float:
    """Return the median ratio of rounds in which ours runs on a freshly read brief and then the peer."""
    ratios = []
    for _ in range(ROUNDS):
        mine = timed(partial(ours, brief_of(SIZE, seed)))
        ratios.append(mine / timed(peer))
    return median(ratios)


def traded(brief: Brief) -> Frontier:
    """Trace cost against mildness, whose total is free between the limits of the active matter."""
    return frontier(brief, (1, "cost"), (-1, "mildness"))


class Hot:
    """One solver that is loaded once and run again and again, its arrays ready."""

    def __init__(self, brief: Brief, *more: tuple[Vector, float, float]) -> None:
        """Lay out the arrays of the one program of a brief with more rows."""
        (case,) = cases(brief.modelled, brief.acidity, brief.pool)
        assert not case.model.choices
        self.brief, self.case, self.model = brief, case, case.model
        self.cost, _ = case.model.objective(brief.measure("cost"), brief.pool, 1)
        matrix = np.vstack([case.model.matrix, *(row for row, _, _ in more)])
        self.low = np.append(case.model.row_low, [low for _, low, _ in more])
        self.high = np.append(case.model.row_high, [high for _, _, high in more])
        rows, columns = np.nonzero(matrix)
        self.start = np.searchsorted(rows, np.arange(len(matrix) + 1)).astype(np.int32)
        self.index, self.value = columns.astype(np.int32), matrix[rows, columns]
        self.indices = np.arange(len(self.cost), dtype=np.int32)

    def loaded(self, **options: int) -> highspy.Highs:
        """Return a solver that holds the arrays."""
        solver = highspy.Highs()
        for name, value in {"output_flag": False, "presolve": "off", "threads": 1, **options}.items():
            solver.setOptionValue(name, value)
        lp = highspy.HighsLp()
        lp.num_row_, lp.num_col_ = len(self.low), len(self.cost)
        lp.col_cost_, lp.col_lower_, lp.col_upper_ = self.cost, self.model.lower, self.case.upper
        lp.row_lower_, lp.row_upper_ = self.low, self.high
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.start_, lp.a_matrix_.index_, lp.a_matrix_.value_ = self.start, self.index, self.value
        solver.passModel(lp)
        return solver


class Sweep(Hot):
    """The least cost at 50 evenly spread targets of mildness."""

    def __init__(self, brief: Brief) -> None:
        measure = brief.measure("mildness")
        self.amount, self.per = brief.pool.vector(measure.amount), brief.pool.vector(measure.per)
        super().__init__(brief, (self.amount, -np.inf, np.inf))
        breaks = traded(brief).breaks
        self.targets = np.linspace(breaks[0].x, breaks[-1].x, POINTS)
        self.targets[-1] -= 1e-7  # the very end may be past it by rounding

    def run(self) -> list[float]:
        """Load once, then move the row, run and read primal and dual values at every target."""
        solver, last, used = self.loaded(), len(self.low) - 1, np.flatnonzero(self.per).tolist()
        found = []
        for target in self.targets:
            row = (self.amount - target * self.per).tolist()
            for j in used:
                solver.changeCoeff(last, j, row[j])
            solver.changeRowBounds(last, 0.0, np.inf)
            solver.run()
            solution = solver.getSolution()
            x, _ = np.array(solution.col_value), np.array(solution.row_dual)
            found.append(float(self.cost @ x))
        return found

    def with_pulp(self) -> list[float]:
        """Build and solve every target anew with PuLP and CBC."""
        return [cbc(self.program(float(target))) for target in self.targets]

    def program(self, target: float) -> Program:
        """Return the model at one target."""
        brief = self.brief
        rule = brief.measure("mildness").with_limits(target, np.inf).model_copy(update={"id": "swept"})
        (case,) = cases((*brief.modelled, rule), brief.acidity, brief.pool)
        none = np.zeros(0, dtype=np.int32)
        return Program(case.model, case.upper, self.cost, none, none, np.zeros(0))

    def compare(self, ours: Frontier) -> None:
        """Refuse to measure answers that differ."""
        for x, y in zip(self.targets, self.run(), strict=True):
            mine = next(s.at(x) for s in ours.stretches if s.first - 1e-9 <= x <= s.last + 1e-9)
            assert abs(mine - y) < 1e-5, f"at {x:g}: {mine:g} and {y:g}"


class Rooms(Hot):
    """The least and the most of every dose within the loss."""

    def __init__(self, brief: Brief) -> None:
        cost = brief.pool.vector(brief.measure("cost").amount)
        best = leeway(brief, LOSS).result.objective
        super().__init__(brief, (cost, -np.inf, best + LOSS))

    def run(self, **options: int) -> list[tuple[float, float]]:
        """Load once, then run twice per dose and read primal and dual values."""
        solver, goal, found = self.loaded(**options), np.zeros(len(self.cost)), []
        for j in range(len(goal)):
            ends = []
            for sign in (1.0, -1.0):
                goal[j] = sign
                solver.changeColsCost(len(goal), self.indices, goal)
                solver.run()
                solution = solver.getSolution()
                x, _ = np.array(solution.col_value), np.array(solution.row_dual)
                ends.append(float(x[j]))
            goal[j] = 0.0
            found.append((ends[0], ends[1]))
        return found

    def compare(self, ours: Leeway) -> None:
        """Refuse to measure answers that differ."""
        for room, (least, most) in zip(ours.rooms, self.run(), strict=True):
            assert abs(room.least - least) < 1e-3, room.id
            assert abs(room.most - most) < 1e-3, room.id
