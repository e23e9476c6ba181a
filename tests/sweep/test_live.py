"""A ruler that is moved, against solving each place anew. Figures are made up around those of the shipped briefs."""

from __future__ import annotations

from math import isnan

import numpy as np
import pytest

import optimizer as tenside
from optimizer.errors import DataError
from optimizer.sweep.live import Live
from tests.support.draws import drawn
from tests.support.rulers import Ruler, not_at_once

RULERS = (
    ("hand-wash", "mildness.at_least", 54.0, 61.0),
    ("body-wash", "active.at_least", 11.0, 13.5),
    ("after-swim-shampoo", "flash-foam.at_least", 60.0, 68.0),
    ("facial-wash", "mildness.at_least", 70.0, 77.0),
    ("gentle-wash", "humectant.at_least", 1.0, 4.0),
)


@pytest.mark.thorough
@pytest.mark.parametrize(("name", "key", "first", "last"), RULERS[: drawn(2, of=5)])
def test_a_second_pass_of_a_ruler_is_proven_at_once_and_is_what_blend_says(
    name: str, key: str, first: float, last: float
) -> None:
    live = Live(tenside.read_brief(name))
    places = np.linspace(first, last, 21)
    for place in places:
        assert live.prove({key: place}) is not None
    answers = [live.ask({key: place}) for place in places]
    assert sum(a.word == "proven" for a in answers) >= 0.9 * len(answers), "goal: 90 % of the steps at once"
    for place, answer in list(zip(places, answers, strict=True))[::5]:
        said = tenside.blend(tenside.read_brief(name, **{key: place})).found
        if said.ending == "infeasible":
            assert answer.ending in ("infeasible", "stopped")
            continue
        assert answer.cost >= said.cost - 1e-7
        if answer.word == "proven":
            assert answer.cost == pytest.approx(said.cost, abs=1e-7)
            assert answer.doses == pytest.approx({i.item.id: i.percent for i in said.formula.lines}, abs=1e-5)
            assert isnan(answer.ph) == (said.ph is None)
            assert said.ph is None or answer.ph == said.ph.target


@pytest.mark.thorough
@pytest.mark.parametrize("name", ["gentle-wash", "facial-wash", "hand-wash"])
def test_after_one_pass_nearly_all_places_of_a_ruler_are_proven_at_once(name: str) -> None:
    ruler = Ruler(tenside.read_brief(name), "mildness.at_least")
    ruler.passed()
    assert not_at_once(ruler.asked(ruler.steps)) == 0, "what was proven once is known"
    assert not_at_once(ruler.asked(ruler.between)) <= 0.1, "goal: 90 % at once, here where it never stood"


def test_a_tie_that_was_broken_once_is_known_at_once_as_it_was_broken() -> None:
    live = Live(tenside.read_brief("body-wash"))
    moved = {"active.at_least": 11.5}
    proven, again = live.prove(moved), live.ask(moved)
    assert proven is not None
    assert (again.word, again.doses, again.number) == ("proven", proven.doses, proven.number + 1)
    assert live.look([{"active.at_least": 11.25}, moved])[1].doses == proven.doses


def test_what_is_not_proven_yet_says_so_and_its_number_tells_what_is_newer() -> None:
    live = Live(tenside.read_brief("facial-wash"))
    moved = {"mildness.at_least": 71.0}
    before = live.ask(moved)
    assert (before.word, before.ending) == ("open", "stopped")
    proven = live.prove(moved)
    assert proven is not None
    far = live.ask({"mildness.at_least": 75.0})
    assert far.word in ("same choices", "open"), "one answer does not prove a far one"
    again = live.ask(moved)
    assert (again.word, again.cost) == ("proven", proven.cost)
    assert before.number < proven.number < far.number < again.number


def test_a_proof_stops_between_two_programs_and_keeps_what_it_learnt() -> None:
    live, asked = Live(tenside.read_brief("gentle-wash")), iter(range(1000))
    moved = {"mildness.at_least": 71.0}
    assert live.prove(moved, stopped=lambda: next(asked) >= 5) is None
    assert live.prove(moved) is not None


def test_a_key_that_leads_nowhere_and_a_figure_that_is_refused_are_told() -> None:
    live = Live(tenside.read_brief("hand-wash"))
    with pytest.raises(DataError, match="no rule or table"):
        live.ask({"mildnes.at_least": 50.0})
    with pytest.raises(DataError, match="outside 0 to 100"):
        live.ask({"mildness.at_least": 500.0})


@pytest.mark.parametrize("key", ["ph.low", "fixed.glycerin", "held_back.percent", "batch_kg", "use"])
def test_a_key_that_a_live_does_not_move_is_refused(key: str) -> None:
    live = Live(tenside.read_brief("hand-wash"))
    for asked in (live.ask, live.prove):
        with pytest.raises(DataError, match="more than limits, prices and missing materials"):
            asked({key: 6.0})


def test_a_word_is_no_figure() -> None:
    live = Live(tenside.read_brief("hand-wash"))
    with pytest.raises(DataError, match="'leave-on' is no figure"):
        live.ask({"active.at_least": "leave-on"})  # type: ignore[dict-item]
