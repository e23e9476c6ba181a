"""Trials: the exchange against one that works out the determinant anew for every swap, and how long a plan takes.

Both start from the same trials, take the same candidates in the same order, and must reach the same optimum.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
import tomli
from measure import FROZEN, LIBRARY, Line, timed

from optimizer.brief.brief import Brief, load_brief
from optimizer.data.pool import Vector
from optimizer.trials.basis import Terms
from optimizer.trials.design import STARTS, DesignTask, Places, chosen_for, in_groups
from optimizer.trials.more import more_beakers
from optimizer.trials.plan import TrialPlan, TrialsQuestion, plan
from optimizer.trials.polytope import candidates, corners_of, whitened
from optimizer.trials.series import Series, series_from
from optimizer.trials.text import series_text

FLARE = Path(__file__).resolve().parents[1] / "trials" / "published" / "flare_1966.json"
ROUNDS, SLOW_ROUNDS = 15, 3
SEED = 1
ASKED = TrialsQuestion(
    factors=("strength", "amphoteric-share", "nonionic-share", "emollient", "humectant"),
    trials=12,
    free=("mildness",),
    days=2,
)


def lines() -> Iterator[Line]:
    """Yield every claim of the room."""
    task = flare()
    same(task)
    slow = [timed(partial(textbook, task)) for _ in range(SLOW_ROUNDS)]
    ours = [timed(partial(chosen_for, task, SEED)) for _ in range(ROUNDS)]
    ratios = [o / min(slow) for o in ours]
    yield Line("choice of 15 trials, 10 starts, to an exchange with each determinant anew", ratios, 0.1)
    brief = shop()
    yield Line("plan of 12 trials in 5 directions [s]", [timed(partial(plan, brief, ASKED)) for _ in range(ROUNDS)], 1)
    series = planned(plan(brief, ASKED))
    more = [timed(partial(more_beakers, series, brief, 2)) for _ in range(ROUNDS)]
    yield Line("next 2 beakers of it [s]", more, 0.5)


def flare() -> DesignTask:
    """Return the choice of 15 trials of a full quadratic in the published region of 1966."""
    case = json.loads(FLARE.read_text(encoding="utf-8"))
    low, high = np.array(case["low"]), np.array(case["high"])
    along, at_most = np.vstack([np.eye(4), -np.eye(4)]), np.concatenate([high, -low])
    moves, base = np.hstack([np.eye(3), -np.ones((3, 1))]), np.eye(4)[-1]
    corners = base + corners_of(along @ moves.T, at_most - along @ base) @ moves
    space = whitened(corners, along, at_most, 1e-6)
    terms = Terms(3, "quadratic")
    columns = terms.columns(candidates(space.body, 1000, np.random.default_rng(SEED)))
    return DesignTask(
        in_groups(columns, 1), np.zeros(15, dtype=np.intp), np.zeros((0, 10)), terms.precision(1e-6, 1e-6)
    )


def same(task: DesignTask) -> None:
    """Compare what both reach.

    Raises:
        ValueError: If they differ.
    """
    ours, theirs = task.worth(chosen_for(task, SEED)), task.worth(textbook(task))
    if abs(ours - theirs) > 1e-6:
        raise ValueError(f"log determinants differ: {ours} and {theirs}")


def textbook(task: DesignTask) -> Places:
    """Exchange one trial for the best candidate as long as the determinant rises, each worked out anew."""
    rng = np.random.default_rng(SEED)
    every = range(task.candidates.shape[1])
    found = []
    for _ in range(STARTS):
        chosen = rng.integers(0, len(every), len(task.group))
        moved = True
        while moved:
            moved = False
            for k in range(len(chosen)):
                worths: Vector = np.array([worth(task, chosen, k, c) for c in every])
                best = int(worths.argmax())
                if worths[best] > worths[chosen[k]] + 1e-9:
                    chosen[k], moved = best, True
        found.append(chosen)
    return max(found, key=task.worth)


def worth(task: DesignTask, chosen: Places, place: int, candidate: int) -> float:
    """Return the log determinant with one trial exchanged."""
    tried = chosen.copy()
    tried[place] = candidate
    rows = task.candidates[0, tried]
    return float(np.linalg.slogdet(rows.T @ rows + np.diag(task.precision))[1])


def shop() -> Brief:
    """Return the frozen brief of the refill shop."""
    return load_brief(FROZEN / "scenarios" / "gentle-wash.toml", libraries=[LIBRARY])


def planned(found: TrialPlan) -> Series:
    """Return a plan as its series file reads."""
    text = series_text(found, name="t", brief="gentle-wash", planned_on="2026-05-04")
    return series_from(tomli.loads(text), "t.toml")
