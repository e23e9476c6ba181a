"""One scenario as a brief of its own, solved on its own."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from pydantic import ValidationError

from optimizer.brief.brief import Brief
from optimizer.data.pool import Ingredient
from optimizer.errors import DataError, Problem, TensideError, from_validation
from optimizer.immutable import replace
from optimizer.rules import Rule
from optimizer.rules.thickening import Thickening
from optimizer.solve.best import solve
from optimizer.solve.result import Result
from optimizer.sweep.frame import Frame, of_results
from optimizer.sweep.grid import LIMITS, MISSING, PRICE, Grid, Value


def own(key: str) -> bool:
    """Return whether a key is one of a range's own: a price or a missing material."""
    return key.startswith((PRICE, MISSING))


def limit_of(brief: Brief, key: str) -> Rule | None:
    """Return the stated rule whose limit a key names, None if it names something else."""
    owner, _, last = key.rpartition(".")
    stated = {r.id for r in brief.scenario.rule}
    rule = next((r for r in brief.modelled if r.id == owner and r.id in stated), None)
    return rule if rule is not None and last in LIMITS and last in type(rule).model_fields else None


def brief_at(brief: Brief, row: Mapping[str, Value], where: str = "scenario") -> Brief:
    """Return a brief with other limits and prices, and without missing materials.

    Args:
        brief: The brief that the scenario varies.
        row: Limits of stated rules, `price.ID` and `missing.ID`.
        where: What problems are told of.

    Raises:
        DataError: With every problem of the row at once.
    """
    problems: list[Problem] = []
    limits: dict[str, dict[str, Value]] = {}
    prices: dict[str, float] = {}
    gone: set[str] = set()
    for key, value in row.items():
        name = key.partition(".")[2]
        if key.startswith(MISSING):
            gone |= {name} if value else set()
        elif not key.startswith(PRICE):
            owner, _, last = key.rpartition(".")
            limits.setdefault(owner, {})[last] = value
        elif isinstance(value, str) or not 0 <= value < float("inf"):
            problems.append(Problem(where, key, f"{value} is no price.", "Write a price per kg, 0 or more."))
        else:
            prices[name] = value
    rules = tuple(_moved(r, limits[r.id], where, problems) if r.id in limits else r for r in brief.modelled)
    if problems:
        raise DataError(problems)
    pool = brief.pool
    if gone.issuperset(pool.ids):
        raise DataError([Problem(where, "missing", "no candidate is left.", "Leave one material there.")])
    if prices or gone:
        items, later, thickeners, salts = (
            tuple(Ingredient(i.material, prices.get(i.id, i.price), i.line) for i in some if i and i.id not in gone)
            for some in (pool.items, pool.later, pool.thickeners, (pool.salt,))
        )
        if pool.salt is not None and not salts:
            rules = tuple(map(_without_salt, rules))
        pool = pool.with_items(items, later=later, thickeners=thickeners, salt=next(iter(salts), None))
    return replace(brief, modelled=rules, pool=pool)


def _without_salt(rule: Rule) -> Rule:
    """Return a rule that salt does not thicken by, where there is none."""
    return rule.model_copy(update={"salt_route": False}) if isinstance(rule, Thickening) else rule


def _moved(rule: Rule, changes: Mapping[str, Value], where: str, problems: list[Problem]) -> Rule:
    """Return a rule with other limits; one kind of limit replaces the other, as in a variant file."""
    fields: dict[str, Any] = rule.model_dump()
    if "exactly" in changes or fields.get("exactly") is not None:
        fields.update(dict.fromkeys(LIMITS))
    try:
        return type(rule).model_validate({**fields, **changes})
    except ValidationError as error:
        problems += from_validation(error, where, type(rule), f"rule.{rule.id}")
        return rule


def one_by_one(brief: Brief, grid: Grid, time_limit: float) -> Frame:
    """Return the answers of scenarios that are each solved on their own; one that fails is told as failed."""
    results: list[Result | str] = []
    for position in range(len(grid)):
        try:
            results.append(solve(brief_at(brief, grid.row(position)), time_limit=time_limit))
        except TensideError as error:
            results.append(str(error))
        except (ArithmeticError, LookupError, TypeError, ValueError, np.linalg.LinAlgError) as error:
            results.append(f"this scenario could not be run ({type(error).__name__}: {error})")
    return of_results(results)
