"""Which trials teach most: Bayesian D- and I-optimal choices by exchange, with rank-one updates.

With F the columns of all trials and K the prior's precision, the information is M = F'F + K. A D-optimal choice makes
det M most, so that all terms together are known best; an I-optimal one makes the average variance of the prediction
over the region, trace(M^-1 W), least (W: mean of f f' over it). Trials that are made anyway, such as the plan itself or
those of earlier days, count along. Each start draws trials at random, then exchanges one for the best candidate as long
as that helps (Fedorov 1972; Bayesian: DuMouchel and Jones 1994). The best of all starts is told; it need not be the
best of all choices.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt

from optimizer.data.pool import Vector
from optimizer.immutable import immutable
from optimizer.units import NO_GAIN

Criterion = Literal["D", "I"]
Places = npt.NDArray[np.intp]
STARTS = 10
PASSES = 50
"""Rounds of exchange after which a start is left as it is."""


@immutable
class DesignTask:
    """What is chosen, from what.

    Attributes:
        candidates: Columns of the candidates in each group (a day), shape (groups, c, p).
        group: Group of each trial that is chosen, shape (k,).
        given: Columns of trials that are made anyway, shape (g, p).
        precision: The prior's, of each column, shape (p,).
        moments: Mean of f f' over the region, shape (p, p); only for I.
    """

    candidates: Vector
    group: Places
    given: Vector
    precision: Vector
    criterion: Criterion = "D"
    moments: Vector | None = None

    @property
    def terms(self) -> int:
        """Number of columns p."""
        return int(self.candidates.shape[2])

    def information(self, chosen: Places) -> Vector:
        """Return M of a choice of candidates, one per trial, shape (p, p)."""
        return information(np.vstack([self.candidates[self.group, chosen], self.given]), self.precision)

    def worth(self, chosen: Places) -> float:
        """Return what is made most: log det M, or less the average variance."""
        m = self.information(chosen)
        if self.criterion == "D":
            return float(np.linalg.slogdet(m)[1])
        assert self.moments is not None
        return -float(np.trace(np.linalg.solve(m, self.moments)))


def information(columns: Vector, precision: Vector) -> Vector:
    """Return F'F + K, shape (p, p)."""
    return np.asarray(columns.T @ columns + np.diag(precision))


def chosen_for(task: DesignTask, seed: int, starts: int = STARTS) -> Places:
    """Return the best choice of all starts, the candidate of each trial, shape (k,)."""
    rng = np.random.default_rng(seed)
    count = task.candidates.shape[1]
    found = [exchanged(task, rng.integers(0, count, len(task.group))) for _ in range(starts)]
    return max(found, key=task.worth)


def exchanged(task: DesignTask, chosen: Places) -> Places:
    """Return a choice in which no exchange of one trial helps any more, beginning from another one."""
    return (_d_exchanged if task.criterion == "D" else _i_exchanged)(task, chosen)


def _d_exchanged(task: DesignTask, chosen: Places) -> Places:
    """Exchange trials while det M rises.

    Exchanging f for c multiplies it by (1 + c'Vc)(1 - f'Vf) + (c'Vf)^2, V = M^-1.
    """
    chosen = chosen.copy()
    sets, plain = task.candidates, np.eye(task.terms)
    for _ in range(PASSES):
        v: Vector = np.asarray(np.linalg.inv(task.information(chosen)), dtype=float)
        spread = [c @ v for c in sets]
        own = [np.einsum("ij,ij->i", s, c) for s, c in zip(spread, sets, strict=True)]
        moved = False
        for k, g in enumerate(task.group):
            f = sets[g][chosen[k]]
            gain = (1 + own[g]) * (1 - own[g][chosen[k]]) + (spread[g] @ f) ** 2
            best = int(gain.argmax())
            if gain[best] <= 1 + NO_GAIN:
                continue
            _update(sets, v, plain, own, spread, sets[g][best], 1.0)
            _update(sets, v, plain, own, spread, f, -1.0)
            chosen[k], moved = best, True
        if not moved:
            break
    return chosen


def _i_exchanged(task: DesignTask, chosen: Places) -> Places:
    """Exchange trials while the average variance falls.

    Without f, V becomes V + Vff'V / (1 - f'Vf); then each candidate c takes c'VWVc / (1 + c'Vc) off the trace.
    """
    chosen = chosen.copy()
    assert task.moments is not None
    sets, root = task.candidates, _root(task.moments)
    for _ in range(PASSES):
        v: Vector = np.asarray(np.linalg.inv(task.information(chosen)), dtype=float)
        own = [np.einsum("ij,ij->i", c @ v, c) for c in sets]
        weighed = [c @ v @ root for c in sets]
        moved = False
        for k, g in enumerate(task.group):
            f = sets[g][chosen[k]]
            _update(sets, v, root, own, weighed, f, -1.0)
            gain = (weighed[g] ** 2).sum(axis=1) / (1 + own[g])
            best = int(gain.argmax())
            if gain[best] <= gain[chosen[k]] * (1 + NO_GAIN):
                best = int(chosen[k])
            _update(sets, v, root, own, weighed, sets[g][best], 1.0)
            moved = moved or best != chosen[k]
            chosen[k] = best
        if not moved:
            break
    return chosen


def _update(
    sets: Vector, v: Vector, root: Vector, own: list[Vector], weighed: list[Vector], f: Vector, sign: float
) -> None:
    """Add (1) or take away (-1) one trial: V, c'Vc and c'V root of all candidates, in place."""
    u = v @ f
    size = sign / (1 + sign * float(f @ u))
    v -= size * np.outer(u, u)
    led = u @ root
    for h in range(len(sets)):
        along = sets[h] @ u
        own[h] -= size * along**2
        weighed[h] -= size * along[:, None] * led


def _root(moments: Vector) -> Vector:
    """Return L with L L' = W, also where W has no full rank, shape (p, p)."""
    values, vectors = np.linalg.eigh(moments)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def in_groups(columns: Vector, groups: int) -> Vector:
    """Return candidates of each group: columns and a mark of each further group, shape (groups, c, p + groups - 1).

    A group is a day: readings of a day may all lie higher or lower, which must not look like an effect.
    """
    return np.stack([np.hstack([columns, np.tile(mark, (len(columns), 1))]) for mark in marks_of(groups)])


def marks_of(groups: int) -> Vector:
    """Return the marks of each group, shape (groups, groups - 1): all but the first have one of their own."""
    return np.eye(groups, groups - 1, k=-1)


def moments_of(columns: Vector, further: int = 0) -> Vector:
    """Return the mean of f f' over points of the region, with zeros for further columns that no prediction has."""
    found = columns.T @ columns / len(columns)
    return np.pad(found, (0, further))


def efficiency(task: DesignTask, made: Vector, ideal: Vector) -> float:
    """Return how much of the information of an ideal choice another one keeps, from 0 to 1.

    Args:
        task: What was asked.
        made: Columns of the trials as they are, shape (k, p).
        ideal: Of the ideal ones, shape (k, p).

    Returns:
        For D (det made / det ideal)^(1/p), for I the ratio of the average variances.
    """
    one, other = (information(np.vstack([c, task.given]), task.precision) for c in (made, ideal))
    if task.criterion == "D":
        return float(np.exp((np.linalg.slogdet(one)[1] - np.linalg.slogdet(other)[1]) / task.terms))
    assert task.moments is not None
    variances = [float(np.trace(np.linalg.solve(m, task.moments))) for m in (other, one)]
    return variances[0] / variances[1]


def spread_evenly(count: int, groups: int) -> Sequence[int]:
    """Return the group of each of so many trials, as even as can be, the first ones fuller."""
    return [k * groups // count for k in range(count)] if count else []
