"""A repair that is printed can be typed as it is printed, and says no more than it must.

Tightenings of the shipped briefs are drawn with a fixed seed; their figures are made up.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from math import inf, isfinite
from random import Random

import pytest

from optimizer.brief.brief import Brief, load_brief
from optimizer.files import shipped
from optimizer.rules import LimitRule
from optimizer.solve.best import solve
from optimizer.solve.result import Result
from optimizer.studies.explain import LimitChange, changed, explain
from tests.support.draws import drawn

SHIPPED = sorted(p.stem for p in shipped("scenarios").glob("*.toml") if p.stem not in ("common", "impossible-wash"))
Typed = tuple[tuple[str, str], ...]


def brief_of(name: str, typed: Typed = ()) -> Brief:
    return load_brief(shipped("scenarios") / f"{name}.toml", changes=typed)


@cache
def answered(name: str) -> tuple[Brief, Result]:
    """Return a shipped brief and its answer."""
    brief = brief_of(name)
    return brief, solve(brief)


def tightened(name: str, draw: Random) -> Typed:
    """Return what-ifs that move some limits of a brief past what its answer has, by figures of many digits."""
    brief, result = answered(name)
    values = {o.id: o.value for o in result.rules}
    plain = [
        r
        for r in brief.scenario.rule
        if isinstance(r, LimitRule) and r.way == "moved" and isfinite(values[r.id]) and not r.kind.startswith("use")
    ]
    typed: dict[str, str] = {}
    for rule in draw.sample(plain, min(len(plain), draw.choice([1, 2, 3]))):
        value = values[rule.id]
        sides = [s for s, end in zip(("at_least", "at_most"), rule.limits, strict=True) if abs(end) < inf]
        side = draw.choice(sides or ["at_most"])
        other = rule.limits[1] if side == "at_least" else rule.limits[0]
        far = value * draw.uniform(1.05, 1.6) if side == "at_least" else value * draw.uniform(0.4, 0.95)
        far = min(far, other, rule.highest) if side == "at_least" else max(far, other, rule.lowest)
        typed[f"{rule.id}.{side}"] = f"{far:.5g}"
    return tuple(sorted(typed.items()))


@cache
def impossible() -> tuple[tuple[str, Typed], ...]:
    """Return the shipped impossible brief and tightenings that make a shipped brief impossible."""
    found: list[tuple[str, Typed]] = [("impossible-wash", ())]
    draw = Random(20)
    for name in SHIPPED * drawn(1, of=3):
        typed = tightened(name, draw)
        if solve(brief_of(name, typed)).ending == "infeasible":
            found.append((name, typed))
    return tuple(found)


def keyed(brief: Brief, change: LimitChange, figure: str) -> Typed | None:
    """Return what a maker types to make a printed change; None for rules that no key addresses."""
    if change.side == "rule" or (change.id != "ph" and change.id not in {r.id for r in brief.scenario.rule}):
        return None
    key = change.side if change.id == "ph" else {"low": "at_least", "high": "at_most"}[change.side]
    return ((f"{change.id}.{key}", figure),)


def printed(change: LimitChange) -> str:
    """Return the new limit as it is printed."""
    return change.words.partition(" -> ")[2].split()[0]


def possible(name: str, typed: Typed, changes: tuple[LimitChange, ...], figures: tuple[str, ...]) -> bool:
    """Return whether a brief can be met with changes typed as printed."""
    plain = brief_of(name, typed)
    keys = [keyed(plain, c, f) for c, f in zip(changes, figures, strict=True)]
    brief = brief_of(name, (*typed, *(k for some in keys if some for k in some)))
    for change, figure, key in zip(changes, figures, keys, strict=True):
        if key is None:
            brief = changed(brief, change if change.side == "rule" else replace(change, new=float(figure)))
    ending = solve(brief).ending
    assert ending in ("optimal", "infeasible")
    return ending == "optimal"


def less(change: LimitChange) -> Iterator[str]:
    """Yield the figure one digit of those that are shown nearer to the limit as written, if that is nearer."""
    shown = printed(change)
    unit = 10.0 ** -max(len(shown.partition(".")[2]), 2 if change.id == "ph" else 4)
    nearer = change.new + (unit if change.side == "low" else -unit)
    if abs(nearer - change.old) < abs(change.new - change.old):
        yield f"{nearer:.6f}"


@pytest.mark.slow
def test_enough_impossible_briefs_are_drawn() -> None:
    assert len(impossible()) >= 12
    assert len({name for name, _ in impossible()}) >= 6


@pytest.mark.thorough
@pytest.mark.parametrize("part", range(2))
def test_a_repair_typed_as_printed_makes_the_brief_possible(part: int) -> None:
    for name, typed in impossible()[part::2]:
        found = explain(brief_of(name, typed))
        assert found.repair or found.hopeless
        for change in found.single_repairs:
            assert possible(name, typed, (change,), (printed(change),)), (name, typed, change.words)
            if change.side != "rule" and not change.id.startswith("surfactants"):
                for nearer in less(change):
                    assert not possible(name, typed, (change,), (nearer,)), (name, typed, change.words, nearer)
        if len(found.repair) > 1:
            figures = tuple(printed(c) for c in found.repair)
            assert possible(name, typed, found.repair, figures), (name, typed, [c.words for c in found.repair])


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "typed"),
    [
        ("oil-wash", (("total-water.at_least", "100"), ("mildness.at_least", "76.1175"), ("salt.at_most", "0.380322"))),
        ("pearly-wash", (("total-water.at_least", "100"), ("foam-density.at_least", "78.7422"))),
    ],
)
def test_a_repair_of_two_rules_typed_as_printed_makes_the_brief_possible(name: str, typed: Typed) -> None:
    found = explain(brief_of(name, typed))
    assert len(found.repair) == 2
    assert possible(name, typed, found.repair, tuple(printed(c) for c in found.repair))
