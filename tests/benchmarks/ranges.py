"""Ranges against a hot solver loop in the same run: five seeded instances, every answer compared.

The peer is highspy alone on ready arrays: one object, only costs, bounds and (for means) coefficients
changed between runs, columns and row prices read. Ours runs from the loaded brief and grid to verified
answers in memory, building the matrix included.
"""

from __future__ import annotations

import gc
import os
import resource
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from time import perf_counter

import highspy
import numpy as np
import pulp
from measure import Line
from numpy.typing import NDArray
from shop import brief_of

from optimizer.brief.brief import Brief
from optimizer.brief.scenario import Objective
from optimizer.engine import pulp_path
from optimizer.model.model import cases
from optimizer.solve.best import solve
from optimizer.sweep.family import Family
from optimizer.sweep.frame import ENDINGS, WAYS, Frame
from optimizer.sweep.grid import Grid
from optimizer.sweep.single import one_by_one

Floats = NDArray[np.float64]
Draw = np.random.Generator
SEEDS = range(5)
MANY, WIDE, REBUILT = 20_000, 4_000, 12


def lines() -> Iterator[Line]:
    """Yield every kind of range, then what many scenarios at once cost."""
    common = partial(measured, size=40, count=MANY)
    yield from common("40 materials: 2 limits, 5 prices, one surfactant missing in 30 %", 0.12, 0.3, limits, anew=0.05)
    yield from common("40 materials: every price +-10 %", 0.5, 1.1, every_price, anew=0.5)
    yield from common("40 materials: mildness target, active matter free", 0.3, 0.5, targets, anew=0.1)
    yield from common("40 materials: mostly impossible", 0.3, 0.5, impossible, anew=0.1)
    wide = partial(measured, size=400, count=WIDE)
    yield from wide("400 materials: every price +-10 %", 1.1, 1.1, every_price)
    yield from wide("400 materials: every price +-70 % (hardly any basis shared)", 1.1, 1.1, wild_prices)
    yield Line("scenarios, 40 materials, to rebuilding each with PuLP + CBC", rebuilding(), 1 / 200)
    small, big = (apart(size) for size in (20_000, 100_000))
    yield Line("100,000 scenarios to 20,000, time per scenario", [big[0] / small[0] / 5], 1.2)
    yield Line("  most memory of 100,000 [MiB]", [big[1]], 1024)


Maker = Callable[[Brief, Draw, int], Grid]


def measured(
    what: str, goal: float, worst: float, make: Maker, *, size: int, count: int, anew: float | None = None
) -> Iterator[Line]:
    """Yield one claim, each instance run by ours and by the peer and compared, and the share not solved by reuse."""
    ratios, shares = [], []
    for seed in SEEDS:
        brief, draw = instance(size, seed), np.random.default_rng(seed)
        grid = make(brief, draw, count)
        begin = perf_counter()
        frame = Family(brief, grid.keys).solve(grid)
        ours = perf_counter() - begin
        values, peer = hot(brief, grid)
        compare(brief, grid, frame, values)
        if make is impossible:
            assert np.isnan(values).mean() > 0.5, "most scenarios must be impossible"
        ratios.append(ours / peer)
        shares.append(float((frame.way != WAYS.index("reused")).mean()))
        gc.collect()
    yield Line(f"scenarios to a hot loop, {what}", ratios, goal, worst)
    yield Line("  share of scenarios solved anew", shares, worst=anew)


def compare(brief: Brief, grid: Grid, frame: Frame, values: Floats) -> None:
    """Assert that every answer is the peer's.

    Solvers stop at reduced costs of -1e-7, so both may miss the optimum in the last digits: ours may never be
    worse than peer and a solve of its own by more than the gap that a certificate allows.
    """
    solved = frame.ending == ENDINGS.index("optimal")
    assert (solved | (frame.ending == ENDINGS.index("infeasible"))).all()
    assert (solved == ~np.isnan(values)).all(), "verdicts differ"
    off = np.flatnonzero(solved & (np.abs(frame.objective - values) > 1e-8))
    assert off.size <= len(grid) / 100
    assert np.abs(frame.objective[off] - values[off]).max(initial=0.0) < 1e-6, "objectives differ"
    best = np.minimum(one_by_one(brief, grid.take(off), 60.0).objective, values[off])
    assert (frame.objective[off] - best).max(initial=0.0) <= 1e-7, "an answer is worse"


def instance(size: int, seed: int) -> Brief:
    """Return the seed's first brief that can be met by one linear program."""
    for number in range(100):
        brief = brief_of(size, 1000 * seed + number)
        found = cases(brief.modelled, brief.acidity, brief.pool)
        if len(found) == 1 and not found[0].model.choices and solve(brief).ending == "optimal":
            return brief
    raise AssertionError("no brief of this seed can be met")


def surfactants(brief: Brief) -> list[str]:
    """Return the ids of the surfactants."""
    return [i.id for i in brief.pool.items if i.surfactant > 0]


def noise(brief: Brief, draw: Draw, names: list[str], count: int) -> dict[str, Floats]:
    """Return prices +-10 %."""
    prices = {i.id: i.price for i in brief.pool.items}
    return {f"price.{n}": prices[n] * draw.uniform(0.9, 1.1, count) for n in names}


def lost(brief: Brief, draw: Draw, share: float, count: int) -> dict[str, Floats]:
    """Return one surfactant missing in a share of the scenarios."""
    names = surfactants(brief)
    which = np.where(draw.random(count) < share, draw.integers(0, len(names), count), -1)
    return {f"missing.{n}": (which == k).astype(float) for k, n in enumerate(names)}


def grid_of(columns: dict[str, Floats]) -> Grid:
    """Return columns as a grid."""
    return Grid(tuple(columns), tuple(columns.values()), len(next(iter(columns.values()))))


def limits(brief: Brief, draw: Draw, count: int) -> Grid:
    """Two limits, five prices +-10 %, one surfactant missing in 30 %."""
    some = [str(n) for n in draw.choice(surfactants(brief), 5, replace=False)]
    moved = {"active.at_least": draw.uniform(8, 11, count), "salt.at_most": draw.uniform(0.8, 2, count)}
    return grid_of({**moved, **noise(brief, draw, some, count), **lost(brief, draw, 0.3, count)})


def every_price(brief: Brief, draw: Draw, count: int) -> Grid:
    """Every price +-10 %."""
    return grid_of(noise(brief, draw, [n for n in brief.pool.ids if n != "aqua"], count))


def wild_prices(brief: Brief, draw: Draw, count: int) -> Grid:
    """Every price +-70 %: hardly two scenarios share a basis."""
    prices = {i.id: i.price for i in brief.pool.items if i.id != "aqua"}
    return grid_of({f"price.{n}": price * draw.uniform(0.3, 1.7, count) for n, price in prices.items()})


def targets(brief: Brief, draw: Draw, count: int) -> Grid:
    """A grid of mildness targets and a price; active matter is free within its limits."""
    some = [str(n) for n in draw.choice(surfactants(brief), 1)]
    return grid_of({"mildness.at_least": draw.uniform(45, 75, count), **noise(brief, draw, some, count)})


def impossible(brief: Brief, draw: Draw, count: int) -> Grid:
    """Strong and less harsh than most of what can be had, one surfactant missing in 30 %."""
    some = [str(n) for n in draw.choice(surfactants(brief), 5, replace=False)]
    scenario = brief.scenario.model_copy(update={"objective": Objective(minimise="load")})
    least = solve(replace(brief, scenario=scenario)).objective
    moved = {
        "active.at_least": draw.uniform(9, 12, count),
        "load.at_most": least * draw.uniform(0.6, 1.15, count),
        "salt.at_most": draw.uniform(0.4, 1.5, count),
    }
    return grid_of({**moved, **noise(brief, draw, some, count), **lost(brief, draw, 0.3, count)})


def arrays(
    brief: Brief, grid: Grid
) -> tuple[highspy.HighsLp, Floats, Floats, dict[int, tuple[Floats, Floats]], object]:
    """Return the program, costs and upper bounds (s, n), row ends by row, and rows whose coefficients move."""
    (case,) = cases(brief.modelled, brief.acidity, brief.pool)
    model, pool = case.model, brief.pool
    cost, _ = model.objective(brief.measure("cost"), pool, 1)
    costs, uppers = np.tile(cost, (len(grid), 1)), np.tile(case.upper, (len(grid), 1))
    ends: dict[int, tuple[Floats, Floats]] = {}
    moved: dict[int, Floats] = {}
    for key, column in zip(grid.keys, grid.columns, strict=True):
        owner, _, last = key.partition(".")
        if owner == "price":
            costs[:, pool.index[last]] = column / 100
        elif owner == "missing":
            uppers[column == 1, pool.index[last]] = 0.0
        else:
            side = {"at_least": "low", "at_most": "high"}[last]
            (r,) = (r for r, row in enumerate(model.rows) if (row.owner, row.side) == (owner, side))
            row, rule = model.rows[r], next(x for x in brief.modelled if x.id == owner)
            if row.per_limit is not None:
                by = column - rule.limits[0 if side == "low" else 1]
                moved[r] = model.matrix[r] - by[:, None] * row.per_limit
            else:
                free = np.full(len(grid), np.inf)
                ends[r] = (column, free) if side == "low" else (-free, column)
    lp = highspy.HighsLp()
    lp.num_row_, lp.num_col_ = model.matrix.shape
    lp.col_cost_, lp.col_lower_, lp.col_upper_ = cost, model.lower, case.upper
    lp.row_lower_, lp.row_upper_ = model.row_low, model.row_high
    rows, columns = np.nonzero(model.matrix)
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.start_ = np.searchsorted(rows, np.arange(len(model.rows) + 1)).astype(np.int32)
    lp.a_matrix_.index_, lp.a_matrix_.value_ = columns.astype(np.int32), model.matrix[rows, columns]
    return lp, costs, uppers, ends, moved


def hot(brief: Brief, grid: Grid) -> tuple[Floats, float]:
    """Return the objective of every scenario (NaN if impossible) by a hot loop, and its time [s]."""
    lp, costs, uppers, ends, moved = arrays(brief, grid)
    assert isinstance(moved, dict)
    n = lp.num_col_
    solver = highspy.Highs()
    for name, value in (("output_flag", False), ("threads", 1), ("presolve", "off")):
        solver.setOptionValue(name, value)
    solver.passModel(lp)
    solver.run()
    index, zero, values = np.arange(n, dtype=np.int32), np.zeros(n), np.full(len(grid), np.nan)
    changed = np.array(list(ends), dtype=np.int32)
    low = np.array([ends[r][0] for r in changed]).reshape(len(changed), len(grid)).T.copy()
    high = np.array([ends[r][1] for r in changed]).reshape(len(changed), len(grid)).T.copy()
    missing = any(key.startswith("missing") for key in grid.keys)
    begin = perf_counter()
    for s in range(len(grid)):
        solver.changeColsCost(n, index, costs[s])
        if missing:
            solver.changeColsBounds(n, index, zero, uppers[s])
        if len(changed):
            solver.changeRowsBounds(len(changed), changed, low[s], high[s])
        for r, rows in moved.items():
            for j, value in enumerate(rows[s].tolist()):
                solver.changeCoeff(r, j, value)
        solver.run()
        if solver.getModelStatus() == highspy.HighsModelStatus.kOptimal:
            solution = solver.getSolution()
            x, _ = np.array(solution.col_value), np.array(solution.row_dual)
            values[s] = costs[s] @ x
    return values, perf_counter() - begin


def rebuilding() -> list[float]:
    """Return the time of a scenario to that of PuLP + CBC that builds every one anew."""
    found = []
    for seed in SEEDS:
        brief, draw = instance(40, seed), np.random.default_rng(seed)
        grid = limits(brief, draw, MANY)
        begin = perf_counter()
        frame = Family(brief, grid.keys).solve(grid)
        ours = (perf_counter() - begin) / len(grid)
        (case,) = cases(brief.modelled, brief.acidity, brief.pool)
        begin = perf_counter()
        lp, costs, uppers, _, _ = arrays(brief, grid.take(slice(0, REBUILT)))
        begin = perf_counter()
        for s in range(REBUILT):
            problem, _ = pulp_path.problem(case.model, costs[s], case.model.lower, uppers[s], "range")
            problem.solve(pulp.PULP_CBC_CMD(msg=False))
        found.append(ours * REBUILT / (perf_counter() - begin))
        assert len(frame) == MANY
        assert lp.num_col_ == 40
    return found


def large(count: int) -> tuple[float, float]:
    """Return time [s] and most memory [MiB] of a range in this process."""
    brief, draw = instance(40, 0), np.random.default_rng(0)
    grid = limits(brief, draw, count)
    begin = perf_counter()
    frame = Family(brief, grid.keys).solve(grid)
    took = perf_counter() - begin
    assert len(frame) == count
    return took, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def tell(count: int) -> None:
    """Print what `large` found, for `apart`."""
    print(*large(count))


def apart(count: int) -> tuple[float, float]:
    """Run `large` in a process of its own."""
    here = str(Path(__file__).parent)
    command = [sys.executable, "-c", f"import sys; sys.path.insert(0, {here!r}); import ranges; ranges.tell({count})"]
    environment = {"OPENBLAS_NUM_THREADS": "1", **os.environ}
    done = subprocess.run(command, env=environment, check=True, stdout=subprocess.PIPE, text=True)
    took, most = map(float, done.stdout.split())
    return took, most
