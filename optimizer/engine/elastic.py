"""The least that rows must be missed by, where the solver finds no point that keeps them all."""

from __future__ import annotations

import numpy as np

from optimizer.data.pool import Vector
from optimizer.engine.certificate import check_point, row_sizes, terms
from optimizer.engine.highs import EMPTY, NO_BASIS, Session, SolverAnswer
from optimizer.engine.polish import zoomed
from optimizer.units import POINT_MET, ROUND_OFF


def least_miss(session: Session, lower: Vector, upper: Vector) -> SolverAnswer:
    """Return a point, then what it lies below and above each row's ends, whose sum relative to the rows is least.

    Its row prices prove that nothing keeps all rows, if that is so; shape (n + 2 m,) and (m,).
    """
    m, sizes = session.m, row_sizes(session.matrix)
    sizes[sizes == 0] = 1.0
    elastic = Session(np.hstack([session.matrix, np.diag(sizes), -np.diag(sizes)]), session.row_low, session.row_high)
    cost = np.concatenate([np.zeros(session.n), np.ones(2 * m)])
    ends = np.concatenate([lower, np.zeros(2 * m)]), np.concatenate([upper, np.full(2 * m, np.inf)])
    least = elastic.run(cost, *ends)
    return zoomed(elastic, cost, *ends, least) if least.ending == "optimal" else least


def barely_met(session: Session, cost: Vector, lower: Vector, upper: Vector) -> SolverAnswer:
    """Minimise with rows that only a hair keeps from meeting let out by twice that; infeasible if it is more.

    Round-off is let out too. What comes out is held against the rows as they are, as any other answer.
    """
    n, m, sizes = session.n, session.m, row_sizes(session.matrix)
    least = least_miss(session, lower, upper)
    if least.ending != "optimal":
        return least
    rows = session.matrix, session.row_low, session.row_high
    if check_point(*rows, lower, upper, np.clip(least.x[:n], lower, upper)) > POINT_MET:
        return SolverAnswer("infeasible", EMPTY, EMPTY, NO_BASIS, least.y)
    every, low, high = np.arange(m, dtype=np.int32), session.row_low.copy(), session.row_high.copy()
    hair = ROUND_OFF * terms(np.abs(session.matrix), np.abs(least.x[:n]))
    below, above = (2 * sizes * np.maximum(least.x[k : k + m], 0.0) + hair for k in (n, n + m))
    session.forget()
    session.rows(every, low - below, high + above)
    answer = session.run(cost, lower, upper, relaxed=True)
    if answer.ending == "optimal":
        answer = zoomed(session, cost, lower, upper, answer)
    session.rows(every, low, high)
    return answer
