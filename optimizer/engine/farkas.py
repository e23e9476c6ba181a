"""Proofs that a linear program has no point, where the solver says so."""

from __future__ import annotations

import numpy as np

from optimizer.data.pool import Vector
from optimizer.engine.certificate import check_infeasible, row_sizes
from optimizer.engine.highs import Session


def proof_of_none(session: Session, lower: Vector, upper: Vector, ray: Vector | None) -> Vector | None:
    """Return row multipliers, shape (m,), that prove that the rows cannot be met between the bounds, or None.

    The solver's ray where it is one, else the row prices of the least total miss.
    """
    rows = session.matrix, session.row_low, session.row_high
    if ray is not None and check_infeasible(*rows, lower, upper, ray):
        return ray
    sizes = row_sizes(session.matrix)
    sizes[sizes == 0] = 1.0
    elastic = Session(np.hstack([session.matrix, np.diag(sizes), -np.diag(sizes)]), *rows[1:])
    still, missing = np.zeros(session.n), np.ones(2 * session.m)
    least = elastic.run(
        np.concatenate([still, missing]),
        np.concatenate([lower, np.zeros(2 * session.m)]),
        np.concatenate([upper, np.full(2 * session.m, np.inf)]),
    )
    return least.y if least.y.size > 0 and check_infeasible(*rows, lower, upper, least.y) else None
