"""Which best doses are the only ones, of many scenarios with choices at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np

from optimizer.data.pool import Mask, Vector
from optimizer.immutable import replace
from optimizer.sweep.checking import Checker
from optimizer.sweep.cover import Cover, Prices
from optimizer.sweep.programs import ProgramBase, Programs
from optimizer.sweep.reuse import SCAN_COST, TRY_COST
from optimizer.sweep.standing import Standing
from optimizer.units import CLEARLY_OTHER

Asked = Callable[[Programs, int, int, Mask | None], Prices | None]
"""Prices of the best of one program in a box; where doses are told, such that these would cost more, if any are."""


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
                asked, at = (both if sure else some).take(np.flatnonzero(k)), where[k]
                nothing = x[: self.doses, k] <= 0 if sure else None
                mine = [[prices for own_box, prices in standing.own.get(q, ()) if own_box == box] for q in at.tolist()]
                alone[own[at[~self._shown(asked, mine, least[k], box, nothing)]]] = False
        return alone

    def _shown(
        self, programs: Programs, mine: list[list[Prices]], least: Vector, box: int, nothing: Mask | None
    ) -> Mask:
        """Return in which programs some prices show that nothing in a box costs less, shape (p,).

        Args:
            programs: The p programs.
            mine: What each of them brought of its own.
            least: What nothing is to cost less than, shape (p,).
            box: The box.
            nothing: Doses that the best point does not have, where the prices must also be sure of it, shape (n, p).
        """
        found, sure = np.zeros(len(programs), dtype=bool), nothing is not None
        for at in (at for at, own in enumerate(mine) if own):
            found[at] = self._bounded(programs.take(np.array([at])), mine[at], least[[at]], box, sure=sure)[0]
        left = np.flatnonzero(~found)
        found[left] = self._bounded(programs.take(left), self._known, least[left], box, sure=sure)
        for at in range(len(programs)):
            prices = None if found[at] else self._ask(programs, at, box, None if nothing is None else nothing[:, at])
            if prices is not None:
                left = np.flatnonzero(~found)
                found[left] = self._bounded(programs.take(left), [prices], least[left], box, sure=sure)
        return found

    def _bounded(self, programs: Programs, known: list[Prices], least: Vector, box: int, *, sure: bool) -> Mask:
        """Return in which programs some of these prices show that nothing in a box costs less, shape (p,).

        Args:
            programs: The p programs.
            known: The prices; they are tried while that costs less than to solve every program.
            least: What nothing is to cost less than, shape (p,).
            box: The box.
            sure: The prices must also leave the doses of what costs no more no freedom.
        """
        low, high = self.cover.low[box], self.cover.high[box]
        found, left = np.zeros(len(programs), dtype=bool), np.arange(len(programs))
        spent = 0.0
        for prices in sorted(known, key=lambda k: (-k.closes.get(box, 0), -k.record.hits)):
            if spent >= left.size:
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
