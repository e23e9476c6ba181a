"""What is said before anything else of a range: scenarios whose formula nothing protects, or that law bars."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial
from math import isnan, nan

import numpy as np
import numpy.typing as npt

from optimizer.assessment.alarms import FORBIDDEN, MICROBES, foretold
from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution
from optimizer.data.formula import Formula, Line
from optimizer.data.pool import Ingredient, Mask, Vector
from optimizer.rules import Preserved, UseLevel
from optimizer.rules.row import Setting
from optimizer.sweep.frame import Frame
from optimizer.sweep.grid import Grid
from optimizer.sweep.source import Source
from optimizer.units import KEPT, USED

Positions = npt.NDArray[np.int64]

TELLING = ("market", "ph", "product", "unpreserved", "use")
"""First words of keys that change what is said."""


def said_first(sources: tuple[Source, ...], grid: Grid, frame: Frame) -> tuple[tuple[Caution, ...], Mask]:
    """Return what is said first of all scenarios, and which of them have a formula that is not preserved.

    Args:
        sources: The briefs.
        grid: The scenarios of each brief.
        frame: Their answers, brief by brief.
    """
    always: dict[str, Caution] = {}
    bare, reason = np.zeros(len(frame), dtype=bool), ""
    over: Counter[str] = Counter()
    for s, source in enumerate(sources):
        for brief, rows in source.briefs(grid, TELLING):
            always |= {c.text: c for c in foretold(brief)}
            view = _View(brief, frame, rows + s * len(grid))
            for rule in brief.rules:
                if isinstance(rule, Preserved):
                    found = view.unprotected(rule)
                    reason = reason or (view.reason(rule, int(found[0])) if found.size else "")
                    bare[found] = True
                elif isinstance(rule, UseLevel) and rule.ceiling.kind == "law":
                    over[rule.name] += view.beyond(rule)
    solved = int(frame.solved.sum())
    sentences = [f"NOT PRESERVED in {_of(int(bare.sum()), solved)}, such as: {reason}. {MICROBES}"] if reason else []
    sentences += [f"{FORBIDDEN}: {name}, in {_of(count, solved)}." for name, count in over.items() if count]
    return (*(Caution(words, loud=True) for words in sentences), *always.values()), bare


def _of(count: int, solved: int) -> str:
    return f"{count:,} of {solved:,} scenario{'s' if solved != 1 else ''} with a formula"


class _View:
    """The answers of scenarios of one brief, as its rules look at them."""

    def __init__(self, brief: Brief, frame: Frame, rows: Positions) -> None:
        """Take the scenarios that have a formula."""
        self.brief, self.frame = brief, frame
        self.rows = rows[frame.solved[rows]]
        known = {i.id: i for i in brief.pool.items}
        library = brief.library.by_id
        self.items = tuple(known.get(n) or Ingredient(library[n], nan) for n in frame.ids)

    def _vector(self, of: Callable[[Ingredient], float]) -> Vector:
        return np.array([of(i) for i in self.items])

    def _settings(self) -> Iterator[tuple[Setting, Positions]]:
        phs = self.frame.ph[self.rows]
        tolerance = self.brief.acidity.tolerance if self.brief.acidity else 0.0
        for ph in np.unique(phs).tolist():
            here = self.rows[np.isnan(phs) if isnan(ph) else phs == ph]
            yield Setting() if isnan(ph) else Setting(ph, ph - tolerance, ph + tolerance), here

    def unprotected(self, rule: Preserved) -> Positions:
        """Return the scenarios that need a preservative and have too little of what acts at their pH."""
        found, water = [], self._vector(lambda i: i.water)
        for setting, rows in self._settings():
            if not rule.safe(setting):
                doses, acting = self.frame.doses[rows], self._vector(partial(rule.amount, setting=setting))
                little = doses @ acting < rule.at_least - KEPT
                found.append(rows[little & (doses @ water > rule.water + KEPT)])
        return np.sort(np.concatenate(found)) if found else np.zeros(0, dtype=np.int64)

    def beyond(self, rule: UseLevel) -> int:
        """Return how many scenarios lie above a ceiling of law."""
        return int((self.frame.doses[self.rows] @ self._vector(rule.amount) > rule.ceiling.percent + KEPT).sum())

    def reason(self, rule: Preserved, position: int) -> str:
        """Return why the formula of a scenario is not preserved."""
        doses = self.frame.doses[position].tolist()
        lines = tuple(Line(i, x) for i, x in zip(self.items, doses, strict=True) if x > USED)
        setting = next(at for at, rows in self._settings() if position in rows)
        return rule.reason(Formula(lines), setting)
