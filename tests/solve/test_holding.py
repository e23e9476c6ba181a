"""Ranges over which a whole answer holds, choices included, against an enumeration at moved limits."""

from __future__ import annotations

import re
from math import inf, isfinite, isnan, sqrt
from random import Random

import pytest

from optimizer.brief.brief import Brief, load_brief
from optimizer.engine.moving import MovingWorth
from optimizer.files import shipped
from optimizer.report.blend import blend_document
from optimizer.report.formats.terminal import lines
from optimizer.report.formula_json import Blend
from optimizer.report.record import record
from optimizer.solve.best import solve
from optimizer.solve.result import Result, RuleOutcome, Taken
from optimizer.sweep.single import brief_at
from tests.support import briefs
from tests.support.briefs import Case, Wish, brief_of, draw
from tests.support.draws import drawn, some
from tests.support.families import at
from tests.support.oracle import best
from tests.support.solved import solved

CHOOSING = Wish(kinds=(*briefs.YES_NO, "active", "dose", "rating", "share"), goals=False, rules=(3, 6), past=0.0)
TAKEN = (175, 210, 227, 269, 377)
"""Seeds of briefs in which another choice takes over within the range of a price."""
NEAR = 1e-6


def followed(result: Result) -> list[RuleOutcome]:
    return [o for rule in result.rules for o in rule.bound if not isnan(o.whole_from)]


def line_of(result: Result, o: RuleOutcome, to: float) -> MovingWorth:
    """Return what the answer is worth as a limit goes to an end of its price, from the prices alone."""
    price, last = o.price, o.price_to if to > o.limit_at else o.price_from
    bent = isfinite(last) and isfinite(to) and last and abs(last - price) > 1e-12
    return MovingWorth(result.objective, price, (1 - sqrt(price / last)) / (to - o.limit_at) if bent else 0.0)


def worth(case: Case, o: RuleOutcome, limit: float) -> float:
    found = best(at(case, {f"{o.id}.{o.limit}": limit}))
    return found.objective if found.ending == "optimal" else inf


def test_inside_the_range_an_enumeration_finds_nothing_better_and_past_it_something() -> None:
    inside = past = 0
    for seed in (*range(drawn(6, of=200)), *TAKEN):
        case = draw(Random(f"holding {seed}"), CHOOSING)
        stated = {rule["id"] for rule in case["scenario"]["rule"]}
        result = solve(brief_of(case), ranges=True)
        for o in followed(result) if result.formula else ():
            if o.id not in stated:
                continue
            sign = result.brief.scenario.objective.goals[0][0]
            for end, held, taken in (
                (o.holds_from, o.whole_from, o.taken_from), (o.holds_to, o.whole_to, o.taken_to),
            ):  # fmt: skip
                if not isfinite(end) or abs(held - o.limit_at) < 1e-4:
                    continue
                line = line_of(result, o, end)
                for share in (0.4, 0.98):
                    t = share * (held - o.limit_at)
                    gain = sign * (worth(case, o, o.limit_at + t) - line.value(t))
                    assert gain >= -NEAR * (1 + abs(result.objective)), (seed, o.id, o.limit, t)
                    inside += 1
                if taken is not None:
                    t = held - o.limit_at + 0.05 * (end - held)
                    assert sign * (worth(case, o, o.limit_at + t) - line.value(t)) < 0, (seed, o.id, o.limit, t)
                    past += 1
    assert inside >= 30
    assert past >= 3


def shipped_brief(name: str, *changes: tuple[str, str]) -> Brief:
    return load_brief(shipped("scenarios") / f"{name}.toml", changes=changes)


def used(result: Result) -> set[str]:
    assert result.formula is not None
    return {line.item.id for line in result.formula.lines}


def test_of_a_shipped_brief_what_takes_over_is_what_is_best_past_the_range() -> None:
    result = solved("body-wash", ranges=True)
    brief = result.brief
    told = {o.id: o for o in followed(result)}
    active = told["active"]
    assert active.whole_to == pytest.approx(active.holds_to)
    assert active.holds_from < active.whole_from < active.limit_at - 1
    assert active.taken_from == Taken(comes=("sodium-laureth-sulfate-3eo-28",), goes=("sodium-cocoamphoacetate",))
    for moved, same in ((0.01, True), (-0.01, False)):
        there = solve(brief_at(brief, {"active.at_least": active.whole_from + moved}))
        assert (used(there) == used(result)) is same
    for share in (0.2, 0.7):  # the whole of the range, not only its ends
        limit = active.whole_from + share * (active.whole_to - active.whole_from)
        assert used(solve(brief_at(brief, {"active.at_least": limit}))) == used(result)


@pytest.mark.parametrize("name", some(["hand-wash", "gentle-wash", "clear-shampoo"], 1))
def test_nothing_is_left_open_on_shipped_briefs(name: str) -> None:
    """Where a range ends before that of the price, what takes over was found."""
    for o in followed(solved(name, ranges=True)):
        assert o.holds_from - NEAR <= o.whole_from <= o.limit_at <= o.whole_to <= o.holds_to + NEAR
        assert o.taken_from is not None or o.whole_from == pytest.approx(o.holds_from, abs=1e-4), o.id
        assert o.taken_to is not None or o.whole_to == pytest.approx(o.holds_to, abs=1e-4), o.id


def test_they_are_told_only_where_they_are_asked_for() -> None:
    plain, asked = solved("hand-wash"), solved("hand-wash", ranges=True)
    assert not followed(plain)
    assert len(followed(asked)) >= 8
    shown = "\n".join(lines(blend_document(asked), 160))
    assert "whole answer" in shown
    assert "Where another choice takes over" in shown
    assert "whole answer" not in "\n".join(lines(blend_document(plain), 160))
    told = next(rule for rule in record(Blend(result=asked)).rules if rule.id == "benzoate-dose")
    assert list(told.taken_to.comes) == ["phenoxyethanol-ethylhexylglycerin"]
    assert told.taken_from is None
    assert told.whole_from == pytest.approx(told.holds_from)
    said = re.search(r"above ([\d.]+) % in comes Phenoxyethanol \(and\) Ethylhexylglycerin", shown)
    assert said is not None
    assert float(said[1]) == pytest.approx(told.whole_to, abs=0.005)
