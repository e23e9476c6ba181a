"""Proofs that a linear program has no point, where the solver says so."""

from __future__ import annotations

from optimizer.data.pool import Vector
from optimizer.engine.certificate import check_infeasible
from optimizer.engine.elastic import least_miss
from optimizer.engine.highs import Session


def proof_of_none(session: Session, lower: Vector, upper: Vector, ray: Vector | None) -> Vector | None:
    """Return row multipliers, shape (m,), that prove that the rows cannot be met between the bounds, or None.

    The solver's ray where it is one, else the row prices of the least total miss.
    """
    rows = session.matrix, session.row_low, session.row_high
    if ray is not None and check_infeasible(*rows, lower, upper, ray):
        return ray
    least = least_miss(session, lower, upper)
    return least.y if least.y.size > 0 and check_infeasible(*rows, lower, upper, least.y) else None
