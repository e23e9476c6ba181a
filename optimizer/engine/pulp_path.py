"""The brief as a readable PuLP model: for export, and for any solver that PuLP knows."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pulp

from optimizer.data.pool import Vector
from optimizer.engine.highs import EMPTY, NO_BASIS, SolverAnswer
from optimizer.errors import UsageError, nearest
from optimizer.files import write_atomic, writing
from optimizer.model.model import Model

OPTIMAL, INFEASIBLE = 1, -1
"""Endings by number, the same in PuLP 3 and 4."""


def solvers() -> list[str]:
    """Return the names of the solvers that PuLP finds on this machine."""
    return list(pulp.listSolvers(onlyAvailable=True))


def named_solver(name: str, time_limit: float) -> Any:
    """Return a PuLP solver by name.

    Raises:
        UsageError: If PuLP does not find it here.
    """
    available = solvers()
    if name not in available:
        raise UsageError(f"--solver: PuLP finds no solver '{name}' on this machine. {nearest(name, available)}")
    options: dict[str, Any] = {"msg": False, "timeLimit": time_limit}
    return pulp.getSolver(name, **options)


def problem(
    model: Model, cost: Vector, lower: Vector, upper: Vector, title: str
) -> tuple[pulp.LpProblem, list[pulp.LpVariable]]:
    """Return a model as a PuLP problem that minimises, with names people can read."""
    made = pulp.LpProblem(_safe(title) or "blend", pulp.LpMinimize)
    columns = []
    for j, name in enumerate(model.names):
        choice = j >= model.doses
        category = "Integer" if choice and lower[j] < upper[j] else "Continuous"
        # PuLP 4 makes variables through their problem, PuLP 3 by themselves.
        make = getattr(made, "add_variable", pulp.LpVariable)
        label = f"{'yes' if choice else 'dose'}_{_safe(name)}"
        columns.append(make(label, float(lower[j]), float(upper[j]), category))
    made += pulp.lpSum(float(c) * v for c, v in zip(cost, columns, strict=True) if c), "objective"
    for r, row in enumerate(model.rows):
        used = np.nonzero(model.matrix[r])[0]
        left = pulp.lpSum(float(model.matrix[r, j]) * columns[j] for j in used)
        name = f"{_safe(row.owner)}_{row.side}_{r}"
        if not used.size:
            left = pulp.lpSum([0 * columns[0]])
        if row.low == row.high:
            made += left == row.low, name
            continue
        if row.low > -np.inf:
            made += left >= row.low, f"{name}_from"
        if row.high < np.inf:
            made += left <= row.high, f"{name}_to"
    return made, columns


def export(path: Path, model: Model, cost: Vector, upper: Vector, title: str, constant: float = 0.0) -> None:
    """Write a model as LP or MPS, by the file's ending.

    What the objective has without any dose is the cost of a column that is 1: not every reader of these files takes
    a constant.

    Raises:
        UsageError: If the ending is neither.
        DataError: If the file exists or its folder cannot be written.
    """
    if path.suffix.lower() not in (".lp", ".mps"):
        raise UsageError(f"--export: '{path.name}' ends neither in .lp nor in .mps.")
    made, _ = problem(model, cost, model.lower, upper, title)
    if constant:
        always = getattr(made, "add_variable", pulp.LpVariable)("always", 1.0, 1.0, "Continuous")
        made.setObjective(made.objective + constant * always)
    with writing(path), tempfile.TemporaryDirectory() as folder:
        draft = Path(folder) / f"model{path.suffix.lower()}"
        (made.writeLP if draft.suffix == ".lp" else made.writeMPS)(str(draft))
        write_atomic(path, draft.read_text(encoding="utf-8"))


def run(solver: Any, model: Model, cost: Vector, lower: Vector, upper: Vector) -> SolverAnswer:
    """Minimise with a PuLP solver; the answer has no duals and is not trusted."""
    made, columns = problem(model, cost, lower, upper, "blend")
    done = made.solve(solver)
    status = int(getattr(done, "status", done))  # PuLP 4 returns a record, PuLP 3 the number itself
    if status == OPTIMAL:
        x = np.array([0.0 if v.varValue is None else float(v.varValue) for v in columns])
        return SolverAnswer("optimal", x, EMPTY, NO_BASIS, None, float(cost @ x))
    ending = "infeasible" if status == INFEASIBLE else "unfinished"
    return SolverAnswer(ending, EMPTY, EMPTY, NO_BASIS)  # type: ignore[arg-type]


def _safe(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9]+", "_", name).strip("_")
