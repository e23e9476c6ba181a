"""Blend points to `robust` exactly where lots would break three or more of the limits it sits on."""

from __future__ import annotations

import json

import pytest

from optimizer.data.formula import Formula, Line
from optimizer.rules import LimitRule
from optimizer.uncertainty.lots import at_lot, broken_by_one, linear, lot_range
from tests.support.hostile import ask
from tests.support.solved import solved

BRIEFS = ("hand-wash", "gentle-wash", "facial-wash")


@pytest.mark.parametrize("name", BRIEFS)
def test_each_lot_by_itself_breaks_what_is_told_and_nothing_else(name: str) -> None:
    result = solved(name)
    formula, library = result.formula, result.brief.library
    assert formula is not None
    bound = {o.id for o in result.rules if o.bound and o.shown != "understood"}
    broken = set()
    for line in formula.lines:
        planned = line.item.material.active_matter
        for end in lot_range(library.by_id[line.id]):
            if end == planned:
                continue
            lot = at_lot(line.item, library.by_id[line.id], end)
            lines = tuple(Line(lot, x.percent) if x.id == line.id else x for x in formula.lines)
            made = Formula(lines, formula.held_back, formula.later, formula.thickeners)
            for rule in result.brief.enforced:
                if rule.id in bound and rule.by_lots and linear(rule) and isinstance(rule, LimitRule):
                    value, (low, high) = rule.value(made, result.setting), rule.limits
                    if value < low - 1e-3 * abs(low) or value > high + 1e-3 * abs(high):
                        broken.add(rule.id)
    told = {i for i in broken_by_one(result) if linear(next(r for r in result.brief.enforced if r.id == i))}
    assert told == broken
    assert told


@pytest.mark.thorough
def test_the_report_names_them_and_points_on_only_from_three_on() -> None:
    counts = []
    for name in (*BRIEFS, "common"):
        many = len(json.loads(ask("blend", name, "--json").out)["broken_by_lots"])
        text = ask("blend", name).out
        assert ("tenside robust" in text) == (many >= 3), name
        assert (f"{many} limits sit at their very end" in text) == (many >= 3), name
        counts.append(many)
    assert min(counts) < 3 <= max(counts)
