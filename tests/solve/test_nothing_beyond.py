"""That nothing fits beyond a limit's last place: proven, and held against an enumeration of briefs with choices."""

from __future__ import annotations

from random import Random

import pytest

from optimizer.answers.questions import read_brief
from optimizer.model.model import widest
from optimizer.rules import LimitRule
from optimizer.solve.case_solver import Corridor
from optimizer.solve.feasibility import Probe
from optimizer.solve.frontier.choices import Search
from optimizer.solve.frontier.tradeoff import Axis
from optimizer.solve.solved import formula_from
from optimizer.sweep.live import Live
from tests.support import briefs
from tests.support.briefs import Wish, brief_of, draw
from tests.support.draws import drawn
from tests.support.families import at
from tests.support.oracle import best

CHOOSING = Wish(kinds=(*briefs.YES_NO, "active", "dose", "rating", "share"), goals=False, rules=(3, 6), past=0.0)
NEAR = 1e-5


def test_an_enumeration_finds_a_formula_before_the_last_place_of_a_limit_and_none_beyond() -> None:
    beyond = idle = 0
    for seed in range(drawn(30, of=150)):
        case = draw(Random(f"beyond {seed}"), CHOOSING)
        brief = brief_of(case)
        if best(case).ending != "optimal":
            continue
        probe, stated = Probe(brief), {rule["id"] for rule in case["scenario"]["rule"]}
        for rule in brief.modelled:
            plain = isinstance(rule, LimitRule) and type(rule).rows is LimitRule.rows
            if not plain or rule.id not in stated or rule.exactly is not None:
                continue
            for field, side, sign in (("at_least", "low", -1), ("at_most", "high", 1)):
                if getattr(rule, field) is None:
                    continue
                if probe.idle(every := frozenset(probe.ids), rule, (rule.id, side)):
                    stopping = {"at_least": min(rule.highest, 99.0), "at_most": max(rule.lowest, 1.0)}[field]
                    idle += best(at(case, {f"{rule.id}.{field}": stopping})).ending == "optimal"
                    continue
                reached = probe.extreme(every, rule, sign, (rule.id, side))
                assert reached is not None
                assert probe.proof == "certificate"
                near = NEAR * (1 + abs(reached))
                for way, ending in ((1, "optimal"), (-1, "infeasible")):
                    place = reached + way * sign * near
                    low, high = (place, rule.limits[1]) if side == "low" else (rule.limits[0], place)
                    if max(low, rule.lowest) <= place <= min(high, rule.highest) and low <= high:
                        assert best(at(case, {f"{rule.id}.{field}": place})).ending == ending, (seed, rule.id, field)
                        beyond += ending == "infeasible"
    assert beyond >= 10
    assert idle >= 3, "a mean of nothing keeps any limit"


def test_a_live_answer_that_nothing_fits_says_what_that_rests_on() -> None:
    live, moved = Live(read_brief("hand-wash")), {"mildness.at_least": 75.0}
    live.prove(moved)
    answer = live.ask(moved)
    assert (answer.word, answer.ending, answer.proof) == ("proven", "infeasible", "certificate")


@pytest.mark.parametrize("name", ["hand-wash", "facial-wash"])
def test_a_trade_off_ends_where_nothing_fits_beyond_proven(name: str) -> None:
    brief = read_brief(name)
    rule = next(rule for rule in brief.modelled if rule.id == "mildness")
    probe, corridor = Probe(brief), Corridor(brief)
    most = probe.extreme(frozenset(probe.ids), rule, -1, ("mildness", "low"))
    assert probe.proof == "certificate"
    ends = []
    for case in widest(corridor.cases):
        search = Search(case, Axis("cost", 1, brief.measure("cost")), Axis("mildness", -1, rule).limited, corridor)
        point = search._best(search.swept, proven=True)
        assert not search.word
        if point is not None:
            ends.append(rule.value(formula_from(brief, point[: len(brief.pool)]), case.settings[0]))
    assert max(ends) >= rule.limits[0]
    assert most == pytest.approx(max(ends), abs=1e-6)
