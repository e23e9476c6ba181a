"""Programs with choices of yes and no: points and proofs of other scenarios composed, and solved only where none do.

A scenario is answered by the best of the known bases at known choices that gives a point of it, and proven by a cut
through one tree of boxes of choices (`cover`), each box bounded by any row prices known. What is left is walked: only
boxes that nothing known closes are solved, and split where their best point is not whole. Each such program teaches
its prices, each whole point its choices and its basis, and both are tried on all scenarios that are still open.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import inf

import numpy as np

from optimizer.data.pool import Mask, Vector
from optimizer.engine.highs import SolverAnswer
from optimizer.engine.tree import dearest
from optimizer.immutable import replace
from optimizer.sweep.checking import Checker
from optimizer.sweep.chosen import KnownPoint
from optimizer.sweep.cover import Cover, Prices
from optimizer.sweep.hot import Hot
from optimizer.sweep.learnt import Learnt, name_of
from optimizer.sweep.pool import ProofPool
from optimizer.sweep.programs import Index, ProgramBase, Programs
from optimizer.sweep.reuse import (
    BEATEN,
    IMPOSSIBLE,
    LEARN_COST,
    OPTIMAL,
    SAMPLE,
    SCAN_COST,
    TRY_COST,
    UNSOLVED,
    Answers,
    KnownBasis,
    sides_of,
)
from optimizer.sweep.standing import Standing
from optimizer.sweep.unique import OnlyBest
from optimizer.sweep.vertex import Vertex
from optimizer.units import BOUND_MET, HAIR, LAST_DIGIT, SAME_WORTH, WHOLE

MOST_RUNS = 400
"""Programs after which a walk is given up."""
WAVE = 64
"""Most scenarios that are walked before what they taught is tried on the others."""

FEW = 4
"""Where no more parts of a split box are open, they are solved rather than the box."""
CREDIT = 1000.0
"""Solver calls' worth of learning and trying before anything must have come of it: a first tree takes a hundred."""
BOUND_COST = 0.015
BOX_COST = BOUND_COST / 30
"""What it costs to bound one program by known prices, and each box of it, in solver calls."""
SPARED = 0.5
"""What answering or closing something by what is known spares, in solver calls: the half of it is found twice."""
SHARE = 0.2
"""Further calls' worth for each program, so that a later part of a range gets its chance."""


def _sample_first(where: Index) -> list[Index]:
    """Return a sample of many programs, and the others."""
    sampled = np.arange(where.size) % max(where.size // SAMPLE, 1) == 0
    return [where[sampled], where[~sampled]] if where.size > 4 * SAMPLE else [where]


def _worthiest(known: KnownPoint | Prices) -> float:
    return -known.record.hits / max(known.record.tried, 1)


@dataclass
class TreeReuse:
    """Solves programs of one base whose last columns are choices; what is learnt is kept from call to call.

    Attributes:
        base: What the programs share.
        doses: Columns before the choices.
        given: What was learnt elsewhere.
        calls: Programs of the solver so far.
        seen: Programs answered so far.
        stopped: Asked between two programs of the solver whether to give up; what is learnt stays.
        most_runs: Programs of the solver after which a walk is given up.
        pool: What is known.
    """

    base: ProgramBase
    doses: int
    given: Learnt = field(default_factory=Learnt)
    calls: int = 0
    seen: int = 0
    stopped: Callable[[], bool] = lambda: False
    most_runs: int = MOST_RUNS
    pool: ProofPool = field(init=False)
    cover: Cover = field(init=False)
    _gained: float = 0.0
    _spent: float = 0.0
    _sizes: Vector = field(init=False)
    _hot: Hot = field(init=False)
    _only: OnlyBest = field(init=False)
    _checker: Checker = field(init=False)

    def __post_init__(self) -> None:
        self._gained, self._spent, self.seen = self.given.account
        self.pool, self._checker = ProofPool(self.base, self.doses, self.given), Checker(self.base)
        self._sizes = np.abs(self.base.matrix[:, self.doses :])
        self._hot = Hot(self.base, np.arange(self.base.cost.size))
        self._begin_tree()

    def _begin_tree(self) -> None:
        self.cover = self.pool.cover
        self._only = OnlyBest(self.base, self.doses, self.cover)

    def solve(self, programs: Programs, scenario: Index) -> Answers:
        """Return the verified answers of programs; of each scenario only its best program is told as optimal.

        Args:
            programs: The programs.
            scenario: The scenario of each.
        """
        standing = self._begun(programs, scenario)
        self._stand(programs, standing, list(self.pool.points.values()), np.arange(len(programs)))
        left = self._bound(programs, standing, np.arange(len(programs)))
        wave, failed = 1, np.zeros(len(standing.worth), dtype=bool)
        while left.size:
            first = np.unique(scenario[left])[:wave]
            points, prices = set(self.pool.points), set(self.pool.prices)
            for s in first.tolist():
                failed[s] = not all(self._walk(programs, standing, int(q)) for q in left[scenario[left] == s])
            standing.walked[first] = True
            left = left[~standing.walked[scenario[left]]]
            self._stand(programs, standing, [v for k, v in self.pool.points.items() if k not in points], left)
            left = self._bound(programs, standing, left, [v for k, v in self.pool.prices.items() if k not in prices])
            wave = min(2 * wave, WAVE)
        return self._answers(programs, standing, failed)

    def _begun(self, programs: Programs, scenario: Index) -> Standing:
        """Return what is known of programs before anything was tried on them."""
        p, n, size = len(programs), self.base.cost.size, int(scenario.max(initial=-1)) + 1
        self.seen += p
        if self.pool.forget():
            self._begin_tree()
        return Standing(
            scenario, np.full(size, inf), np.zeros(size), np.zeros((n, size)), np.full(size, -1),
            np.full((len(self.cover), p), -inf), np.zeros(size, dtype=bool),
        )  # fmt: skip

    @property
    def kept(self) -> int:
        """How many points, row prices and proofs are kept."""
        return self.pool.kept

    @property
    def kept_bytes(self) -> int:
        """What they take."""
        return self.pool.kept_bytes

    def learnt(self) -> Learnt:
        """Return what may be handed on."""
        return self.pool.learnt((self._gained, self._spent, self.seen))

    def _stand(self, programs: Programs, standing: Standing, known: list[KnownPoint], left: Index) -> None:
        """Give every scenario the best of its own and of known points."""
        if not left.size:
            return
        whole = programs.take(left)
        for point in sorted(known, key=_worthiest):
            if not self._pays(point.record, left.size):
                continue
            some = point.chosen.programs(whole)
            at, basic = point.vertex.points(some, self._betters(standing, left) - point.chosen.worth(whole))
            x = np.zeros((self.base.cost.size, at.size))
            x[point.vertex.columns], x[self.doses :] = basic, point.chosen.choices[:, None]
            self._paid(point.record, left.size, self._offer(programs.take(left[at]), standing, left[at], x))

    def _betters(self, standing: Standing, programs: Index) -> Vector:
        """Return what a point must cost less than to be clearly the best of its scenario, shape (p,)."""
        own = standing.scenario[programs]
        return np.asarray(standing.worth[own] - SAME_WORTH / 10 * standing.weight[own])

    def _offer(self, programs: Programs, standing: Standing, where: Index, x: Vector) -> int:
        """Let points of programs be the best ones of their scenarios where they are; return of how many."""
        own, worth = standing.scenario[where], programs.values(x)
        order = np.lexsort((where, worth, own))
        leads = order[np.diff(own[order], prepend=-1) > 0]
        better = leads[worth[leads] < self._betters(standing, where[leads])]
        s = own[better]
        standing.worth[s], standing.x[:, s], standing.program[s] = worth[better], x[:, better], where[better]
        costs = programs.take(better)
        standing.weight[s] = np.abs(self.base.cost) @ np.abs(x[:, better]) + np.einsum(
            "cp,cp->p", np.abs(costs.cost), np.abs(x[self.base.priced][:, better])
        )
        return int(better.size)

    def _bound(self, programs: Programs, standing: Standing, left: Index, fresh: list[Prices] | None = None) -> Index:
        """Try all prices, or fresh ones, on what is left; return the programs that no cut proves yet.

        They are tried on boxes that they closed before and that are still wanted.
        """
        self._widen(standing)
        closed = standing.best[:, left] >= standing.needed(left)
        wanted = self.cover.wanted(closed)
        known = list(self.pool.prices.values()) if fresh is None else fresh
        for prices in sorted(known, key=_worthiest):
            boxes = self._tried_on(prices)
            at = np.flatnonzero(wanted[boxes].any(axis=0))
            if not at.size or not self._pays(prices.record, at.size, boxes.size):
                continue
            for part in [at] if prices.record.tried else _sample_first(at):
                closes = self._tried(prices, programs, standing, left[part], boxes, wanted[np.ix_(boxes, part)])
                closed[np.ix_(boxes, part)] |= closes
                hit = part[closes.any(axis=0)]
                if hit.size:
                    wanted[:, hit] = self.cover.wanted(closed[:, hit])
                boxes = boxes[closes.any(axis=1)]
                if not self._pays(prices.record, at.size, boxes.size):
                    break
        return np.asarray(left[wanted[0]])

    def _tried_on(self, prices: Prices) -> Index:
        """Return the boxes that prices are tried on."""
        return prices.promising()

    def _tried(
        self, prices: Prices, programs: Programs, standing: Standing, where: Index, boxes: Index, wanted: Mask
    ) -> Mask:
        """Note what prices bound in wanted boxes of some programs; return which they close, shape (k, p)."""
        bounds = prices.bounds(programs.take(where), self.cover.low[boxes], self.cover.high[boxes])
        bounds[~wanted] = -inf
        closes = np.asarray(bounds >= standing.needed(where))
        prices.note(boxes, closes.sum(axis=1))
        self._paid(prices.record, where.size, int(closes.any(axis=0).sum()), BOUND_COST + BOX_COST * boxes.size)
        place = np.ix_(boxes, where)
        standing.best[place] = np.maximum(standing.best[place], bounds)
        return closes

    def _pays(self, record: KnownBasis, count: int, boxes: int = 0) -> bool:
        """Return whether trying something on so many programs should pay; what is new is, while that is afforded."""
        scan = BOUND_COST + BOX_COST * boxes if boxes else SCAN_COST
        return record.worth(count, scan / SPARED) if record.tried else self._affordable()

    def _affordable(self) -> bool:
        return self._spent < self._gained + CREDIT + SHARE * self.seen

    def _paid(self, record: KnownBasis, count: int, hits: int, scan: float = SCAN_COST) -> None:
        record.tried, record.hits = record.tried + count, record.hits + hits
        self._spent += TRY_COST + scan * count
        self._gained += SPARED * hits

    def _widen(self, standing: Standing) -> None:
        """Make room for the bounds of boxes that came since."""
        more = len(self.cover) - len(standing.best)
        if more:
            standing.best = np.vstack([standing.best, np.full((more, standing.best.shape[1]), -inf)])

    def _walk(self, programs: Programs, standing: Standing, q: int) -> bool:
        """Prove a program by programs of the solver where nothing known does; return whether it worked.

        What the others of its wave taught is not tried on it: a try on one program alone costs a third of a run, and
        few of them close a box.
        """
        one = programs.take(np.array([q]))
        self._widen(standing)
        waiting: list[tuple[int, SolverAnswer | None]] = [(0, None)]
        runs, open_ = self.calls, self.cover.open_below(standing.best[:, q] >= standing.needed(np.array([q])))
        while waiting:
            box, answer = waiting.pop()
            if self._closed(standing, q, box):
                continue
            if box < len(open_) and self.cover.first[box] >= 0 and open_[box] <= FEW:
                waiting += self._halves(standing, q, box)
                continue
            if self.calls - runs > self.most_runs or self.stopped():
                return False
            answer = answer or self._run(programs, q, self.cover.low[box], self.cover.high[box])
            if self._closes(one, standing, q, box, answer):
                continue
            if answer.ending != "optimal":
                return False
            if self._whole(programs, standing, q, answer):
                if not self._closes(one, standing, q, box, answer):
                    return False
            elif self.cover.first[box] >= 0:
                waiting += self._halves(standing, q, box)
            else:
                waiting += self._split(programs, one, standing, q, box, answer)
        return True

    def _halves(self, standing: Standing, q: int, box: int) -> list[tuple[int, SolverAnswer | None]]:
        """Return the halves of a box that was split, the more promising last."""
        first = int(self.cover.first[box])
        return [(half, None) for half in sorted((first, first + 1), key=lambda b: -standing.best[b, q])]

    def _closed(self, standing: Standing, q: int, box: int) -> bool:
        s = standing.scenario[q]
        return bool(standing.best[box, q] >= standing.worth[s] - BOUND_MET * standing.weight[s])

    def _run(
        self, programs: Programs, q: int, low: Vector, high: Vector, cheaper: Vector | None = None
    ) -> SolverAnswer:
        """Run a program within a box of choices, with some doses cheaper."""
        self.calls += 1
        cost, there = programs.one(q)
        if cheaper is not None:
            cost[: self.doses] -= cheaper
        there[self.doses :] = high
        return self._hot.run(programs, q, cost, there, np.concatenate([np.zeros(self.doses), low]))

    def _closes(self, one: Programs, standing: Standing, q: int, box: int, answer: SolverAnswer) -> bool:
        """Return whether the prices of an answer, or its proof that nothing fits, close a box; keep them if so."""
        low, high = self.cover.low[[box]], self.cover.high[[box]]
        optimal = answer.ending == "optimal"
        for y in (answer.y,) if optimal else (answer.ray, -answer.ray) if answer.ray is not None else ():
            own = Prices(self.base, self.doses, y, proof=not optimal)
            standing.best[box, q] = max(standing.best[box, q], own.bounds(one, low, high)[0, 0])
            if self._closed(standing, q, box):
                standing.own.setdefault(q, []).append((box, own))
                self._learn(one, standing, q, box, answer, own)
                return True
        return False

    def _learn(self, one: Programs, standing: Standing, q: int, box: int, answer: SolverAnswer, own: Prices) -> None:
        """Keep prices for other programs, as their basis gives them there."""
        if not self._learning:
            return
        key, found = (own.key, own) if own.proof else self._of_basis(one, answer)
        if found is None:
            return
        known = self.pool.prices.setdefault(key, found)
        bounds = known.bounds(one, self.cover.low, self.cover.high)[:, 0]
        for closed in {box, *np.flatnonzero(bounds >= standing.needed(np.array([q]))).tolist()}:
            known.closes[closed] = known.closes.get(closed, 0) + 1
        standing.best[:, q] = np.maximum(standing.best[:, q], bounds)

    @property
    def _learning(self) -> bool:
        """Whether further prices are kept: it was worth it so far, and there is room."""
        return self._affordable() and len(self.pool.prices) <= 2 * self.pool.most_prices

    def _of_basis(self, one: Programs, answer: SolverAnswer) -> tuple[bytes, Prices | None]:
        """Return the name of an answer's basis and its prices, known or new; None if it is singular."""
        key = name_of(answer.basic)
        if key in self.pool.prices:
            return key, self.pool.prices[key]
        self._spent += LEARN_COST
        try:
            nowhere = np.zeros(self.base.low.size, dtype=bool)
            return key, Prices(self.base, self.doses, Vertex(self.base, answer.basic, nowhere, one.moves[:, 0]))
        except np.linalg.LinAlgError:
            return key, None

    def _within(self, programs: Programs, q: int, box: int, nothing: Mask | None) -> Prices | None:
        """Return the prices of a program solved within a box, which are kept if that is afforded.

        Args:
            programs: The programs.
            q: Which to solve.
            box: The box.
            nothing: Doses made cheaper by a hair, shape (doses,): if the best point stays without them, its prices then
                say that they would cost more (strict complementarity), where those of its basis may leave it open.
        """
        cheaper = None if nothing is None else np.where(nothing, HAIR, 0.0)
        answer = self._run(programs, q, self.cover.low[box], self.cover.high[box], cheaper)
        if answer.ending != "optimal":
            return None
        if nothing is not None:
            return Prices(self.base, self.doses, answer.y)
        key, found = self._of_basis(programs.take(np.array([q])), answer)
        if found is not None and self._learning and key not in self.pool.prices:
            found.closes[box] = 1
            self.pool.prices[key] = found
        return found

    def _whole(self, programs: Programs, standing: Standing, q: int, answer: SolverAnswer) -> bool:
        """Return whether the best of a box has whole choices and keeps its worth there; note the point."""
        parts = answer.x[self.doses :]
        choices = np.round(parts)
        if np.abs(parts - choices).max(initial=0.0) > WHOLE:
            return False
        point = self._point(programs, q, choices)
        if point is None:
            return False
        one = programs.take(np.array([q]))
        x = np.concatenate([point.x, choices])[:, None]
        worth, bound = float(one.values(x)[0]), float(one.values(answer.x[:, None])[0])
        if worth > bound + SAME_WORTH / 10 * float(np.abs(self.base.cost) @ np.abs(x[:, 0])):
            return False
        self._offer(one, standing, np.array([q]), x)
        return True

    def _point(self, programs: Programs, q: int, choices: Vector) -> SolverAnswer | None:
        """Return the best at given choices, whose basis is kept."""
        chosen = self.pool.at(choices)
        cost, there = programs.one(q)
        here = chosen.programs(programs)
        self.calls += 1
        answer = chosen.hot.run(here, q, cost[: self.doses], there[: self.doses])
        if answer.ending != "optimal":
            return None
        one = here.take(np.array([q]))
        sided, at_high = sides_of(one, answer)
        name = chosen.key + sided
        if name not in self.pool.points:
            try:
                vertex = Vertex(chosen.base, answer.basic, at_high, one.moves[:, 0])
            except np.linalg.LinAlgError:
                return answer
            self.pool.points[name] = KnownPoint(chosen, vertex)
        # As the basis gives it for later scenarios, so that the last digits do not tell which came first.
        x = self.pool.points[name].vertex.points(one, np.full(1, inf))
        if x[0].size:
            answer = replace(answer, x=np.zeros(self.doses))
            answer.x[self.pool.points[name].vertex.columns] = x[1][:, 0]
        return answer

    def _split(
        self, programs: Programs, one: Programs, standing: Standing, q: int, box: int, answer: SolverAnswer
    ) -> list[tuple[int, SolverAnswer | None]]:
        """Split a box at the choice whose split says most; return its halves with their answers, the better last."""
        low, high = self.cover.low[box], self.cover.high[box]
        off = np.abs(answer.x[self.doses :] - np.round(answer.x[self.doses :]))
        off[low == high] = -1.0
        order = dearest(off, answer.y, self._sizes)
        best, most, pair = int(order[0]), -1.0, None
        for choice in order.tolist():
            down, up = high.copy(), low.copy()
            down[choice], up[choice] = 0.0, 1.0
            halves = self._run(programs, q, low, down), self._run(programs, q, up, high)
            worths = [inf if a.ending == "infeasible" else float(one.values(a.x[:, None])[0]) for a in halves]
            bound = float(one.values(answer.x[:, None])[0])
            gain = max(worths[0] - bound, LAST_DIGIT) * max(worths[1] - bound, LAST_DIGIT)
            if gain > most:
                best, most, pair = choice, gain, (halves, worths)
        assert pair is not None
        first = self.cover.split(box, best)
        (a, b), (worth_a, worth_b) = pair
        told: list[tuple[int, SolverAnswer | None]] = [(first, a), (first + 1, b)]
        self._widen(standing)
        return told if worth_a > worth_b else told[::-1]

    def _answers(self, programs: Programs, standing: Standing, failed: Mask) -> Answers:
        """Check every answer outside the solver, and tell which are the only best ones."""
        p = len(programs)
        found = Answers(
            np.full(p, BEATEN), np.zeros((self.base.cost.size, p)), np.zeros(p, dtype=bool), np.zeros(p, dtype=bool)
        )
        none = np.isinf(standing.worth)[standing.scenario]
        found.verdict[none] = IMPOSSIBLE
        solved = np.flatnonzero(~np.isinf(standing.worth))
        where = standing.program[solved]
        found.verdict[where] = OPTIMAL
        found.x[:, where] = standing.x[:, solved]
        found.reused = ~standing.walked[standing.scenario]
        some = programs.take(where)
        failed[solved[~self._checker.kept(some, standing.x[:, solved])]] = True
        found.unique[where] = self._only.told(programs, standing, self.pool.prices.values(), self._within)[solved]
        found.verdict[failed[standing.scenario]] = UNSOLVED
        return found
