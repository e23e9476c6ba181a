"""What every benchmark shares: a line of the table, clocks, the frozen data, and peers on the same linear program."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from statistics import median
from time import perf_counter, process_time

import highspy
import numpy as np
import pulp
from numpy.typing import NDArray
from shop import LIBRARY

from optimizer.brief.brief import Brief, load_brief
from optimizer.data.pool import Vector
from optimizer.engine import pulp_path
from optimizer.model.model import Model, cases

FROZEN = LIBRARY.parent
"""Library, briefs and shelves as they once were, so that changes of what is shipped do not move the ground."""
FIRST = FROZEN / "first" / "first-brief.toml"
HAND_WASH = FROZEN / "scenarios" / "hand-wash.toml"
BRIEFS = {FIRST: [LIBRARY, FIRST.with_name("materials.toml")], HAND_WASH: [LIBRARY]}
"""The frozen briefs and the library files each is read with."""


@dataclass(frozen=True)
class Line:
    """One claim: a ratio per round or instance, the most that their median may be, and the most for the worst.

    Attributes:
        peer: What is told of the peer, such as its best settings.
    """

    what: str
    ratios: Sequence[float]
    goal: float | None = None
    worst: float | None = None
    peer: str = ""

    @property
    def verdict(self) -> str:
        """Whether the goals are met; empty if there are none."""
        if self.goal is None and self.worst is None:
            return ""
        high = self.goal is not None and median(self.ratios) > self.goal
        return "MISSED" if high or (self.worst is not None and max(self.ratios) > self.worst) else "met"

    def cells(self) -> tuple[str, ...]:
        """The claim as a row of the table: what, median, worst, goal, verdict."""
        goal = "" if self.goal is None else f"{self.goal:g}"
        goal += "" if self.worst is None else f" / {self.worst:g}"
        return self.what, f"{median(self.ratios):.3g}", f"{max(self.ratios):.3g}", goal, self.verdict, self.peer


def asked(name: str) -> Brief:
    """Return a frozen brief."""
    return load_brief(FROZEN / "scenarios" / f"{name}.toml", libraries=[LIBRARY])


@dataclass(frozen=True)
class Program:
    """A linear program as every peer is given it: a named model, and the same as ready arrays."""

    model: Model
    upper: Vector
    cost: Vector
    start: NDArray[np.int32]
    index: NDArray[np.int32]
    value: Vector


def program_of(brief: Brief) -> Program:
    """Return the one linear program of a brief, as ready arrays."""
    (case,) = cases(brief.modelled, brief.acidity, brief.pool)
    assert not case.model.choices
    cost, _ = case.model.objective(brief.measure("cost"), brief.pool, 1)
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


def spent(call: Callable[[], object]) -> float:
    """Return the processor time of a call [s]."""
    begin = process_time()
    call()
    return process_time() - begin


def processor_time(command: Sequence[str], environment: Mapping[str, str]) -> float:
    """Return the processor time of a whole process [s], user and system; its output is dropped.

    Raises:
        ChildProcessError: If it fails.
    """
    drop = [(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)]
    child = os.posix_spawn(command[0], command, environment, file_actions=drop)
    _, status, spent = os.wait4(child, 0)
    if status:
        raise ChildProcessError(f"exit code {os.waitstatus_to_exitcode(status)} of {' '.join(command)}")
    return spent.ru_utime + spent.ru_stime


def compiled(folder: Path) -> dict[str, str]:
    """Return an environment in which tool and peers alike run from bytecode, as installed packages do."""
    kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    return {**kept, "PYTHONPYCACHEPREFIX": str(folder / "bytecode")}


def divided(times: Mapping[str, Sequence[float]], ours: str, peer: str) -> list[float]:
    """Return a ratio per round."""
    return [a / b for a, b in zip(times[ours], times[peer], strict=True)]
