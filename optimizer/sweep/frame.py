"""Answers of many scenarios as columns."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import field

import numpy as np
import numpy.typing as npt

from optimizer.data.pool import Mask, Vector
from optimizer.immutable import immutable, replace
from optimizer.solve.result import Result

ENDINGS = ("optimal", "feasible", "infeasible", "stopped", "failed", "error")
"""Endings of a scenario; 'error' means that it could not be run, see its message."""
PROOFS = ("certificate", "enumerated", "solver bound", "none", "local")
WAYS = ("reused", "solved", "one by one")
"""How an answer came: from a basis or proof of another scenario, from a solver call, from a whole solve of its own."""

ARRAYS = ("ending", "proof", "way", "objective", "cost", "ph", "doses", "binding")
"""Fields of a frame that hold something for every scenario."""

Codes = npt.NDArray[np.int8]
Pair = tuple[str, str]


@immutable
class Frame:
    """One answer per scenario.

    Attributes:
        ending: Position in `ENDINGS`, shape (s,).
        proof: Position in `PROOFS`, shape (s,).
        way: Position in `WAYS`, shape (s,).
        objective: Shape (s,), NaN without an answer.
        cost: Material cost per kg, shape (s,).
        ph: Target pH, NaN where there is none, shape (s,).
        ids: Materials, in order of the columns of `doses`.
        doses: % w/w as supplied, shape (s, n).
        limits: Rule and side ('low', 'high', 'equal') of the columns of `binding`.
        binding: Whether the answer sits on the limit, shape (s, b).
        messages: What went wrong, by scenario.
        calls: Solver runs that it took, whole solves not counted.
        kept: Bases and proofs that were kept for further scenarios at the end, the most of all parts.
        kept_bytes: What they take.
    """

    ending: Codes
    proof: Codes
    way: Codes
    objective: Vector
    cost: Vector
    ph: Vector
    ids: tuple[str, ...]
    doses: Vector
    limits: tuple[Pair, ...]
    binding: Mask
    messages: dict[int, str] = field(default_factory=dict)
    calls: int = 0
    kept: int = 0
    kept_bytes: int = 0

    def __len__(self) -> int:
        return len(self.ending)

    @property
    def told(self) -> dict[str, int]:
        """What is told of a frame as a whole."""
        return {"calls": self.calls, "kept": self.kept, "kept_bytes": self.kept_bytes}

    @property
    def solved(self) -> Mask:
        """Which scenarios have a formula."""
        return self.ending <= ENDINGS.index("feasible")

    def take(self, kept: npt.NDArray[np.int64]) -> Frame:
        """Return some of the scenarios."""
        place = {int(old): new for new, old in enumerate(kept)}
        messages = {place[s]: text for s, text in self.messages.items() if s in place}
        arrays = {name: getattr(self, name)[kept] for name in ARRAYS}
        return replace(self, **arrays, messages=messages)


def empty(size: int, ids: tuple[str, ...] = (), limits: tuple[Pair, ...] = ()) -> Frame:
    """Return a frame without any answer yet; every ending is an error."""
    nothing = np.full(size, np.nan)
    return Frame(
        np.full(size, ENDINGS.index("error"), dtype=np.int8),
        np.full(size, PROOFS.index("none"), dtype=np.int8),
        np.full(size, WAYS.index("one by one"), dtype=np.int8),
        nothing,
        nothing.copy(),
        nothing.copy(),
        ids,
        np.zeros((len(ids), size)).T,
        limits,
        np.zeros((len(limits), size), dtype=bool).T,
    )


def failed(size: int, message: str) -> Frame:
    """Return a frame in which nothing could be run."""
    frame = empty(size)
    frame.messages.update(dict.fromkeys(range(size), message))
    return frame


def stacked(frames: Iterable[Frame]) -> Frame:
    """Return frames one below the other, over all their materials and limits."""
    return scattered([(np.arange(len(f)), f) for f in frames], stack=True)


def scattered(parts: list[tuple[npt.NDArray[np.int64], Frame]], *, stack: bool = False) -> Frame:
    """Return one frame whose scenarios are given in parts with their positions.

    Args:
        parts: Positions of a part's scenarios and the part.
        stack: Take the parts one below the other instead.
    """
    if stack:
        offset, shifted = 0, []
        for where, frame in parts:
            shifted.append((where + offset, frame))
            offset += len(frame)
        parts = shifted
    if len(parts) == 1 and len(parts[0][0]) == len(parts[0][1]) and not np.any(np.diff(parts[0][0]) != 1):
        return parts[0][1]
    ids = tuple(sorted({i for _, f in parts for i in f.ids}))
    limits = tuple(sorted({p for _, f in parts for p in f.limits}))
    whole = empty(sum(len(f) for _, f in parts), ids, limits)
    material, limit = ({name: k for k, name in enumerate(names)} for names in (ids, limits))
    for where, frame in parts:
        for name in ("ending", "proof", "way", "objective", "cost", "ph"):
            getattr(whole, name)[where] = getattr(frame, name)
        place: npt.NDArray[np.int64] | slice = where
        if where.size and (np.diff(where) == 1).all():
            place = slice(int(where[0]), int(where[-1]) + 1)
        for k, name in enumerate(frame.ids):
            whole.doses[place, material[name]] = frame.doses[:, k]
        for k, pair in enumerate(frame.limits):
            whole.binding[place, limit[pair]] = frame.binding[:, k]
        whole.messages.update({int(where[k]): text for k, text in frame.messages.items()})
    most = max((f for _, f in parts), key=lambda f: f.kept_bytes, default=whole)
    calls = sum(f.calls for _, f in parts)
    return replace(whole, calls=calls, kept=most.kept, kept_bytes=most.kept_bytes)


def of_results(results: list[Result | str]) -> Frame:
    """Return whole results as a frame; a text stands for a scenario that could not be run."""
    kept = [r for r in results if isinstance(r, Result)]
    ids = tuple(sorted({line.item.id for r in kept if r.formula for line in r.formula.lines}))
    limits = tuple(sorted({(o.id, o.binding) for r in kept for o in r.rules if o.binding}))
    frame = empty(len(results), ids, limits)
    column = {name: k for k, name in enumerate(ids)}
    for s, result in enumerate(results):
        if isinstance(result, str):
            frame.messages[s] = result
            continue
        frame.ending[s] = ENDINGS.index(result.ending)
        frame.proof[s] = PROOFS.index(result.proof)
        frame.objective[s], frame.cost[s] = result.objective, result.cost
        if result.ph is not None:
            frame.ph[s] = result.ph.target
        if result.formula is not None:
            for line in result.formula.lines:
                frame.doses[s, column[line.item.id]] = line.percent
        for outcome in result.rules:
            if outcome.binding:
                frame.binding[s, limits.index((outcome.id, outcome.binding))] = True
    return frame
