"""The pH of many answers at once."""

from __future__ import annotations

from math import inf

import numpy as np

from optimizer.brief import Brief
from optimizer.model import Case
from optimizer.pool import Mask, Pool, Vector
from optimizer.range.programs import Index
from optimizer.row import Setting
from optimizer.units import TOLERANCE, USED

Tried = list[tuple[Setting, ...]]
"""The pH settings that are tried in each case of a brief."""


class Targets:
    """Chooses the target pH of answers, as `solve.choose_ph`, once for every distinct shared window."""

    def __init__(self, brief: Brief, cases: tuple[Case, ...]) -> None:
        """Keep the pH window of every candidate."""
        self.brief, self.cases = brief, cases
        acidity = brief.acidity
        windows = [acidity.window(i.material) if acidity else (-inf, inf) for i in brief.pool.items]
        self._low = np.array([w[0] for w in windows])[:, None]
        self._high = np.array([w[1] for w in windows])[:, None]

    def tried(self, gone: Mask) -> Tried:
        """Return the settings of each case that the brief tries when some materials are missing, shape (n,)."""
        acidity, pool = self.brief.acidity, self.brief.pool
        if acidity is None or not gone.any():
            return [c.settings for c in self.cases]
        items = tuple(i for i, out in zip(pool.items, gone, strict=True) if not out)
        rest = Pool(items, pool.held_back, pool.later, pool.thickeners)
        edges = acidity.edges(rest) + tuple(e for rule in self.brief.rules for e in rule.edges(rest))
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
        low = np.where(used, self._low, -inf).max(axis=0, initial=-inf)
        high = np.where(used, self._high, inf).min(axis=0, initial=inf)
        windows, which = np.unique(np.array([low, high, combination]), axis=1, return_inverse=True)
        targets, margins = np.full(windows.shape[1], np.nan), np.full(windows.shape[1], -inf)
        for w, (lowest, highest, c) in enumerate(windows.T):
            inner, outer = max(acidity.low, float(lowest)), min(acidity.high, float(highest))
            fitting = [
                s.target
                for own in tried[int(c)]
                for s in own
                if s.target is not None and _covers(s, float(lowest), float(highest))
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
    return max(low - setting.low, setting.high - high) <= TOLERANCE
