"""Curved rules by successive programs: against another solver, prices by difference, rounding, refusals, frontier."""

from __future__ import annotations

import json
from copy import deepcopy
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest
from scipy.optimize import minimize
from typer.testing import CliRunner

from optimizer.brief.brief import Brief, load_brief
from optimizer.cli.every import app
from optimizer.files import shipped
from optimizer.model.linearisation import with_rules
from optimizer.report.blend import blend_document
from optimizer.report.formats.terminal import lines
from optimizer.report.formula_json import Blend
from optimizer.report.record import record
from optimizer.rules import CurvedRule
from optimizer.rules.row import Setting
from optimizer.solve.best import linear_part, solve
from optimizer.solve.result import Result
from optimizer.studies.check import check
from optimizer.studies.frontier import frontier
from optimizer.studies.stepped import stepped
from tests.support import briefs
from tests.support.draws import drawn as amount
from tests.support.oracle import Case

SEEDS = range(amount(4, of=12))
"""Briefs that another solver answers as well, some of them without a choice to make."""


def drawn(r: Random) -> Case:
    """Return a brief over three to six surfactants of the library with a free-monomer rule that never binds."""
    tables = [t for t in briefs.library_tables() if any(s.get("surfactant") for s in t["substances"])]
    water = next(t for t in briefs.library_tables() if t["id"] == "aqua")
    chosen = r.sample(tables, r.randint(3, 6))
    anionic = {"charges": ["anionic"]}
    rules: list[dict[str, Any]] = [
        {"id": "active", "kind": "active", "at_least": round(r.uniform(6, 12), 1)},
        {"id": "anionic", "kind": "share", "of": anionic, "at_least": r.choice([5, 15, 30])},
    ]
    if r.random() < 0.5:
        rules.append({"id": "foam", "kind": "rating", "rating": "flash_foam", "at_least": r.choice([40, 50, 55])})
    if r.random() < 0.4:
        rules.append({"id": "salt", "kind": "salt", "at_most": r.choice([1.5, 3])})
    rules.append({"id": "free", "kind": "free-monomer", "at_most": 500, "level": r.choice(["high", "typical", "low"])})
    return {
        "materials": [deepcopy(t) for t in (water, *chosen)],
        "shelf": [{"material": t["id"], "price_per_kg": round(r.uniform(1, 9), 2)} for t in chosen],
        "scenario": {"name": "drawn", "rule": rules},
    }


def free_rule(brief: Brief) -> CurvedRule:
    rule = next(r for r in brief.modelled if r.id == "free")
    assert isinstance(rule, CurvedRule)
    return rule


def limited(seed: int) -> tuple[Brief, float] | None:
    """Return a drawn brief whose limit lies between the least there is and what the cheapest formula has."""
    r = Random(seed)
    case = drawn(r)
    brief = briefs.brief_of(case)
    cheapest = solve(linear_part(brief)).formula
    if cheapest is None:
        return None
    most = free_rule(brief).value(cheapest, Setting())
    least = solve(briefs.brief_of({**case, "scenario": {**case["scenario"], "objective": {"minimise": "free"}}}))
    if least.formula is None or most <= 1.02 * least.objective or most < 1e-4:
        return None
    case["scenario"]["rule"][-1]["at_most"] = limit = least.objective + r.uniform(0.05, 0.9) * (most - least.objective)
    return briefs.brief_of(case), limit


def other_solver(brief: Brief, starts: int, r: Random) -> float:
    """Return the least cost that sequential quadratic programming finds from random starts."""
    pool, rule, n = brief.pool, free_rule(brief), len(brief.pool)
    cost = pool.prices / 100
    limit = rule.limits[1]
    kept: list[dict[str, Any]] = [{"type": "eq", "fun": lambda x: x.sum() - 100, "jac": lambda x: np.ones(n)}]
    for other in brief.modelled:
        for row in () if other.id in ("free", "total") else other.rows(pool, Setting()):
            for sign, end in ((1, row.low), (-1, row.high)):
                if np.isfinite(end):
                    a, b = sign * row.doses, sign * end
                    kept.append({"type": "ineq", "fun": lambda x, a=a, b=b: a @ x - b, "jac": lambda x, a=a: a})
    kept.append(
        {
            "type": "ineq",
            "fun": lambda x: limit - rule.tangent(pool, np.maximum(x, 0))[0],
            "jac": lambda x: -rule.tangent(pool, np.maximum(x, 0))[1],
        }
    )
    best = np.inf
    for _ in range(starts):
        x = np.array([r.expovariate(1 / 8) for _ in range(n)])
        x[pool.index["aqua"]] = max(0.0, 100 - x.sum() + x[pool.index["aqua"]])
        found = minimize(lambda x: cost @ x, x, jac=lambda x: cost, bounds=[(0, 100)] * n, constraints=kept,
                         method="SLSQP", options={"maxiter": 200, "ftol": 1e-12}).x  # fmt: skip
        inside = abs(found.sum() - 100) < 1e-6 and (found > -1e-9).all()
        if inside and all(c["fun"](found) > -1e-6 for c in kept[1:]):
            best = min(best, float(cost @ found))
    return best


def words(result: Result) -> str:
    return " ".join(" ".join(lines(blend_document(result), 200)).split())


@pytest.mark.slow
def test_local_answers_are_as_good_as_another_solvers_from_many_starts() -> None:
    """Every answer keeps the rule by its own equation; in nearly all cases none of the other solver's is better."""
    tried = good = 0
    for seed in SEEDS:
        made = limited(seed)
        if made is None:
            continue
        brief, limit = made
        found = solve(brief)
        assert found.formula is not None
        assert free_rule(brief).value(found.formula, Setting()) <= limit + 1e-6
        assert all(r.violation(found.formula, Setting()) <= 1e-5 for r in brief.modelled)
        assert found.proof in ("local", "certificate")
        other = other_solver(brief, 4, Random(seed))
        tried += 1
        good += found.objective <= other * (1 + 1e-4)
    assert tried >= amount(2, of=8)
    assert good >= 0.9 * tried


@pytest.fixture(scope="module")
def bound() -> tuple[Brief, Result]:
    """Return a brief whose free-monomer limit binds, and its answer."""
    for seed in SEEDS:
        made = limited(seed)
        if made is not None:
            result = solve(made[0], weighable=True)
            if result.proof == "local":
                return made[0], result
    raise AssertionError("no drawn brief has a limit that binds")


def at_limit(brief: Brief, limit: float) -> Brief:
    rules = tuple(r.model_copy(update={"at_most": limit}) if r.id == "free" else r for r in brief.modelled)
    return replace(brief, modelled=rules)


def test_an_answer_that_keeps_the_rule_anyway_is_proven() -> None:
    brief = briefs.brief_of(drawn(Random(3)))
    plain, found = solve(linear_part(brief)), solve(brief, weighable=True)
    assert found.ending == "optimal"
    assert found.proof == plain.proof == "certificate"
    assert found.objective == plain.objective
    outcome = next(o for o in found.rules if o.id == "free")
    assert outcome.binding == ""
    assert 0 < outcome.value < 500
    assert found.rounded is not None
    assert found.rounded.formula is not None


@pytest.mark.thorough
def test_a_local_answer_says_so(bound: tuple[Brief, Result]) -> None:
    brief, found = bound
    assert (found.ending, found.proof, found.exit_code) == ("feasible", "local", 5)
    told = words(found)
    assert "not proven the best of all" in told
    assert "starting points" in told
    assert "hold at this formula only" in told
    assert "It cannot be better than" in told
    assert record(Blend(result=found)).proof == "local"
    assert found.objective >= solve(linear_part(brief)).objective - 1e-9


@pytest.mark.thorough
def test_the_price_is_the_change_of_the_answer(bound: tuple[Brief, Result]) -> None:
    brief, found = bound
    outcome = next(o for o in found.rules if o.id == "free")
    assert outcome.binding == "high"
    assert np.isnan(outcome.holds_from)
    step = 1e-3 * outcome.high
    more = solve(at_limit(brief, outcome.high + step)).objective
    less = solve(at_limit(brief, outcome.high - step)).objective
    slopes = sorted([(more - found.objective) / step, (found.objective - less) / step])
    assert slopes[0] - 0.02 * abs(slopes[0]) <= outcome.price <= slopes[1] + 0.02 * abs(slopes[1])
    assert outcome.price < 0


@pytest.mark.thorough
def test_the_grid_formula_keeps_the_rule_itself(bound: tuple[Brief, Result]) -> None:
    brief, found = bound
    assert found.rounded is not None
    grid = found.rounded.formula
    assert grid is not None
    assert free_rule(brief).value(grid, Setting()) <= free_rule(brief).limits[1] + 1e-6
    assert not any(r.violation(grid, Setting()) > 1e-6 for r in brief.modelled)
    assert sum(line.percent for line in grid.lines) == pytest.approx(100)
    assert all(abs(line.percent * 100 - round(line.percent * 100)) < 1e-6 for line in grid.lines)
    assert -1e-9 <= found.rounded.cost_of_rounding < 0.01


@pytest.mark.thorough
def test_same_brief_same_answer(bound: tuple[Brief, Result]) -> None:
    brief, found = bound
    again = solve(brief, weighable=True)
    assert again.formula == found.formula
    assert again.rounded == found.rounded
    assert again.notes == found.notes


def test_what_cannot_be_reached_is_not_called_impossible(bound: tuple[Brief, Result]) -> None:
    found = solve(at_limit(bound[0], 1e-6))
    assert (found.ending, found.proof, found.formula) == ("stopped", "none", None)
    assert "That is no proof that there is none" in words(found)


def test_what_is_impossible_without_the_rule_is_proven_so(bound: tuple[Brief, Result]) -> None:
    brief = bound[0]  # none of its surfactants is so pure
    assert max(i.surfactant for i in brief.pool.items) < 0.999
    rules = tuple(r.model_copy(update={"at_least": 99.9}) if r.id == "active" else r for r in brief.modelled)
    found = solve(replace(brief, modelled=rules))
    assert (found.ending, found.proof) == ("infeasible", "certificate")


def test_check_measures_the_rule_and_finds_a_formula_that_keeps_it(bound: tuple[Brief, Result]) -> None:
    brief, _ = bound
    cheapest = solve(linear_part(brief)).formula
    assert cheapest is not None
    checked = check(brief, {line.item.id: line.percent for line in cheapest.lines}, 0.0)
    assert checked.broken == ("free",)
    assert checked.nearest is not None
    assert free_rule(brief).violation(checked.nearest.formula, Setting()) <= 1e-5
    assert any("a nearer one is not ruled out" in n for n in checked.notes)


@pytest.mark.slow
def test_frontier_by_steps_keeps_the_rule_and_agrees_with_blends(bound: tuple[Brief, Result]) -> None:
    brief, _ = bound
    free = replace(brief, modelled=tuple(r for r in brief.modelled if r.id != "free"))
    shown = free_rule(brief).model_copy(update={"at_most": None})
    free = replace(free, modelled=(*free.modelled, shown))
    traced = stepped(free, (1, "cost"), (1, "free"), points=3)
    assert traced.local
    assert len(traced.breaks) >= 3
    xs, ys = [b.x for b in traced.breaks], [b.y for b in traced.breaks]
    assert xs == sorted(xs, reverse=True)
    assert ys == sorted(ys)
    middle = traced.breaks[len(xs) // 2]
    assert solve(at_limit(brief, middle.x)).objective == pytest.approx(middle.y, rel=1e-3)


def test_exact_frontier_refuses_what_is_curved(bound: tuple[Brief, Result]) -> None:
    with pytest.raises(Exception, match="linear only around a formula"):
        frontier(bound[0], (1, "cost"), (-1, "mildness"))


COMMANDS = (
    "leeway {}", "robust {}", "why decyl-glucoside {}", "substitute cocamidopropyl-betaine {}",
    "range {} --vary active.at_least=9:10:0.5", "together {}=40 {}=60", "restandardise {formula} {} --batch 10",
)  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("common.toml", "hand-wash.toml", "shelf.csv"):
        (tmp_path / name).write_text((shipped("scenarios") / name).read_text(encoding="utf-8"), encoding="utf-8")
    rule = 'extends = "hand-wash.toml"\nname = "Soft"\n[[rule]]\nkind = "free-monomer"\nat_most = 5\n'
    (tmp_path / "soft.toml").write_text(rule, encoding="utf-8")
    doses = "material,percent\naqua,84\nsodium-laureth-sulfate-2eo-70,10\ncocamidopropyl-betaine,6\n"
    (tmp_path / "own.csv").write_text(doses, encoding="utf-8")
    return tmp_path


@pytest.mark.thorough
@pytest.mark.parametrize("command", COMMANDS)
def test_other_commands_refuse_and_name_the_rule(folder: Path, command: str) -> None:
    text = command.replace("{formula}", str(folder / "own.csv")).replace("{}", str(folder / "soft.toml"))
    done = CliRunner().invoke(app, text.split())
    told = " ".join(str(done.exception if done.exception else done.output).split())
    assert done.exit_code != 0
    assert "rule.free-monomer" in told + done.output
    assert "'blend', 'compare' and 'frontier' follow it by steps" in told + done.output


@pytest.mark.thorough
def test_blend_and_check_of_a_file_with_the_rule(folder: Path) -> None:
    done = CliRunner().invoke(app, ["blend", str(folder / "soft.toml"), "--json"])
    assert done.exit_code == 0
    record = json.loads(done.stdout)
    rule = next(r for r in record["rules"] if r["id"] == "free-monomer")
    assert rule["value"] < 5
    assert record["proof"] == "certificate"
    held = CliRunner().invoke(app, ["check", str(folder / "own.csv"), str(folder / "soft.toml"), "--json"])
    rules = {r["id"]: r for r in json.loads(held.stdout)["rules"]}
    assert rules["free-monomer"]["value"] > 0


def test_ties_cannot_be_broken_by_a_curved_measure(folder: Path) -> None:
    (folder / "tie.toml").write_text(
        'extends = "hand-wash.toml"\n[objective]\nminimise = "cost"\nthen = ["minimise free-monomer"]\n',
        encoding="utf-8",
    )
    done = CliRunner().invoke(app, ["blend", str(folder / "tie.toml")])
    assert "cannot break ties" in str(done.exception) + done.output


@pytest.mark.parametrize("seed", [pytest.param(seed, marks=pytest.mark.slow) for seed in (0, 1, None)])
def test_no_point_of_the_stepped_frontier_is_worse_than_blend_at_its_limit(seed: int | None) -> None:
    """A single start, the far end's formula, left the middle point of `body-wash` dearer than `blend` finds it."""
    if seed is None:
        brief, name = load_brief(shipped("scenarios") / "body-wash.toml"), "free-monomer"
    else:
        brief, name = briefs.brief_of(drawn(Random(seed))), "free"
    traced = stepped(brief, (1, "cost"), (1, name), points=3)
    assert len(traced.breaks) == 3
    for point in traced.breaks[1:]:
        limited = brief.measure(name).model_copy(update={"id": name, "at_most": point.x})
        blended = solve(with_rules(brief, {name: limited}))
        assert blended.formula is None or point.y <= blended.objective * (1 + 1e-6), point.x
