"""Programs of one brief whose figures move a little at a time: what is known is tried on one scenario at once.

Nothing is spared here, as nobody draws thousands of scenarios: everything that was learnt is weighed in few products
(`stacked`), points that were best last are tried first, and all ends as soon as one of them is proven.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import count, islice

import numpy as np

from optimizer.data.pool import Vector
from optimizer.sweep.chosen import KnownPoint, key_of
from optimizer.sweep.cover import Prices
from optimizer.sweep.programs import Index, Programs
from optimizer.sweep.reuse import AT_CHOICES, OPTIMAL, UNSOLVED, Answers, KnownBasis
from optimizer.sweep.stacked import Stacked
from optimizer.sweep.standing import Standing
from optimizer.sweep.tree_reuse import MOST_RUNS, TreeReuse

MOST_ASKED = 8
"""Sets of choices that are solved for where an answer is wanted before it is proven."""
AT_ONCE = 24
"""Programs that are solved at once towards a proof that is known but for little."""


@dataclass
class LiveTree(TreeReuse):
    """Answers few scenarios at a time at once, as far as is known, from what it has learnt."""

    _turn: Iterator[int] = field(default_factory=lambda: count(1))
    _stacks: tuple[Stacked, ...] = ()
    _laid: dict[bytes, Prices] = field(default_factory=dict)
    _taken: int = 0
    _by: dict[tuple[int, int], Prices] = field(default_factory=dict)

    def look(self, programs: Programs, scenario: Index, *, seek: bool = True) -> Answers:
        """Return what is known of programs; what no cut proves is told as the best at choices known so far.

        Args:
            programs: The programs.
            scenario: The scenario of each.
            seek: Solve a few programs where nothing known proves it: towards a proof, and at known choices.
        """
        standing = self._begun(programs, scenario)
        self._stand(programs, standing, list(self.pool.points.values()), np.arange(len(programs)))
        left = self._bound(programs, standing, np.arange(len(programs)))
        if seek and left.size:
            left = self._sought(programs, standing, left)
        found = self._answers(programs, standing, np.zeros(len(standing.worth), dtype=bool))
        open_ = np.isin(scenario, scenario[left])
        found.verdict[open_ & (found.verdict != OPTIMAL)] = UNSOLVED
        found.verdict[open_ & (found.verdict == OPTIMAL)] = AT_CHOICES
        return found

    def _stand(self, programs: Programs, standing: Standing, known: list[KnownPoint], left: Index) -> None:
        """Weigh all prices, then try points, the latest best first, until one is proven in every scenario."""
        if not left.size:
            return
        least = self._weighed(programs, standing, left)
        for point in sorted(known, key=lambda point: -point.record.last):
            open_ = left[least < standing.needed(left)]
            if not open_.size:
                break
            before = standing.worth.copy()
            super()._stand(programs, standing, [point], open_)
            if (standing.worth < before).any():
                point.record.last = next(self._turn)

    def _weighed(self, programs: Programs, standing: Standing, left: Index) -> Vector:
        """Note the highest bound of every box by all prices known; return what nothing costs less than, shape (l,)."""
        self._widen(standing)
        self._by = {}
        for q in left.tolist():
            one = programs.take(np.array([q]))
            for stack in self._all():
                bounds, by = stack.highest(one, self.cover.low, self.cover.high)
                better = np.flatnonzero(bounds > standing.best[:, q])
                standing.best[better, q] = bounds[better]
                self._by.update({(int(b), q): stack.known[k] for b, k in zip(better, by[better], strict=True)})
        return self.cover.least(standing.best[:, left])

    def _all(self) -> list[Stacked]:
        """Return all prices known, bases and proofs apart."""
        if self._laid is not self.pool.prices:
            self._laid, self._taken = self.pool.prices, 0
            self._stacks = Stacked(self.base, self.doses, proof=False), Stacked(self.base, self.doses, proof=True)
        more = list(islice(self.pool.prices.values(), self._taken, None))
        self._taken += len(more)
        for stack in self._stacks:
            stack.add([prices for prices in more if prices.proof == stack.proof])
        return [stack for stack in self._stacks if stack.known]

    def _bound(self, programs: Programs, standing: Standing, left: Index, fresh: list[Prices] | None = None) -> Index:
        """Return the programs that no cut proves yet, once all prices were weighed; fresh ones are tried."""
        if fresh:
            return super()._bound(programs, standing, left, fresh)
        self._widen(standing)
        closed = standing.best >= standing.needed(np.arange(len(programs)))
        for box, q in zip(*np.nonzero(self.cover.cut(closed)), strict=True):
            if (prices := self._by.get((box, q))) is not None:
                prices.record.hits += 1
                prices.closes[int(box)] = prices.closes.get(int(box), 0) + 1
        return left[~self.cover.covered(closed[:, left])]

    def _sought(self, programs: Programs, standing: Standing, left: Index) -> Index:
        """Go towards a proof at known choices, then by a walk that is not long; return the programs still open."""
        asked = max(1, MOST_ASKED // left.size)
        for q in left.tolist():
            self._at_known_choices(programs, standing, q, asked)
        left, before, runs = self._bound(programs, standing, left), set(self.pool.prices), self.calls
        self.most_runs = AT_ONCE
        for q in left.tolist():
            new = [prices for key, prices in self.pool.prices.items() if key not in before]
            if new:
                self._bound(programs, standing, np.array([q]), new)
            if not self._walk(programs, standing, q):
                break
            self.most_runs = AT_ONCE - (self.calls - runs)
        self.most_runs = MOST_RUNS
        left = self._bound(programs, standing, left)
        for q in left.tolist():
            self._at_known_choices(programs, standing, q, 1)
        return left

    def _at_known_choices(self, programs: Programs, standing: Standing, q: int, most: int) -> None:
        """Give a program the checked best at its best point's choices, and at those that answered most so far."""
        own, one = standing.program[standing.scenario[q]], programs.take(np.array([q]))
        hits: dict[bytes, int] = {}
        for known in self.pool.points.values():
            key = known.chosen.key
            hits[key] = max(hits.get(key, 0), known.record.last)
        first = key_of(standing.x[self.doses :, standing.scenario[q]]) if own >= 0 else b""
        for key in sorted(hits, key=lambda k: (k != first, -hits[k]))[:most]:
            chosen = self.pool.chosen[key]
            point = self._point(programs, q, chosen.choices)
            if point is not None and chosen.holds(one, point):
                x = np.concatenate([point.x, chosen.choices])[:, None]
                self._offer(one, standing, np.array([q]), x)

    def _tried_on(self, prices: Prices) -> Index:
        return prices.promising(every=True)

    def _pays(self, record: KnownBasis, count: int, boxes: int = 0) -> bool:
        return True

    def _affordable(self) -> bool:
        return True
