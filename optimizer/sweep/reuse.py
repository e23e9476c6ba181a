"""Basis reuse: most programs of a range share a few optimal bases and a few proofs that nothing fits.

Take a program that is not solved yet, solve it, read its basis, and try the basis on all that are left
(`vertex`); repeat. A basis is tried only while that is worth it: what a try costs is held against
what earlier tries brought, so that ranges in which every program has a basis of its own (wide libraries
with noise on every price) go to the solver one by one after a first sample. Every answer, from the
solver or from a basis, is then checked by its optimality conditions outside both.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

import numpy as np

from optimizer.data.pool import Mask, Vector
from optimizer.engine.highs import SolverAnswer
from optimizer.sweep.checking import Checker
from optimizer.sweep.hot import Solver
from optimizer.sweep.learnt import Known, Learnt, as_bytes, basis_of, name_of, sided_name, worth_most
from optimizer.sweep.programs import Index, ProgramBase, Programs
from optimizer.sweep.vertex import Proof, Vertex, bytes_of

OPTIMAL, IMPOSSIBLE, UNCERTIFIED, BEATEN, AT_CHOICES, UNSOLVED = 1, 2, 3, 4, 5, 0
"""Verdicts: solved, proven impossible, impossible by the solver's word alone, no better than another program of its
scenario, a point that is not proven to be the best, none."""
TRY_COST = 0.35
"""What trying a basis costs in itself, in solver calls."""
LEARN_COST = 0.5
"""What taking in a new basis costs, in solver calls."""
SCAN_COST = 0.002
"""What it costs per program, in solver calls."""
CREDIT = 12.0
"""Solver calls' worth of tries that are spent before anything must have come of them."""
SHARE = 0.01
"""Further tries, as a share of all programs, so that a later part of a range gets its chance."""
BLOCK = 75_000
"""Figures of answers that are checked at once, so that they stay near the processor."""
MOST_KNOWN = 1500
"""Bases and proofs that are kept; above that those with few hits go."""
SAMPLE = 96
"""Programs on which a new basis is tried before all others."""


def _name_of_ray(ray: Vector) -> bytes:
    """Return what a proof is known by, whatever its size."""
    return b"y" + bytes(np.round(ray / np.abs(ray).max(), 9).tobytes())


def sides_of(program: Programs, answer: SolverAnswer) -> tuple[bytes, Mask]:
    """Return what the basis of a program's answer is known by, and whether each row is nearer its upper end, (m,)."""
    rows, (low, high) = program.activity(answer.x[:, None]), program.ends()
    at_high = (np.abs(rows - high) < np.abs(rows - low))[:, 0]
    m, n = program.base.matrix.shape
    active = np.ones(m, dtype=bool)
    active[answer.basic[answer.basic >= n] - n] = False
    return name_of(answer.basic) + np.packbits(at_high & active).tobytes(), at_high


@dataclass
class Answers:
    """Verdict and column values of programs, shapes (p,), (n, p).

    Attributes:
        unique: Whether no other doses are as good, shape (p,).
        reused: Whether it came without a solver call, shape (p,).
    """

    verdict: Index
    x: Vector
    unique: Mask
    reused: Mask


@dataclass
class PricedAnswers(Answers):
    """Answers with their row prices and basic columns and rows, shapes (m, p), (n + m, p)."""

    y: Vector
    basic: Mask


@dataclass
class KnownBasis:
    """What trying a basis or a proof has brought so far, and the last turn at which it did where turns are counted."""

    tried: int = 0
    hits: int = 0
    last: int = 0

    def worth(self, count: int, scan: float = SCAN_COST) -> bool:
        """Whether another try on so many programs should pay."""
        return self.hits * count > (TRY_COST + scan * count) * max(self.tried, 1)


@dataclass
class Reuse:
    """Solves programs of one base; bases and proofs are kept from call to call.

    Attributes:
        base: What the programs share.
        calls: Solver calls so far.
        seen: Programs so far.
        given: What was learnt elsewhere.
        stopped: Not asked: a program is too short to be given up.
    """

    base: ProgramBase
    enabled: bool = True
    given: Learnt = field(default_factory=Learnt)
    calls: int = 0
    seen: int = 0
    stopped: Callable[[], bool] = lambda: False
    _gained: float = 0.0
    _spent: float = 0.0
    _known: dict[bytes, tuple[Vertex | Proof, KnownBasis]] = field(default_factory=dict)
    _solver: Solver = field(init=False)
    _checker: Checker = field(init=False)

    def __post_init__(self) -> None:
        self._checker, self._solver = Checker(self.base), Solver(self.base)
        self._gained, self._spent, self.seen = self.given.account
        for known in self.given.known:
            with suppress(np.linalg.LinAlgError):
                self._take_in(known)

    def learnt(self) -> Learnt:
        """Return what may be handed on."""
        known = [
            Known("proof", vertex.y.tobytes(), b"", record.tried, record.hits, ((0, 1),))
            if isinstance(vertex, Proof)
            else Known("basis", *as_bytes(vertex), record.tried, record.hits, ((0, 1),))
            for vertex, record in self._known.values()
        ]
        return Learnt(worth_most(known), (), (self._gained, self._spent, self.seen))

    def _take_in(self, known: Known) -> None:
        record = KnownBasis(known.tried, known.hits)
        if known.kind == "proof":
            ray = np.frombuffer(known.what)
            self._known[_name_of_ray(ray)] = Proof(self.base, ray), record
        else:
            _, vertex = basis_of(self.base, known)
            self._known[sided_name(vertex)] = vertex, record

    def solve(self, programs: Programs, scenario: Index) -> Answers:
        """Return the verified answers of programs; each stands for itself, so nothing else of `TreeReuse` matters."""
        m, n = self.base.matrix.shape
        p = len(programs)
        self.seen += p
        found = PricedAnswers(
            np.zeros(p, dtype=np.int64), np.zeros((n, p)), np.zeros(p, dtype=bool), np.zeros(p, dtype=bool),
            np.zeros((m, p)), np.zeros((n + m, p), dtype=bool),
        )  # fmt: skip
        left = np.arange(p)
        rest = programs
        if self.enabled:
            for known, record in sorted(self._known.values(), key=lambda k: -k[1].hits / max(k[1].tried, 1)):
                if record.worth(left.size):
                    left, rest = self._try(known, record, found, left, rest)
            left = left[found.verdict[left] == UNSOLVED]
        order = np.random.default_rng(p).permutation(left)
        self._one_by_one(programs, found, order)
        self._verify(programs, found)
        return found

    @property
    def kept(self) -> int:
        """How many bases and proofs are kept."""
        return len(self._known)

    @property
    def kept_bytes(self) -> int:
        """What they take."""
        return sum(bytes_of(known) for known, _ in self._known.values())

    def _one_by_one(self, programs: Programs, found: PricedAnswers, order: Index) -> None:
        """Solve what is left, each basis tried on what is still left while that pays."""
        rest: Programs | None = None
        left = order
        told: list[tuple[int, SolverAnswer]] = []
        for position, q in enumerate(order):
            if found.verdict[q] != UNSOLVED:
                continue
            answer = self._solver.run(programs, int(q))
            self.calls += 1
            if answer.ending == "optimal":
                found.verdict[q] = OPTIMAL
                told.append((int(q), answer))
            known = self._learnt(programs, found, int(q), answer)
            if known is None or not self._affordable():
                continue
            if rest is None or left.size > 1.3 * (found.verdict[left] == UNSOLVED).sum():
                left = order[position + 1 :]
                left = left[found.verdict[left] == UNSOLVED]
                rest = programs.take(left)
            if not left.size:
                continue
            left, rest = self._try(*known, found, left, rest, sample=True)
        if told:
            where = np.array([q for q, _ in told])
            found.x[:, where] = np.array([a.x for _, a in told]).T
            found.y[:, where] = np.array([a.y for _, a in told]).T
            found.basic[np.array([a.basic for _, a in told]), where[:, None]] = True

    def _affordable(self) -> bool:
        return self.enabled and self._spent < self._gained + CREDIT + SHARE * self.seen

    def _try(
        self,
        known: Vertex | Proof,
        record: KnownBasis,
        found: PricedAnswers,
        left: Index,
        rest: Programs,
        *,
        sample: bool = False,
    ) -> tuple[Index, Programs]:
        """Try a basis or a proof on the programs that are left; return what is left then."""
        if sample and left.size > 4 * SAMPLE:
            few = np.linspace(0, left.size - 1, SAMPLE).astype(np.int64)
            some = rest.take(few)
            hits = known.fits(some) if isinstance(known, Proof) else known.fits(some)[0]
            self._spent += TRY_COST + SCAN_COST * SAMPLE
            record.tried, record.hits = record.tried + SAMPLE, record.hits + hits.size
            if not record.worth(left.size):
                return left, rest
        if isinstance(known, Proof):
            hits = known.fits(rest)
            fresh = hits[found.verdict[left[hits]] == UNSOLVED]
            found.verdict[left[fresh]] = IMPOSSIBLE
        else:
            hits, x, y = known.fits(rest)
            new = found.verdict[left[hits]] == UNSOLVED
            fresh = hits[new]
            self._place(known, found, left[fresh], x[:, new], y[:, new])
        found.reused[left[fresh]] = True
        self._spent += TRY_COST + SCAN_COST * left.size
        self._gained += fresh.size
        record.tried, record.hits = record.tried + left.size, record.hits + fresh.size
        if fresh.size > left.size / 8:
            keep = np.flatnonzero(found.verdict[left] == UNSOLVED)
            return left[keep], rest.take(keep)
        return left, rest

    def _place(self, vertex: Vertex, found: PricedAnswers, where: Index, x: Vector, y: Vector) -> None:
        """Write the answers of a basis."""
        found.verdict[where] = OPTIMAL
        found.x[np.ix_(vertex.columns, where)] = x
        found.y[np.ix_(vertex.active, where)] = y
        n = self.base.matrix.shape[1]
        found.basic[np.ix_(np.concatenate([vertex.columns, n + vertex.idle]), where)] = True

    def _learnt(
        self, programs: Programs, found: PricedAnswers, q: int, answer: SolverAnswer
    ) -> tuple[Vertex | Proof, KnownBasis] | None:
        """Return the basis of an answer, or its proof that nothing fits, with the record of its kind."""
        if answer.ending == "infeasible":
            found.verdict[q] = UNCERTIFIED
            if answer.ray is None:
                return None
            own = programs.take(np.array([q]))
            for ray in (answer.ray, -answer.ray):
                proof = Proof(self.base, ray)
                if proof.fits(own).size:
                    found.verdict[q] = IMPOSSIBLE
                    return self._kept(_name_of_ray(ray), proof)
            return None
        if answer.ending != "optimal" or not self._affordable():
            return None
        own = programs.take(np.array([q]))
        key, at_high = sides_of(own, answer)
        if key in self._known:
            return self._known[key]
        self._spent += LEARN_COST
        try:
            vertex = Vertex(self.base, answer.basic, at_high, own.moves[:, 0])
        except np.linalg.LinAlgError:
            return None
        return self._kept(key, vertex)

    def _kept(self, key: bytes, known: Vertex | Proof) -> tuple[Vertex | Proof, KnownBasis]:
        if len(self._known) > MOST_KNOWN:
            best = sorted(self._known.items(), key=lambda k: -k[1][1].hits)
            self._known = dict(best[: MOST_KNOWN // 3])
        return self._known.setdefault(key, (known, KnownBasis()))

    def _verify(self, programs: Programs, found: PricedAnswers) -> None:
        """Check every answer; what does not stand the check is left without a verdict."""
        solved = np.flatnonzero(found.verdict == OPTIMAL)
        block = max(1, BLOCK // sum(self.base.matrix.shape))
        for where in np.split(solved, range(block, solved.size, block)):
            if not where.size:
                continue
            some = programs.take(where)
            x = found.x[:, where]
            holds, unique = self._checker.check(some, x, found.y[:, where], found.basic[:, where])
            found.verdict[where[~holds]] = UNSOLVED
            found.unique[where] = unique
            np.clip(x, 0.0, self.base.upper[:, None], out=x)
            x[self.base.closing] *= ~some.closed
            found.x[:, where] = x
