"""What the best formula costs without one of its choices: held against briefs that cannot make that choice."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from optimizer.answers.questions import read_brief
from optimizer.assessment.planned import planned_cost
from optimizer.brief.brief import Brief
from optimizer.data.pool import Pool
from optimizer.errors import DataError
from optimizer.model.model import cases
from optimizer.report import blend
from optimizer.rules.thickening import Thickening
from optimizer.solve.best import solve
from optimizer.solve.result import Result
from tests.support.hostile import ask

PROVEN = ("hand-wash", "body-wash", "after-swim-shampoo", "facial-wash", "gentle-wash", "pearly-wash")


def told(name: str, most: int = 3, **changes: str) -> Result:
    return solve(read_brief(name, **changes), next_best=most)


def loss(result: Result, other: Brief) -> float:
    """Return what another brief is worse by, infinite if it is impossible."""
    again = solve(other)
    sign = result.brief.scenario.objective.goals[0][0]
    return float("inf") if again.formula is None else sign * (again.objective - result.objective)


def barred(name: str, material: str, **changes: str) -> Brief | None:
    """Return the brief without a material, None if it cannot do without."""
    own = (*read_brief(name).scenario.pool.without, material)
    try:
        return read_brief(name, **{"pool.without": ",".join(own)}, **changes)
    except DataError:
        return None


@pytest.mark.thorough
@pytest.mark.parametrize("name", PROVEN)
def test_the_least_losses_are_those_of_briefs_without_the_material(name: str) -> None:
    result = told(name)
    ids = {i.material.name: i.id for i in result.brief.pool.items}
    used = {key.removeprefix("use:") for key in chosen(result)}
    every = sorted(
        (found, material)
        for material in used
        if (other := barred(name, material)) is not None and (found := loss(result, other)) < float("inf")
    )
    materials = [one for one in result.without if one.material]
    for one in materials:
        for word in one.choices:
            exact = next(found for found, material in every if material == ids[word])
            assert one.worse == pytest.approx(max(exact, 0), abs=1e-7), (name, word)
    # The least of all that a material can be left out for is told, and nothing less is passed over.
    words = {ids[word] for one in materials for word in one.choices}
    passed = [found for found, material in every if material not in words]
    assert materials, name
    assert not passed or min(passed) >= max(one.worse for one in materials) - 1e-7
    assert all(one.proof == "certificate" for one in result.without)


def chosen(result: Result) -> set[str]:
    """Return the choices that are a material's own, of materials in the formula."""
    model = cases(result.brief.modelled, result.brief.acidity, result.brief.pool)[0].model
    assert result.formula is not None
    return {c.key for c in model.choices if c.key.removeprefix("use:") in result.formula.doses}


@pytest.mark.parametrize("name", ["hand-wash", "body-wash"])
def test_another_way_to_thicken_costs_what_a_brief_without_salt_does(name: str) -> None:
    result = told(name)
    way = next(one for one in result.without if not one.material)
    assert way.choices == ("thickens with salt",)
    other = read_brief(name, **{"thickening.salt_route": "false"})
    assert way.worse == pytest.approx(loss(result, other), abs=1e-7)
    rule = next(r for r in other.modelled if isinstance(r, Thickening))
    assert rule.routes(way.formula, result.setting)


@pytest.mark.parametrize("name", ["hand-wash", "body-wash"])
def test_another_way_to_thicken_costs_what_a_brief_without_thickeners_does(name: str) -> None:
    alone = {"objective.planned": "false"}
    result = told(name, **alone)
    way = next(one for one in result.without if not one.material)
    assert way.choices == ("thickens with a thickener added to effect",)
    brief = read_brief(name, **alone)
    acid = tuple(i for i in brief.pool.later if i not in brief.pool.thickeners)
    other = replace(brief, pool=Pool(brief.pool.items, brief.pool.held_back, acid, ()))
    assert way.worse == pytest.approx(loss(result, other), abs=1e-7)
    rule = next(r for r in brief.modelled if isinstance(r, Thickening))
    assert "salt" in rule.routes(way.formula, result.setting)


def test_a_hydrotrope_works_against_salt() -> None:
    """A hydrotrope keeps micelles small; common practice, no source. Sums by hand."""
    brief = read_brief("hand-wash")
    item = {i.id: i for i in brief.pool.items}
    rule = next(r for r in brief.modelled if isinstance(r, Thickening))
    short, coco, sulfate = (
        item[n] for n in ("caprylyl-capryl-glucoside", "coco-glucoside", "sodium-laureth-sulfate-2eo-70")
    )
    assert rule.answering(short) == pytest.approx(-0.635)  # 63.5 % active, read off the library
    assert rule.answering(coco) == 0
    assert rule.answering(sulfate) > 0.69


def test_a_short_glucoside_is_no_cheap_way_to_mildness() -> None:
    # The short cut is the sharper one of glucosides: its rating, by analogy, must not be above the longer ones'.
    brief = read_brief("hand-wash")
    ratings = {i.id: i.material.ratings.get("mildness") for i in brief.pool.items}
    short, coco = ratings["caprylyl-capryl-glucoside"], ratings["coco-glucoside"]
    assert short is not None
    assert coco is not None
    assert short.typical < coco.typical
    assert short.high - short.low > coco.high - coco.low
    # It is bought where it clears perfume, at the least dose that counts, and not for its mildness.
    doses = told("curl-wash").formula
    assert doses is not None
    assert doses.dose("caprylyl-capryl-glucoside") < 2


def test_a_maximised_mean_tells_them_too() -> None:
    result = told("hand-wash", **{"objective.minimise": "", "objective.maximise": "mildness"})
    first = result.without[0]
    material = next(i.id for i in result.brief.pool.items if i.material.name == first.choices[0])
    other = barred("hand-wash", material, **{"objective.minimise": "", "objective.maximise": "mildness"})
    assert other is not None
    assert first.worse == pytest.approx(loss(result, other), abs=1e-6)


def test_nothing_is_told_unless_it_is_asked_for() -> None:
    assert solve(read_brief("hand-wash")).without == ()


def test_blend_says_it_in_words_and_in_json() -> None:
    for more, spares in (((), False), (("--set", "objective.planned=false"), True)):
        record = json.loads(ask("blend", "hand-wash", "--json", *more).out)
        text = " ".join(ask("blend", "hand-wash", *more).out.split())
        for one in record["without"]:
            if one["material"]:
                assert f"Without {one['choices'][0]}: +" in text
        assert ("it spares the planned thickener" in text) is spares, (
            "what is planned is counted unless that is left out"
        )


def test_why_planned_doses_do_not_count_is_said_as_the_brief_has_it() -> None:
    for keys, why in (
        ({"objective.planned": "false"}, "'planned = false'"),
        ({"objective.minimise": "", "objective.maximise": "mildness"}, "most mildness is sought"),
    ):
        assert blend._uncounted(read_brief("hand-wash", **keys)) == why


def test_another_way_to_thicken_the_same_blend_is_named() -> None:
    result = told("hand-wash")
    planned = planned_cost(result.brief, result.formula, result.setting)
    assert "sodium-chloride" in {d.item.id for d in planned.doses}
    same = replace(result.without[0], material=False, formula=result.formula)
    assert blend._moved(result, same, planned) == "the same blend, thickened with 1.15 % Sorbitan Sesquicaprylate"
