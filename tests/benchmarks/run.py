"""Every speed claim as a ratio to a peer in the same run: one table, alternating runs, fixed seeds."""

from __future__ import annotations

import gc
import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from statistics import median
from time import perf_counter

import highspy
import numpy as np
import pulp
from briefs import brief_of
from numpy.typing import NDArray

from optimizer.engine import pulp_path
from optimizer.model import Model, cases, objective_vector
from optimizer.pool import Vector
from optimizer.solve import solve

TENSIDE = str(Path(sys.executable).parent / "tenside")
NEEDED = """
import numpy, typer, highspy
from pydantic import BaseModel
class Trivial(BaseModel):
    figure: float
Trivial(figure=1)
"""
BARE = "import numpy, pydantic, typer, highspy"
HEAVIER = ("rich", "pulp", "openpyxl", "scipy", "pandas")
BLEND = f"""
import contextlib, io, sys
from optimizer.cli import main
sys.argv = ["tenside", "blend", sys.argv[1]]
with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()):
    main()
loaded = sys.modules.keys() & {set(HEAVIER)}
assert not loaded, f"a blend loads {{loaded}}"
"""
READING = f"""
from time import perf_counter
begin = perf_counter()
{NEEDED}
middle = perf_counter()
from optimizer.brief import load_brief
from optimizer.scenario import find_scenario
load_brief(find_scenario("hand-wash"))
print((perf_counter() - middle) / (middle - begin))
"""


@dataclass(frozen=True)
class Line:
    """One claim: a ratio per round and the most that its median may be."""

    what: str
    ratios: list[float]
    goal: float | None = None

    def cells(self) -> tuple[str, ...]:
        """The claim as a row of the table."""
        middle = median(self.ratios)
        met = "" if self.goal is None else "yes" if middle <= self.goal else "NO"
        goal = "" if self.goal is None else f"{self.goal:g}"
        return self.what, goal, f"{middle:.2f}", f"{max(self.ratios):.2f}", met


def main() -> None:
    """Measure and print; exit 1 if a goal is missed."""
    import tradeoff
    import trust

    gc.disable()  # as timeit and the command line do
    with tempfile.TemporaryDirectory() as folder:
        environment = compiled(Path(folder))
        report([*answers(), *large(), *linear(), *trust.lines(), *tradeoff.lines(), *starts(environment, Path(folder))])


def report(lines: Iterable[Line]) -> None:
    """Print the table of claims; exit 1 if a goal is missed."""
    rows = [("what, as a ratio", "goal", "median", "worst", "met"), *(line.cells() for line in lines)]
    width = max(len(row[0]) for row in rows)
    print("\n".join(f"{row[0]:<{width}}" + "".join(f"{cell:>8}" for cell in row[1:]) for row in rows))
    sys.exit(any(row[-1] == "NO" for row in rows))


def compiled(folder: Path) -> dict[str, str]:
    """Return an environment in which tool and peers alike run from bytecode, as installed packages do."""
    kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    return {**kept, "PYTHONPYCACHEPREFIX": str(folder / "bytecode")}


def answers() -> Iterator[Line]:
    """From loaded data to a verified answer, against highspy and PuLP with CBC on the same model."""
    times = versus(40, rounds=41, peers={"highs": highs, "lean": lean})
    yield Line("40 materials, 27 rules: solve to highspy with ready arrays", divided(times, "solve", "highs"), 4)
    yield Line("  the same to highspy without presolve and threads", divided(times, "solve", "lean"))
    times = versus(40, rounds=21, peers={"cbc": cbc})  # apart, as a process started by PuLP slows what runs next
    yield Line("  the same to PuLP + CBC, build and solve", divided(times, "solve", "cbc"), 1)


def large() -> Iterator[Line]:
    """A library of 5,000 materials."""
    times = versus(5000, rounds=7, peers={"highs": highs, "lean": lean})
    yield Line("5,000 materials: solve to highspy with ready arrays", divided(times, "solve", "highs"), 5)
    yield Line("  the same to highspy without presolve and threads", divided(times, "solve", "lean"))


def linear() -> Iterator[Line]:
    """Time to build the model, per material."""
    sizes = (1250, 2500, 5000)
    times: dict[str, list[float]] = {str(size): [] for size in sizes}
    for _ in range(7):
        for size in sizes:
            brief = brief_of(size)
            times[str(size)].append(timed(partial(cases, brief.rules, brief.acidity, brief.pool)) / size)
    for size in sizes[1:]:
        yield Line(f"building per material, {size:,} to {sizes[0]:,}", divided(times, str(size), str(sizes[0])), 1.5)


def starts(environment: dict[str, str], folder: Path) -> Iterator[Line]:
    """Whole processes: help and blends, against processes that only import the libraries."""
    run = partial(subprocess.run, env=environment, check=True, stdout=subprocess.PIPE, text=True)
    python = (sys.executable, "-c")
    run([TENSIDE, "start", str(folder / "first")])
    first = str(folder / "first" / "first-brief.toml")
    for scenario in (first, "hand-wash"):
        run([*python, BLEND, scenario])
    reading = [float(run([*python, READING]).stdout) for _ in range(15)]
    yield Line("reading library and scenario to importing the libraries", reading, 1)
    commands = {
        "help": (TENSIDE, "--help"),
        "typer": (*python, "import typer"),
        "linear": (TENSIDE, "blend", first),
        "needed": (*python, NEEDED),
        "integer": (TENSIDE, "blend", "hand-wash"),
        "bare": (*python, BARE),
    }
    times: dict[str, list[float]] = {name: [] for name in commands}
    for _ in range(21):
        for name, command in commands.items():
            times[name].append(timed(partial(run, command)))
    yield Line("tenside --help to importing typer", divided(times, "help", "typer"), 2.5)
    for name, what in (("linear", "first brief (linear)"), ("integer", "hand-wash (yes/no rules)")):
        yield Line(f"tenside blend, {what}, to importing what it needs", divided(times, name, "needed"), 1.4)
        yield Line("  the same to importing the bare packages", divided(times, name, "bare"))
    spent: dict[str, list[float]] = {name: [] for name in ("linear", "integer", "bare")}
    for _ in range(21):
        for name, found in spent.items():
            found.append(processor_time(partial(run, commands[name])))
    for name, what in (("linear", "first brief"), ("integer", "hand-wash")):
        yield Line(f"tenside blend, {what}, to the bare packages, processor time", divided(spent, name, "bare"), 1.4)


@dataclass(frozen=True)
class Program:
    """A linear program as every peer is given it: a named model, and the same as ready arrays."""

    model: Model
    upper: Vector
    cost: Vector
    start: NDArray[np.int32]
    index: NDArray[np.int32]
    value: Vector


Peer = Callable[[Program], float]


def processor_time(work: Callable[[], object]) -> float:
    """Return the processor time that the processes started by some work take [s]; threads that only start count."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    work()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def versus(size: int, rounds: int, peers: dict[str, Peer]) -> dict[str, list[float]]:
    """Return the times of solving a generated brief, always on freshly read data, and of its peers."""
    program = program_of(size)
    best = solve(brief_of(size)).objective
    for name, peer in peers.items():
        assert abs(peer(program) - best) < 1e-5, f"{name} finds another optimum"
    times: dict[str, list[float]] = {name: [] for name in ("solve", *peers)}
    for _ in range(rounds):
        times["solve"].append(timed(partial(solve, brief_of(size))))
        for name, peer in peers.items():
            times[name].append(timed(partial(peer, program)))
    return times


def program_of(size: int) -> Program:
    """Return the one linear program of a generated brief."""
    brief = brief_of(size)
    (case,) = cases(brief.rules, brief.acidity, brief.pool)
    assert not case.model.choices
    cost, _ = objective_vector(brief.measure("cost"), brief.pool, 1)
    rows, columns = np.nonzero(case.model.matrix)
    start = np.searchsorted(rows, np.arange(len(case.model.rows) + 1))
    value = case.model.matrix[rows, columns]
    return Program(case.model, case.upper, cost, start.astype(np.int32), columns.astype(np.int32), value)


def highs(program: Program, **options: str | int) -> float:
    """Solve with highspy alone: new solver, pass the arrays, run, read primal and dual values."""
    solver = highspy.Highs()
    solver.setOptionValue("output_flag", False)
    for name, value in options.items():
        solver.setOptionValue(name, value)
    model = highspy.HighsLp()
    model.num_row_, model.num_col_ = program.model.matrix.shape
    model.col_cost_, model.col_lower_, model.col_upper_ = program.cost, program.model.lower, program.upper
    model.row_lower_, model.row_upper_ = program.model.row_low, program.model.row_high
    model.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    model.a_matrix_.start_, model.a_matrix_.index_, model.a_matrix_.value_ = program.start, program.index, program.value
    solver.passModel(model)
    solver.run()
    solution = solver.getSolution()
    x, _ = np.array(solution.col_value), np.array(solution.row_dual)
    return float(program.cost @ x)


lean = partial(highs, presolve="off", threads=1)


def cbc(program: Program) -> float:
    """Build the same model with PuLP and solve it with CBC."""
    problem, _ = pulp_path.problem(program.model, program.cost, program.model.lower, program.upper, "bench")
    problem.solve(pulp.PULP_CBC_CMD(msg=False))
    return float(pulp.value(problem.objective))


def timed(call: Callable[[], object]) -> float:
    """Return how long a call takes [s]."""
    begin = perf_counter()
    call()
    return perf_counter() - begin


def divided(times: dict[str, list[float]], ours: str, peer: str) -> list[float]:
    """Return a ratio per round."""
    return [a / b for a, b in zip(times[ours], times[peer], strict=True)]


if __name__ == "__main__":
    main()
