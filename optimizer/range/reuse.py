"""Basis reuse: most programs of a range share a few optimal bases and a few proofs that nothing fits.

Take a program that is not solved yet, solve it, read its basis, and try the basis on all that are left
(`vertex`); repeat. A basis is tried only while that is worth it: what a try costs is held against
what earlier tries brought, so that ranges in which every program has a basis of its own (wide libraries
with noise on every price) go to the solver one by one after a first sample. Every answer, from the
solver or from a basis, is then checked by its optimality conditions outside both.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from optimizer.engine.certificate import GAP, PRIMAL
from optimizer.engine.highs import Answer, Session
from optimizer.engine.sensitivity import ZERO
from optimizer.pool import Mask, Vector
from optimizer.range.programs import Base, Index, Programs
from optimizer.range.vertex import Proof, Vertex

OPTIMAL, IMPOSSIBLE, UNCERTIFIED, UNSOLVED = 1, 2, 3, 0
"""Verdicts: solved, proven impossible, impossible by the solver's word alone, none."""
TRY_COST = 0.35
"""What trying a basis costs in itself, in solver calls."""
SCAN_COST = 0.002
"""What it costs per program, in solver calls."""
CREDIT = 12.0
"""Solver calls' worth of tries that are spent before anything must have come of them."""
SHARE = 0.02
"""Further tries, as a share of all programs, so that a later part of a range gets its chance."""
SAMPLE = 96
"""Programs on which a new basis is tried before all others."""


@dataclass
class Answers:
    """Verdict, column values and row prices of programs, shapes (p,), (n, p), (m, p).

    Attributes:
        unique: Whether no other solution is as good, shape (p,).
        reused: Whether it came without a solver call, shape (p,).
    """

    verdict: Index
    x: Vector
    y: Vector
    unique: Mask
    reused: Mask
    basic: Mask


@dataclass
class Record:
    """What trying a basis or a proof has brought so far."""

    tried: int = 0
    hits: int = 0

    def worth(self, count: int) -> bool:
        """Whether another try on so many programs should pay."""
        return self.hits * count > (TRY_COST + SCAN_COST * count) * max(self.tried, 1)


@dataclass
class Reuse:
    """Solves programs of one base; bases and proofs are kept from call to call.

    Attributes:
        base: What the programs share.
        calls: Solver calls so far.
        seen: Programs so far.
    """

    base: Base
    enabled: bool = True
    calls: int = 0
    seen: int = 0
    _gained: float = 0.0
    _spent: float = 0.0
    _known: dict[bytes, tuple[Vertex | Proof, Record]] = field(default_factory=dict)
    _session: Session | None = None
    _ends: tuple[Vector, Vector] | None = None
    _moves: Vector | None = None

    def solve(self, programs: Programs) -> Answers:
        """Return the verified answers of programs."""
        m, n = self.base.matrix.shape
        p = len(programs)
        self.seen += p
        found = Answers(
            np.zeros(p, dtype=np.int64), np.zeros((n, p)), np.zeros((m, p)),
            np.zeros(p, dtype=bool), np.zeros(p, dtype=bool), np.zeros((n + m, p), dtype=bool),
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

    def _one_by_one(self, programs: Programs, found: Answers, order: Index) -> None:
        """Solve what is left, each basis tried on what is still left while that pays."""
        rest: Programs | None = None
        left = order
        for position, q in enumerate(order):
            if found.verdict[q] != UNSOLVED:
                continue
            known = self._solver(programs, found, int(q))
            if known is None or not self._affordable():
                continue
            if rest is None or left.size > 1.3 * (found.verdict[left] == UNSOLVED).sum():
                left = order[position + 1 :]
                left = left[found.verdict[left] == UNSOLVED]
                rest = programs.take(left)
            if not left.size:
                continue
            left, rest = self._try(*known, found, left, rest, sample=True)

    def _affordable(self) -> bool:
        return self.enabled and self._spent < self._gained + CREDIT + SHARE * self.seen

    def _try(
        self,
        known: Vertex | Proof,
        record: Record,
        found: Answers,
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

    def _place(self, vertex: Vertex, found: Answers, where: Index, x: Vector, y: Vector) -> None:
        """Write the answers of a basis."""
        found.verdict[where] = OPTIMAL
        found.x[np.ix_(vertex.columns, where)] = x
        found.y[np.ix_(vertex.active, where)] = y
        n = self.base.matrix.shape[1]
        found.basic[np.ix_(np.concatenate([vertex.columns, n + vertex.idle]), where)] = True

    def _solver(self, programs: Programs, found: Answers, q: int) -> tuple[Vertex | Proof, Record] | None:
        """Solve one program with the solver, hot; return its basis or proof with its record."""
        answer = self._run(programs, q)
        self.calls += 1
        m, n = self.base.matrix.shape
        own = programs.take(np.array([q]))
        if answer.ending == "infeasible":
            found.verdict[q] = UNCERTIFIED
            if answer.ray is None:
                return None
            for ray in (answer.ray, -answer.ray):
                proof = Proof(self.base, ray)
                if proof.fits(own).size:
                    found.verdict[q] = IMPOSSIBLE
                    return self._kept(b"y" + np.round(ray / np.abs(ray).max(), 9).tobytes(), proof)
            return None
        if answer.ending != "optimal":
            return None
        found.verdict[q] = OPTIMAL
        found.x[:, q], found.y[:, q] = answer.x, answer.y
        found.basic[answer.basic, q] = True
        if not self._affordable():
            return None
        low, high = own.ends()
        at_high = (
            np.abs(own.activity(answer.x[:, None]) - high)[:, 0] < np.abs(own.activity(answer.x[:, None]) - low)[:, 0]
        )
        active = np.ones(m, dtype=bool)
        active[answer.basic[answer.basic >= n] - n] = False
        key = np.sort(answer.basic).astype(np.int32).tobytes() + np.packbits(at_high & active).tobytes()
        if key in self._known:
            return self._known[key]
        try:
            vertex = Vertex(self.base, answer.basic, at_high, own.moves[:, 0])
        except np.linalg.LinAlgError:
            return None
        return self._kept(key, vertex)

    def _kept(self, key: bytes, known: Vertex | Proof) -> tuple[Vertex | Proof, Record]:
        return self._known.setdefault(key, (known, Record()))

    def _run(self, programs: Programs, q: int) -> Answer:
        """Run one program in the session, changing only what differs from the last."""
        base = self.base
        low, high = programs.low[:, q], programs.high[:, q]
        if self._session is None:
            self._session = Session(base.matrix, base.low, base.high)
            self._moves = np.zeros(base.moved.size)
        if base.ended.size and (self._ends is None or (low != self._ends[0]).any() or (high != self._ends[1]).any()):
            self._session.rows(base.ended.astype(np.int32), low, high)
            self._ends = (low, high)
        moves = programs.moves[:, q]
        assert self._moves is not None
        for k in np.flatnonzero(moves != self._moves):
            self._session.coefficients(int(base.moved[k]), base.matrix[base.moved[k]] - moves[k] * base.slopes[k])
        self._moves = moves
        cost, upper = base.cost.copy(), base.upper.copy()
        cost[base.priced] += programs.cost[:, q]
        upper[base.closing] *= ~programs.closed[:, q]
        return self._session.run(cost, np.zeros(upper.size), upper)

    def _verify(self, programs: Programs, found: Answers) -> None:
        """Check feasibility, signs and gap of every answer outside basis and solver; settle what is unique.

        As `certificate.check_optimal`, for all programs at once and in double precision. What does not
        stand the check is left without a verdict.
        """
        solved = np.flatnonzero(found.verdict == OPTIMAL)
        if not solved.size:
            return
        some = programs if solved.size == len(programs) else programs.take(solved)
        x, y = found.x[:, solved], found.y[:, solved]
        cost, upper, (low, high) = some.costs(), some.uppers(), some.ends()
        rows = some.activity(x)
        with np.errstate(invalid="ignore"):
            missed = _relative(low - rows, low).max(axis=0, initial=0.0)
            missed = np.maximum(missed, _relative(rows - high, high).max(axis=0, initial=0.0))
        missed = np.maximum(missed, ((x - upper) / (1 + upper)).max(axis=0, initial=0.0))
        missed = np.maximum(missed, (-x).max(axis=0, initial=0.0))
        d = cost - some.priced_out(y)
        scale = 1 + np.abs(cost).max(axis=0, initial=0.0)
        against = np.where(y > 0, low, high)
        wrong = ~np.isfinite(against)
        signs = np.where(wrong, np.abs(y), 0.0).max(axis=0, initial=0.0) / scale
        bound = (y * np.where(wrong, 0.0, against)).sum(axis=0) + (np.minimum(d, 0.0) * upper).sum(axis=0)
        value = (cost * x).sum(axis=0)
        gap = np.abs(value - bound) / (1 + np.abs(value))
        holds = (missed <= PRIMAL) & (signs <= PRIMAL) & (gap <= GAP)
        found.verdict[solved[~holds]] = UNSOLVED
        found.x[:, solved] = np.minimum(np.maximum(x, 0.0), upper)
        n = self.base.matrix.shape[1]
        free = ~found.basic[:, solved]
        still = ZERO * scale
        paying = (np.abs(d) <= still) & free[:n] & (upper > 0)
        paying_rows = (np.abs(y) <= still) & free[n:] & (low < high)
        found.unique[solved] = ~(paying.any(axis=0) | paying_rows.any(axis=0))


def _relative(miss: Vector, end: Vector) -> Vector:
    """Return a miss relative to 1 + |end|, 0 where there is no end."""
    known = np.isfinite(end)
    return np.where(known, miss / (1 + np.abs(np.where(known, end, 0.0))), 0.0)
