"""Many scenarios: in pieces, on one processor or many, each piece kept as soon as it is answered."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from math import ceil
from multiprocessing import get_context
from pathlib import Path
from time import monotonic
from traceback import format_exc

import numpy as np
import numpy.typing as npt

from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution
from optimizer.data.pool import Mask
from optimizer.errors import DataError, SolverError, TensideError, shortened
from optimizer.immutable import immutable
from optimizer.sweep.alarms import said_first
from optimizer.sweep.family import Family
from optimizer.sweep.frame import Frame, stacked
from optimizer.sweep.grid import Grid, by_id
from optimizer.sweep.learnt import Pools, pools_joined
from optimizer.sweep.source import Source, unknown_keys, unmoved
from optimizer.sweep.state import Piece, State, fingerprint

TOGETHER = 16_384
"""Scenarios of a piece whose answers are found together."""
WITH_CHOICES = 2_048
"""Scenarios of such a piece of a brief with choices, which take longer."""
ALONE = 25
"""Scenarios of a piece that are solved one by one, and fewest of any other."""
PIECES = 8
"""Pieces that a short range is cut into, so that several processors may share it."""
LOOK_S = 5.0
"""How often a cluster is looked after while no answer comes [s]."""
IDLE_S = 60.0
"""How long a cluster may be without a worker before the run is ended [s]."""
LIVES = 5
"""How often lost worker processes are replaced."""

KEPT = "What is answered is kept beside --out, if it was given: the same command goes on from there."

Progress = Callable[[int, int], None]


@immutable
class Ranged:
    """All answers of a range.

    Attributes:
        sources: Names of the briefs.
        briefs: The briefs as they stand; None where one cannot be used.
        grid: The scenarios of each brief.
        frame: Answers, brief by brief.
        alarms: What is said before anything else.
        bare: Which scenarios have a formula that is not preserved, shape (s,).
        kept: Scenarios that an earlier run had answered already.
    """

    sources: tuple[str, ...]
    briefs: tuple[Brief | None, ...]
    grid: Grid
    frame: Frame
    alarms: tuple[Caution, ...]
    bare: Mask
    kept: int = 0

    @property
    def source(self) -> npt.NDArray[np.int64]:
        """Position of the brief of every scenario, shape (s,)."""
        return np.repeat(np.arange(len(self.sources)), len(self.grid))


def run_range(
    sources: tuple[Source, ...],
    grid: Grid,
    *,
    jobs: int = 1,
    executor: Executor | None = None,
    workers: Callable[[], int] | None = None,
    state: Path | None = None,
    progress: Progress | None = None,
) -> Ranged:
    """Return the answers of every scenario of every brief; one that fails never stops the rest.

    Args:
        sources: The briefs.
        grid: The scenarios, the same for each brief.
        jobs: Processes on this machine.
        executor: Another executor of the standard kind that runs the pieces, such as a cluster's.
        workers: Tells how many workers the executor has now, if anybody knows.
        state: Folder that keeps finished pieces; a run that was cut short goes on there.
        progress: Told how many scenarios are answered and how many there are.

    Raises:
        DataError: If the only brief cannot be used, or knows a key of the grid not.
        SolverError: If worker processes are lost again and again, or the executor fails or has no worker left.
        DefectError: If this program fails on a worker.
    """
    grid, briefs = _loaded(sources, grid)
    pieces, done = _pieces(briefs, grid), dict[int, Frame]()
    parts = None if state is None else State(state)
    if parts is not None:
        digests = [repr(sorted(b.files.values())) if b else "" for b in briefs]
        pieces, done = parts.open(fingerprint(sources, grid, digests), pieces)
    work = _Work(sources, grid, pieces, done, parts, progress or (lambda answered, total: None))
    kept = work.answered
    work.tell()
    if executor is not None:
        _on_cluster(executor, workers, work)
    elif jobs > 1:
        _processes(jobs, work)
    else:
        work.here(briefs)
    frame = stacked(done[k] for k in range(len(pieces)))
    alarms, bare = said_first(sources, grid, frame)
    return Ranged(tuple(s.name for s in sources), briefs, grid, frame, alarms, bare, kept)


def _loaded(sources: tuple[Source, ...], grid: Grid) -> tuple[Grid, tuple[Brief | None, ...]]:
    """Return the grid with materials by id, and the briefs; what stands in the way of the only one is told at once."""
    briefs: list[Brief | None] = []
    for source in sources:
        try:
            brief = source.load()
            grid = by_id(grid, brief.library.materials)
            problems = unknown_keys(brief, grid.keys, source.name)
            if problems:
                raise DataError(problems)
            if source.path is None:
                problems = unmoved(brief, grid.keys, source.name, "Name the scenario's file.")
                if problems:
                    raise DataError(problems)
            briefs.append(brief)
        except TensideError:
            if len(sources) == 1:
                raise
            briefs.append(None)
    return grid, tuple(briefs)


def _pieces(briefs: tuple[Brief | None, ...], grid: Grid) -> list[Piece]:
    """Cut the range into pieces that are answered and kept as a whole: alike for any number of processes."""
    pieces = []
    for s, brief in enumerate(briefs):
        most = TOGETHER if brief is None else _size(Family(brief, ()))
        size = min(most, max(ALONE, ceil(len(grid) / PIECES)))
        pieces += [(s, a, min(a + size, len(grid))) for a in range(0, len(grid), size)]
    return pieces


def _size(family: Family) -> int:
    """Return how many scenarios of a family are answered and kept as a whole at most."""
    if family.reuse is None:
        return ALONE
    return WITH_CHOICES if family.model.choices else TOGETHER


def rounds_of(pieces: list[Piece]) -> list[list[int]]:
    """Return the pieces that are answered at a time, by number: 1, 2, 4 ... of each source.

    Every one of a round begins with what the rounds before have taught, so that answers do not depend on who is
    quicker, nor on how many there are.
    """
    rounds: dict[int, list[int]] = {}
    seen: dict[int, int] = {}
    for number, (source, _, _) in enumerate(pieces):
        seen[source] = seen.get(source, 0) + 1
        rounds.setdefault(seen[source].bit_length(), []).append(number)
    return [rounds[k] for k in sorted(rounds)]


class DefectError(RuntimeError):
    """A fault of this program on a worker, with its trace there; not one of the cluster."""


Answer = tuple[Frame, Pools]


def answer_piece(source: Source, grid: Grid, pools: Pools) -> Answer:
    """Return the answers of one piece, and what is known after it; runs in any process.

    Raises:
        DefectError: If this program is at fault.
    """
    try:
        pools = dict(pools)
        return source.families(grid, pools), pools
    except TensideError:
        raise
    except Exception:  # what fails here is told from what fails around it
        raise DefectError(f"a worker came to this:\n{format_exc()}") from None


def _failed(future: Future[Answer]) -> bool:
    return future.cancelled() or future.exception() is not None


@dataclass
class _Work:
    """What is to be answered, round by round.

    Attributes:
        sources: The briefs.
        grid: The scenarios.
        pieces: All pieces.
        done: Answers by piece.
        state: Keeps finished pieces, and what they taught.
        progress: Told how many scenarios are answered and how many there are.
        taught: What was known after each piece of the round on its way.
        answered: How many scenarios are answered.
    """

    sources: tuple[Source, ...]
    grid: Grid
    pieces: list[Piece]
    done: dict[int, Frame]
    state: State | None
    progress: Progress
    taught: dict[int, Pools] = field(default_factory=dict)
    _known: list[Pools] = field(default_factory=list)
    _ended: int = 0
    answered: int = field(init=False)

    def __post_init__(self) -> None:
        self.answered = sum(map(self._size, self.done))

    def _size(self, number: int) -> int:
        _, first, last = self.pieces[number]
        return last - first

    def tell(self) -> None:
        """Tell how far it is."""
        self.progress(self.answered, len(self.sources) * len(self.grid))

    def finish(self, number: int, answer: Answer) -> None:
        """Take what a piece came to."""
        self.done[number], self.taught[number] = answer
        if self.state is not None:
            self.state.keep(number, *answer)
        self.answered += self._size(number)
        self.tell()

    def _after(self, number: int) -> Pools:
        """Return what was known after a piece, of this run or an earlier one."""
        if number in self.taught or self.state is None:
            return self.taught.get(number, {})
        return self.state.taught(number)

    def rounds(self) -> Iterator[tuple[list[int], list[Pools]]]:
        """Yield the pieces of each round that are still to be answered, and what each source then knows."""
        self._known = self._known or [{} for _ in self.sources]
        for numbers in rounds_of(self.pieces)[self._ended :]:
            missing = [number for number in numbers if number not in self.done]
            if missing:
                yield missing, self._known
            for s in range(len(self.sources)):
                own = [number for number in numbers if self.pieces[number][0] == s]
                self._known[s] = pools_joined(self._known[s], [self._after(number) for number in own])
            self.taught.clear()
            self._ended += 1

    def of(self, number: int) -> tuple[Source, Grid]:
        """Return the brief and the scenarios of a piece."""
        s, first, last = self.pieces[number]
        return self.sources[s], self.grid.take(slice(first, last))

    def here(self, briefs: tuple[Brief | None, ...]) -> None:
        """Answer all of it in this process."""
        for missing, known in self.rounds():
            for number in missing:
                s = self.pieces[number][0]
                source, grid = self.of(number)
                pools = dict(known[s])
                self.finish(number, (source.families(grid, pools, briefs[s]), pools))

    def submitted(self, executor: Executor, workers: Callable[[], int] | None = None) -> None:
        """Answer all of it on an executor."""
        for missing, known in self.rounds():
            waiting = {
                executor.submit(answer_piece, *self.of(number), known[self.pieces[number][0]]): number
                for number in missing
            }
            try:
                self._taken(waiting, workers)
            finally:
                for future in waiting:
                    future.cancel()

    def _taken(self, waiting: dict[Future[Answer], int], workers: Callable[[], int] | None) -> None:
        """Take answers as they come."""
        idle_since: float | None = None
        while waiting:
            ready, _ = wait(waiting, timeout=LOOK_S if workers else None, return_when=FIRST_COMPLETED)
            if workers is not None and not ready and not workers():
                idle_since = idle_since or monotonic()
                if monotonic() - idle_since > IDLE_S:
                    raise SolverError(f"the cluster has had no worker for {IDLE_S:g} s. {KEPT}")
            else:
                idle_since = None
            for future in sorted(ready, key=_failed):  # what is answered is kept before a failure ends the run
                self.finish(waiting[future], future.result())
                del waiting[future]


def _on_cluster(executor: Executor, workers: Callable[[], int] | None, work: _Work) -> None:
    """Run what is not done on somebody else's executor; what its own layers raise is told as the cluster's."""
    try:
        work.submitted(executor, workers)
    except (TensideError, DefectError):
        raise
    except (Exception, CancelledError) as error:
        said = f"the cluster failed ({type(error).__name__}: {error})."
        raise SolverError(shortened(f"{said} {KEPT}", 500)) from None


def _processes(jobs: int, work: _Work) -> None:
    """Run what is not done on processes of this machine; lost ones are replaced and their pieces run again."""
    for life in range(LIVES):
        with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
            try:
                work.submitted(pool)
                return
            except BrokenProcessPool:
                if life == LIVES - 1:
                    raise SolverError(
                        f"worker processes end again and again, perhaps for want of memory. Try fewer --jobs. {KEPT}"
                    ) from None
