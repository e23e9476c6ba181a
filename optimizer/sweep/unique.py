"""Which best doses are the only ones, of many scenarios with choices at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np

from optimizer.data.pool import Mask, Vector
from optimizer.immutable import replace
from optimizer.sweep.checking import Checker
from optimizer.sweep.cover import Cover, Prices
from optimizer.sweep.programs import Index, ProgramBase, Programs
from optimizer.sweep.reuse import SCAN_COST, TRY_COST
from optimizer.sweep.standing import Standing
from optimizer.units import CLEARLY_OTHER

ASKED = 16
"""Programs that are solved in one box to tell how much worse it is than the best point."""
ASKING, ALONE = 1.0, 60.0
"""What it costs where no known prices tell it, in solver calls: a program in a box, a whole brief on its own."""
Asked = Callable[[Programs, int, int], Prices | None]
"""Prices of the best of one program in a box, or of the proof that it holds nothing."""


class OnlyBest:
    """Tells it from the prices that closed the boxes of choices; what it learns of faces is kept."""

    def __init__(self, base: ProgramBase, doses: int, cover: Cover) -> None:
        """Keep what all programs share."""
        self.base, self.doses, self.cover = base, doses, cover
        self._checker = Checker(base)
        self._faces: dict[bytes, bool] = {}

    def told(self, programs: Programs, standing: Standing, known: Iterable[Prices], ask: Asked) -> Mask:
        """Return in which scenarios no other doses are as good, shape (s,).

        Every box of the cut holds clearly worse points only, or the best doses with whatever choices suit it, and some
        prices are sure of them; what is open to the best point's own program may then be used too.
        """
        self._known, self._ask = list(known), ask
        alone, own = np.ones(len(standing.worth), dtype=bool), standing.scenario
        closed = standing.best >= standing.needed(np.arange(len(programs)))
        clearly = (standing.worth + CLEARLY_OTHER * standing.weight)[own]
        near = self.cover.cut(closed) & (standing.best < clearly)
        for box in np.flatnonzero(near.any(axis=1)).tolist():
            where = np.flatnonzero(near[box])
            some = programs.take(where)
            both = replace(some, closed=some.closed & programs.closed[:, standing.program[own[where]]])
            x = standing.x[:, own[where]]
            x[self.doses :] = np.clip(x[self.doses :].T, self.cover.low[box], self.cover.high[box]).T
            holds = self._checker.kept(both, x)
            for k, least, sure in ((holds, standing.needed(where), True), (~holds, clearly[where], False)):
                told = ~k
                for at in np.flatnonzero(k).tolist():
                    told[at] = self._by_own(programs, standing, int(where[at]), box, clearly[where[at]], sure=sure)
                left = np.flatnonzero(~told)
                told[left] = self._bounded((both if sure else some).take(left), least[left], box, sure=sure)
                if not sure:
                    told |= self._asked(programs, where, told, least, box)
                alone[own[where[~told]]] = False
        return alone

    def _asked(self, programs: Programs, where: Index, told: Mask, least: Vector, box: int) -> Mask:
        """Return in which programs prices that are solved for, within a box, show that nothing in it costs less.

        Known prices close a box at the best point; how much worse it is they need not tell.
        """
        found, known = told.copy(), self._known
        for _ in range(ASKED):
            left = np.flatnonzero(~found)
            prices = self._ask(programs, int(where[left[0]]), box) if left.size else None
            if prices is None:
                break
            self._known = [prices]
            more = self._bounded(programs.take(where[left]), least[left], box)
            if not more.any():
                break
            found[left[more]] = True
        self._known = known
        return found

    def _bounded(self, programs: Programs, least: Vector, box: int, *, sure: bool = False) -> Mask:
        """Return in which programs some known prices show that nothing in a box costs less, shape (p,).

        Args:
            programs: The p programs.
            least: What nothing is to cost less than, shape (p,).
            box: The box.
            sure: The prices must also leave the doses of what costs no more no freedom.
        """
        low, high = self.cover.low[box], self.cover.high[box]
        found, left = np.zeros(len(programs), dtype=bool), np.arange(len(programs))
        spent, worth = 0.0, ALONE if sure else ASKING
        for prices in sorted(self._known, key=lambda k: (-k.closes.get(box, 0), -k.record.hits)):
            if spent >= worth * left.size:
                break
            spent += TRY_COST + SCAN_COST * left.size
            some = programs.take(left)
            fits = np.flatnonzero(prices.bounds(some, low[None], high[None])[0] >= least[left])
            if sure and fits.size and not prices.proof:
                own = some.take(fits)
                fits = fits[self._rigid(own, *prices.faces(own, low, high))]
            if fits.size:
                found[left[fits]], left, spent = True, np.delete(left, fits), 0.0
        return found

    def _by_own(self, programs: Programs, standing: Standing, q: int, box: int, clearly: float, *, sure: bool) -> bool:
        """Return whether a program's own prices tell of a box what known ones do not."""
        one, low, high = programs.take(np.array([q])), self.cover.low[box], self.cover.high[box]
        for own in (prices for at, prices in standing.own.get(q, ()) if at == box):
            if own.bounds(one, low[None], high[None])[0, 0] >= clearly:
                return True
            if sure and not own.proof and self._rigid(one, *own.faces(one, low, high))[0]:
                return True
        return False

    def _rigid(self, programs: Programs, rows: Mask, columns: Mask) -> Mask:
        """Return where rows that are held leave the doses among some columns no freedom, shape (p,)."""
        rigid = np.zeros(len(programs), dtype=bool)
        for k, held in enumerate(np.packbits(np.vstack([rows, columns]), axis=0).T):
            key = held.tobytes()
            if key not in self._faces:
                matrix = self.base.matrix.copy()
                matrix[self.base.moved] -= programs.moves[:, [k]] * self.base.slopes
                matrix, free = matrix[rows[:, k]], np.flatnonzero(columns[:, k])
                doses = int((free < self.doses).sum())
                choices = np.linalg.matrix_rank(matrix[:, free[doses:]]) if free.size > doses else 0
                self._faces[key] = not doses or bool(np.linalg.matrix_rank(matrix[:, free]) - choices == doses)
            rigid[k] = self._faces[key]
        return rigid
