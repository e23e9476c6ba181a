"""A brief of which one scenario at a time is asked, and looked at without solving where enough is known."""

from __future__ import annotations

from functools import partial

import numpy as np

from optimizer.data.pool import Mask
from optimizer.sweep.family import Family
from optimizer.sweep.frame import ENDINGS, PROOFS, Frame, empty
from optimizer.sweep.grid import Grid
from optimizer.sweep.live_tree import LiveTree
from optimizer.sweep.programs import ProgramBase


class LiveFamily(Family):
    """A family that tells what it knows of few scenarios at once."""

    def _tree(self, base: ProgramBase, doses: int) -> LiveTree:
        return LiveTree(base, doses, self._given)

    def look(self, grid: Grid, *, seek: bool = True) -> tuple[Frame, Mask]:
        """Return what is known of scenarios at once, and which of it is proven, shape (s,).

        What is not proven is the best at choices that were best before, told as 'feasible', or without a formula as
        'stopped'.

        Args:
            grid: The scenarios.
            seek: Whether what is not proven takes a few programs of the solver; else only what needs none is told.
        """
        size = len(grid)
        if self.reuse is None or not self._plain(grid).all():
            frame = empty(size)
            frame.ending[:] = ENDINGS.index("stopped")
            return frame, np.zeros(size, dtype=bool)
        ask = partial(self.reuse.look, seek=seek) if isinstance(self.reuse, LiveTree) else self.reuse.solve
        frame, open_ = self._together(grid, ask)
        frame.ending[open_] = np.where(np.isnan(frame.cost[open_]), ENDINGS.index("stopped"), ENDINGS.index("feasible"))
        frame.proof[open_] = PROOFS.index("none")
        proven = np.ones(size, dtype=bool)
        proven[open_] = False
        return frame, proven

    def learn(self, grid: Grid) -> None:
        """Solve plain scenarios for what they teach; `look` then knows them, unless several formulas are as good."""
        if self.reuse is not None and self._plain(grid).all():
            self._together(grid, self.reuse.solve)
