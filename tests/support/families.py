"""Scenarios of one brief, drawn, and each as raw tables of a brief of its own for the oracle."""

from __future__ import annotations

from collections import Counter
from copy import deepcopy
from math import inf, nan
from random import Random

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.rules import LimitRule
from optimizer.sweep.family import Family
from optimizer.sweep.frame import ENDINGS, WAYS
from optimizer.sweep.grid import Grid, Value, crossed
from optimizer.sweep.tree_reuse import TreeReuse
from tests.support.briefs import YES_NO, Case, Wish, brief_of, draw
from tests.support.oracle import best


def spread(count: int) -> Grid:
    """Return limits and a price far enough apart for many bases (made up)."""
    rng = np.random.default_rng(5)
    keys = ("active.at_least", "humectant.at_least", "mildness.at_least", "price.coco-glucoside")
    ends = ((8.5, 10.5), (1.0, 3.5), (53.0, 59.0), (2.0, 6.0))
    return Grid(keys, tuple(rng.uniform(low, high, count) for low, high in ends), count)


def drawn_grid(r: Random, brief: Brief, most: int = 24, *, plain: bool = False) -> Grid:
    """Return limits around those of the brief and past them, prices, missing materials and empty cells.

    Args:
        r: Draws.
        brief: What is varied.
        most: Most scenarios.
        plain: Only limits that leave the brief one matrix; water and what is fixed stay as they are.
    """
    axes: dict[str, list[float | str]] = {}
    rules = [x for x in brief.scenario.rule if isinstance(x, LimitRule) and x.kind not in ("use-level", "one-of")]
    if plain:
        rules = [x for x in rules if type(x).rows is LimitRule.rows]
    items = [i for i in brief.pool.items if not plain or i.id not in {"aqua", *brief.scenario.fixed}]
    for rule in r.sample(rules, min(len(rules), r.choice([1, 2, 3]))):
        low, high = rule.limits
        side = "exactly" if rule.exactly is not None and r.random() < 0.7 else r.choice(["at_least", "at_most"])
        known = [e for e in ((low, high) if side == "at_least" else (high, low)) if abs(e) < inf]
        base = known[0] if known else 1.0
        values = [round(base * f, 4) for f in r.sample([0.5, 0.8, 0.95, 1, 1.05, 1.2, 1.7], 3)]
        axes[f"{rule.id}.{side}"] = [*values, nan] if r.random() < 0.3 else [*values]
    for item in r.sample(items, min(2, len(items))):
        axes[f"price.{item.id}"] = [round(item.price * f + r.choice([0, 0.1]), 3) for f in r.sample([0, 0.8, 1, 3], 2)]
    for item in r.sample(items, min(2, len(items))):
        axes[f"missing.{item.id}"] = [0.0, 1.0]
    grid = crossed(list(axes.items()))
    chosen = np.sort(np.random.default_rng(r.randrange(100)).permutation(len(grid))[:most])
    return grid.take(chosen)


def judged(seed: int, count: int) -> tuple[list[str], Counter[str]]:
    """Return what is wrong about a drawn family with choices by the enumerating oracle, and how it was answered."""
    r = Random(f"family {seed}")
    case = draw(r, Wish(must=(r.choice(YES_NO),), sizes=(3, 5), rules=(2, 6)))
    brief = brief_of(case)
    grid = drawn_grid(r, brief, count, plain=True)
    family = Family(brief, grid.keys)
    frame = family.solve(grid)
    counted = Counter(WAYS[way] for way in frame.way)
    counted["trees"] += isinstance(family.reuse, TreeReuse)
    wrong = []
    for s in range(len(grid)):
        ending, objective = ENDINGS[frame.ending[s]], float(frame.objective[s])
        if ending == "error":  # figures that no rule takes are told as such by either way
            continue
        known = best(at(case, grid.row(s)))
        same = ending == known.ending
        if same and ending == "optimal":
            same = abs(objective - known.objective) <= 1e-7 * (1 + abs(known.objective))
        if not same:
            wrong.append(f"{grid.row(s)}: {ending} {objective}, oracle {known.ending} {known.objective}")
    return wrong, counted


def at(case: Case, row: dict[str, Value]) -> Case:
    """Return the tables of a brief as one scenario of a grid makes them; limits are those of rules with an id."""
    found = deepcopy(case)
    scenario = found["scenario"]
    for key, value in row.items():
        owner, _, last = key.rpartition(".")
        if owner == "price":
            for line in (line for line in found["shelf"] if line["material"] == last):
                line["price_per_kg"] = value
        elif owner == "missing":
            scenario.setdefault("pool", {}).setdefault("without", []).append(last)
        else:
            rule = next(rule for rule in scenario["rule"] if rule["id"] == owner)
            if last == "exactly" or "exactly" in rule:
                for limit in ("at_least", "at_most", "exactly"):
                    rule.pop(limit, None)
            rule[last] = value
    return found
