"""A brief whose limits, prices and missing materials move, answered at once from what earlier answers taught.

What a page with rulers asks. An answer is proven when known prices close every box of choices (`tree_reuse`); else it
is the best at choices that were best before, checked at those, until `prove` has solved what is missing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import field
from math import nan
from typing import Literal

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.errors import DataError
from optimizer.immutable import immutable
from optimizer.sweep.family import Family
from optimizer.sweep.frame import ENDINGS, Frame
from optimizer.sweep.grid import Grid
from optimizer.sweep.single import brief_at, one_by_one
from optimizer.sweep.source import unknown_keys

Word = Literal["proven", "same choices", "open"]


@immutable
class LiveAnswer:
    """What is known of the brief as it stands now."""

    number: int
    """Counts the answers of one `Live`: one with a lower number is older."""
    word: Word
    """'proven' over all choices; 'same choices' at some that were best before, checked there; 'open' if unknown."""
    ending: str
    """'optimal', 'feasible' (a formula that may not be the best), 'infeasible', or 'stopped'."""
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
    """Answers one brief as its figures move; what is learnt from one answer serves the next."""

    def __init__(self, brief: Brief, *, time_limit: float = 60.0) -> None:
        """Take the brief that the moves start from.

        Args:
            brief: The brief.
            time_limit: Seconds for each integer program [s].
        """
        self.brief, self._time_limit = brief, time_limit
        self._families: dict[tuple[str, ...], Family] = {}
        self._number = 0

    def ask(self, moved: Mapping[str, float]) -> LiveAnswer:
        """Return at once what is known where some figures differ from the brief's.

        Args:
            moved: Figures by key: limits of stated rules such as `active.at_least`, `price.ID`, `missing.ID` (0 or 1).

        Raises:
            DataError: If a key leads nowhere or a figure is refused by its rule.
        """
        family, grid = self._asked(moved)
        frame, proven = family.look(grid)
        return self._answer(frame, "proven" if proven[0] else "same choices" if frame.solved[0] else "open")

    def prove(self, moved: Mapping[str, float], stopped: Callable[[], bool] = lambda: False) -> LiveAnswer | None:
        """Return the proven answer, solving what is missing; None if it was stopped on the way.

        Args:
            moved: As for `ask`.
            stopped: Asked between two programs of the solver; what was learnt by then stays.

        Raises:
            DataError: As `ask`.
        """
        family, grid = self._asked(moved)
        reuse = family.reuse
        if reuse is not None:
            reuse.stopped = stopped
            family.learn(grid)
            frame, proven = family.look(grid)
            if proven[0]:
                return self._answer(frame, "proven")
        if stopped():
            return None
        return self._answer(one_by_one(self.brief, grid, self._time_limit), "proven")

    def _asked(self, moved: Mapping[str, float]) -> tuple[Family, Grid]:
        keys = tuple(sorted(moved))
        if keys not in self._families:
            problems = unknown_keys(self.brief, keys, self.brief.scenario.name)
            if problems:
                raise DataError(problems)
            self._families[keys] = Family(self.brief, keys, self._time_limit)
        grid = Grid(keys, tuple(np.array([float(moved[key])]) for key in keys), 1)
        brief_at(self.brief, grid.row(0))  # what a rule refuses is told before anything is solved
        return self._families[keys], grid

    def _answer(self, frame: Frame, word: Word) -> LiveAnswer:
        self._number += 1
        doses = {i: float(x) for i, x in zip(frame.ids, frame.doses[0], strict=True) if x > 0}
        binding = tuple(pair for pair, on in zip(frame.limits, frame.binding[0], strict=True) if on)
        figures = float(frame.objective[0]), float(frame.cost[0]), float(frame.ph[0])
        return LiveAnswer(self._number, word, ENDINGS[frame.ending[0]], *figures, doses, binding)
