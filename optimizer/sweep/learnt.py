"""What a family has learnt, without live sessions of a solver: it is handed to other processes, kept in files, joined.

Bases, proofs, points and how boxes of choices were split; whoever takes it in lays matrices and inverses anew. What is
learnt from is the same whoever it was, so that a range answers alike on any number of processors.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from optimizer.data.pool import Vector
from optimizer.immutable import immutable
from optimizer.sweep.programs import Index, ProgramBase
from optimizer.sweep.vertex import Vertex

MOST_HANDED = 1_000
"""Bases, proofs and points that are handed on; those that answered and closed most."""
KEPT_POOLS = 32
"""Groups of scenarios of one brief of which something is handed on."""

Group = tuple[tuple[str, ...], tuple[tuple[str, str], ...]]
"""Keys of a group of scenarios that share a matrix, and its what-ifs that change the structure."""


@immutable
class Known:
    """One basis, proof or point.

    Attributes:
        kind: 'basis', 'proof' or 'point'.
        what: Its arrays, which tell it from others.
        origin: How far rows were moved where its basis was laid.
        tried: Programs on which it was tried.
        hits: Those that it answered or closed.
        closes: How often it closed each box.
    """

    kind: str
    what: bytes
    origin: bytes
    tried: int = 0
    hits: int = 0
    closes: tuple[tuple[int, int], ...] = ()


@immutable
class Learnt:
    """What is handed on.

    Attributes:
        known: Bases, proofs and points.
        splits: Box and choice of every split, in the order in which they were made.
        account: What tries have gained and cost, and the programs seen.
    """

    known: tuple[Known, ...] = ()
    splits: tuple[tuple[int, int], ...] = ()
    account: tuple[float, float, int] = (0.0, 0.0, 0)


Pools = dict[Group, Learnt]
"""What the groups of scenarios of one brief have taught."""


def name_of(basic: Index) -> bytes:
    """Return what a basis is known by."""
    return np.sort(basic).astype(np.int32).tobytes()


def sided_name(vertex: Vertex) -> bytes:
    """Return what a basis is known by, with the ends at which its active rows stand."""
    m, n = vertex.base.matrix.shape
    at_high = np.zeros(m, dtype=bool)
    at_high[vertex.active] = vertex.at_high
    return name_of(np.concatenate([vertex.columns, n + vertex.idle])) + np.packbits(at_high).tobytes()


def as_bytes(vertex: Vertex, choices: Vector | None = None) -> tuple[bytes, bytes]:
    """Return a basis, at some choices if it is a point there, and where it was laid."""
    m, n = vertex.base.matrix.shape
    basic = np.concatenate([vertex.columns, n + vertex.idle]).astype(np.int32)
    at_high = np.zeros(m, dtype=np.uint8)
    at_high[vertex.active] = vertex.at_high
    chosen = b"" if choices is None else (choices > 0.5).astype(np.uint8).tobytes()
    return basic.tobytes() + at_high.tobytes() + chosen, np.asarray(vertex.origin, dtype=float).tobytes()


def basis_of(base: ProgramBase, known: Known) -> tuple[Index, Vertex]:
    """Return the basic variables of a basis and the basis, laid again.

    Raises:
        LinAlgError: If it is singular.
    """
    m = len(base.low)
    basic = np.frombuffer(known.what, dtype=np.int32, count=m).astype(np.int64)
    at_high = np.frombuffer(known.what, dtype=np.uint8, offset=4 * m, count=m).astype(bool)
    return basic, Vertex(base, basic, at_high, np.frombuffer(known.origin))


def choices_of(known: Known, rows: int) -> Vector:
    """Return the choices of a point."""
    return np.frombuffer(known.what, dtype=np.uint8, offset=5 * rows).astype(float)


def pools_joined(first: Pools, others: list[Pools]) -> Pools:
    """Return what several who all began with the first have learnt; of more groups than are kept, the last ones."""
    groups = list(dict.fromkeys(group for pools in (first, *others) for group in pools))[-KEPT_POOLS:]
    return {g: joined(first.get(g, Learnt()), [own[g] for own in others if g in own]) for g in groups}


def joined(first: Learnt, others: Iterable[Learnt]) -> Learnt:
    """Return what was learnt by several who all began with the first, in the order in which they are given."""
    before = {(k.kind, k.what): k for k in first.known}
    found, splits, account = dict(before), list(first.splits), np.array(first.account)
    for other in others:
        boxes = _followed(splits, other.splits)
        account += np.array(other.account) - np.array(first.account)
        for known in other.known:
            key = known.kind, known.what
            closes = {boxes[box]: count for box, count in known.closes if box in boxes}
            own, old = found.get(key), before.get(key)
            for box, count in old.closes if own and old else ():
                closes[box] = closes.get(box, 0) - count
            for box, count in own.closes if own else ():
                closes[box] = closes.get(box, 0) + count
            tried = known.tried + (own.tried - (old.tried if old else 0) if own else 0)
            hits = known.hits + (own.hits - (old.hits if old else 0) if own else 0)
            kept = tuple(sorted((box, count) for box, count in closes.items() if count > 0))
            found[key] = Known(known.kind, known.what, (own or known).origin, tried, hits, kept)
    gained, spent, seen = account.tolist()
    return Learnt(worth_most(found.values()), tuple(splits), (gained, spent, int(seen)))


def worth_most(known: Iterable[Known]) -> tuple[Known, ...]:
    """Return what has answered or closed most, at most `MOST_HANDED`; what was tried for nothing is let go."""
    some = [k for k in known if (k.hits or not k.tried) and (k.closes or k.kind == "point")]
    return tuple(sorted(some, key=lambda k: (-k.hits, k.tried))[:MOST_HANDED])


def _followed(splits: list[tuple[int, int]], other: tuple[tuple[int, int], ...]) -> dict[int, int]:
    """Split boxes as another tree does where they are whole yet; return which of its boxes are which of ours."""
    ours, boxes = {box: (2 * k + 1, choice) for k, (box, choice) in enumerate(splits)}, {0: 0}
    for k, (box, choice) in enumerate(other):
        if box not in boxes:
            continue
        own = boxes[box]
        if own not in ours:
            ours[own] = 2 * len(splits) + 1, choice
            splits.append((own, choice))
        if ours[own][1] == choice:
            boxes[2 * k + 1], boxes[2 * k + 2] = ours[own][0], ours[own][0] + 1
    return boxes


def write(path: Path, pools: Pools) -> None:
    """Write pools as arrays and JSON: nothing in the file is ever run."""
    tables = [
        {
            "group": group,
            "splits": pool.splits,
            "account": pool.account,
            "known": [[k.kind, k.what.hex(), k.origin.hex(), k.tried, k.hits, k.closes] for k in pool.known],
        }
        for group, pool in pools.items()
    ]
    path.write_text(json.dumps(tables), encoding="utf-8")


def read(path: Path) -> Pools:
    """Return pools as they were written.

    Raises:
        ValueError: If the file is damaged; also `KeyError`, `TypeError` and `OSError`.
    """
    pools: Pools = {}
    for told in json.loads(path.read_text(encoding="utf-8")):
        keys, structural = told["group"]
        known = tuple(
            Known(
                str(kind), bytes.fromhex(what), bytes.fromhex(origin), int(tried), int(hits),
                tuple((int(box), int(count)) for box, count in closes),
            )
            for kind, what, origin, tried, hits, closes in told["known"]
        )  # fmt: skip
        splits = tuple((int(box), int(choice)) for box, choice in told["splits"])
        gained, spent, seen = told["account"]
        group = tuple(map(str, keys)), tuple((str(k), str(v)) for k, v in structural)
        pools[group] = Learnt(known, splits, (float(gained), float(spent), int(seen)))
    return pools
