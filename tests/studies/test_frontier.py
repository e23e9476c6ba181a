"""Trade-offs: published frontiers, the second opinion at every break, exact pieces, pictures, the command.

Author, title and year stand beside each published frontier; files, pages and what is from memory stand in
`published/<case>.json` under `source` and `provenance`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import replace
from itertools import combinations, pairwise
from math import inf
from pathlib import Path
from random import Random
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from typer.testing import CliRunner

import optimizer.cli.tradeoff
from optimizer.answers import questions
from optimizer.answers.starter import lay
from optimizer.brief.brief import Brief, load_brief
from optimizer.cli.every import app
from optimizer.engine.tree import Below
from optimizer.errors import DataError, UsageError
from optimizer.files import shipped
from optimizer.report.document import Table as Shown
from optimizer.report.record import as_json, record_of
from optimizer.report.tradeoff import Frontiers, frontier_document
from optimizer.solve.best import solve
from optimizer.solve.case_solver import Corridor, Sign
from optimizer.solve.existing import formula_at
from optimizer.solve.frontier import choices
from optimizer.solve.frontier.parametric import CurvePiece, ParametricCurve, Program, program
from optimizer.solve.frontier.tradeoff import Frontier
from optimizer.solve.result import Result
from optimizer.studies.frontier import frontier
from tests.support import oracle
from tests.support.briefs import SURFACTANTS, Wish, _surfactant, aqua, brief_of, draw_large, material, substance
from tests.support.command import Run
from tests.support.draws import Extent
from tests.support.draws import drawn as amount
from tests.support.oracle import Case, Table
from tests.support.pencil import RULES, rated_pencil
from tests.support.published_cases import arrays, load, write_as_blend

assert optimizer.cli.tradeoff
Measure = tuple[Sign, str]

# published ------------------------------------------------------------------------------------------

PUBLISHED = {
    "bensolve_ex01": "A. Lohne and B. Weissing, Bensolve, ex/example01.m",
    "ehrgott_molp": "M. Ehrgott, Multicriteria Optimization, 2nd ed. (2005), chs. 6-7, from memory; lecture 2 (2007)",
    "moa_bolp1": "O. Dowson et al., MultiObjectiveAlgorithms.jl, test_Dichotomy.jl; authors from memory",
    "revelle_noninferior": "C. ReVelle et al., Civil and Environmental Systems Engineering, ex. 5.A.3, from memory",
}
"""Frontiers of two linear measures with every breakpoint, with their sources."""


def posed(case: Case, y: int, x: int) -> ParametricCurve:
    """Return the curve of a published case as it stands, objective y optimised and x swept."""
    matrix, low, high, _, lower, upper = arrays(case)

    def measured(k: int) -> tuple[int, Any]:
        goal = case["objectives"][k]
        sign = 1 if goal["sense"] == "min" else -1
        return sign, np.array([goal["coef"].get(v, 0.0) for v in case["variables"]])

    (sign, cost), (direction, swept), n = measured(y), measured(x), len(upper)
    given = Program(
        matrix, low, high, lower, upper, sign * cost, 0.0, sign, -direction * swept, 0.0, np.zeros(n), 1.0, n
    )
    return ParametricCurve(given, direction)


@pytest.mark.parametrize("swept", [0, 1])
@pytest.mark.parametrize("name", PUBLISHED)
def test_published_breaks_and_plans_are_followed_basis_by_basis(name: str, swept: int) -> None:
    case = load(name)
    published = case["published"]
    pieces = posed(case, 1 - swept, swept).pieces()
    ends = [(p.first, p.value, p.start) for p in pieces]
    ends.append((pieces[-1].last, pieces[-1].at(pieces[-1].last), pieces[-1].end))
    found = sorted((y, x) if swept else (x, y) for x, y, _ in ends)
    expected = sorted(map(tuple, published["nondominated_points"]))
    assert np.array(found) == pytest.approx(np.array(expected), abs=published["tol"]), PUBLISHED[name]
    plans = sorted(tuple(np.round(doses, 9)) for _, _, doses in ends)
    wanted = np.array(sorted(map(tuple, published["efficient_x"])))
    assert np.array(plans) == pytest.approx(wanted, abs=published["tol"]), PUBLISHED[name]


@pytest.mark.parametrize("swept", [0, 1])
@pytest.mark.parametrize("name", PUBLISHED)
def test_published_breaks_come_out_of_the_tools_own_files(name: str, swept: int, tmp_path: Path) -> None:
    case = load(name)
    one, other = case["objectives"]
    measures = [{"name": f"measure {g['name']}", "coef": g["coef"], "lo": None, "hi": None} for g in (one, other)]
    # The second objective's plan is none of zeros, so it can set the size of the blend.
    blend = write_as_blend(
        {**case, "rows": [*case["rows"], *measures], "objective": other["coef"], "sense": other["sense"]}, tmp_path
    )
    named: list[Measure] = [(1 if g["sense"] == "min" else -1, f"measure-{g['name']}") for g in (one, other)]
    found = frontier(load_brief(blend.path), named[1 - swept], named[swept])
    points = sorted((b.y, b.x) if swept else (b.x, b.y) for b in found.breaks)
    expected = np.array(sorted(map(tuple, case["published"]["nondominated_points"])))
    assert np.array(points) == pytest.approx(expected, abs=case["published"]["tol"]), PUBLISHED[name]
    assert not found.sampled
    plans = {tuple(round(b.doses.get(v, 0.0) / blend.scale[v], 5) for v in case["variables"]) for b in found.breaks}
    assert plans == {tuple(map(float, plan)) for plan in case["published"]["efficient_x"]}, PUBLISHED[name]


# small briefs against the second opinion --------------------------------------------------------------

MEANS = ("mildness", "flash-foam", "foam-density")
BY_NAME: dict[str, Table] = {m: {"kind": "rating", "rating": m.replace("-", "_")} for m in MEANS}
SUMS: tuple[tuple[Measure, Measure], ...] = (
    ((1, "cost"), (-1, "active")),
    ((1, "load"), (1, "cost")),
    ((1, "salt"), (1, "cost")),
    ((-1, "active"), (1, "salt")),
    ((-1, "water"), (-1, "active")),
)
"""Pairs of sums that pull apart."""
MIXED: tuple[tuple[Measure, Measure], ...] = tuple(((1, s), (-1, m)) for s in ("cost", "salt", "load") for m in MEANS)
"""Sums against means."""
TWINS: tuple[tuple[Measure, Measure], ...] = tuple(((-1, a), (-1, b)) for a, b in combinations(MEANS, 2))
"""Two means over one total."""
WINDOWS = ((3, 5.2), (5, 9), (3, 9), (4.2, 6.2), (5.6, 8), (3, 5))
CHOICES: tuple[Table, ...] = (
    {"kind": "count", "of": {"surfactants": True}, "at_most": 2},
    {"kind": "if-used", "of": {"surfactants": True}, "at_least": 3},
    {"kind": "count", "of": {"surfactants": True}, "at_least": 3, "at_most": 3, "counts_from": 0.5},
    {"kind": "excludes", "of": {"charges": ["anionic"]}, "other": {"charges": ["nonionic"]}},
    {"kind": "needs", "of": {"charges": ["anionic"]}, "other": {"charges": ["amphoteric"]}, "at_least": 4},
)


def drawn(seed: int, *, ph: bool = False, choice: Table | None = None) -> Case:
    """Return a small case with room to trade: surfactants of every charge, some active matter, a few limits."""
    r = Random(seed)
    sorts = [*r.sample(sorted(SURFACTANTS), 5), *(["betaine"] if choice is None else [])]
    stock = [aqua(), *(_surfactant(r, f"s{k}-{sort}", sort) for k, sort in enumerate(sorts))]
    rules: list[Table] = [
        {"id": "some-active", "kind": "active", "at_least": r.choice([3, 5, 8]), "at_most": r.choice([12, 20])},
        {"id": "charge", "kind": "share", "of": {"charges": ["anionic"]}, "at_most": r.choice([50, 70, 90])},
    ]
    if r.random() < 0.5:
        rules.append({"id": "salty", "kind": "salt", "at_most": r.choice([0.8, 1.5])})
    if choice is None and r.random() < 0.7:
        rules.append({"id": "some", "kind": "dose", "of": [r.choice(stock[1:])["id"]], "at_least": 4})
    if choice is None and r.random() < 0.5:
        rules.append({"id": "mixed", "kind": "share", "of": {"charges": ["nonionic"]}, "at_least": 20})
    scenario: Table = {"name": "drawn", "rule": rules}
    if choice is not None:
        rules.append({"id": "choice", **choice})
    if ph:
        for made in stock[1:]:
            made["ph_stable"] = list(r.choice(WINDOWS))
        scenario["ph"] = {"low": 4.4, "high": 6.6, "tolerance": 0.2, "grid": 0.5}
    shelf = [{"material": m["id"], "price_per_kg": round(r.uniform(0.5, 12), 2)} for m in stock[1:]]
    return {"materials": stock, "shelf": shelf, "scenario": scenario}


def second_opinion(case: Case, y: Measure, x: Measure, limit: float | None) -> float:
    """Return the best y with x at a limit or better by trying every target, choice and vertex; turned, inf if none."""
    asked = deepcopy(case)
    scenario = asked["scenario"]
    if limit is not None:
        side = "at_least" if x[0] < 0 else "at_most"
        scenario["rule"].append({"id": "swept", **BY_NAME.get(x[1], {"kind": x[1]}), side: limit})
    scenario["objective"] = {"minimise" if y[0] > 0 else "maximise": y[1]}
    found = oracle.best(asked)
    return y[0] * found.objective if found.ending == "optimal" else inf


def along(found: Frontier, x: float) -> float:
    """Return the frontier's best y, turned, with at least x, turned; inf past its end."""
    up, down = -found.x.sign, found.y.sign
    inside = [down * s.at(up * x) for s in found.stretches if up * s.first <= x <= up * s.last]
    beyond = [down * b.y for b in found.breaks if up * b.x >= x]
    return min([*inside, *beyond], default=inf)


def kept(a: float, b: float, tolerance: float = 1e-6) -> bool:
    return a == b or abs(a - b) <= tolerance * (1 + abs(b))


def agrees(case: Case, y: Measure, x: Measure, found: Frontier, r: Random) -> int:
    """Check a frontier against the second opinion; return the number of points held against it."""
    assert (found.y.name, found.x.name) == (y[1], x[1])
    up = -x[0]
    if not found.breaks:
        assert second_opinion(case, y, x, None) == inf
        return 1
    start, end = up * found.breaks[0].x, up * found.breaks[-1].x
    hair = 1e-6 * max(end - start, 1e-3)
    assert kept(y[0] * found.breaks[0].y, second_opinion(case, y, x, None)), "the start is the best y"
    assert second_opinion(case, y, x, up * (end + 1e-4 * (1 + abs(end)))) == inf, "nothing lies past the end"
    points = [p for s in found.stretches for p in (s.first, (s.first + s.last) / 2, s.last)]
    tried = [up * p for p in points] + [r.uniform(start, end) for _ in range(4)]
    tried += [up * b.x for b in found.breaks]
    for m in tried:
        # At a jump the value on either side counts, so a hair to either side brackets it.
        worse, better = (second_opinion(case, y, x, up * (m + side * hair)) for side in (1, -1))
        here = along(found, m)
        slack = 1e-6 * (1 + abs(here))
        assert better - slack <= here <= worse + slack, (m, better, here, worse)
        if kept(worse, better, 1e-4):
            assert abs(here - better) <= abs(worse - better) + slack
    return len(tried) + 2


SMALL = [
    (drawn(seed, ph=seed % 4 > 0), *Random(seed).choice(MIXED if seed % 3 else SUMS))
    for seed in range(amount(24, of=90))
]
PAIRS = [(drawn(seed, ph=seed % 2 > 0), *Random(seed).choice(TWINS)) for seed in range(1000, 1000 + amount(8, of=20))]


@pytest.mark.thorough
@pytest.mark.parametrize("seed", range(len(SMALL)))
def test_every_point_of_a_small_frontier_is_the_best_one(seed: int) -> None:
    """Straight and rational pieces: a sum against a sum, or a sum against a mean with free active matter."""
    case, y, x = SMALL[seed]
    found = frontier(brief_of(case), y, x)
    assert not found.sampled
    assert agrees(case, y, x, found, Random(seed)) > 0


@pytest.mark.thorough
@pytest.mark.parametrize("seed", range(len(PAIRS)))
def test_two_means_over_one_total_are_exact(seed: int) -> None:
    case, y, x = PAIRS[seed]
    found = frontier(brief_of(case), y, x)
    assert agrees(case, y, x, found, Random(seed)) > 0
    for stretch in found.stretches:
        assert stretch.rate_first == pytest.approx(stretch.rate_last), "two means over one total move straight"


@pytest.mark.slow
def test_small_frontiers_are_of_every_sort() -> None:
    """The briefs above hold what they are meant to hold, so that their checks do not pass on nothing."""
    found = [frontier(brief_of(case), y, x) for case, y, x in SMALL]
    stretches = [s for f in found for s in f.stretches]
    assert len(stretches) > 70
    assert sum(abs(s.rate_first - s.rate_last) > 1e-3 * abs(s.rate_first) for s in stretches) > 10, "rational ones"
    assert sum(len(f.stretches) > 1 for f in found) > 12
    assert sum(len(frontier(brief_of(case), y, x).stretches) > 1 for case, y, x in PAIRS) > 5


def test_several_ph_settings_give_one_envelope_that_jumps() -> None:
    """By hand: half of the 25 % is the neutral one at most, so nothing lies between 45 and 65 points.

    Acid: 25 % at 2 per kg, then half of it at 3. Alkaline: half at 6 and half at 3, then all at 6.
    """

    def rated(name: str, points: float, price: float, window: list[float]) -> tuple[Table, Table]:
        parts = [substance(f"INCI {name}", 40, charge="anionic", surfactant=True), substance("Aqua", 60, "water")]
        rating = {"low": points, "typical": points, "high": points, "basis": "invented"}
        made = material(name, parts, ratings={"mildness": rating}, ph_stable=window)
        return made, {"material": name, "price_per_kg": price}

    made = [rated("acid", 40, 2, [3, 5]), rated("alkaline", 80, 6, [5.6, 9]), rated("neutral", 50, 3, [3, 9])]
    rules = [{"id": "some-active", "kind": "active", "exactly": 10}]
    rules.append({"id": "half", "kind": "dose", "of": ["neutral"], "at_most": 12.5})
    scenario = {"name": "two windows", "rule": rules, "ph": {"low": 4.4, "high": 6.6, "tolerance": 0.2, "grid": 0.5}}
    case: Case = {
        "materials": [aqua(), *(m for m, _ in made)],
        "shelf": [line for _, line in made],
        "scenario": scenario,
    }
    found = frontier(brief_of(case), (1, "cost"), (-1, "mildness"))
    points = np.array([(b.x, b.y) for b in found.breaks])
    assert points == pytest.approx(np.array([(40, 0.5), (45, 0.625), (65, 1.125), (80, 1.5)]))
    assert [(b.enters, b.leaves) for b in found.breaks] == [
        ((), ()),
        (("alkaline",), ("acid",)),
        ((), ()),
        ((), ()),
    ]
    assert [(s.first, s.last) for s in found.stretches] == [pytest.approx((40, 45)), pytest.approx((65, 80))]
    assert [s.rate_first for s in found.stretches] == [pytest.approx(0.025), pytest.approx(0.025)]
    acid, alkaline = (s.targets for s in found.stretches)
    assert acid[1] <= 4.8 + 1e-6
    assert alkaline[0] >= 5.8 - 1e-6
    assert jumps(found) == 1
    assert agrees(case, (1, "cost"), (-1, "mildness"), found, Random(1)) > 10


def jumps(found: Frontier) -> int:
    """Return how often the frontier jumps in a measure."""
    return sum(
        all(abs(s.first - a.x) + abs(s.last - b.x) > 1e-6 for s in found.stretches)
        and abs(a.x - b.x) + abs(a.y - b.y) > 1e-6
        for a, b in pairwise(found.breaks)
    )


CHOSEN = [
    (
        drawn(seed, ph=seed % 10 == 0, choice=CHOICES[seed % len(CHOICES)]),
        *Random(seed).choice((SUMS, MIXED, TWINS)[seed % 3]),
    )
    for seed in range(2000, 2020)
]


@pytest.mark.thorough
@pytest.mark.parametrize("seed", range(len(CHOSEN)) if Extent.everything else (0, 3, 4, 9, 14, 15))
def test_on_small_briefs_no_yes_no_choice_is_missed_and_that_is_proven(seed: int) -> None:
    """The choices come from a sample of targets first; the oracle tries every one of them."""
    case, y, x = CHOSEN[seed]
    found = frontier(brief_of(case), y, x)
    assert not found.sampled
    assert agrees(case, y, x, found, Random(seed)) > 0


@pytest.mark.slow
def test_yes_no_frontiers_jump_and_change_their_choices() -> None:
    found = [frontier(brief_of(case), y, x) for case, y, x in CHOSEN]
    assert sum(jumps(f) > 0 for f in found) > 3
    assert sum(len({s.used for s in f.stretches}) > 1 for f in found) > 3


def test_a_choice_between_the_samples_is_found_by_the_middles() -> None:
    """Three surfactants of which one is used: the middle one is best over less than a 25th of the range."""
    parts = [substance("Aqua", 60, "water")]

    def rated(name: str, points: float, price: float) -> tuple[Any, Any]:
        made = material(
            name,
            [substance(f"INCI {name}", 40, charge="anionic", family="alkyl sulfate", surfactant=True), *parts],
            properties={"gentle": points},
        )
        return made, {"material": name, "price_per_kg": price}

    made = [rated("first", 2.0, 1.0), rated("middle", 2.02, 1.0002), rated("last", 4.0, 5.0)]
    case: Case = {
        "materials": [aqua(), *(m for m, _ in made)],
        "shelf": [line for _, line in made],
        "scenario": {
            "name": "one of three",
            "rule": [
                {"id": "active", "kind": "active", "exactly": 10},
                {"id": "gentle", "kind": "property", "property": "gentle"},
                {"id": "one", "kind": "one-of", "of": ["first", "middle", "last"]},
            ],
        },
    }
    found = frontier(brief_of(case), (1, "cost"), (-1, "gentle"))
    assert [b.doses.keys() - {"aqua"} for b in found.breaks] == [{"first"}, {"middle"}, {"last"}]
    points = np.array([(b.x, b.y) for b in found.breaks])
    assert points == pytest.approx(np.array([(0.5, 0.25), (0.505, 0.25005), (1.0, 1.25)]))
    assert found.stretches == ()
    assert not found.sampled
    assert "0 stretches between breaks" in frontier_document((("", found),)).verdict, "points alone are drawn too"


def test_a_point_that_stands_alone_beside_a_stretch_is_drawn() -> None:
    """The cheapest point lies far from the stretch, in both measures."""
    found = frontier(larger(1), (1, "cost"), (-1, "mildness"))
    far = replace(found.breaks[0], x=found.breaks[0].x - 50, y=found.breaks[0].y / 9)
    document = str(frontier_document((("", replace(found, breaks=(far, *found.breaks))),)))
    assert document.count("●") >= 2


# laws -----------------------------------------------------------------------------------------------

CURVED = [(drawn(seed, ph=seed % 3 == 0), Random(seed).choice(MIXED)) for seed in range(3000, 3000 + amount(8, of=20))]


@pytest.mark.parametrize(("case", "axes"), CURVED)
def test_10_better_in_one_is_never_better_in_the_other(case: Case, axes: tuple[Measure, Measure]) -> None:
    found = frontier(brief_of(case), *axes)
    up, down = -found.x.sign, found.y.sign
    for one, other in pairwise(found.breaks):
        assert up * (other.x - one.x) >= -1e-9
        assert down * (other.y - one.y) >= -1e-9
    for s in found.stretches:
        middle = s.at((s.first + s.last) / 2)
        assert up * down * s.rate_first >= -1e-9
        assert down * s.y_first - 1e-9 <= down * middle <= down * s.y_last + 1e-9
        assert s.at(s.last) == pytest.approx(s.y_last)


def sampled_points(found: Frontier, *, swapped: bool) -> Iterator[tuple[float, float]]:
    for s in found.stretches:
        for share in (0.0, 0.25, 0.5, 0.75, 1.0):
            x = s.first + share * (s.last - s.first)
            yield (s.at(x), x) if swapped else (x, s.at(x))


@pytest.mark.parametrize("seed", range(amount(6, of=16)))
def test_sweeping_the_other_measure_gives_the_same_points(seed: int) -> None:
    case = drawn(4000 + seed, ph=seed % 3 == 0)
    y, x = Random(seed).choice(SUMS if seed % 2 else TWINS)
    brief = brief_of(case)
    one, other = frontier(brief, y, x), frontier(brief, x, y)
    assert (one.x.name, one.y.name) == (other.y.name, other.x.name)
    for found, held in ((one, other), (other, one)):
        for a, b in sampled_points(found, swapped=True):
            turned = -held.x.sign * a
            around = [along(held, turned + side * 1e-5 * (1 + abs(a))) for side in (-1, 1)]
            assert min(around) - 1e-4 * (1 + abs(b)) <= held.y.sign * b <= max(around) + 1e-4 * (1 + abs(b))


def test_a_mean_against_a_sum_is_swept_by_the_mean_whichever_is_named_first() -> None:
    brief = next(b for k in range(50) if frontier(b := brief_of(drawn(k)), *MIXED[0]).stretches)
    one, other = frontier(brief, (1, "cost"), (-1, "mildness")), frontier(brief, (-1, "mildness"), (1, "cost"))
    assert one.x == other.x
    assert one.x.name == "mildness"
    assert one.breaks == other.breaks
    assert one.stretches


# pieces against re-solves -----------------------------------------------------------------------------


def curves(brief: Brief, y: Measure, x: Measure) -> Iterator[tuple[Any, list[CurvePiece]]]:
    """Yield every case of a brief without choices with its pieces."""
    for case in Corridor(brief).cases:
        given = program(case, np.zeros(0), brief.pool, (y[0], brief.measure(y[1])), (x[0], brief.measure(x[1])))
        assert given is not None
        yield case, ParametricCurve(given, x[0]).pieces()


LARGE = Wish(kinds=("active", "share", "water", "natural", "load", "salt"), ph=False, extras=False, goals=False, past=0)
AXES: list[tuple[Measure, Measure]] = [
    ((1, "cost"), (-1, "mildness")),
    ((-1, "mildness"), (-1, "flash-foam")),
    ((1, "cost"), (1, "load")),
    ((1, "cost"), (1, "salt")),
    ((-1, "water"), (-1, "foam-density")),
    ((1, "mildness"), (-1, "foam-density")),
    ((1, "load"), (-1, "natural")),
]


def larger(seed: int) -> Brief:
    case = draw_large(Random(seed), LARGE)
    case["scenario"]["rule"].append({"id": "some-active", "kind": "active", "at_least": 5, "at_most": 25})
    return brief_of(case)


@pytest.mark.thorough
@pytest.mark.parametrize("axes", AXES, ids=lambda a: f"{a[0][1]}-{a[1][1]}")
@pytest.mark.parametrize("seed", range(amount(1, of=4)))
def test_pieces_equal_the_answers_of_the_brief_with_that_limit(seed: int, axes: tuple[Measure, Measure]) -> None:
    """Value, rate and doses of every piece against `solve` with the swept limit stated as a rule."""
    brief = larger(seed)
    y, x = axes
    ((case, pieces),) = curves(brief, y, x)
    assert pieces
    measure, optimised = brief.measure(x[1]), brief.measure(y[1])
    sense = {"minimise": y[1], "maximise": None} if y[0] > 0 else {"minimise": None, "maximise": y[1]}
    goal = brief.scenario.objective.model_copy(update={**sense, "then": ()})
    scenario = brief.scenario.model_copy(update={"objective": goal})

    def asked(m: float) -> Result:
        limits = (m, inf) if x[0] < 0 else (-inf, m)
        swept = measure.with_limits(*limits).model_copy(update={"id": "swept"})
        return solve(
            replace(brief, modelled=tuple(sorted((*brief.modelled, swept), key=lambda r: r.id)), scenario=scenario)
        )

    for piece in pieces:
        length = piece.last - piece.first
        for share in (0.0, 0.13, 0.5, 0.9, 1.0) if length else (0.0,):
            m = piece.first + share * length
            assert asked(m).objective == pytest.approx(piece.at(m), rel=1e-6, abs=1e-6)
            if 0 < share < 1:
                hair = 1e-3 * length
                after, before = asked(m + hair).objective, asked(m - hair).objective
                assert (after - before) / (2 * hair) == pytest.approx(piece.rate_at(m), rel=1e-3, abs=1e-6)
            formula = formula_at(brief.pool, dict(zip(brief.pool.ids, piece.doses_at(m), strict=True)))
            assert optimised.value(formula, case.settings[0]) == pytest.approx(piece.at(m), rel=1e-6, abs=1e-6)
            assert measure.value(formula, case.settings[0]) == pytest.approx(m, rel=1e-6, abs=1e-6)
            for rule in brief.modelled:
                assert rule.violation(formula, case.settings[0]) <= 10 * rule.slack(), rule.id
            told = next(o for o in asked(m).rules if o.id == "swept")
            if 0 < share < 1 and not optimised.ratio:
                assert told.price == pytest.approx(piece.rate_at(m), rel=1e-5, abs=1e-7)


def test_pieces_meet_and_run_in_the_improving_direction() -> None:
    count = 0
    for seed in range(4):
        for y, x in AXES:
            ((_, pieces),) = curves(larger(seed), y, x)
            count += len(pieces)
            for one, other in pairwise(pieces):
                assert one.last == other.first
                assert -x[0] * (one.last - one.first) > 0
                assert one.at(one.last) == pytest.approx(other.value, rel=1e-6)
    assert count > 50


# refusals, documents, pictures, the command -------------------------------------------------------------


@pytest.fixture
def first(tmp_path: Path) -> Path:
    """Return the first brief that the tool lays out, which is linear."""
    lay(tmp_path / "first")
    return tmp_path / "first" / "first-brief.toml"


def ran(*args: str | Path) -> Any:
    """Return what the command line left behind."""
    return CliRunner().invoke(app, ["frontier", *map(str, args)])


def test_means_over_different_totals_are_refused() -> None:
    with pytest.raises(UsageError, match=r"'mildness' and 'natural' are means over different totals"):
        frontier(larger(0), (-1, "mildness"), (-1, "natural"))


def test_a_mean_over_what_may_be_absent_is_refused_with_the_way_out() -> None:
    case = drawn(1)
    case["scenario"]["rule"] = [r for r in case["scenario"]["rule"] if r["kind"] not in ("active", "dose")]
    with pytest.raises(UsageError, match=r"'mildness' is a mean over something .* State a lower limit"):
        frontier(brief_of(case), (1, "cost"), (-1, "mildness"))


def test_an_impossible_brief_has_no_breaks_and_ends_with_4() -> None:
    result = ran("impossible-wash", "--json")
    assert result.exit_code == 4
    (curve,) = record_of(Frontiers).model_validate_json(result.stdout).curves
    assert curve.breaks == curve.stretches == []
    assert "The brief has no formula here." in ran("impossible-wash").stdout


def test_measures_that_pull_the_same_way_are_one_point() -> None:
    found = frontier(larger(0), (1, "load"), (1, "load"))
    assert len(found.breaks) == 1
    assert found.stretches == ()
    assert found.breaks[0].x == pytest.approx(found.breaks[0].y)


@pytest.mark.parametrize("option", ["--best=cheapest cost", "--against=maximise", "--best="])
def test_an_axis_that_is_none_is_refused(option: str, first: Path) -> None:
    result = ran(first, option)
    assert isinstance(result.exception, UsageError)
    assert "write 'minimise MEASURE' or 'maximise MEASURE'" in str(result.exception)


def test_a_family_has_one_curve_per_value(first: Path) -> None:
    result = ran(first, "--by", "active.at_least=9,10,11", "--json")
    record = record_of(Frontiers).model_validate_json(result.stdout)
    assert [c.label for c in record.curves] == [f"active.at_least = {n}" for n in (9, 10, 11)]
    cheapest = [c.breaks[0].y for c in record.curves]
    assert cheapest == sorted(cheapest), "more active matter is never cheaper"
    assert len(set(cheapest)) > 1
    alone = ran(first, "--set", "active.at_least=10", "--json")
    assert record_of(Frontiers).model_validate_json(alone.stdout).curves[0].breaks == record.curves[1].breaks
    assert isinstance(ran(first, "--by", "active.at_least").exception, UsageError)


def test_json_holds_every_break_and_stretch() -> None:
    found = frontier(larger(1), (1, "cost"), (-1, "mildness"))
    record = json.loads(as_json(Frontiers(family=(("", found),))))
    assert record_of(Frontiers).model_validate(record)
    (curve,) = record["curves"]
    assert [(b["x"], b["y"], b["doses"]) for b in curve["breaks"]] == [(b.x, b.y, b.doses) for b in found.breaks]
    assert [s["rate_first"] for s in curve["stretches"]] == [s.rate_first for s in found.stretches]
    assert curve["x"] == "mean mildness rating, rating points"
    assert record["cautions"]


def test_document_tells_every_break(first: Path) -> None:
    plain = frontier(larger(1), (1, "cost"), (-1, "mildness"))
    document = frontier_document((("", plain),))
    assert "Every break is exact." in document.verdict
    assert f"{len(plain.stretches)} stretches" in document.verdict
    result = ran(first, "--markdown")
    assert result.exit_code == 0
    assert "Every break is exact." in " ".join(result.stdout.split())
    assert result.stdout.count("| ") > 20
    assert "comes in" in result.stdout


def test_the_tables_name_materials_as_every_other_report_does() -> None:
    curve = frontier(load_brief(shipped("scenarios") / "measured-wash.toml"), (1, "cost"), (-1, "mildness"))
    document = frontier_document((("", curve),))
    known = {i.id: i.material.name for i in curve.brief.pool.items}
    moved = {i for b in curve.breaks for i in (*b.enters, *b.leaves)} | {i for s in curve.stretches for i in s.moves}
    assert len(moved) > 2
    tables = str([t.rows for t in document.sections if isinstance(t, Shown)])
    assert any(known[i] in tables for i in moved)
    assert not [i for i in known if i in tables]


def test_pictures_are_written_and_never_over_a_file(tmp_path: Path, first: Path) -> None:
    svg, png = tmp_path / "curve.svg", tmp_path / "curve.png"
    for path in (svg, png):
        assert ran(first, "--picture", path).exit_code == 0
    assert ElementTree.parse(svg).getroot().tag.endswith("svg")
    assert png.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    again = ran(first, "--picture", svg)
    assert isinstance(again.exception, DataError)
    assert "curve.svg" in str(again.exception)


def test_other_endings_are_refused(tmp_path: Path, first: Path) -> None:
    result = ran(first, "--picture", tmp_path / "curve.bmp")
    assert isinstance(result.exception, UsageError)
    assert "neither in .svg nor in .png or .pdf" in str(result.exception)
    assert not (tmp_path / "curve.bmp").exists()


# shipped briefs against `solve` -------------------------------------------------------------------------

SHIPPED: tuple[tuple[str, Measure, Measure, tuple[float, ...]], ...] = (
    ("hand-wash", (1, "cost"), (-1, "mildness"), (60.4765, 60.49828, 60.52)),
    ("after-swim-shampoo", (1, "cost"), (-1, "mildness"), (64.718, 64.72107)),
    ("after-swim-shampoo", (1, "load"), (-1, "flash-foam"), (65.44881, 65.43163)),
    ("clear-shampoo", (1, "load"), (-1, "flash-foam"), (53.637, 53.65811)),
    ("hand-wash", (1, "cost"), (-1, "active"), ()),
    ("pearly-wash", (1, "cost"), (-1, "mildness"), ()),
)
"""Shipped briefs with yes/no rules, pairs of measures, and limits beside which a better choice was once missed."""


def at_most_or_least(brief: Brief, y: Measure, x: Measure, m: float) -> float:
    """Return the best y, turned, of a brief with a limit on x stated as a rule."""
    limits = (m, inf) if x[0] < 0 else (-inf, m)
    swept = brief.measure(x[1]).with_limits(*limits).model_copy(update={"id": "swept"})
    asked = replace(brief, modelled=tuple(sorted((*brief.modelled, swept), key=lambda r: r.id)))
    found = Corridor(asked).best_of_each(y[0], asked.measure(y[1]))
    return min((y[0] * f.objective for f in found if f.x is not None), default=inf)


@pytest.mark.slow
def test_what_is_whole_but_for_a_hair_hides_no_better_choice() -> None:
    # told 1.3728 and 1.3735 for 1.3607 and 1.3614; no source, found by an attack on all shipped briefs
    body = load_brief(shipped("scenarios") / "body-wash.toml")
    found = frontier(body, (1, "cost"), (-1, "mildness"))
    for m in (68.450025, 68.5):
        stretch = next(s for s in found.stretches if s.first <= m <= s.last)
        assert stretch.at(m) == pytest.approx(at_most_or_least(body, (1, "cost"), (-1, "mildness"), m), rel=1e-6)


def test_what_no_tree_proves_is_told_as_sampled(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(choices, "lowest_below", lambda *_, **__: Below(None, -inf, 1))
    case, y, x = CHOSEN[12]
    found = frontier(brief_of(case), y, x)
    assert found.sampled
    assert "choices between them were sampled" in frontier_document((("", found),)).verdict


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("name", "y", "x", "points"),
    [pytest.param(*case, marks=() if case in (SHIPPED[3], SHIPPED[4]) else pytest.mark.slow) for case in SHIPPED],
)
def test_no_choice_beside_a_break_betters_the_frontier(
    name: str, y: Measure, x: Measure, points: tuple[float, ...]
) -> None:
    """Better choices hid beside crossings of two curves: each point is re-solved with the limit as a rule."""
    brief = load_brief(shipped("scenarios") / f"{name}.toml")
    found = frontier(brief, y, x)
    start, end = -x[0] * found.breaks[0].x, -x[0] * found.breaks[-1].x
    breaks = Random(name).sample(found.breaks, min(4, len(found.breaks)))
    beside = [-x[0] * b.x + share * (end - start) for b in breaks for share in (-1e-3, -1e-5, 1e-5, 1e-3)]
    tried = [m for m in (*points, *beside) if start <= m <= end]
    assert len(tried) >= 3 + len(points)
    for m in tried:
        best = at_most_or_least(brief, y, x, -x[0] * m)
        assert along(found, m) == pytest.approx(best, rel=1e-6, abs=1e-6), m


def test_a_search_for_choices_tells_how_far_it_has_come() -> None:
    """A frontier of a brief with yes/no rules was silent for many seconds."""
    told: list[str] = []
    case, y, x = CHOSEN[12]
    traced = frontier(brief_of(case), y, x, told.append)
    assert not traced.sampled
    assert told
    assert all("yes/no choices followed" in text for text in told)


def test_best_is_what_the_brief_seeks_and_nothing_is_traded_against_itself() -> None:
    brief = brief_of(rated_pencil(*RULES, objective={"maximise": "mildness"}))
    for against in (None, "minimise cost"):
        (_, curve), *_ = questions.frontier(brief, against=against).found
        assert {curve.y.name, curve.x.name} == {"mildness", "cost"}
    with pytest.raises(UsageError, match="both about mildness: trade it against another measure"):
        questions.frontier(brief, against="maximise mildness")


@pytest.mark.thorough
def test_an_alarm_is_about_the_doses_and_the_ph_of_one_point(run: Run) -> None:
    """Where the trade-off jumps from one preservative and pH to another, neither is held against the other's."""
    told = run("frontier", "hand-wash", "--best", "maximise natural", "--against", "minimise salt", "--json").json
    preserved = [
        {"sodium-benzoate", "phenoxyethanol-ethylhexylglycerin"} & set(b["doses"]) for b in told["curves"][0]["breaks"]
    ]
    assert len(set(map(frozenset, preserved))) == 2, "it jumps"
    assert not [c["text"] for c in told["cautions"] if "NOT PRESERVED" in c["text"]]
