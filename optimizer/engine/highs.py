"""HiGHS fed with arrays: one session per matrix, changed and re-run hot."""

from __future__ import annotations

from functools import cache
from typing import Literal

import highspy
import numpy as np
import numpy.typing as npt

from optimizer.data.pool import Vector
from optimizer.engine.attended import Within, looking
from optimizer.immutable import immutable
from optimizer.units import DUST

Ending = Literal["optimal", "infeasible", "unfinished", "failed"]


@immutable
class SolverAnswer:
    """What a solver said, as arrays; nothing here is trusted before it is verified.

    Attributes:
        ending: How the run ended.
        x: Column values, shape (n,).
        y: Row duals d(objective)/d(row bound), shape (m,); empty for integer programs.
        basic: Basic columns first, then m: for each basic variable its index, columns 0..n-1,
            rows n..n+m-1; empty if there is no basis.
        ray: Proof of infeasibility, shape (m,), or None.
        bound: Best bound of the objective that the solver claims.
    """

    ending: Ending
    x: Vector
    y: Vector
    basic: npt.NDArray[np.int64]
    ray: Vector | None = None
    bound: float = float("nan")


EMPTY = np.zeros(0)


def highs_version() -> str:
    """Return the version of HiGHS."""
    return f"{highspy.HIGHS_VERSION_MAJOR}.{highspy.HIGHS_VERSION_MINOR}.{highspy.HIGHS_VERSION_PATCH}"


NO_BASIS = np.zeros(0, dtype=np.int64)
OPTIONS: dict[str, bool | int | float | str] = {
    "output_flag": False,
    "threads": 1,
    "presolve": "off",
    "primal_feasibility_tolerance": 1e-9,
    "dual_feasibility_tolerance": 1e-9,
    "small_matrix_value": 1e-12,
    "large_matrix_value": 1e20,
    "mip_rel_gap": 0.0,
    "mip_abs_gap": 1e-9,
    # Heuristics that solve programs of their own take most of the time of one as small as these;
    # rounding finds as good points.
    "mip_heuristic_run_feasibility_jump": False,
    "mip_heuristic_run_rins": False,
    "mip_heuristic_run_rens": False,
    "mip_heuristic_run_root_reduced_cost": False,
    "mip_heuristic_run_zi_round": True,
    "mip_heuristic_run_shifting": True,
}
"""What differs from the defaults of HiGHS. Its tolerances are absolute: rows and costs are scaled to suit them."""
LINEAR_TIME = 60.0
"""Seconds that a linear program has at least: what a search found in its time is always repeated and checked."""
LARGEST_COST = 50
"""Largest cost that the solver is given, in powers of two."""
OTHER_WAYS = ({"simplex_scale_strategy": 4}, {"simplex_scale_strategy": 4, "simplex_strategy": 4})
"""Scaled by the largest coefficients, then with the primal simplex too, where the usual way loses itself."""
SMALLEST_END = 20
"""Ends that lie further below a row's usual coefficient, in powers of two, may be what rounding leaves of 0."""


LOST = (highspy.HighsModelStatus.kUnknown, highspy.HighsModelStatus.kSolveError)


@cache
def _options(primal: bool) -> highspy.HighsOptions:
    options = highspy.HighsOptions()
    for name, value in (*OPTIONS.items(), *([("simplex_strategy", 4)] if primal else [])):
        setattr(options, name, value)
    return options


def row_scales(matrix: Vector, low: Vector, high: Vector, integers: int = 0) -> Vector:
    """Return a power of two per row that gives its usual coefficient, or a smaller end, the size 1.

    HiGHS works to absolute tolerances and drops coefficients below 1e-12, so a row in parts per billion
    would count as nothing. The usual coefficient is the geometric mean, which a few very large ones do not
    rule. Powers of two change no digit.

    Args:
        matrix: Coefficients, shape (m, n).
        low: Lower ends, shape (m,).
        high: Upper ends, shape (m,).
        integers: How many of the last columns are whole numbers; they count only in rows of nothing else.
    """
    m, whole = len(matrix), matrix.shape[1] - integers
    rows, columns = np.nonzero(matrix)
    if integers:
        mixed = np.bincount(rows[columns < whole], minlength=m) > 0
        counted = (columns < whole) | ~mixed[rows]
        rows, columns = rows[counted], columns[counted]
    sums = np.bincount(rows, np.frexp(matrix[rows, columns])[1], minlength=m)
    usual = np.rint(sums / np.maximum(np.bincount(rows, minlength=m), 1)).astype(int)
    low, high = (np.where((end != 0) & np.isfinite(end), np.abs(end), np.inf) for end in (low, high))
    end, size = np.frexp(np.minimum(low, high))
    return np.asarray(np.ldexp(1.0, -np.where(end < np.inf, np.clip(size, usual - SMALLEST_END, usual), usual)))


class Session:
    """A matrix in HiGHS; costs and bounds may change between runs, and each run has its own time.

    Rows are scaled before they are loaded and costs before each run, both by powers of two; answers are
    in the caller's units.

    Attributes:
        matrix: As given, with the coefficients that were changed since, shape (m, n).
        row_low: Present lower ends, shape (m,).
        row_high: Present upper ends, shape (m,).
        integers: How many of the last columns are whole numbers.
    """

    def __init__(
        self,
        matrix: Vector,
        row_low: Vector,
        row_high: Vector,
        *,
        integers: int = 0,
        time_limit: float = 60.0,
        primal: bool = False,
    ) -> None:
        """Load a matrix.

        Args:
            matrix: Shape (m, n).
            row_low: Shape (m,).
            row_high: Shape (m,).
            integers: How many of the last columns are whole numbers.
            time_limit: Seconds after which an integer run is given up [s].
            primal: Primal simplex: where only costs change, the last point stays a point, which halves the time.
        """
        self._highs = highspy.Highs()
        self._highs.passOptions(_options(primal))
        self.m, self.n = matrix.shape
        self.integers, self.time_limit = integers, time_limit
        self.matrix, self.row_low, self.row_high = matrix, row_low.copy(), row_high.copy()
        self._scale = row_scales(matrix, row_low, row_high, integers)
        self._indices = np.arange(self.n, dtype=np.int32)
        self._loaded = self._own_matrix = self._branching = False
        self._lower = self._upper = np.full(self.n, np.nan)

    def _load(self, cost: Vector, lower: Vector, upper: Vector, branching: bool) -> None:
        """Hand the program over as arrays, which takes a third of the time of a model object."""
        rows, columns = np.nonzero(self.matrix)
        start = np.zeros(self.m + 1, dtype=np.int32)
        np.cumsum(np.bincount(rows, minlength=self.m), out=start[1:])
        values = self.matrix[rows, columns] * self._scale[rows]
        ends = self.row_low * self._scale, self.row_high * self._scale
        sizes = self.n, self.m, len(values), int(highspy.MatrixFormat.kRowwise), int(highspy.ObjSense.kMinimize)
        matrix = start, columns.astype(np.int32), values
        self._highs.passModel(*sizes, 0.0, cost, lower, upper, *ends, *matrix, self._kinds(branching).astype(np.int32))
        self._loaded = True

    def run(
        self,
        cost: Vector,
        lower: Vector,
        upper: Vector,
        *,
        relaxed: bool = False,
        unit: float | None = None,
        bare: bool = False,
        basis: bool = True,
    ) -> SolverAnswer:
        """Minimise cost @ x with the given column bounds.

        Columns that are integers and whose bounds differ make it an integer program, unless `relaxed`. Costs are
        multiplied by `unit`, a power of two, on their way to the solver; `unit_of` them if None. A `bare` answer has no
        row duals, basis or proof, which take longer to read than a hot run; without `basis` it has no basis.
        """
        open_choices = self.integers > 0 and bool((lower[-self.integers :] < upper[-self.integers :]).any())
        branching = open_choices and not relaxed
        unit = unit or unit_of(cost)
        cost = cost * unit
        time = self.time_limit if branching else max(self.time_limit, LINEAR_TIME)
        self._highs.setOptionValue("time_limit", self._highs.getRunTime() + time)
        if not self._loaded:
            self._load(cost, lower, upper, branching)
        else:
            self._highs.changeColsCost(self.n, self._indices, cost)
            if (lower != self._lower).any() or (upper != self._upper).any():
                self._highs.changeColsBounds(self.n, self._indices, lower, upper)
            if self.integers and branching != self._branching:
                self._highs.changeColsIntegrality(self.n, self._indices, self._kinds(branching))
        self._lower, self._upper, self._branching = lower.copy(), upper.copy(), branching
        self._run(branching)
        if self._highs.getModelStatus() in LOST:
            self._run_otherwise()
        return self._answer(branching, unit, bare, basis)

    def _run(self, branching: bool) -> None:
        """Run, unless nobody waits for it any more; see `attended`."""
        look = looking()
        if look is not None:
            look()
        if look is None or not branching:
            self._highs.run()
            return
        within = Within(look)
        self._highs.cbMipInterrupt.subscribe(within)
        try:
            self._highs.run()
        finally:
            self._highs.cbMipInterrupt.unsubscribe(within)
        within.ended()

    def _run_otherwise(self) -> None:
        """Run again from nothing with other options, until one of them leads somewhere."""
        for way in OTHER_WAYS:
            usual = {name: self._highs.getOptionValue(name)[1] for name in way}
            self.forget()
            self._set(way)
            self._highs.run()
            self._set(usual)
            if self._highs.getModelStatus() not in LOST:
                return

    def _set(self, options: dict[str, int]) -> None:
        for name, value in options.items():
            self._highs.setOptionValue(name, value)

    def forget(self) -> None:
        """Let the next run start from nothing, where the last one went astray."""
        self._highs.clearSolver()

    def rows(self, indices: npt.NDArray[np.int32], low: Vector, high: Vector) -> None:
        """Change row bounds, shape (k,) each."""
        self.row_low[indices], self.row_high[indices] = low, high
        if self._loaded:
            scale = self._scale[indices]
            self._highs.changeRowsBounds(len(indices), indices, low * scale, high * scale)

    def coefficients(self, row: int, values: Vector) -> None:
        """Change the coefficients of one row, shape (n,)."""
        if not self._own_matrix:
            self.matrix, self._own_matrix = self.matrix.copy(), True
        moved = np.flatnonzero(values != self.matrix[row])
        self.matrix[row] = values
        if not self._loaded:
            return
        for column, value in zip(moved.tolist(), (values[moved] * self._scale[row]).tolist(), strict=True):
            self._highs.changeCoeff(row, column, value)

    def _kinds(self, integer: bool) -> npt.NDArray[np.uint8]:
        last = highspy.HighsVarType.kInteger if integer else highspy.HighsVarType.kContinuous
        kinds = np.full(self.n, int(highspy.HighsVarType.kContinuous), dtype=np.uint8)
        kinds[self.n - self.integers :] = int(last)
        return kinds

    def _basic(self) -> npt.NDArray[np.int64]:
        raw = np.asarray(self._highs.getBasicVariables()[1], dtype=np.int64)
        return np.where(raw < 0, self.n - 1 - raw, raw)

    def _answer(self, branching: bool, unit: float, bare: bool, basis: bool) -> SolverAnswer:
        status = self._highs.getModelStatus()
        kinds = highspy.HighsModelStatus
        if status == kinds.kOptimal:
            solution = self._highs.getSolution()
            x = np.array(solution.col_value)
            x[np.abs(x) < DUST] = 0.0
            if branching:
                return SolverAnswer("optimal", x, EMPTY, NO_BASIS, None, self._highs.getInfo().mip_dual_bound / unit)
            if bare:
                return SolverAnswer("optimal", x, EMPTY, NO_BASIS, None, self._highs.getObjectiveValue() / unit)
            y = np.array(solution.row_dual) * self._scale / unit
            basic = self._basic() if basis else NO_BASIS
            return SolverAnswer("optimal", x, y, basic, None, self._highs.getObjectiveValue() / unit)
        if status in (kinds.kInfeasible, kinds.kUnboundedOrInfeasible):
            ray = None
            if not (branching or bare):
                found = self._highs.getDualRay()
                ray = np.array(found[2]) * self._scale if found[1] else None
            return SolverAnswer("infeasible", EMPTY, EMPTY, NO_BASIS, ray)
        if status in (kinds.kTimeLimit, kinds.kIterationLimit, kinds.kInterrupt, kinds.kSolutionLimit):
            info = self._highs.getInfo()
            found_one = branching and info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
            x = np.array(self._highs.getSolution().col_value) if found_one else EMPTY
            return SolverAnswer("unfinished", x, EMPTY, NO_BASIS, None, info.mip_dual_bound / unit)
        return SolverAnswer("failed", EMPTY, EMPTY, NO_BASIS)


def unit_of(cost: Vector) -> float:
    """Return the power of two that brings costs to about 1, whatever a few very dear columns cost."""
    exponents = np.frexp(cost[cost != 0])[1]
    return 2.0 ** -round(int(exponents.sum()) / exponents.size) if exponents.size else 1.0


def finest_unit(cost: Vector) -> float:
    """Return the power of two that brings the smallest cost to about a million, as far as the largest then allows."""
    exponents = np.frexp(cost[cost != 0])[1]
    if not exponents.size:
        return 1.0
    return float(np.ldexp(1.0, -max(int(exponents.min()) - 20, int(exponents.max()) - LARGEST_COST)))
