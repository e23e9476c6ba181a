"""The cost of a product with the acid and thickener that the bench is to add. Prices and doses are made up."""

from dataclasses import replace

import pytest

from optimizer.answers.questions import read_brief
from optimizer.assessment.planned import as_planned, planned_cost
from optimizer.brief.brief import make_brief
from optimizer.data.formula import Formula
from optimizer.solve.best import solve
from tests.support.command import Run


@pytest.fixture(scope="module")
def answer():
    return solve(read_brief("hand-wash"), weighable=True)


def by_hand(answer, doses):
    """Sum the blend, the doses and the rest of the part kept free as water, from the prices of the shelf."""
    prices = {i.id: i.price for i in (*answer.brief.pool.items, *answer.brief.pool.later)}
    rest = answer.weighable.held_back - sum(doses.values())
    total = answer.weighable.cost + rest / 100 * prices["aqua"]
    return total + sum(percent / 100 * prices[name] for name, percent in doses.items())


def test_the_usual_doses_are_planned_and_the_rest_is_water(answer):
    # 0.2 % acid, at most 0.5: common practice, no source. 0.3 to 2 % of the thickener: usual use of the library.
    planned = planned_cost(answer.brief, answer.weighable, answer.setting)
    low, typical, high = (
        {"citric-acid": a, "sorbitan-sesquicaprylate": t} for a, t in ((0, 0.3), (0.2, 1.15), (0.5, 2))
    )
    assert planned.per_kg.typical == pytest.approx(by_hand(answer, typical), abs=1e-12)
    assert planned.per_kg.high == pytest.approx(by_hand(answer, high), abs=1e-12)
    assert planned.per_kg.low <= by_hand(answer, low) + 1e-12
    assert planned.formula.total(lambda i: 1.0) + planned.formula.held_back == pytest.approx(100, abs=1e-9)
    assert planned.formula.cost > 1.2 * planned.blend  # what the headline left out


def test_doses_of_the_brief_go_before_the_usual_ones():
    brief = read_brief("hand-wash")
    kept = brief.scenario.held_back.model_copy(
        update={"planned": {"citric-acid": 0.15, "sorbitan-sesquicaprylate": 1.0}}
    )
    brief = make_brief(brief.scenario.model_copy(update={"held_back": kept}), brief.library, brief.shelf)
    answer = solve(brief, weighable=True)
    planned = planned_cost(brief, answer.weighable, answer.setting)
    assert {d.item.id: d.percent.typical for d in planned.doses} == kept.planned
    assert planned.per_kg.low == planned.per_kg.high == pytest.approx(by_hand(answer, kept.planned), abs=1e-12)


def test_nothing_is_planned_where_nothing_is_kept_free(answer):
    plain = Formula(answer.weighable.lines)
    assert planned_cost(answer.brief, plain, answer.setting) is None
    assert as_planned(answer.brief, plain, answer.setting) == (plain, ())


def test_no_more_is_planned_than_there_is_room_for(answer):
    tight = replace(answer.weighable, held_back=0.5)
    planned = planned_cost(answer.brief, tight, answer.setting)
    assert sum(d.percent.typical for d in planned.doses) <= 0.5 + 1e-12
    assert planned.formula.held_back >= -1e-12


def test_blend_and_cost_tell_the_same(answer, run: Run):
    planned = planned_cost(answer.brief, answer.weighable, answer.setting)
    told = " ".join(run("blend", "hand-wash").out.split())
    assert f"about {planned.per_kg.typical:.2f} EUR per kg" in told
    assert "the blend alone" in told
    cost = run("cost", "hand-wash").out
    assert f"{planned.per_kg.typical:.2f} EUR per kg that is sold" in cost
    assert "1.15 % Sorbitan Sesquicaprylate planned" in cost


def test_a_dose_of_what_the_brief_keeps_nothing_free_for_is_named(tmp_path, run: Run):
    brief = tmp_path / "own.toml"
    brief.write_text("name = 'own'\n[held_back]\npercent = 3\nacids = ['citric-acid']\nplanned = { glycerin = 1 }\n")
    told = run("blend", str(brief))
    assert told.code == 3
    assert "held_back.planned" in told.err
