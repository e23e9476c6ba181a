"""Answers of the shipped briefs, each solved once in a process: for tests that read one, not how it comes about."""

from __future__ import annotations

from functools import cache

from optimizer.brief.brief import load_brief
from optimizer.files import shipped
from optimizer.solve.best import solve
from optimizer.solve.result import Result
from tests.support.draws import some

POSSIBLE = sorted(p.stem for p in shipped("scenarios").glob("*.toml") if p.stem not in ("common", "impossible-wash"))
"""The shipped briefs that can be met."""
EVERYDAY = ("clear-shampoo", "facial-wash", "gentle-wash", "hand-wash", "pearly-wash")
SHIPPED = some([*EVERYDAY, *(name for name in POSSIBLE if name not in EVERYDAY)], len(EVERYDAY))
"""The same as parameters of a test: a few of every sort on every day."""


@cache
def solved(name: str, *changes: tuple[str, str], ranges: bool = False) -> Result:
    """Return the answer of a shipped brief, rounded to the scale; nobody changes it, for it is immutable."""
    brief = load_brief(shipped("scenarios") / f"{name}.toml", changes=changes)
    return solve(brief, weighable=True, ranges=ranges)
