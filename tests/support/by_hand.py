"""Nearest formulas by brute force: every set of doses that may move, each a linear program of scipy.

Rows come from the oracle, which shares no code with the tool.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import combinations
from math import inf

import numpy as np
from scipy.optimize import linprog

from tests.support import oracle
from tests.support.oracle import Case, Table


def rows_at(
    case: Case, target: float | None, more: Iterable[Table]
) -> tuple[list[oracle.Item], oracle.Region, set[int]]:
    """Return candidates, rows and the positions that the pH shuts, by the equations of the rules alone."""
    items = oracle.candidates(case)
    tolerance = (case["scenario"].get("ph") or {}).get("tolerance", 0.2)
    open_ = tuple(
        p for p, i in enumerate(items) if oracle.covers(oracle.window(i.raw, oracle.is_clear(case)), target, tolerance)
    )
    rules = [*map(banded, oracle.hard_rules(case, items)), *more]
    region = oracle._region(rules, items, oracle.held_back(case), open_, set(), set(), oracle.SALT)
    assert region is not None
    return items, region, region.shut


def banded(rule: Table) -> Table:
    """Return a rule whose exact limit on a computed measure has its band, 0.05 unless it says another."""
    weighed = rule["kind"] in ("total", "stock") or (rule["kind"] == "dose" and rule.get("measured") != "as active")
    low, high = oracle.limits_of(rule)
    if low != high or weighed:
        return rule
    band, plain = rule.get("band", 0.05), {k: v for k, v in rule.items() if k != "exactly"}
    return {**plain, "at_least": low - band, "at_most": high + band}


def nearest_by_hand(
    case: Case, target: float | None, more: list[Table], doses: dict[str, float], movable: set[str], free: set[str]
) -> tuple[float, float, float]:
    """Return the fewest counted doses that must move at a target, then the least sum of changes, then the least cost.

    Every set of doses that may move is tried, smallest first, each a linear program of scipy.
    """
    items, region, shut = rows_at(case, target, more)
    n = len(items)
    here = np.array([doses.get(i.id, 0.0) for i in items])
    water = [p for p, i in enumerate(items) if i.raw["function"] == "solvent"]
    counted = [p for p in range(n) if items[p].id in movable - free and p not in water]
    always = [p for p in range(n) if items[p].id in free and p not in water]
    prices = np.array([i.price / 100 for i in items])
    for size in range(len(counted) + 1):
        sets = [{*chosen, *always} for chosen in combinations(counted, size)]
        found = [_least(region, shut, here, water, moving) for moving in sets]
        best = min(found, default=inf)
        if best < inf:
            near = [moving for moving, least in zip(sets, found, strict=True) if least <= best + 1e-7]
            cost = min(_least(region, shut, here, water, moving, prices, best + 1e-7) for moving in near)
            return float(size), best, cost
    return inf, inf, inf


def _least(
    region: oracle.Region,
    shut: set[int],
    here: np.ndarray,
    water: list[int],
    moving: set[int],
    prices: np.ndarray | None = None,
    within: float = inf,
) -> float:
    """Return the least sum of |change| when some doses and water move, or the least cost within such a sum.

    Columns are doses, then |change|.
    """
    n = len(here)
    bounds = [
        (0.0, 0.0) if p in shut else (0.0, 100.0) if p in moving or p in water else (here[p], here[p]) for p in range(n)
    ]
    if any(p in shut and p not in moving and p not in water and here[p] > 0 for p in range(n)):
        return inf
    pad = np.zeros(n)
    equal = [(np.concatenate([row, pad]), end) for row, end in region.equal]
    most = [(np.concatenate([row, pad]), end) for row, end in region.most]
    for p in range(n):
        one = np.zeros(2 * n)
        one[p], one[n + p] = 1.0, -1.0
        most.append((one, here[p]))
        other = np.zeros(2 * n)
        other[p], other[n + p] = -1.0, -1.0
        most.append((other, -here[p]))
    change = np.concatenate([pad, [0.0 if p in water else 1.0 for p in range(n)]])
    if prices is not None:
        most.append((change, within))
    answer = linprog(
        change if prices is None else np.concatenate([prices, pad]),
        A_ub=np.array([r for r, _ in most]),
        b_ub=np.array([e for _, e in most]),
        A_eq=np.array([r for r, _ in equal]),
        b_eq=np.array([e for _, e in equal]),
        bounds=[*bounds, *[(0.0, 100.0)] * n],
    )
    return float(answer.fun) if answer.status == 0 else inf


def kept_by_hand(case: Case, doses: dict[str, float], missing: str, left: float = 0.0) -> list[Table]:
    """Return what a substitution keeps, as plain rules: 0.05 % of active matter and 2 points of each charge.

    The limits are multiples of 0.01 on the strict side, as the tool documents them.
    """
    rules: list[Table] = [{"id": "gone", "kind": "dose", "of": missing, "at_most": left}]
    active = oracle.value_at(case, {"kind": "active"}, doses, None)
    if active <= 1e-6:
        return rules

    def limits(value: float, band: float) -> Table:
        low, high = max(0.0, value - band), min(100.0, value + band)
        return {"at_least": np.ceil(low * 100 - 1e-6) / 100, "at_most": np.floor(high * 100 + 1e-6) / 100}

    rules.append({"id": "kept", "kind": "active", **limits(active, 0.05)})
    for charge in ("anionic", "amphoteric", "nonionic", "cationic"):
        share = {"kind": "share", "of": {"charges": [charge]}}
        rules.append({"id": charge, **share, **limits(oracle.value_at(case, share, doses, None), 2.0)})
    return rules
