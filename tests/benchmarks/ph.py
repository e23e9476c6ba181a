"""The pH room: one pH against PHREEQC on the same mixture, one log update against scipy on the same least squares."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from math import hypot, sqrt

import numpy as np
import phreeqc
from measure import Line, divided, timed
from scipy.optimize import least_squares, lsq_linear

from optimizer.chemistry.advice import advise
from optimizer.chemistry.alkalinity import Alkaline, Vector, know
from optimizer.chemistry.constants import WEAK
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.ph import Mixture, solve, stock
from optimizer.chemistry.titration import LogReading, PhLog
from tests.support.closed_forms import kind_of

MIXTURE = Mixture(0.05, ((WEAK["citric acid"], 0.02), (WEAK["acetic acid"], 0.01)))
SOLUTION = """SOLUTION 1
 units mol/kgw
 pH 7 charge
 Na 0.05
 Cit 0.02
 Acetate 0.01
SELECTED_OUTPUT
 -reset false
 -pH true
END
"""
LEAN = """SOLUTION_MASTER_SPECIES
 H H+ -1. H 1.008
 H(1) H+ -1. 0
 E e- 0 0 0
 O H2O 0 O 16.00
 O(-2) H2O 0 0
 O(0) O2 0 O
 H(0) H2 0 H
 Na Na+ 0 Na 22.99
 Cit Cit-3 0 189.1 189.1
 Acetate Acetate- 0 59.04 59.04
SOLUTION_SPECIES
 H+ = H+
 e- = e-
 H2O = H2O
 Na+ = Na+
 Cit-3 = Cit-3
 Acetate- = Acetate-
 H2O = OH- + H+
 -log_k -13.995
 2H2O = O2 + 4H+ + 4e-
 -log_k -86.08
 2H+ + 2e- = H2
 -log_k -3.15
 Cit-3 + H+ = HCit-2
 -log_k 6.396
 Cit-3 + 2H+ = H2Cit-
 -log_k 11.157
 Cit-3 + 3H+ = H3Cit
 -log_k 14.285
 Acetate- + H+ = HAcetate
 -log_k 4.757
END
"""
"""The species of the mixture alone, so that the peer carries nothing that it does not need."""

ACID = stock("citric acid anhydrous", 50)
RECIPE = know(
    (
        Alkaline("sodium benzoate", 0.504, {"benzoic acid": Interval(6.8, 6.94, 7.0)}),
        kind_of("alkaline glucoside", "glucoside", 20),
        kind_of("betaine", "betaine", 10),
    )
)
READINGS = (LogReading(0.0, 9.6, 9.0), LogReading(0.6, 7.6, 9.0), LogReading(0.9, 6.1, 9.0))


def log() -> PhLog:
    """Return a log that has computed nothing yet."""
    return PhLog(ACID, Interval(5.2, 5.5, 5.8), 100, RECIPE, READINGS)


Solver = Callable[[Vector, Vector, Vector], Vector]


def by_scipy(solver: Solver, one: PhLog) -> Vector:
    """Update a log with the same rows and the same three renewals of the weights, but scipy's solver."""
    known = one.known
    low = np.array([-np.inf, *[0.0] * len(known.sites)])
    root = np.linalg.cholesky(np.linalg.inv(known.covariance)).T
    matrix, wanted = root, root @ known.mean
    path = zip(one.readings, one.path[0], strict=True)
    rows = [(*one.line_at(r.ph, share, r.water, r.temperature), r.sigma) for r, share in path]
    mean, covariance = solver(matrix, wanted, low), known.covariance
    for _ in range(3):
        weights = []
        for _, _, fall, rest, sigma in rows:
            beta = float(fall @ mean) + rest
            weights.append(1 / (hypot(beta, min(sqrt(max(float(fall @ covariance @ fall), 0.0)), beta)) * sigma))
        scaled = [w * row for w, (row, *_) in zip(weights, rows, strict=True)]
        matrix = np.vstack([root, *scaled])
        wanted = np.concatenate([root @ known.mean, [w * r[1] for w, r in zip(weights, rows, strict=True)]])
        mean, covariance = solver(matrix, wanted, low), np.linalg.inv(matrix.T @ matrix)
    return mean


def linear(matrix: Vector, wanted: Vector, low: Vector) -> Vector:
    """Solve rows with scipy's bounded linear least squares."""
    return np.asarray(lsq_linear(matrix, wanted, (low, np.inf), method="bvls").x)


def general(matrix: Vector, wanted: Vector, low: Vector) -> Vector:
    """Solve rows with scipy's general least squares, told the matrix as Jacobian."""
    start = np.maximum(RECIPE.mean, low + 1e-9)
    return np.asarray(
        least_squares(lambda x: matrix @ x - wanted, start, lambda x: matrix, (low, np.inf), x_scale="jac").x
    )


def lines() -> Iterator[Line]:
    """The two claims, each against the peer as it comes and against its leanest form."""
    peers = {}
    for name in ("own", "lean"):
        peer = phreeqc.Phreeqc()
        bad = peer.LoadBuiltInDatabase("sit.dat") if name == "own" else peer.LoadDatabaseString(LEAN)
        assert bad == 0, peer.GetErrorString()
        peers[name] = peer
        assert peer.RunString(SOLUTION) == 0, peer.GetErrorString()
        assert abs(peer.GetSelectedOutput()["pH"][0] - solve(MIXTURE).ph) < 0.03, "the peer finds another pH"
    times: dict[str, list[float]] = {name: [] for name in ("solve", *peers)}
    for _ in range(101):
        times["solve"].append(timed(partial(solve, MIXTURE)))
        for name, peer in peers.items():
            times[name].append(timed(partial(peer.RunString, SOLUTION)))
    yield Line("one pH to phreeqc with its database", divided(times, "solve", "own"), 1)
    yield Line("  the same to phreeqc with these species alone", divided(times, "solve", "lean"), 1)
    solvers = {"linear": linear, "general": general}
    for name, solver in solvers.items():
        there = by_scipy(solver, log())
        assert np.allclose(there, log().estimate.mean, rtol=0.02, atol=0.02), f"{name} finds another estimate"
    times = {name: [] for name in ("update", "advice", *solvers)}
    for _ in range(41):
        times["update"].append(timed(lambda: log().estimate))
        times["advice"].append(timed(lambda: advise(log())))
        for name, solver in solvers.items():
            times[name].append(timed(partial(by_scipy, solver, log())))
    yield Line("one log update to the same with scipy's lsq_linear", divided(times, "update", "linear"), 1)
    yield Line("  the same with scipy's least_squares", divided(times, "update", "general"), 1)
    yield Line("  a whole advice (doses, doubts, expected pH) to lsq_linear", divided(times, "advice", "linear"))
