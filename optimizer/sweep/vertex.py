"""One optimal basis, or one proof that nothing fits, tried on many programs at once.

With z = (doses, row activities) and F = [A | -I], a basis gives z_B = -B^-1 N z_N and reduced costs
d = c_N - (B^-1 N)' c_B. Both are linear in what differs between programs (row ends, prices), so one
matrix product each tells for all programs at once whether the basis is optimal there. Only active rows and
basic columns need an inverse. A limit inside coefficients changes rows to A_r - t p_r: with U the columns
of the inverse at these rows, V = p_B and G = V U, the Sherman-Morrison-Woodbury identity (Woodbury 1950)
gives (M - E T V)^-1 = M^-1 + U (I - T G)^-1 T V M^-1, of the size of the number of moved rows.
"""

from __future__ import annotations

import numpy as np

from optimizer.data.pool import Mask, Vector
from optimizer.sweep.programs import Index, ProgramBase, Programs
from optimizer.units import PROOF_REUSED, ROUND_OFF, SLIP

WIDE, TOUCHY = 100, 24
"""With more columns outside than this, so many of them are tried first."""


class Vertex:
    """A basis with the ends at which its nonbasic variables stay."""

    def __init__(self, base: ProgramBase, basic: Index, at_high: Mask, moves: Vector) -> None:
        """Factorise a basis at one program.

        Args:
            base: What the programs share.
            basic: The m basic variables; rows count from n.
            at_high: Whether a row that is active is so at its upper end, shape (m,).
            moves: The t of the moved rows of the program it comes from, shape (j,).

        Raises:
            LinAlgError: If the basis is singular.
        """
        m, n = base.matrix.shape
        matrix = base.matrix.copy()
        matrix[base.moved] -= moves[:, None] * base.slopes
        self.base, self.origin = base, moves
        self.columns = np.sort(basic[basic < n])
        active = np.ones(m, dtype=bool)
        active[basic[basic >= n] - n] = False
        self.active, self.idle = np.flatnonzero(active), np.flatnonzero(~active)
        out = np.ones(n, dtype=bool)
        out[self.columns] = False
        self.out = np.flatnonzero(out)
        self.at_high = at_high[self.active]
        self.inverse = np.linalg.inv(matrix[np.ix_(self.active, self.columns)])
        ends = np.where(self.at_high, base.high[self.active], base.low[self.active])
        # The reference end may be missing where all programs bring their own.
        self.ends = np.where(np.isfinite(ends), ends, 0.0)
        self.x = self.inverse @ self.ends
        self.y = base.cost[self.columns] @ self.inverse
        self.idle_rows = matrix[np.ix_(self.idle, self.columns)]
        self.out_columns = matrix[np.ix_(self.active, self.out)]
        self._prepare()

    def _prepare(self) -> None:
        """Combine matrices once, so that a scan is few products."""
        base = self.base
        m, n = base.matrix.shape
        active, idle = _places(m, self.active), _places(m, self.idle)
        columns, out = _places(n, self.columns), _places(n, self.out)
        self._end_index, self._end_rows = _positions(active, base.ended)
        self._end_side = self.at_high[self._end_rows][:, None]
        self._end_from = self.ends[self._end_rows][:, None]
        self._x_by_end = self.inverse[:, self._end_rows]
        self._own_prices, self._own_rows = _positions(columns, base.priced)
        self._y_by_price = self.inverse[self._own_rows].T
        self._d = (base.cost[self.out] - self.y @ self.out_columns)[:, None]
        self._d_by_price = self.out_columns.T @ self._y_by_price
        self._free_prices, self._free_rows = _positions(out, base.priced)
        self._closing_in, self._closing_in_rows = _positions(columns, base.closing)
        self._closing_out, self._closing_out_rows = _positions(out, base.closing)
        fixed = base.low == base.high
        fixed[base.ended] = False
        self._fixed = fixed[self.active]
        self._sign = np.where(self.at_high, -1.0, 1.0)[:, None]
        self._slip = SLIP * (1 + float(np.abs(base.cost).max(initial=0.0)))
        self._idle_ended, self._idle_rows_ended = _positions(idle, base.ended)
        steady = np.ones(self.idle.size, dtype=bool)
        steady[self._idle_rows_ended] = False
        self._steady = np.flatnonzero(steady)
        low, high = base.low[self.idle[self._steady]], base.high[self.idle[self._steady]]
        self._steady_low = (low - SLIP * (1 + np.abs(np.where(np.isfinite(low), low, 0.0))))[:, None]
        self._steady_high = (high + SLIP * (1 + np.abs(np.where(np.isfinite(high), high, 0.0))))[:, None]
        self._move_index, self._moved_rows = _positions(active, base.moved)
        self._idle_moved, self._idle_rows_moved = _positions(idle, base.moved)
        slopes = base.slopes[self._move_index]
        self._u = self.inverse[:, self._moved_rows]
        self._v = slopes[:, self.columns]
        self._w = self._v @ self.inverse
        self._g = self._v @ self._u
        self._out_slopes = slopes[:, self.out]
        self._touchy = self._near() if self.out.size > WIDE and not self._move_index.size else None

    def _near(self) -> tuple[Index, Index, Index]:
        """Return the columns outside whose reduced cost is nearest to 0, and where their prices and closings stand."""
        near = np.argpartition(self._d[:, 0], TOUCHY)[:TOUCHY]
        places = _places(self.out.size, near)
        prices = np.flatnonzero(places[self._free_rows] >= 0)
        return near, prices, places[self._free_rows[prices]]

    def fits(self, programs: Programs) -> tuple[Index, Vector, Vector]:
        """Return which programs the basis is optimal in, with its answers there.

        Returns:
            Positions (h,), values of the basic columns (k, h), prices of the active rows (k, h).
        """
        chosen, x = self._within(programs)
        if not chosen.size:
            return chosen, x, x
        some = programs if chosen.size == len(programs) else programs.take(chosen)
        kept, y = self._signed(some)
        if kept.size < chosen.size:
            chosen, x, some = chosen[kept], x[:, kept], some.take(kept)
        if not chosen.size:
            return chosen, x, y
        kept = self._idle_within(some, x)
        return chosen[kept], x[:, kept], y[:, kept]

    def points(self, programs: Programs, below: Vector) -> tuple[Index, Vector]:
        """Return the programs in which the basis gives a point that costs less, best or not, (h,), and its columns.

        Args:
            programs: The p programs.
            below: What the point must cost less than, shape (p,).

        Returns:
            Positions (h,), values of the basic columns (k, h).
        """
        chosen, x = self._within(programs)
        if chosen.size:
            cost = self.base.cost[self.columns] @ x
            cost += np.einsum("cp,cp->p", programs.cost[self._own_prices][:, chosen], x[self._own_rows])
            kept = np.flatnonzero(cost < below[chosen])
            chosen, x = chosen[kept], x[:, kept]
        if chosen.size:
            kept = self._idle_within(programs.take(chosen), x)
            chosen, x = chosen[kept], x[:, kept]
        return chosen, x

    def _within(self, programs: Programs) -> tuple[Index, Vector]:
        """Return the programs in which the basic columns keep their bounds, and their values."""
        own = np.where(self._end_side, programs.high[self._end_index], programs.low[self._end_index])
        with np.errstate(invalid="ignore"):
            x = self.x[:, None] + self._x_by_end @ (own - self._end_from)
            if self._move_index.size:
                t = programs.moves[self._move_index] - self.origin[self._move_index][:, None]
                x = x + self._u @ _solved(self._g, t, t * (self._v @ x))
            ok = (x >= -SLIP).all(axis=0)
            if self._closing_in.size:
                ok &= ~(programs.closed[self._closing_in] & (x[self._closing_in_rows] > SLIP)).any(axis=0)
        chosen = np.flatnonzero(ok)
        return chosen, x[:, chosen]

    def _signed(self, programs: Programs) -> tuple[Index, Vector]:
        """Return the programs in which no move out of the basis would pay, and the prices of the active rows."""
        if self._touchy is not None:
            # Most programs of a wide library fail at one of few columns; only the rest are worth all columns.
            few = self._promising(programs, *self._touchy)
            if few.size < len(programs):
                kept, y = self._all_signed(programs.take(few)) if few.size else (few, np.zeros((self.active.size, 0)))
                return few[kept], y
        return self._all_signed(programs)

    def _promising(self, programs: Programs, near: Index, prices: Index, rows: Index) -> Index:
        """Return the programs in which no move to the nearest columns outside would pay."""
        d = self._d[near] - self._d_by_price[near] @ programs.cost[self._own_prices]
        d[rows] += programs.cost[self._free_prices[prices]]
        ok = d >= -self._slip
        if self._closing_out.size:
            places = _places(self.out.size, near)[self._closing_out_rows]
            ok[places[places >= 0]] |= programs.closed[self._closing_out[places >= 0]]
        return np.flatnonzero(ok.all(axis=0))

    def prices(self, programs: Programs) -> Vector:
        """Return the prices of the active rows in every program, whether the basis is optimal there or not, (k, p)."""
        return self._priced(programs)[0]

    def over_all_rows(self) -> tuple[Vector, Vector, Vector, Vector, Vector]:
        """Return y (m,), what a unit of each varied price adds (m, c), W (j, m), G (j, j) and t (j,) of moved rows."""
        m, j, c = self.base.low.size, self.base.moved.size, self.base.priced.size
        y, by_price, w, g = np.zeros(m), np.zeros((m, c)), np.zeros((j, m)), np.zeros((j, j))
        y[self.active] = self.y
        by_price[np.ix_(self.active, self._own_prices)] = self._y_by_price
        w[np.ix_(self._move_index, self.active)] = self._w
        g[np.ix_(self._move_index, self._move_index)] = self._g
        return y, by_price, w, g, self.origin

    def _priced(self, programs: Programs) -> tuple[Vector, Vector | None, Vector]:
        """Return the prices of the active rows, how far moved rows shift them, and by how much those move."""
        y = self.y[:, None] + self._y_by_price @ programs.cost[self._own_prices]
        t = programs.moves[self._move_index] - self.origin[self._move_index][:, None]
        if not self._move_index.size:
            return y, None, t
        # y (I - T G)^-1 T W, with the transposed system solved
        step = self._w.T @ (t * _solved(self._g.T, t, y[self._moved_rows], scaled_columns=True))
        return y + step, step, t

    def _all_signed(self, programs: Programs) -> tuple[Index, Vector]:
        y, step, t = self._priced(programs)
        d = self._d - self._d_by_price @ programs.cost[self._own_prices]
        if self._free_prices.size:
            d[self._free_rows] += programs.cost[self._free_prices]
        if step is not None:
            d = d - self.out_columns.T @ step + self._out_slopes.T @ (t * y[self._moved_rows])
        ok_d = d >= -self._slip
        if self._closing_out.size:
            ok_d[self._closing_out_rows] |= programs.closed[self._closing_out]
        ok_y = self._sign * y >= -self._slip
        ok_y[self._fixed] = True
        if self._end_rows.size:
            ok_y[self._end_rows] |= programs.low[self._end_index] == programs.high[self._end_index]
        chosen = np.flatnonzero(ok_d.all(axis=0) & ok_y.all(axis=0))
        return chosen, y[:, chosen]

    def _idle_within(self, programs: Programs, x: Vector) -> Index:
        """Return the programs in which the rows that are not active keep their ends."""
        rows = self.idle_rows @ x
        if self._idle_moved.size:
            t = programs.moves[self._idle_moved] - self.origin[self._idle_moved][:, None]
            rows[self._idle_rows_moved] -= t * (self.base.slopes[self._idle_moved][:, self.columns] @ x)
        steady = rows[self._steady]
        ok = ((steady >= self._steady_low) & (steady <= self._steady_high)).all(axis=0)
        if self._idle_ended.size:
            own, low, high = (
                rows[self._idle_rows_ended],
                programs.low[self._idle_ended],
                programs.high[self._idle_ended],
            )
            ok &= (own - low >= -SLIP * (1 + np.abs(own))).all(axis=0)
            ok &= (high - own >= -SLIP * (1 + np.abs(own))).all(axis=0)
        return np.flatnonzero(ok)


def bytes_of(known: object) -> int:
    """Return what the arrays of a basis or a proof take, those that all share left out."""
    return sum(array.nbytes for array in vars(known).values() if isinstance(array, np.ndarray))


def _places(size: int, chosen: Index) -> Index:
    """Return the position of each of 0 .. size - 1 in `chosen`, -1 where it is not there."""
    places = np.full(size, -1, dtype=np.int64)
    places[chosen] = np.arange(chosen.size)
    return places


def _positions(places: Index, wanted: Index) -> tuple[Index, Index]:
    """Return which of the wanted have a place, and these places."""
    at = places[wanted]
    found = np.flatnonzero(at >= 0)
    return found, at[found]


def _solved(g: Vector, t: Vector, right: Vector, *, scaled_columns: bool = False) -> Vector:
    """Return s of (I - T G) s = right for every column of t, or of (I - G T) s = right.

    Args:
        g: Shape (j, j).
        t: Diagonal of T, shape (j, p).
        right: Shape (j, p) or (j, 1).
        scaled_columns: Whether T stands behind G.
    """
    j = len(g)
    if j == 1:
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(right / (1 - t * g[0, 0]))
    scaled = g[None] * (t.T[:, None, :] if scaled_columns else t.T[:, :, None])
    system = np.eye(j)[None] - scaled
    solvable = np.abs(np.linalg.det(system)) > ROUND_OFF
    system[~solvable] = np.eye(j)
    wide = np.broadcast_to(right, t.shape).T
    found = np.linalg.solve(system, wide[:, :, None])[:, :, 0].T
    found[:, ~solvable] = np.nan
    return np.asarray(found)


class Proof:
    """A combination of rows that no formula can meet (Farkas 1902), tried on many programs."""

    def __init__(self, base: ProgramBase, ray: Vector) -> None:
        """Clean a ray of the solver, shape (m,); its sign is the one that proves its own program."""
        self.base = base
        self.y = np.where(np.abs(ray) < ROUND_OFF * np.abs(ray).max(initial=0.0), 0.0, ray)
        self._z = self.y @ base.matrix
        self._steady = np.setdiff1d(np.flatnonzero(self.y), base.ended)
        ends = np.where(self.y > 0, base.low, base.high)[self._steady]
        self._sound = bool(np.isfinite(ends).all())
        terms = self.y[self._steady] * ends
        self._asked, self._largest = float(terms.sum()), float(np.abs(terms).max(initial=0.0))
        self._own = np.flatnonzero(self.y[base.ended])
        self._own_y = self.y[base.ended][self._own][:, None]
        self._moved = np.flatnonzero(self.y[base.moved])

    def fits(self, programs: Programs) -> Index:
        """Return the programs that it proves impossible: the most of y'A x over the box is below what y asks."""
        if not self._sound:
            return np.zeros(0, dtype=np.int64)
        with np.errstate(invalid="ignore"):
            own = self._own_y * np.where(self._own_y > 0, programs.low[self._own], programs.high[self._own])
        asked = self._asked + own.sum(axis=0)
        largest = np.maximum(self._largest, np.abs(own).max(axis=0, initial=0.0))
        upper = self.base.upper
        if self._moved.size:
            rows = self.base.moved[self._moved]
            shift = (self.y[rows][:, None] * self.base.slopes[self._moved]).T
            z = self._z[:, None] - shift @ programs.moves[self._moved]
            reach = np.maximum(z, 0.0) * upper[:, None]
            most = reach.sum(axis=0) - (reach[self.base.closing] * programs.closed).sum(axis=0)
        else:
            reach = np.maximum(self._z, 0.0) * upper
            most = reach.sum() - reach[self.base.closing] @ programs.closed
        # NaN and infinite ends never prove anything.
        return np.flatnonzero(most - asked < -PROOF_REUSED * (1 + largest))
