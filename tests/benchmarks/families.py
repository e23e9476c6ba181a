"""Families of scenarios of briefs with choices, to the integer search of HiGHS on the same programs.

The peer is highspy alone on ready arrays: one object per pH case that no other covers, its best settings found first,
costs, ends and coefficients changed between runs; timed on a sample drawn by seed. Ours runs from the loaded brief and
the grid to verified answers of all scenarios, the matrix and every proof included. Sampled answers are compared.
"""

from __future__ import annotations

import resource
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from time import process_time

import highspy
import live
import numpy as np
import pulp
from choices import loaded
from measure import FROZEN, Line, asked
from numpy.typing import NDArray
from shop import LIBRARY

from optimizer.brief.brief import Brief
from optimizer.engine import pulp_path
from optimizer.model.model import Case, cases
from optimizer.sweep.family import Family
from optimizer.sweep.frame import ENDINGS, WAYS
from optimizer.sweep.grid import Grid
from optimizer.sweep.run import run_range
from optimizer.sweep.single import brief_at
from optimizer.sweep.source import Source

Floats = NDArray[np.float64]
Draw = np.random.Generator
PLAIN, HARD = ("hand-wash", "body-wash"), ("gentle-wash", "clear-shampoo")
SAMPLE, FIRST, REBUILT, WILD = 100, 10, 5, 300
MANY = 100_000
SEEDS = range(5) if "--long" in sys.argv else range(1)


def lines() -> Iterator[Line]:
    """Yield every kind of family, and what nothing reusable costs."""
    yield from _kind("2 limits, 5 prices +-20 %", few, 0.01, 0.06)
    yield from _kind("every price +-5 %", every_price, 0.01, 0.06)
    yield from _kind("mildness target and active matter together", targets, 0.05, 0.25)
    yield from measured("nothing reusable: every price +-70 %", ("hand-wash",), WILD, wild_prices, 1.2)
    yield Line("hand-wash, 2 limits and 5 prices, to rebuilding each with PuLP + CBC", [rebuilding()], 0.002)
    yield Line(f"hand-wash, 2 limits and 5 prices, {MANY:,} scenarios: peak memory to 1 GiB", [memory()], 1)
    yield from live.lines()


Maker = Callable[[Brief, Draw, int], Grid]


def _kind(what: str, make: Maker, plain: float, hard: float) -> Iterator[Line]:
    yield from measured(f"{what}, {' and '.join(PLAIN)}", PLAIN, 20_000, make, plain)
    yield from measured(f"{what}, {' and '.join(HARD)}", HARD, 5_000, make, hard)


def measured(what: str, names: tuple[str, ...], count: int, make: Maker, goal: float) -> Iterator[Line]:
    """Yield one claim, and the share of scenarios that took programs of their own."""
    ratios, shares, peers = [], [], []
    for name in names:
        for seed in SEEDS:
            brief, draw = asked(name), np.random.default_rng(seed)
            grid = make(brief, draw, count)
            begin = process_time()
            frame = Family(brief, grid.keys).solve(grid)
            ours = (process_time() - begin) / count
            where = np.sort(draw.choice(count, min(SAMPLE, count), replace=False))
            values, theirs, presolve = searched(brief, grid.take(where))
            solved = frame.ending[where] == ENDINGS.index("optimal")
            assert (solved == ~np.isnan(values)).all(), "verdicts differ"
            off = np.abs(frame.objective[where] - values)[solved]
            assert off.max(initial=0.0) <= 1e-6, "objectives differ"
            ratios.append(ours / theirs)
            shares.append(float((frame.way != WAYS.index("reused")).mean()))
            peers.append(f"presolve {presolve}, {1000 * theirs:.0f} ms")
    yield Line(f"families with choices, {what}", ratios, worst=goal, peer="; ".join(peers[:: len(SEEDS)]))
    yield Line("  share of scenarios solved anew", shares)


def few(brief: Brief, draw: Draw, count: int) -> Grid:
    """Limits of active matter and humectants, five prices +-20 %."""
    limits = {r.id: r.limits for r in brief.modelled}
    names = [i.id for i in brief.pool.items if i.surfactant > 0]
    prices = {i.id: i.price for i in brief.pool.items}
    columns = {
        "active.at_least": limits["active"][0] * draw.uniform(0.9, 1.1, count),
        "humectant.at_least": limits["humectant"][0] * draw.uniform(0.7, 1.3, count),
    }
    some = [str(n) for n in draw.choice(names, 5, replace=False)]
    return grid_of({**columns, **{f"price.{n}": prices[n] * draw.uniform(0.8, 1.2, count) for n in some}})


def every_price(brief: Brief, draw: Draw, count: int) -> Grid:
    """Every price +-5 %."""
    return grid_of({f"price.{i.id}": i.price * draw.uniform(0.95, 1.05, count) for i in brief.pool.items})


def wild_prices(brief: Brief, draw: Draw, count: int) -> Grid:
    """Every price +-70 %."""
    return grid_of({f"price.{i.id}": i.price * draw.uniform(0.3, 1.7, count) for i in brief.pool.items})


def targets(brief: Brief, draw: Draw, count: int) -> Grid:
    """Mildness target -4 to +3, which stands in coefficients, and active matter -8 to +12 %."""
    limits = {r.id: r.limits for r in brief.modelled}
    return grid_of({
        "mildness.at_least": limits["mildness"][0] + draw.uniform(-4, 3, count),
        "active.at_least": limits["active"][0] * draw.uniform(0.92, 1.12, count),
    })  # fmt: skip


def grid_of(columns: dict[str, Floats]) -> Grid:
    """Return columns as a grid."""
    return Grid(tuple(columns), tuple(columns.values()), len(next(iter(columns.values()))))


def searched(brief: Brief, grid: Grid) -> tuple[Floats, float, str]:
    """Return the least cost of every scenario by HiGHS' search, its time for one [s], and its better setting."""
    briefs = [brief_at(brief, grid.row(s)) for s in range(len(grid))]
    programs = [widest(cases(b.modelled, b.acidity, b.pool)) for b in briefs]
    costs = [
        [c.model.objective(b.measure("cost"), b.pool, 1) for c in own] for b, own in zip(briefs, programs, strict=True)
    ]
    first = slice(0, FIRST)
    better = min(("on", "off"), key=lambda presolve: run_all(programs[first], costs[first], presolve)[1])
    values, took = run_all(programs, costs, better)
    return np.where(np.isinf(values), np.nan, values), took / len(grid), better


def run_all(programs: list[list[Case]], costs: list[list[tuple[Floats, float]]], presolve: str) -> tuple[Floats, float]:
    """Return the least cost of every scenario, infinite if there is none, and the time of all [s]."""
    values, took = np.full(len(programs), np.inf), 0.0
    for place in range(len(programs[0])):
        solver = loaded(programs[0][place], costs[0][place][0], presolve)
        before = programs[0][place].model
        for s, own in enumerate(programs):
            case = own[place]
            cost, constant = costs[s][place]
            begin = process_time()
            moved(solver, before, case, cost)
            solver.run()
            if solver.getModelStatus() == highspy.HighsModelStatus.kOptimal:
                values[s] = min(values[s], float(cost @ np.array(solver.getSolution().col_value)) + constant)
            took += process_time() - begin
            before = case.model
    return values, took


def widest(every: tuple[Case, ...]) -> list[Case]:
    """Return the cases that no other case covers."""
    kept = []
    for k, case in enumerate(every):
        wider = [j for j, o in enumerate(every) if j != k and (o.upper >= case.upper).all()]
        if not any((every[j].upper > case.upper).any() or j < k for j in wider):
            kept.append(case)
    return kept


def moved(solver: highspy.Highs, before: object, case: Case, cost: Floats) -> None:
    """Change what differs from the scenario before."""
    model = case.model
    assert hasattr(before, "matrix")
    solver.changeColsCost(model.size, np.arange(model.size, dtype=np.int32), cost)
    every = np.arange(len(model.rows), dtype=np.int32)
    solver.changeRowsBounds(len(every), every, model.row_low, model.row_high)
    for r, j in zip(*np.nonzero(model.matrix != before.matrix), strict=True):
        solver.changeCoeff(int(r), int(j), float(model.matrix[r, j]))


def rebuilding() -> float:
    """Return the time of a scenario to that of PuLP + CBC that builds every one anew."""
    brief, draw = asked("hand-wash"), np.random.default_rng(0)
    grid = few(brief, draw, 20_000)
    begin = process_time()
    frame = Family(brief, grid.keys).solve(grid)
    ours = (process_time() - begin) / len(frame)
    took = 0.0
    for s in range(REBUILT):
        own = brief_at(brief, grid.row(s))
        for case in widest(cases(own.modelled, own.acidity, own.pool)):
            cost, _ = case.model.objective(own.measure("cost"), own.pool, 1)
            begin = process_time()
            problem, _ = pulp_path.problem(case.model, cost, case.model.lower, case.upper, "range")
            took += process_time() - begin
            took += _waited(problem)
    return ours * REBUILT / took


def memory() -> float:
    """Return the peak memory of a process that answers very many scenarios as `range` does, all kept, in GiB."""
    told = subprocess.run([sys.executable, __file__], capture_output=True, text=True, check=True).stdout
    return int(told) / 2**30


def peak() -> int:
    """Answer very many scenarios; return the peak memory of this process [bytes].

    What `getrusage` tells of a process is no less than what the one had that started it, so Linux is asked otherwise.
    """
    grid = few(asked("hand-wash"), np.random.default_rng(0), MANY)
    source = Source("hand-wash", FROZEN / "scenarios" / "hand-wash.toml", libraries=(LIBRARY,))
    frame = run_range((source,), grid).frame
    assert (frame.ending == ENDINGS.index("optimal")).all(), "not all are answered"
    status = Path("/proc/self/status")
    if status.exists():
        return 1024 * int(status.read_text(encoding="utf-8").partition("VmHWM:")[2].split()[0])
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most if sys.platform == "darwin" else 1024 * most


def _waited(problem: pulp.LpProblem) -> float:
    """Return the time that CBC takes, which runs in a process of its own [s]."""
    from time import perf_counter

    begin = perf_counter()
    problem.solve(pulp.PULP_CBC_CMD(msg=False))
    return perf_counter() - begin


if __name__ == "__main__":
    print(peak())
