"""The pH of many answers at once."""

from __future__ import annotations

from math import inf

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.pool import Mask, Vector
from optimizer.model.model import Case
from optimizer.rules.row import Setting
from optimizer.sweep.programs import Index
from optimizer.units import KEPT, USED

Tried = list[tuple[Setting, ...]]
"""The pH settings that are tried in each case of a brief."""


class Targets:
    """Chooses the target pH of answers, as `solve.solved.choose_ph`, once for every distinct shared window."""

    def __init__(self, brief: Brief, cases: tuple[Case, ...]) -> None:
        """Keep the pH window of every candidate."""
        self.brief, self.cases = brief, cases
        self._tried: dict[bytes, Tried] = {}
        acidity = brief.acidity
        windows = [acidity.window(i.material) if acidity else (-inf, inf) for i in brief.pool.items]
        # Ranks of the edges stand for the edges: the narrowest of many is then a largest small integer.
        self._lows = np.unique([-inf, *(w[0] for w in windows)])
        self._highs = np.unique([inf, *(w[1] for w in windows)])[::-1]
        self._low = np.searchsorted(self._lows, [w[0] for w in windows]).astype(np.int16)[:, None]
        self._high = np.searchsorted(-self._highs, [-w[1] for w in windows]).astype(np.int16)[:, None]

    def tried(self, gone: Mask) -> Tried:
        """Return the settings of each case that the brief tries when some materials are missing, shape (n,)."""
        key = gone.tobytes()
        if key not in self._tried:
            self._tried[key] = self._without(gone)
        return self._tried[key]

    def _without(self, gone: Mask) -> Tried:
        acidity, pool = self.brief.acidity, self.brief.pool
        if acidity is None or not gone.any():
            return [c.settings for c in self.cases]
        items = tuple(i for i, out in zip(pool.items, gone, strict=True) if not out)
        rest = pool.with_items(items)
        edges = acidity.edges(rest) + tuple(e for rule in self.brief.modelled for e in rule.edges(rest))
        targets = {s.target for s in acidity.settings(edges)}
        return [tuple(s for s in c.settings if s.target in targets) for c in self.cases]

    def choose(self, x: Vector, combination: Index, tried: list[Tried]) -> tuple[Vector, Vector]:
        """Return the target of every answer and its distance from an edge of the window its materials share.

        Args:
            x: Doses, shape (n, a).
            combination: Which set of missing materials each answer has, shape (a,).
            tried: Settings by set of missing materials.
        """
        acidity = self.brief.acidity
        if acidity is None:
            return np.full(x.shape[1], np.nan), np.zeros(x.shape[1])
        used = x > USED
        low = (used * self._low).max(axis=0, initial=0).astype(np.int64)
        high = (used * self._high).max(axis=0, initial=0).astype(np.int64)
        windows, which = np.unique((combination * self._lows.size + low) * self._highs.size + high, return_inverse=True)
        targets, margins = np.full(windows.size, np.nan), np.full(windows.size, -inf)
        for w, code in enumerate(windows.tolist()):
            rest, high_rank = divmod(code, self._highs.size)
            c, low_rank = divmod(rest, self._lows.size)
            lowest, highest = float(self._lows[low_rank]), float(self._highs[high_rank])
            inner, outer = max(acidity.low, lowest), min(acidity.high, highest)
            fitting = [
                s.target for own in tried[c] for s in own if s.target is not None and _covers(s, lowest, highest)
            ]
            if fitting:
                best = max((round(min(t - inner, outer - t), 6), -t) for t in fitting)
                targets[w] = -best[1]
                margins[w] = min(targets[w] - inner, outer - targets[w])
        which = which.reshape(-1)
        return targets[which], margins[which]


def _covers(setting: Setting, low: float, high: float) -> bool:
    """Return whether a window covers a setting."""
    assert setting.low is not None
    assert setting.high is not None
    return max(low - setting.low, setting.high - high) <= KEPT
