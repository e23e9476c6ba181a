"""The tool against a second opinion that shares no code with it: 200 small briefs, every kind of rule."""

from __future__ import annotations

import ast
from collections import Counter
from functools import cache
from math import isfinite, isnan
from pathlib import Path
from random import Random

import pytest

from optimizer.model.model import cases
from optimizer.solve.best import solve
from optimizer.solve.result import Result
from tests.support import briefs, oracle

EACH = 10
"""Briefs drawn for every stated kind of rule."""
EVERYDAY = 5
"""Of these, tried in `make test`."""

KINDS = (*briefs.STATED_KINDS, "mixed-cmc")


@cache
def sample(kind: str) -> tuple[oracle.Case, ...]:
    """Return the briefs that surely state a kind of rule."""
    number = KINDS.index(kind)
    found: list[oracle.Case] = []
    seed = 1000 * number
    while len(found) < EACH:
        case = briefs.draw(Random(seed), briefs.Wish(must=(kind,)))
        seed += 1
        if kind in briefs.kinds_in(case):
            found.append(case)
    return tuple(found)


@pytest.mark.parametrize("kind", KINDS)
def test_ending_and_objective_are_the_oracles(kind: str) -> None:
    for case in sample(kind)[:EVERYDAY]:
        answered_as_the_oracle_does(case)


def answered_as_the_oracle_does(case: oracle.Case) -> Result:
    expected, found = oracle.best(case), solve(briefs.brief_of(case))
    assert found.ending == expected.ending, case
    if expected.ending == "optimal":
        assert found.objective == pytest.approx(expected.objective, rel=1e-6, abs=1e-6), case
    return found


@pytest.mark.thorough
@pytest.mark.parametrize("kind", KINDS)
def test_every_measure_is_the_oracles(kind: str) -> None:
    compared = 0
    for case in sample(kind):
        result = answered_as_the_oracle_does(case)
        if result.formula is None:
            continue
        doses = {line.item.id: line.percent for line in result.formula.lines}
        target = result.ph.target if result.ph else None
        items = oracle.candidates(case)
        rules = {r["id"]: r for r in oracle.hard_rules(case, items)}
        outcomes = {o.id: o for o in result.rules if o.kind != "ph"}
        assert rules.keys() <= outcomes.keys()
        # What is only watched (no law, no brief) is told beside the rules of the model.
        assert all(name.startswith(("exclusion-", "level-", "preserved")) for name in outcomes.keys() - rules.keys())
        for name, rule in rules.items():
            value = oracle.value_at(case, rule, doses, target)
            assert outcomes[name].kind == rule["kind"]
            if isnan(value):
                # Nothing to nothing has no measure; something to nothing is infinite.
                assert not isfinite(outcomes[name].value), name
            else:
                assert outcomes[name].value == pytest.approx(value, rel=1e-9, abs=1e-9), name
            compared += rule["kind"] == kind
        if target is not None:
            table = case["scenario"]["ph"]
            tolerance = table["tolerance"]
            spans = {i.id: oracle.window(i.raw, oracle.is_clear(case)) for i in items}
            assert table["low"] + tolerance - 1e-6 <= target <= table["high"] - tolerance + 1e-6
            assert all(oracle.covers(spans[name], target, tolerance) for name in doses)
    assert compared > 0


@pytest.mark.slow
def test_the_sample_holds_every_kind_and_both_endings() -> None:
    drawn = [case for kind in briefs.STATED_KINDS for case in sample(kind)]
    endings = [oracle.best(case).ending for case in drawn]
    assert len(drawn) >= 150
    assert Counter(endings)["optimal"] >= 100
    assert Counter(endings)["infeasible"] >= 20
    seen = {(kind, ending) for case, ending in zip(drawn, endings, strict=True) for kind in briefs.kinds_in(case)}
    for kind in (*briefs.STATED_KINDS, *briefs.IMPLIED_KINDS):
        assert (kind, "optimal") in seen, kind
        assert (kind, "infeasible") in seen, kind
    laws = [c for c, e in zip(drawn, endings, strict=True) if e == "optimal" and c.get("exclusions")]
    assert laws
    assert any("fixed" in c["scenario"] for c in drawn)
    assert any(line.get("lot_active") for c in drawn for line in c["shelf"])
    assert any(c["scenario"].get("objective") for c in drawn)


MANY_CHOICES = briefs.Wish(must=("if-used", "count", "thickening", "needs"), sizes=(5, 5), rules=(1, 3))
"""Six materials of which most are a yes/no, besides the two routes of thickening."""


@pytest.mark.thorough
@pytest.mark.parametrize("seed", range(20))
def test_branching_finds_what_trying_everything_finds(seed: int) -> None:
    case = briefs.draw(Random(seed), MANY_CHOICES)
    case["scenario"].pop("pool", None)
    case["scenario"]["rule"].append({"id": "each", "kind": "if-used", "of": {"but_not": ["aqua"]}, "at_least": 0.25})
    brief = briefs.brief_of(case)
    columns = max(c.model.size - c.model.doses for c in cases(brief.modelled, brief.acidity, brief.pool))
    assert columns > 6
    expected, found = oracle.best(case), solve(brief)
    assert found.ending == expected.ending
    if expected.ending == "optimal":
        assert found.objective == pytest.approx(expected.objective, rel=1e-6, abs=1e-6)


def test_the_oracle_shares_no_code_with_the_tool() -> None:
    tree = ast.parse(Path(oracle.__file__).read_text(encoding="utf-8"))
    names = {a.name for node in ast.walk(tree) if isinstance(node, ast.Import) for a in node.names}
    names |= {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert "numpy" in names
    assert not [n for n in names if n.split(".")[0] in ("optimizer", "highspy", "scipy", "pulp", "")]


# the oracle itself, on figures that a pencil can check ----------------------------------------------


def _pencil(*rules: oracle.Table, **scenario: object) -> oracle.Case:
    strong = briefs.material("strong", [briefs.substance("S", 50, charge="anionic", surfactant=True)])
    strong["substances"].append(briefs.substance("Aqua", 50, "water"))
    mild = briefs.material("mild", [briefs.substance("M", 25, charge="nonionic", surfactant=True)])
    mild["substances"].append(briefs.substance("Aqua", 75, "water"))
    strong["ph_stable"], mild["ph_stable"] = [6, 9], [4, 7]
    rated = {"basis": "invented", "low": 0, "high": 100}
    strong["ratings"] = {"mildness": {**rated, "typical": 20}}
    mild["ratings"] = {"mildness": {**rated, "typical": 80}}
    shelf = [{"material": "strong", "price_per_kg": 2}, {"material": "mild", "price_per_kg": 3}]
    table = {"name": "pencil", "rule": [{"id": f"r{n}", **r} for n, r in enumerate(rules)], **scenario}
    return {"materials": [briefs.aqua(), strong, mild], "shelf": shelf, "scenario": table}


ACTIVE = {"kind": "active", "at_least": 10}
MILD = {"kind": "rating", "rating": "mildness", "at_least": 50}


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        # 10 % active from the strong one alone: 20 % x 2 per kg
        (_pencil(ACTIVE), 0.4),
        # mean mildness 50 is half and half by active: 10 % strong and 20 % mild
        (_pencil(ACTIVE, MILD), 0.8),
        # one material only: mild alone, 40 % x 3 per kg
        (_pencil(ACTIVE, MILD, {"kind": "count", "at_most": 1}), 1.2),
        # below pH 6 the strong one drops out
        (_pencil(ACTIVE, ph={"low": 4, "high": 5.9, "tolerance": 0.2}), 1.2),
        # at pH 6.2 +- 0.2 both suit, off the grid of 4.2, 5.2 ...
        (_pencil(ACTIVE, MILD, ph={"low": 4, "high": 7, "tolerance": 0.2, "grid": 1}), 0.8),
        # 10 % active and at most 5 % of either
        (_pencil(ACTIVE, {"kind": "dose", "of": {"surfactants": True}, "at_most": 5}), None),
    ],
)
def test_the_oracle_does_small_sums_right(case: oracle.Case, expected: float | None) -> None:
    found = oracle.best(case)
    if expected is None:
        assert found.ending == "infeasible"
    else:
        assert found.objective == pytest.approx(expected, abs=1e-9)
    assert solve(briefs.brief_of(case)).ending == found.ending
