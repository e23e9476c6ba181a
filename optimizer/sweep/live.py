"""A brief whose limits, prices and missing materials move, answered at once from what earlier answers taught.

What a page with rulers asks. An answer is proven when known prices close every box of choices (`tree_reuse`); else it
is the best at choices that were best before, checked at those, until `prove` has solved what is missing.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import field
from itertools import count
from math import nan
from typing import Literal

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.errors import DataError, fault
from optimizer.immutable import immutable
from optimizer.sweep.frame import ENDINGS, PROOFS, Frame
from optimizer.sweep.grid import Grid
from optimizer.sweep.live_family import LiveFamily
from optimizer.sweep.single import brief_at, one_by_one
from optimizer.sweep.source import unknown_keys, unmoved
from optimizer.sweep.turns import Turns

KEPT = 400
"""Places of which an answer is kept that no pool tells again: ties that were broken, rules that are curved."""
Word = Literal["proven", "same choices", "open", "best found"]
CERTAIN = ("certificate", "enumerated", "solver bound")
"""Proofs that hold over all choices."""


Place = tuple[tuple[str, float], ...]


@immutable
class LiveAnswer:
    """What is known of the brief as it stands now."""

    number: int
    """Counts the answers of one `Live`: one with a lower number is older."""
    word: Word
    """'proven' over all choices; 'same choices' at some that were best before, checked there; 'open' if unknown; 'best
    found' of a search that could not prove it, or that follows rules that are linear only around a formula."""
    ending: str
    """'optimal', 'feasible' (a formula that may not be the best), 'infeasible', or 'stopped'."""
    proof: str = "none"
    """What that rests on: 'certificate' if every group of choices was held against it outside the solver."""
    objective: float = nan
    """Value of the objective; NaN without a formula."""
    cost: float = nan
    """Material cost per kg in the brief's currency."""
    ph: float = nan
    """Target pH; NaN where there is none."""
    doses: dict[str, float] = field(default_factory=dict)
    """% w/w as supplied by material."""
    binding: tuple[tuple[str, str], ...] = ()
    """Rules and sides that the formula sits on."""


class Live:
    """Answers one brief as its figures move; what is learnt from one answer serves the next.

    Several threads may ask and prove at once: a question waits for one program of the solver at most, and a proof goes
    on from what it had learnt when it gave way.
    """

    def __init__(self, brief: Brief, *, time_limit: float = 60.0) -> None:
        """Take the brief that the moves start from.

        Args:
            brief: The brief.
            time_limit: Seconds for each integer program [s].
        """
        self.brief, self._time_limit = brief, time_limit
        self._families: dict[tuple[str, ...], LiveFamily] = {}
        self._numbers = count(1)
        self._turns = Turns()
        self._settled: OrderedDict[Place, tuple[Frame, Word]] = OrderedDict()

    def ask(self, moved: Mapping[str, float]) -> LiveAnswer:
        """Return at once what is known where some figures differ from the brief's.

        Args:
            moved: Figures by key: limits of stated rules such as `active.at_least`, `price.ID`, `missing.ID` (0 or 1).

        Raises:
            DataError: If a key leads nowhere, changes more than such figures, or a figure is refused by its rule.
        """
        return self.look([moved])[0]

    def look(self, moves: Sequence[Mapping[str, float]], *, seek: bool = True) -> tuple[LiveAnswer, ...]:
        """Return at once what is known of several places, all with the same keys; see `ask`.

        Args:
            moves: As for `ask`.
            seek: Whether what is not proven is sought at choices that were best before; else it is told as open.

        Raises:
            DataError: As `ask`; of the first place only.
        """
        with self._turns.first():
            settled = {place: self._settled[place] for place in map(_place, moves) if place in self._settled}
            new = iter(self._looked([moved for moved in moves if _place(moved) not in settled], seek=seek))
            return tuple(
                self._answer(settled[place][0], 0, settled[place][1]) if place in settled else next(new)
                for place in map(_place, moves)
            )

    def _looked(self, moves: Sequence[Mapping[str, float]], *, seek: bool) -> Iterator[LiveAnswer]:
        """Yield what the pool tells of places."""
        if not moves:
            return
        family, grid = self._asked(moves)
        frame, proven = family.look(grid, seek=seek)
        for s, (known, solved) in enumerate(zip(proven.tolist(), frame.solved.tolist(), strict=True)):
            yield self._answer(frame, s, "proven" if known else "same choices" if solved else "open")

    def prove(self, moved: Mapping[str, float], stopped: Callable[[], bool] = lambda: False) -> LiveAnswer | None:
        """Return the proven answer, or the best found, solving what is missing; None if it was stopped on the way.

        Args:
            moved: As for `ask`.
            stopped: Asked between two programs of the solver; what was learnt by then stays.

        Raises:
            DataError: As `ask`.
        """
        gave_way = True
        while gave_way and not stopped():
            with self._turns.after():
                if (settled := self._settled.get(_place(moved))) is not None:
                    return self._answer(settled[0], 0, settled[1])
                family, grid = self._asked([moved])
                if family.reuse is None:
                    break
                gave_way = self._learn(family, grid, stopped)
                frame, proven = family.look(grid)
                if proven[0]:
                    return self._answer(frame, 0, "proven")
        if stopped():
            return None
        frame = one_by_one(self.brief, grid, self._time_limit)
        certain = PROOFS[frame.proof[0]] in CERTAIN and ENDINGS[frame.ending[0]] in ("optimal", "infeasible")
        word: Word = "proven" if certain else "best found"
        if ENDINGS[frame.ending[0]] in ("optimal", "feasible", "infeasible"):
            self._settle(moved, frame, word)
        return self._answer(frame, 0, word)

    def _settle(self, moved: Mapping[str, float], frame: Frame, word: Word) -> None:
        """Keep an answer that was solved on its own."""
        with self._turns.first():
            self._settled[_place(moved)] = frame, word
            while len(self._settled) > KEPT:
                self._settled.popitem(last=False)

    def _learn(self, family: LiveFamily, grid: Grid, stopped: Callable[[], bool]) -> bool:
        """Solve what is missing; return whether that was broken off for somebody who asks."""
        gave_way = False

        def give_way() -> bool:
            nonlocal gave_way
            gave_way = gave_way or self._turns.waiting > 0
            return gave_way or stopped()

        assert family.reuse is not None
        family.reuse.stopped = give_way
        family.learn(grid)
        return gave_way

    def _asked(self, moves: Sequence[Mapping[str, float]]) -> tuple[LiveFamily, Grid]:
        keys = tuple(sorted(moves[0]))
        if keys not in self._families:
            where, step = self.brief.scenario.name, "Read the brief with it, and ask a Live of that."
            if problems := unknown_keys(self.brief, keys, where) or unmoved(self.brief, keys, where, step):
                raise DataError(problems)
            self._families[keys] = LiveFamily(self.brief, keys, self._time_limit)
        grid = Grid(keys, tuple(np.array([self._figure(moved, key) for moved in moves]) for key in keys), len(moves))
        brief_at(self.brief, grid.row(0))  # what a rule refuses is told before anything is solved
        return self._families[keys], grid

    def _figure(self, moved: Mapping[str, float], key: str) -> float:
        try:
            return float(moved[key])
        except (TypeError, ValueError):
            raise fault(self.brief.scenario.name, key, f"{moved[key]!r} is no figure.", "Write a number.") from None

    def _answer(self, frame: Frame, s: int, word: Word) -> LiveAnswer:
        doses = {i: float(x) for i, x in zip(frame.ids, frame.doses[s], strict=True) if x > 0}
        binding = tuple(pair for pair, on in zip(frame.limits, frame.binding[s], strict=True) if on)
        figures = float(frame.objective[s]), float(frame.cost[s]), float(frame.ph[s])
        ending, proof = ENDINGS[frame.ending[s]], PROOFS[frame.proof[s]]
        return LiveAnswer(next(self._numbers), word, ending, proof, *figures, doses, binding)


def _place(moved: Mapping[str, float]) -> Place:
    return tuple(sorted(moved.items()))
