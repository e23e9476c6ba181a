"""What a family with choices knows, in memory: points at some choices, row prices, proofs, the boxes they close."""

from __future__ import annotations

from contextlib import suppress

import numpy as np

from optimizer.data.pool import Vector
from optimizer.sweep.chosen import Chosen, KnownPoint, key_of
from optimizer.sweep.cover import Cover, Prices
from optimizer.sweep.learnt import Known, Learnt, as_bytes, basis_of, choices_of, name_of, sided_name, worth_most
from optimizer.sweep.programs import ProgramBase
from optimizer.sweep.reuse import KnownBasis
from optimizer.sweep.vertex import bytes_of

MOST_PRICES, MOST_POINTS, MOST_BOXES = 1_500, 500, 1_000
"""What is kept from one batch to the next; above so many boxes the tree is grown anew."""
LEAST_PRICES, ROOM = 20, 10_000_000
"""Of wide libraries fewer prices are kept: as many as there is room for copies of the matrix, in figures."""


class ProofPool:
    """Points and prices by name.

    Attributes:
        base: What all programs share.
        doses: Columns before the choices.
        cover: The boxes of choices.
        points: Bases at some choices.
        prices: Bases of all columns and proofs, which bound the cost in boxes.
        chosen: Programs at some choices, by their key.
    """

    def __init__(self, base: ProgramBase, doses: int, learnt: Learnt | None = None) -> None:
        """Begin with nothing, or with what was learnt elsewhere."""
        self.base, self.doses = base, doses
        self.cover = Cover(base.cost.size - doses)
        self.points: dict[bytes, KnownPoint] = {}
        self.prices: dict[bytes, Prices] = {}
        self.chosen: dict[bytes, Chosen] = {}
        for box, choice in learnt.splits if learnt else ():
            self.cover.split(box, choice)
        for known in learnt.known if learnt else ():
            with suppress(np.linalg.LinAlgError):
                self._take_in(known)

    @property
    def kept(self) -> int:
        """How many points, row prices and proofs are kept."""
        return len(self.points) + len(self.prices)

    @property
    def kept_bytes(self) -> int:
        """What they take."""
        vertices = [*(p.vertex for p in self.points.values()), *(p.vertex for p in self.prices.values() if p.vertex)]
        return sum(map(bytes_of, vertices)) + sum(map(bytes_of, self.prices.values()))

    @property
    def most_prices(self) -> int:
        """How many prices are kept."""
        return max(LEAST_PRICES, min(MOST_PRICES, ROOM // self.base.matrix.size))

    def forget(self) -> bool:
        """Let go of what never closes or answers anything, where much is known; return whether the tree is new."""
        if len(self.prices) > self.most_prices:
            best = sorted(self.prices.items(), key=lambda k: (-k[1].record.hits, k[1].record.tried))
            self.prices = dict(best[: self.most_prices // 2])
        if len(self.points) > MOST_POINTS:
            known = sorted(self.points.items(), key=lambda k: (-k[1].record.hits, k[1].record.tried))
            self.points = dict(known[: MOST_POINTS // 2])
            kept = {id(point.chosen) for point in self.points.values()}
            self.chosen = {key: chosen for key, chosen in self.chosen.items() if id(chosen) in kept}
        if len(self.cover) <= MOST_BOXES:
            return False
        self.cover, self.prices = Cover(self.base.cost.size - self.doses), {}
        return True

    def learnt(self, account: tuple[float, float, int]) -> Learnt:
        """Return what may be handed on."""
        points = [_known("point", *as_bytes(p.vertex, p.chosen.choices), p.record) for p in self.points.values()]
        prices = [
            _known("basis", *as_bytes(p.vertex), p.record, p.closes)
            if p.vertex
            else _known("proof", p.all_rows.tobytes(), b"", p.record, p.closes)
            for p in self.prices.values()
        ]
        return Learnt(worth_most([*points, *prices]), tuple(self.cover.splits()), account)

    def at(self, choices: Vector) -> Chosen:
        """Return the programs at some choices."""
        key = key_of(choices)
        if key not in self.chosen:
            self.chosen[key] = Chosen(self.base, self.doses, choices)
        return self.chosen[key]

    def _take_in(self, known: Known) -> None:
        record = KnownBasis(known.tried, known.hits)
        if known.kind == "point":
            chosen = self.at(choices_of(known, len(self.base.low)))
            _, vertex = basis_of(chosen.base, known)
            self.points[chosen.key + sided_name(vertex)] = KnownPoint(chosen, vertex, record)
            return
        if known.kind == "proof":
            prices = Prices(self.base, self.doses, np.frombuffer(known.what), proof=True)
            self.prices[prices.key] = prices
        else:
            basic, vertex = basis_of(self.base, known)
            prices = self.prices[name_of(basic)] = Prices(self.base, self.doses, vertex)
        prices.record, prices.closes = record, dict(known.closes)


def _known(kind: str, what: bytes, origin: bytes, record: KnownBasis, closes: dict[int, int] | None = None) -> Known:
    return Known(kind, what, origin, record.tried, record.hits, tuple(sorted((closes or {}).items())))
