"""Room to move: every range against linear programs of scipy, laws, the furthest formulas, the command."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from math import inf
from pathlib import Path
from random import Random
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from scipy.optimize import linprog
from typer.testing import CliRunner

import optimizer.cli.tradeoff
from optimizer.answers.starter import lay
from optimizer.brief.brief import load_brief
from optimizer.cli.every import app
from optimizer.errors import DataError, UsageError
from optimizer.files import shipped
from optimizer.report.record import as_json, record_of
from optimizer.report.tradeoff import leeway_document
from optimizer.solve import reach
from optimizer.solve.rounding import broken
from optimizer.studies import leeway as study
from optimizer.studies.leeway import Leeway, leeway
from tests.support import oracle
from tests.support.briefs import PLAIN, YES_NO, Wish, aqua, brief_of, draw, material, substance
from tests.support.draws import drawn, some
from tests.support.oracle import Case, Region, Table

assert optimizer.cli.tradeoff
LINEAR = Wish(kinds=tuple(k for k in PLAIN if k != "clear"), rules=(1, 3), sizes=(3, 4), extras=False, past=0)
CHOOSING = Wish(kinds=YES_NO, must=("active",), rules=(1, 2), sizes=(3, 4), extras=False, past=0)
WITHIN = 5e-4
"""Doses agree within this [%]: a solver's yes/no may be off by 1e-6 of a dose's cap."""


# the second opinion -----------------------------------------------------------------------------------


def regions(case: Case) -> Iterator[Region]:
    """Yield the rows of every target pH and every yes/no choice, by the equations of the rules alone."""
    items, held = oracle.candidates(case), oracle.held_back(case)
    rules = oracle.hard_rules(case, items)
    chooser = {p for r in rules if r["kind"] in oracle.CHOOSING for p in oracle._members(r, items)}
    tolerance = (case["scenario"].get("ph") or {}).get("tolerance", 0.2)
    clear = oracle.is_clear(case)
    seen = {
        (
            tuple(p for p, i in enumerate(items) if oracle.covers(oracle.window(i.raw, clear), t, tolerance)),
            way,
        )
        for t in oracle.targets_of(case, items)
        for way in oracle.ways(case, items, t)
    }
    for open_, way in sorted(seen, key=repr):
        for yes in oracle._subsets(sorted(chooser & set(open_))):
            region = oracle._region(rules, items, held, open_, chooser, set(yes), way)
            if region is not None:
                yield region


def capped(case: Case, loss: float) -> tuple[list[oracle.Item], list[Region]]:
    """Return the candidates and the regions in which the objective is at most a loss worse than the best."""
    items, best = oracle.candidates(case), oracle.best(case)
    sense, goal = oracle._goal(case, items, oracle.held_back(case))
    worst = best.objective + sense * loss
    row, end = sense * (goal.top - worst * goal.bottom), sense * (worst * goal.bottom_0 - goal.top_0)
    found = []
    for region in regions(case):
        region.most.append((row, end + 1e-9 * (1 + abs(best.objective))))
        found.append(region)
    return items, found


def ranges_by_hand(case: Case, loss: float) -> dict[str, tuple[float, float]]:
    """Return least and most of every dose, each a linear program of scipy per target and choice."""
    items, found = capped(case, loss)
    ranges = {}
    for j, item in enumerate(items):
        least, most = inf, -inf
        for region in found:
            for sign in (1, -1):
                cost = np.zeros(len(items))
                cost[j] = sign
                answer = linprog(
                    cost,
                    A_ub=np.array([row for row, _ in region.most]),
                    b_ub=np.array([end for _, end in region.most]),
                    A_eq=np.array([row for row, _ in region.equal]),
                    b_eq=np.array([end for _, end in region.equal]),
                    bounds=[(0, 0 if p in region.shut else None) for p in range(len(items))],
                )
                if answer.status == 0:
                    least, most = min(least, answer.x[j]), max(most, answer.x[j])
        ranges[item.id] = (float(least), float(most))
    return ranges


def feasible(wish: Wish, seeds: range) -> list[int]:
    """Return the seeds whose brief has a formula, by the second opinion."""
    return [seed for seed in seeds if oracle.best(draw(Random(seed), wish)).ending == "optimal"]


PLAIN_SEEDS = feasible(LINEAR, range(drawn(16, of=60)))
CHOICE_SEEDS = feasible(CHOOSING, range(500, 500 + drawn(8, of=30)))


@cache
def small(seed: int) -> Case:
    return draw(Random(seed), CHOOSING if seed >= 500 else LINEAR)


def loss_of(seed: int) -> float:
    return (0.0, 0.02, 0.3)[seed % 3]


@pytest.mark.parametrize("seed", [*some(PLAIN_SEEDS, 8), *some(CHOICE_SEEDS, 4)])
def test_every_range_is_the_one_of_scipy(seed: int) -> None:
    case, loss = small(seed), loss_of(seed)
    expected = ranges_by_hand(case, loss)
    found = leeway(brief_of(case), loss)
    assert [r.id for r in found.rooms] == sorted(expected)
    for room in found.rooms:
        least, most = expected[room.id]
        assert room.least == pytest.approx(least, abs=WITHIN), room.id
        assert room.most == pytest.approx(most, abs=WITHIN), room.id
        if abs(least) > 2 * study.SEEN or least < WITHIN:
            word = "every" if least > study.SEEN else "some" if most > study.SEEN else "no"
            assert room.member == word, room.id


@pytest.mark.slow
def test_small_briefs_are_of_every_sort() -> None:
    """The briefs above hold what they are meant to hold, so that their checks do not pass on nothing."""
    goals = [small(seed)["scenario"].get("objective", {}) for seed in [*PLAIN_SEEDS, *CHOICE_SEEDS]]
    assert len(goals) > 70
    assert sum("maximise" in g for g in goals) > 8
    assert sum(g.get("maximise") in ("mildness", "flash-foam", "foam-density") for g in goals) > 3, "means"
    assert sum(bool(small(seed)["scenario"].get("ph")) for seed in PLAIN_SEEDS) > 10
    words = {r.member for seed in PLAIN_SEEDS[:30] for r in leeway(brief_of(small(seed)), loss_of(seed)).rooms}
    assert words == {"every", "some", "no"}
    assert all(any(loss_of(seed) == loss for seed in PLAIN_SEEDS) for loss in (0.0, 0.02, 0.3))


# laws -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", PLAIN_SEEDS[: drawn(6, of=20)] + CHOICE_SEEDS[: drawn(3, of=8)])
def test_ranges_hold_the_best_dose_and_grow_with_the_loss(seed: int) -> None:
    brief = brief_of(small(seed))
    steps = [leeway(brief, loss) for loss in (0, 0.01, 0.1, 1)]
    for found in steps:
        assert found.result.formula is not None
        for room in found.rooms:
            assert room.dose == found.result.formula.dose(room.id)
            assert room.least <= room.dose <= room.most
    for one, other in pairwise(steps):
        for a, b in zip(one.rooms, other.rooms, strict=True):
            assert b.least <= a.least + WITHIN
            assert b.most >= a.most - WITHIN


def test_no_loss_leaves_the_optimal_face() -> None:
    """By hand: two materials at one price make up 20 % in any split, the third costs more and stays out."""
    case = three(prices=(2, 2, 2.01))
    found = leeway(brief_of(case), 0)
    told = {r.id: (round(r.least, 4), round(r.most, 4), r.member) for r in found.rooms}
    assert told == {
        "aqua": (80, 80, "every"),
        "one": (0, 20, "some"),
        "three": (0, 0, "no"),
        "two": (0, 20, "some"),
    }
    # 20 % x 0.01 per kg is 0.002: that loss lets the dearer one in as far as it will go, half of it half as far.
    assert leeway(brief_of(case), 0.001).rooms[2].most == pytest.approx(10, abs=1e-4)
    assert leeway(brief_of(case), 0.002).rooms[2].most == pytest.approx(20, abs=1e-4)


@pytest.mark.parametrize("unit", [1e-8, 1e-4, 1, 1e4, 1e8])
def test_prices_in_another_unit_of_money_leave_the_same_room(unit: float) -> None:
    """Room at a loss of 0 was told where prices were small: the cap gave way by 1e-9 of money, not of the cost."""
    found = leeway(brief_of(three(prices=(2 * unit, 2 * unit, 2.01 * unit))), 0)
    told = {r.id: (round(r.least, 4), round(r.most, 4), r.member) for r in found.rooms}
    assert told == {
        "aqua": (80, 80, "every"),
        "one": (0, 20, "some"),
        "three": (0, 0, "no"),
        "two": (0, 20, "some"),
    }


def test_one_very_dear_material_does_not_open_the_cap_for_the_rest() -> None:
    """The cap's row is as fine as the usual price asks, whatever the dearest material costs."""
    found = leeway(brief_of(three(prices=(2e-4, 2.001e-4, 2e4))), 0)
    assert [(r.id, round(r.most, 3)) for r in found.rooms] == [("aqua", 80), ("one", 20), ("three", 0), ("two", 0)]


def three(prices: tuple[float, float, float]) -> Case:
    """Return a brief in which 20 % of three materials that are alike is asked for."""
    stock, shelf = [aqua()], []
    for name, price in zip(("one", "two", "three"), prices, strict=True):
        parts = [substance(f"INCI {name}", 50, charge="anionic", surfactant=True), substance("Aqua", 50, "water")]
        stock.append(material(name, parts))
        shelf.append({"material": name, "price_per_kg": price})
    rules: list[Table] = [{"id": "active", "kind": "active", "exactly": 10}]
    return {"materials": stock, "shelf": shelf, "scenario": {"name": "three alike", "rule": rules}}


def test_a_maximised_mean_gives_way_downwards() -> None:
    """By hand: mildness 80 at best, so a loss of 10 points lets the 40-point one make up a quarter."""
    case = three(prices=(1, 1, 1))
    for made, points in zip(case["materials"][1:], (80, 40, 0), strict=True):
        made["ratings"] = {"mildness": {"low": points, "typical": points, "high": points, "basis": "invented"}}
    case["scenario"]["objective"] = {"maximise": "mildness"}
    found = leeway(brief_of(case), 10)
    assert found.result.objective == pytest.approx(80)
    told = {r.id: (round(r.least, 5), round(r.most, 5)) for r in found.rooms}
    assert told == {"aqua": (80, 80), "one": (15, 20), "two": (0, 5), "three": (0, 2.5)}


@pytest.mark.parametrize("loss", [-0.01, float("nan")])
def test_a_loss_below_nothing_is_refused(loss: float) -> None:
    with pytest.raises(UsageError, match="write how much worse the objective may be, 0 or more"):
        leeway(brief_of(three((1, 2, 3))), loss)


def test_an_impossible_brief_has_no_room() -> None:
    case = three((1, 2, 3))
    case["scenario"]["rule"].append({"id": "dry", "kind": "water", "at_most": 1})
    with pytest.raises(UsageError, match="the brief has no formula"):
        leeway(brief_of(case), 1)


# formulas that differ -----------------------------------------------------------------------------------


def apart(case: Case, one: dict[str, float], other: dict[str, float]) -> float:
    """Return the sum of |difference| of two formulas, water aside [%]."""
    counted = [i.id for i in oracle.candidates(case) if i.raw["function"] != "solvent"]
    return sum(abs(one.get(n, 0.0) - other.get(n, 0.0)) for n in counted)


def corners(case: Case, loss: float) -> list[dict[str, float]]:
    """Return every vertex of every region within the loss."""
    items, found = capped(case, loss)
    ids = [i.id for i in items]
    return [dict(zip(ids, map(float, x), strict=True)) for region in found for x in oracle._vertices(region, len(ids))]


ALTERNATIVES = [*PLAIN_SEEDS[:25], *CHOICE_SEEDS[:10]]


@cache
def with_others(seed: int) -> Leeway:
    return leeway(brief_of(small(seed)), loss_of(seed), alternatives=3)


@pytest.mark.thorough
@pytest.mark.parametrize("seed", ALTERNATIVES)
def test_the_first_other_formula_is_the_furthest_corner(seed: int) -> None:
    """The sum of |difference| is convex, so the furthest formula is a vertex: all of them are tried."""
    case, found = small(seed), with_others(seed)
    assert found.result.formula is not None
    best = found.result.formula.doses
    furthest = max(apart(case, best, corner) for corner in corners(case, loss_of(seed)))
    first = found.alternatives[0].distance if found.alternatives else 0.0
    assert first == pytest.approx(furthest, abs=2e-3)


@pytest.mark.parametrize("seed", some(ALTERNATIVES, 12))
def test_other_formulas_are_within_the_loss_keep_every_rule_and_lie_as_far_as_told(seed: int) -> None:
    case, found, loss = small(seed), with_others(seed), loss_of(seed)
    brief = found.result.brief
    assert found.result.formula is not None
    chosen = [found.result.formula.doses]
    sign, goal = brief.scenario.objective.goals[0]
    items, held = oracle.candidates(case), oracle.held_back(case)
    measure = oracle._goal(case, items, held)[1]
    for other in found.alternatives:
        doses = other.formula.doses
        value = measure.at(np.array([doses.get(i.id, 0.0) for i in items]))
        assert other.objective == pytest.approx(value, abs=1e-6), goal
        assert sign * (value - found.result.objective) <= loss + 1e-5
        settings = (brief.acidity.settings(brief.acidity.edges(brief.pool)) if brief.acidity else None) or [
            found.result.setting
        ]
        assert any(not any(broken(r, other.formula, s) for r in brief.enforced) for s in settings)
        near = min(apart(case, doses, c) for c in chosen)
        assert other.distance == pytest.approx(near, abs=1e-6)
        assert other.gap == 0.0
        beyond = max(min(apart(case, corner, c) for c in chosen) for corner in corners(case, loss))
        assert other.distance >= beyond - 2e-3, "no corner lies further from all that were chosen"
        chosen.append(doses)
    distances = [a.distance for a in found.alternatives]
    assert all(a >= b - 1e-6 for a, b in pairwise(distances)), "each comes nearer"


def test_small_briefs_have_other_formulas() -> None:
    found = [with_others(seed) for seed in ALTERNATIVES]
    assert sum(len(f.alternatives) == 3 for f in found) > 10
    assert sum(not f.alternatives for f in found) >= 1, "no room at all"


def test_a_search_that_is_cut_short_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bound that is left open must never read as proven."""
    furthest = reach.furthest

    def unproven(*args: Any) -> tuple[Any, float]:
        return furthest(*args)[0], bounds[0]

    monkeypatch.setattr(reach, "furthest", unproven)
    bounds = [inf]
    (other,) = leeway(brief_of(three((2, 2, 2))), 0, alternatives=1).alternatives
    assert np.isnan(other.gap)
    bounds = [60.0]
    found = leeway(brief_of(three((2, 2, 2))), 0, alternatives=1)
    assert found.alternatives[0].gap == pytest.approx(0.5)
    assert "the search for the furthest was cut short" in str(leeway_document(found))


# documents, pictures, the command -------------------------------------------------------------------------


@pytest.fixture
def first(tmp_path: Path) -> Path:
    """Return the first brief that the tool lays out, which is linear."""
    lay(tmp_path / "first")
    return tmp_path / "first" / "first-brief.toml"


def ran(*args: str | Path) -> Any:
    """Return what the command line left behind."""
    return CliRunner().invoke(app, ["leeway", *map(str, args)])


def test_json_holds_every_room_and_formula(first: Path) -> None:
    result = ran(first, "--loss", "0.02", "--others", "1", "--json")
    assert result.exit_code == 0
    record = record_of(Leeway).model_validate_json(result.stdout)
    assert record.loss == 0.02
    (other,) = record.alternatives
    assert sum(line.percent for line in other.formula) == pytest.approx(97, abs=1e-6)
    assert other.objective <= record.best + 0.02 + 1e-6
    for room in record.rooms:
        assert room.least <= room.dose <= room.most
    for line in other.formula:
        room = next(r for r in record.rooms if r.id == line.id)
        assert room.least - WITHIN <= line.percent <= room.most + WITHIN, "a formula within the loss is in every range"
    assert record.cautions


def test_record_and_document_tell_the_same() -> None:
    found = leeway(brief_of(three((2, 2, 2.01))), 0, alternatives=1)
    rooms = json.loads(as_json(found))["rooms"]
    assert [(r["id"], r["member"]) for r in rooms] == [(r.id, r.member) for r in found.rooms]
    document = str(leeway_document(found))
    assert "In no formula within the loss" in document
    assert "Another formula, 1" in document
    assert "proven furthest" in document


def test_what_is_in_no_formula_is_named_as_every_other_report_does() -> None:
    found = leeway(load_brief(shipped("scenarios") / "measured-wash.toml"), 0.0)
    never = [r for r in found.rooms if r.member == "no"]
    (told,) = [s for s in leeway_document(found).sections if s.title == "In no formula within the loss"]
    assert never
    assert all(r.name in str(told) and r.id not in str(told) for r in never)


def test_a_negative_loss_on_the_command_line_is_refused(first: Path) -> None:
    assert ran(first, "--loss", "-1").exit_code == 2


def test_markdown_is_a_table(first: Path) -> None:
    result = ran(first, "--markdown")
    assert "| material | best % | least % | most % | in which formulas |" in result.stdout


def test_pictures_are_written_and_never_over_a_file(tmp_path: Path, first: Path) -> None:
    svg, png = tmp_path / "room.svg", tmp_path / "room.png"
    for path in (svg, png):
        assert ran(first, "--picture", path).exit_code == 0
    assert ElementTree.parse(svg).getroot().tag.endswith("svg")
    assert png.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    assert isinstance(ran(first, "--picture", svg).exception, DataError)
    assert isinstance(ran(first, "--picture", tmp_path / "room.bmp").exception, UsageError)
